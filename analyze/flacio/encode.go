package flacio

import (
	"bufio"

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
	path   string
	file   disk.File
	out    *bufio.Writer
	head   header
	block  [][]int32 // the block being filled
	part   [][]int32 // what of it is coded
	fill   int
	search analysis
	coded  []byte
	sum    sampleSum
	total  int64
	err    error // the first failure; every later call returns it
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
	e := &Encoder{path: path, file: f, out: bufio.NewWriterSize(f, 1<<16), head: header{Spec: spec}, sum: newSampleSum()}
	e.out.Write(make([]byte, headerBytes)) // until it is known; errors come with the next flush
	e.part = make([][]int32, spec.Channels)
	for range spec.Channels {
		e.block = append(e.block, make([]int32, blockSize))
	}
	return e, nil
}

// Write appends a block of any length, one equally long slice of integers per
// channel. A value outside the range of the file's depth is an error. The
// block is not retained.
func (e *Encoder) Write(block [][]int32) error {
	if e.err != nil {
		return e.err
	}
	if len(block) != e.head.Channels {
		return fail(e.path, ErrUse, "block has %d channels; the file has %d", len(block), e.head.Channels)
	}
	for c, ch := range block {
		if len(ch) != len(block[0]) {
			return fail(e.path, ErrUse, "the channels of a block have %d and %d frames; they must be equally long", len(block[0]), len(ch))
		}
		for i, v := range ch {
			if v<<(32-e.head.Bits)>>(32-e.head.Bits) != v {
				return fail(e.path, ErrUse, "frame %d of channel %d is %d; allowed in %d bits: %d to %d",
					e.total+int64(i), c+1, v, e.head.Bits, -1<<(e.head.Bits-1), 1<<(e.head.Bits-1)-1)
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
	for c := range e.block {
		e.part[c] = e.block[c][:e.fill]
	}
	e.coded = e.search.block(e.coded, e.head.Spec, e.part, e.head.blocks)
	e.head.add(e.fill, len(e.coded))
	e.sum.add(e.part, e.head.Bits)
	e.fill = 0
	if _, err := e.out.Write(e.coded); err != nil {
		e.err = wrap(e.path, nil, "cannot write", err)
	}
	return e.err
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
	err := e.out.Flush()
	if err == nil {
		_, err = e.file.WriteAt(e.head.bytes(e.sum.sum()), 0)
	}
	if err != nil {
		return wrap(e.path, nil, "cannot write", err)
	}
	return nil
}
