package flacio

import (
	"bufio"
	"crypto/md5"
	"encoding/binary"
	"errors"
	"hash"
	"io"
	"os"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"

	"evenhand/analyze/unit"
)

// Info describes a FLAC file.
type Info struct {
	SampleRate int // Hz
	Channels   int
	Bits       int
	Frames     int64 // 0 when the file does not say
}

// Decoder reads one FLAC file. It is not safe for concurrent use.
type Decoder struct {
	path   string
	file   *os.File
	size   int64
	source *source
	starts []int64        // blocks that are looked for, see Find
	found  []int64        // where they begin
	stated [md5.Size]byte // what the file says of its samples
	info   Info
	block  [][]int32 // the decoded block, cut to what is still to be read
	frames int64     // decoded so far
	sum    sampleSum
	err    error // io.EOF or the first failure; every later call returns it
}

// Open opens the FLAC file at path.
func Open(path string) (*Decoder, error) {
	st, err := os.Stat(path) // first, because opening a named pipe would wait for its writer
	if err != nil {
		return nil, wrap(path, nil, "cannot open", err)
	}
	if !st.Mode().IsRegular() {
		return nil, fail(path, ErrCorrupt, "found a folder, pipe or device; expected a FLAC file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, wrap(path, nil, "cannot open", err)
	}
	d := &Decoder{path: path, file: f, size: st.Size(), sum: newSampleSum()}
	// The library takes a reader that has a large buffer for its own, so that
	// this one shows how far it has read.
	head := bufio.NewReaderSize(f, 1<<12)
	stream, err := flac.New(head)
	if err != nil {
		f.Close()
		return nil, damaged(path, err, "its header cannot be read as that of a FLAC file")
	}
	at, err := f.Seek(0, io.SeekCurrent)
	if err == nil {
		at, err = f.Seek(at-int64(head.Buffered()), io.SeekStart)
	}
	if err != nil {
		f.Close()
		return nil, wrap(path, nil, "cannot read", err)
	}
	d.source = newSource(f, at)
	s := stream.Info
	d.stated = s.MD5sum
	d.info = Info{SampleRate: int(s.SampleRate), Channels: int(s.NChannels), Bits: int(s.BitsPerSample), Frames: int64(s.NSamples)}
	if err := checkFormat(path, d.info.SampleRate, d.info.Channels, d.info.Bits); err != nil {
		f.Close()
		return nil, err
	}
	d.block = make([][]int32, d.info.Channels)
	return d, nil
}

// Size is the length of the file in bytes when it was opened.
func (d *Decoder) Size() int64 { return d.size }

// Info describes the file.
func (d *Decoder) Info() Info { return d.info }

// Close closes the file.
func (d *Decoder) Close() error {
	if d.file == nil {
		return nil
	}
	err := d.file.Close()
	d.file = nil
	if err != nil {
		return wrap(d.path, nil, "cannot close", err)
	}
	return nil
}

// Read fills dst, one equally long slice per channel, with the next frames,
// full scale ±1, and returns how many it filled: fewer than fit only at the
// end, and 0 with io.EOF after it. Before it returns io.EOF it has compared
// the number of frames and, when the file has one, the MD5 sum of the samples:
// a difference is ErrCorrupt in place of io.EOF.
func (d *Decoder) Read(dst [][]float64) (frames int, err error) {
	if len(dst) != d.info.Channels {
		return 0, fail(d.path, ErrUse, "block has %d channels; the file has %d", len(dst), d.info.Channels)
	}
	for _, ch := range dst {
		if len(ch) != len(dst[0]) {
			return 0, fail(d.path, ErrUse, "the channels of a block have %d and %d frames; they must be equally long", len(dst[0]), len(ch))
		}
	}
	scale := 1 / float64(int64(1)<<(d.info.Bits-1))
	for frames < len(dst[0]) {
		if len(d.block[0]) == 0 {
			if d.err == nil {
				d.err = d.parse()
			}
			if d.err != nil {
				if frames > 0 {
					break
				}
				return 0, d.err
			}
		}
		n := min(len(dst[0])-frames, len(d.block[0]))
		for c, x := range d.block {
			out := dst[c][frames : frames+n]
			for i, v := range x[:n] {
				out[i] = float64(v) * scale
			}
			d.block[c] = x[n:]
		}
		frames += n
	}
	return frames, nil
}

// parse decodes the next block.
func (d *Decoder) parse() error {
	at := d.source.offset()
	f, err := frame.New(d.source)
	if err == io.EOF {
		return d.verify()
	}
	if err != nil {
		return d.broken(err)
	}
	if err := d.find(at); err != nil {
		return err
	}
	if f.BitsPerSample == 0 {
		f.BitsPerSample = uint8(d.info.Bits) // the library does not look it up in the stream header
	}
	if int(f.BitsPerSample) != d.info.Bits || f.Channels.Count() != d.info.Channels {
		return fail(d.path, ErrCorrupt, "the block at frame %d has %d channels of %d bits; the file has %d of %d",
			d.frames, f.Channels.Count(), f.BitsPerSample, d.info.Channels, d.info.Bits)
	}
	if f.SampleRate != 0 && int(f.SampleRate) != d.info.SampleRate {
		return fail(d.path, ErrCorrupt, "the block at frame %d states a sample rate of %d Hz; the header states %d Hz", d.frames, f.SampleRate, d.info.SampleRate)
	}
	if err := f.Parse(); err != nil {
		return d.broken(err)
	}
	n := len(f.Subframes[0].Samples)
	// At once: a short file can decode to a very long one.
	if stated := d.info.Frames; stated != 0 && d.frames+int64(n) > stated {
		return fail(d.path, ErrCorrupt, "there are more frames than the %d that the header states", stated)
	}
	for c, sub := range f.Subframes {
		if len(sub.Samples) != n {
			return fail(d.path, ErrCorrupt, "the block at frame %d has channels of %d and %d frames", d.frames, n, len(sub.Samples))
		}
		d.block[c] = sub.Samples
	}
	d.sum.add(d.block, d.info.Bits)
	d.frames += int64(n)
	return nil
}

// broken is the error of a block that cannot be decoded.
func (d *Decoder) broken(err error) error {
	at := unit.Seconds(float64(d.frames) / float64(d.info.SampleRate))
	if errors.Is(err, io.ErrUnexpectedEOF) {
		return damaged(d.path, err, "the file ends within the block that begins at frame %d (%v)", d.frames, at)
	}
	return damaged(d.path, err, "the block that begins at frame %d (%v) is damaged", d.frames, at)
}

// verify returns io.EOF if everything is there as it was written.
func (d *Decoder) verify() error {
	if d.info.Frames != 0 && d.frames != d.info.Frames {
		return fail(d.path, ErrCorrupt, "found %d frames; the header states %d; copy or export the file again", d.frames, d.info.Frames)
	}
	if d.stated != [md5.Size]byte{} {
		if got := d.sum.sum(); got != d.stated {
			return fail(d.path, ErrCorrupt, "the samples have the MD5 sum %x; the header states %x; copy or export the file again", got, d.stated)
		}
	}
	if k := len(d.found); k < len(d.starts) {
		return fail(d.path, ErrUse, "piece %d begins at frame %d; the file has %d", k+1, d.starts[k], d.frames)
	}
	return io.EOF
}

// BlockFrames is the number of frames in every block of a file that an Encoder
// wrote, but for the last.
const BlockFrames = blockSize

// Find makes the decoder note where in the file the blocks are that begin at these
// frames, which rise from 0; Offsets has them when Read has returned io.EOF. Read fails
// with ErrUse where no block begins at one of them. Find must be called before the
// first Read.
func (d *Decoder) Find(starts []int64) { d.starts = starts }

// Offsets returns where the blocks begin that were looked for, in bytes from the start
// of the file. What lies between two of them are whole blocks: behind a stream header of
// its own it is a FLAC file of that stretch, as far as decoders do not ask for numbers
// of blocks that begin at 0.
func (d *Decoder) Offsets() []int64 { return d.found }

// find notes where the block begins that is decoded next, if it is looked for.
func (d *Decoder) find(at int64) error {
	k := len(d.found)
	if k == len(d.starts) || d.frames < d.starts[k] {
		return nil
	}
	if d.frames > d.starts[k] {
		return fail(d.path, ErrUse, "a block begins at frame %d and one before it; a piece cannot begin at frame %d between them", d.frames, d.starts[k])
	}
	d.found = append(d.found, at)
	return nil
}

// sampleSum is the MD5 sum of samples, interleaved, little-endian.
type sampleSum struct {
	hash hash.Hash
	raw  []byte
}

func newSampleSum() sampleSum { return sampleSum{hash: md5.New()} }

// add adds a block of samples with the given number of bits.
func (s *sampleSum) add(x [][]int32, bits int) {
	size := bits / 8
	stride := size * len(x)
	if need := len(x[0]) * stride; cap(s.raw) < need {
		s.raw = make([]byte, need)
	}
	s.raw = s.raw[:len(x[0])*stride]
	for c, ch := range x {
		p := s.raw[c*size:]
		if size == 2 {
			for i, v := range ch {
				binary.LittleEndian.PutUint16(p[i*stride:], uint16(v))
			}
			continue
		}
		for i, v := range ch {
			q := p[i*stride : i*stride+3 : i*stride+3]
			q[0], q[1], q[2] = byte(v), byte(v>>8), byte(v>>16)
		}
	}
	s.hash.Write(s.raw)
}

func (s *sampleSum) sum() (out [md5.Size]byte) {
	s.hash.Sum(out[:0])
	return out
}
