package flacio

import (
	"bufio"
	"crypto/md5"
	"encoding/binary"
	"hash"
	"os"
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
	file   *os.File
	out    *bufio.Writer
	block  [][]int32 // the block being filled
	fill   int
	search analysis
	head   header
	sum    sampleSum
	err    error // the first failure; every later call returns it
}

// header is what the stream header says of the blocks.
type header struct {
	Spec
	blocks      int64
	frames      int64
	least, most int // bytes of the smallest and largest coded block
}

const headerBytes = 4 + 4 + 34

// add counts a coded block.
func (h *header) add(frames, bytes int) {
	if h.blocks == 0 || bytes < h.least {
		h.least = bytes
	}
	h.most = max(h.most, bytes)
	h.blocks++
	h.frames += int64(frames)
}

// bytes returns the beginning of a file: the mark and the stream header.
//
// Source: RFC 9639, section 8.2 (from memory).
func (h *header) bytes(sum [md5.Size]byte) []byte {
	b := []byte("fLaC\x80\x00\x00\x22") // the last metadata block, of 34 bytes
	b = binary.BigEndian.AppendUint32(b, blockSize<<16|blockSize)
	b = append(b, byte(h.least>>16), byte(h.least>>8), byte(h.least))
	b = append(b, byte(h.most>>16), byte(h.most>>8), byte(h.most))
	b = binary.BigEndian.AppendUint64(b, uint64(h.SampleRate)<<44|uint64(h.Channels-1)<<41|uint64(h.Bits-1)<<36|uint64(h.frames))
	return append(b, sum[:]...)
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

// Create creates or overwrites the file at path. On any error the file is
// incomplete: the caller removes it.
func Create(path string, spec Spec) (*Encoder, error) {
	if err := checkFormat(path, spec.SampleRate, spec.Channels, spec.Bits); err != nil {
		return nil, err
	}
	f, err := os.Create(path)
	if err != nil {
		return nil, wrap(path, nil, "cannot create", err)
	}
	e := &Encoder{spec: spec, path: path, file: f, out: bufio.NewWriterSize(f, 1<<16), head: header{Spec: spec}, sum: newSampleSum()}
	e.block = make([][]int32, spec.Channels)
	for c := range e.block {
		e.block[c] = make([]int32, blockSize)
	}
	e.out.Write(make([]byte, headerBytes)) // until it is known; errors come with the next flush
	return e, nil
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
					e.head.frames+int64(e.fill+i), c+1, v, e.spec.Bits, -1<<(e.spec.Bits-1), 1<<(e.spec.Bits-1)-1)
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
	var cut [MaxChannels][]int32
	x := cut[:len(e.block)]
	for c := range x {
		x[c] = e.block[c][:e.fill]
	}
	e.fill = 0
	e.sum.add(x, e.spec.Bits)
	coded := e.search.block(x, e.spec, uint64(e.head.blocks))
	e.head.add(len(x[0]), len(coded))
	if _, err := e.out.Write(coded); err != nil {
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
	if e.fill > 0 {
		if err := e.flush(); err != nil {
			return err
		}
	}
	if e.head.frames == 0 {
		return fail(e.path, ErrUse, "no audio was written; a FLAC file needs at least one frame")
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
