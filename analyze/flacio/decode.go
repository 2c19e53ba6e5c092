package flacio

import (
	"bufio"
	"crypto/md5"
	"errors"
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
	blocks blockReader
	info   Info
	stated [md5.Size]byte // the sum in the stream header
	block  [][]int32      // the decoded block, cut to what is still to be read
	frames int64          // decoded so far
	sum    sampleSum
	cutter *cutter
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
	d := &Decoder{path: path, file: f, sum: newSampleSum()}
	// The library reads the metadata; it takes this buffer for its own, so that
	// nothing of the first block is lost.
	buf := bufio.NewReaderSize(f, 1<<16)
	stream, err := flac.New(buf)
	if err != nil {
		f.Close()
		return nil, wrap(path, ErrCorrupt, "cannot read the stream header", err)
	}
	s := stream.Info
	d.stated = s.MD5sum
	d.info = Info{SampleRate: int(s.SampleRate), Channels: int(s.NChannels), Bits: int(s.BitsPerSample), Frames: int64(s.NSamples)}
	if err := checkFormat(path, d.info.SampleRate, d.info.Channels, d.info.Bits); err != nil {
		f.Close()
		return nil, err
	}
	d.blocks = blockReader{bitReader: bitReader{src: buf}, bits: d.info.Bits, x: make([][]int32, d.info.Channels)}
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
	if d.cutter != nil && d.cutter.file != nil {
		err = errors.Join(err, d.cutter.file.Close())
	}
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
	err := d.blocks.next()
	if err == io.EOF {
		return d.verify()
	}
	if err != nil {
		return wrap(d.path, ErrCorrupt, "cannot decode", err)
	}
	copy(d.block, d.blocks.x)
	d.sum.add(d.block, d.info.Bits)
	if d.cutter != nil {
		if err := d.cutter.add(d); err != nil {
			return err
		}
	}
	d.frames += int64(len(d.block[0]))
	return nil
}

// verify returns io.EOF if everything is there as it was written.
func (d *Decoder) verify() error {
	if d.info.Frames != 0 && d.frames != d.info.Frames {
		return fail(d.path, ErrCorrupt, "found %d frames; the header says %d", d.frames, d.info.Frames)
	}
	if d.stated != [md5.Size]byte{} {
		if got := d.sum.sum(); got != d.stated {
			return fail(d.path, ErrCorrupt, "the samples have the MD5 sum %x; the header says %x", got, d.stated)
		}
	}
	if d.cutter != nil {
		if err := d.cutter.finish(d); err != nil {
			return err
		}
	}
	return io.EOF
}
