package flacio

import (
	"bytes"
	"crypto/md5"
	"hash"
	"io"
	"os"

	"github.com/mewkiz/flac"
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
	stream *flac.Stream
	info   Info
	block  [][]int32 // the decoded block, cut to what is still to be read
	frames int64     // decoded so far
	md5    hash.Hash
	raw    []byte
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
	d := &Decoder{path: path, file: f, md5: md5.New()}
	if d.stream, err = flac.New(f); err != nil {
		f.Close()
		return nil, wrap(path, ErrCorrupt, "cannot read the stream header", err)
	}
	s := d.stream.Info
	d.info = Info{SampleRate: int(s.SampleRate), Channels: int(s.NChannels), Bits: int(s.BitsPerSample), Frames: int64(s.NSamples)}
	if err := checkFormat(path, d.info.SampleRate, d.info.Channels, d.info.Bits); err != nil {
		f.Close()
		return nil, err
	}
	d.block = make([][]int32, d.info.Channels)
	return d, nil
}

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
	f, err := d.stream.Next()
	if err == io.EOF {
		return d.verify()
	}
	if err != nil {
		return wrap(d.path, ErrCorrupt, "cannot decode", err)
	}
	if f.BitsPerSample == 0 {
		f.BitsPerSample = uint8(d.info.Bits) // the library does not look it up in the stream header
	}
	if int(f.BitsPerSample) != d.info.Bits || f.Channels.Count() != d.info.Channels {
		return fail(d.path, ErrCorrupt, "the block at frame %d has %d channels of %d bits; the file has %d of %d",
			d.frames, f.Channels.Count(), f.BitsPerSample, d.info.Channels, d.info.Bits)
	}
	if err := f.Parse(); err != nil {
		return wrap(d.path, ErrCorrupt, "cannot decode", err)
	}
	n := len(f.Subframes[0].Samples)
	for c, sub := range f.Subframes {
		if len(sub.Samples) != n {
			return fail(d.path, ErrCorrupt, "the block at frame %d has channels of %d and %d frames", d.frames, n, len(sub.Samples))
		}
		d.block[c] = sub.Samples
	}
	d.frames += int64(n)
	d.hash()
	return nil
}

// hash adds the block to the MD5 sum: interleaved, little-endian.
func (d *Decoder) hash() {
	size := d.info.Bits / 8
	stride := size * len(d.block)
	if need := len(d.block[0]) * stride; cap(d.raw) < need {
		d.raw = make([]byte, need)
	}
	raw := d.raw[:len(d.block[0])*stride]
	for c, x := range d.block {
		for i, v := range x {
			p := raw[i*stride+c*size:]
			p[0], p[1] = byte(v), byte(v>>8)
			if size == 3 {
				p[2] = byte(v >> 16)
			}
		}
	}
	d.md5.Write(raw)
}

// verify returns io.EOF if everything is there as it was written.
func (d *Decoder) verify() error {
	if d.info.Frames != 0 && d.frames != d.info.Frames {
		return fail(d.path, ErrCorrupt, "found %d frames; the header says %d", d.frames, d.info.Frames)
	}
	want := d.stream.Info.MD5sum
	if want == [md5.Size]byte{} {
		return io.EOF // not stored
	}
	if got := d.md5.Sum(nil); !bytes.Equal(got, want[:]) {
		return fail(d.path, ErrCorrupt, "the samples have the MD5 sum %x; the header says %x", got, want)
	}
	return io.EOF
}
