package flacio

import (
	"bufio"
	"encoding/binary"
	"io"

	"github.com/mewkiz/flac"
	"github.com/mewkiz/flac/frame"
	"github.com/mewkiz/flac/meta"

	"evenhand/analyze/disk"
)

// blockSize is the number of frames coded together; the last block may be
// shorter.
const blockSize = 4096

// Spec is the format of a file to be written.
type Spec struct {
	SampleRate int // Hz, 1 to MaxRate
	Channels   int // 1 to MaxChannels
	Bits       int // 16 or 24
}

// Encoder writes one FLAC file. It is not safe for concurrent use.
type Encoder struct {
	spec   Spec
	path   string
	file   disk.File
	out    *output
	enc    *flac.Encoder
	block  [][]int32 // the block being filled
	fill   int
	frame  frame.Frame
	search analysis
	total  int64
	least  int64 // bytes of the smallest and largest coded block
	most   int64
	err    error // the first failure; every later call returns it
}

// output counts and buffers what the library writes in small pieces. It has no
// Close, which the library would call.
type output struct {
	file  disk.File
	buf   *bufio.Writer
	count int64
	err   error // the first failure, which the library's own error says in its way
}

func (o *output) Write(p []byte) (int, error) {
	o.count += int64(len(p))
	n, err := o.buf.Write(p)
	return n, o.keep(err)
}

func (o *output) Seek(offset int64, whence int) (int64, error) {
	if err := o.buf.Flush(); err != nil {
		return 0, o.keep(err)
	}
	n, err := o.file.Seek(offset, whence)
	return n, o.keep(err)
}

func (o *output) keep(err error) error {
	if o.err == nil {
		o.err = err
	}
	return err
}

// cannotWrite returns the error of a failed writing: the system's own, where it
// was the system that failed and not the library.
func (e *Encoder) cannotWrite(err error) error {
	if e.out.err != nil {
		err = e.out.err
	}
	return wrap(e.path, nil, "cannot write", err)
}

// Create creates or overwrites the file at path. On any error the file is
// incomplete: the caller removes it.
func Create(path string, spec Spec) (*Encoder, error) {
	if err := checkFormat(path, spec.SampleRate, spec.Channels, spec.Bits); err != nil {
		return nil, err
	}
	f, err := disk.Create(path)
	if err != nil {
		return nil, wrap(path, nil, "cannot create", err)
	}
	e := &Encoder{spec: spec, path: path, file: f, out: &output{file: f, buf: bufio.NewWriterSize(f, 1<<16)}}
	e.enc, err = flac.NewEncoder(e.out, &meta.StreamInfo{
		BlockSizeMin: blockSize, BlockSizeMax: blockSize,
		SampleRate: uint32(spec.SampleRate), NChannels: uint8(spec.Channels), BitsPerSample: uint8(spec.Bits),
	})
	if err != nil {
		f.Close()
		return nil, e.cannotWrite(err)
	}
	e.enc.EnablePredictionAnalysis(false)
	e.block = make([][]int32, spec.Channels)
	for c := range e.block {
		e.block[c] = make([]int32, blockSize)
		e.frame.Subframes = append(e.frame.Subframes, &frame.Subframe{})
	}
	e.frame.Header = frame.Header{
		HasFixedBlockSize: true,
		SampleRate:        headerRate(spec.SampleRate),
		BitsPerSample:     uint8(spec.Bits),
	}
	return e, nil
}

// headerRate returns the rate for the header of each block, where 0 refers to
// the stream header. That is needed for rates that a block header cannot hold;
// and at 24000 and 176400 Hz the library's decoder writes a line to the log
// for every block that states them.
func headerRate(rate int) uint32 {
	switch {
	case rate == 24000 || rate == 176400:
		return 0
	case rate <= 65535, rate <= 255000 && rate%1000 == 0, rate%10 == 0:
		return uint32(rate)
	}
	return 0
}

// Write appends a block of any length, one equally long slice of integers per
// channel. A value outside the range of the file's depth is an error. The
// block is not retained.
func (e *Encoder) Write(block [][]int32) error {
	if e.err != nil {
		return e.err
	}
	if len(block) != e.spec.Channels {
		return fail(e.path, ErrUse, "block has %d channels; the file has %d", len(block), e.spec.Channels)
	}
	for c, ch := range block {
		if len(ch) != len(block[0]) {
			return fail(e.path, ErrUse, "the channels of a block have %d and %d frames; they must be equally long", len(block[0]), len(ch))
		}
		for i, v := range ch {
			if v<<(32-e.spec.Bits)>>(32-e.spec.Bits) != v {
				return fail(e.path, ErrUse, "frame %d of channel %d is %d; allowed in %d bits: %d to %d",
					e.total+int64(i), c+1, v, e.spec.Bits, -1<<(e.spec.Bits-1), 1<<(e.spec.Bits-1)-1)
			}
		}
	}
	for at := 0; at < len(block[0]); {
		var n int
		for c, ch := range block {
			n = copy(e.block[c][e.fill:], ch[at:])
		}
		at += n
		e.fill += n
		e.total += int64(n)
		if e.fill == blockSize {
			if err := e.flush(); err != nil {
				return err
			}
		}
	}
	return nil
}

// flush codes the block that has been filled.
func (e *Encoder) flush() error {
	n := e.fill
	e.fill = 0
	e.frame.BlockSize = uint16(n)
	for c, sub := range e.frame.Subframes {
		sub.Samples, sub.NSamples = e.block[c][:n], n
	}
	e.search.choose(&e.frame, e.spec.Bits)
	before := e.out.count
	if err := e.enc.WriteFrame(&e.frame); err != nil {
		e.err = e.cannotWrite(err)
		return e.err
	}
	size := e.out.count - before
	if e.most == 0 || size < e.least {
		e.least = size
	}
	e.most = max(e.most, size)
	return nil
}

// Close codes what is left, completes the stream header with the number of
// frames and the MD5 sum of the samples, and closes the file. A file without a
// single frame is an error.
func (e *Encoder) Close() error {
	if e.file == nil {
		return e.err
	}
	err := e.finish()
	if cerr := e.file.Close(); cerr != nil && err == nil {
		err = wrap(e.path, nil, "cannot close", cerr)
	}
	e.file = nil
	e.err = fail(e.path, ErrUse, "the file is closed")
	return err
}

func (e *Encoder) finish() error {
	if e.err != nil {
		return e.err
	}
	if e.total == 0 {
		return fail(e.path, ErrUse, "no audio was written; a FLAC file needs at least one frame")
	}
	if e.fill > 0 {
		if err := e.flush(); err != nil {
			return err
		}
	}
	if err := e.enc.Close(); err != nil {
		return e.cannotWrite(err)
	}
	// The library counts the short last block in the minimum block size, which
	// marks the stream as one of varying block size and is refused below 16,
	// and leaves the sizes of the coded blocks unknown.
	b := binary.BigEndian.AppendUint32(nil, blockSize<<16|blockSize)
	b = append(b, byte(e.least>>16), byte(e.least>>8), byte(e.least))
	b = append(b, byte(e.most>>16), byte(e.most>>8), byte(e.most))
	_, err := e.out.Seek(int64(len("fLaC")+4), io.SeekStart)
	if err == nil {
		_, err = e.file.Write(b)
	}
	if err != nil {
		return wrap(e.path, nil, "cannot write", err)
	}
	return nil
}
