package wavio

import (
	"encoding/binary"
	"io"
	"math"
	"slices"

	"evenhand/analyze/disk"
)

// Spec is the format of a file to be written. Integers have 8, 16, 24 or 32
// bits, floats (Float) 32 or 64.
type Spec struct {
	SampleRate int // Hz, MinRate to MaxRate
	Channels   int // 1 to MaxChannels
	Bits       int
	Float      bool
	Bext       *Bext // written as version 2; nil for none
	Cues       []Cue // with distinct IDs, Frame and Length below 2³²
}

// Writer writes one WAVE file. It is not safe for concurrent use.
//
// The library's encoder is not used: it appends sample by sample through
// reflection (about 500 times real time and an allocation a sample for 24-bit
// stereo at 48 kHz, a quarter of the speed of this), keeps a minute of audio
// in memory, forgets the padding byte and has no place for bext, cue points or
// the room for ds64 in front of the audio.
type Writer struct {
	w       io.WriteSeeker
	closer  io.Closer
	path    string
	spec    Spec
	junk    int64 // where the room for ds64 begins
	fact    int64 // where the count of frames of a float file stands, 0 if nowhere
	data    int64 // where the audio begins
	frames  int64
	clipped int64
	buf     []byte
	err     error // the first failure; every later call returns it
	largest int64 // sizes above this one do not fit a RIFF file
}

// Create creates or overwrites the file at path. On any error the file is
// incomplete: the caller removes it.
func Create(path string, spec Spec) (*Writer, error) {
	if err := spec.check(path); err != nil {
		return nil, err
	}
	f, err := disk.Create(path)
	if err != nil {
		return nil, failSystem(path, -1, "cannot create", err)
	}
	w, err := newWriter(f, spec, path)
	if err != nil {
		f.Close()
		return nil, err
	}
	w.closer = f
	return w, nil
}

// NewWriter writes to w, which stands at its beginning and is not closed.
func NewWriter(w io.WriteSeeker, spec Spec) (*Writer, error) {
	if err := spec.check(""); err != nil {
		return nil, err
	}
	return newWriter(w, spec, "")
}

func (s Spec) check(path string) error {
	bad := func(format string, args ...any) error { return fail(path, -1, ErrUnsupported, format, args...) }
	switch {
	case s.SampleRate < MinRate || s.SampleRate > MaxRate:
		return bad("cannot write a sample rate of %d Hz; allowed: %d to %d Hz", s.SampleRate, MinRate, MaxRate)
	case s.Channels < 1 || s.Channels > MaxChannels:
		return bad("cannot write %d channels; allowed: 1 to %d", s.Channels, MaxChannels)
	case s.Float && s.Bits != 32 && s.Bits != 64:
		return bad("cannot write %d-bit float samples; allowed: 32 or 64", s.Bits)
	case !s.Float && !slices.Contains([]int{8, 16, 24, 32}, s.Bits):
		return bad("cannot write %d-bit integer samples; allowed: 8, 16, 24 or 32", s.Bits)
	}
	seen := map[uint32]bool{}
	for _, c := range s.Cues {
		switch {
		case seen[c.ID]:
			return bad("cannot write two cue points of number %d; numbers must differ", c.ID)
		case c.Frame < 0 || c.Frame > math.MaxUint32 || c.Length < 0 || c.Length > math.MaxUint32:
			return bad("cannot write cue point %d at frame %d with length %d; allowed: 0 to %d", c.ID, c.Frame, c.Length, uint32(math.MaxUint32))
		}
		seen[c.ID] = true
	}
	return nil
}

func newWriter(out io.WriteSeeker, spec Spec, path string) (*Writer, error) {
	w := &Writer{w: out, path: path, spec: spec, largest: math.MaxUint32}
	head := w.header()
	if err := w.put(head); err != nil {
		return nil, err
	}
	w.data = int64(len(head))
	w.buf = make([]byte, 0, blockBytes)
	return w, nil
}

// speakers is the usual mask for a number of channels: front centre for mono,
// front left and right for stereo, none beyond that.
func speakers(channels int) uint32 {
	return map[int]uint32{1: 4, 2: 3}[channels]
}

// header lays out everything in front of the audio. The extensible form is
// used where the specification asks for it: above 16 bits and 2 channels.
func (w *Writer) header() []byte {
	s, le := w.spec, binary.LittleEndian
	b := append([]byte("RIFF"), "\x00\x00\x00\x00WAVE"...)
	w.junk = int64(len(b))
	b = appendChunk(b, "JUNK", make([]byte, 28))
	if s.Bext != nil {
		b = appendChunk(b, "bext", appendBext(nil, s.Bext))
	}
	tag := uint16(tagInteger)
	if s.Float {
		tag = tagFloat
	}
	extensible := s.Channels > 2 || !s.Float && s.Bits > 16
	frameBytes := s.Channels * s.Bits / 8
	var f []byte
	if extensible {
		f = le.AppendUint16(f, tagExtensible)
	} else {
		f = le.AppendUint16(f, tag)
	}
	f = le.AppendUint16(f, uint16(s.Channels))
	f = le.AppendUint32(f, uint32(s.SampleRate))
	f = le.AppendUint32(f, uint32(s.SampleRate*frameBytes))
	f = le.AppendUint16(f, uint16(frameBytes))
	f = le.AppendUint16(f, uint16(s.Bits))
	switch {
	case extensible:
		f = le.AppendUint16(f, 22)
		f = le.AppendUint16(f, uint16(s.Bits))
		f = le.AppendUint32(f, speakers(s.Channels))
		f = le.AppendUint16(f, tag)
		f = append(f, subformatTail...)
	case s.Float:
		f = le.AppendUint16(f, 0)
	}
	b = appendChunk(b, "fmt ", f)
	if s.Float {
		w.fact = int64(len(b)) + 8
		b = appendChunk(b, "fact", make([]byte, 4))
	}
	return append(b, "data\x00\x00\x00\x00"...)
}

// put writes b and remembers a failure.
func (w *Writer) put(b []byte) error {
	if w.err == nil {
		if _, err := w.w.Write(b); err != nil {
			w.err = failSystem(w.path, -1, "cannot write", err)
		}
	}
	return w.err
}

// Clipped returns how many samples lay outside what integers of the file's
// depth can hold and were set to the nearest one. Floats never clip.
func (w *Writer) Clipped() int64 { return w.clipped }

// Write appends a block, one equally long slice per channel with full scale
// ±1. For integer files it rounds to the nearest step, halves to even, and
// saturates; dither, if wanted, is already in the block. A sample that is not
// a finite number gives ErrNotFinite. The block is not retained.
func (w *Writer) Write(block [][]float64) error {
	if w.err != nil {
		return w.err
	}
	if len(block) != w.spec.Channels {
		return fail(w.path, -1, ErrUse, "block has %d channels; the file has %d", len(block), w.spec.Channels)
	}
	for _, ch := range block {
		if len(ch) != len(block[0]) {
			return fail(w.path, -1, ErrUse, "the channels of a block have %d and %d frames; they must be equally long", len(block[0]), len(ch))
		}
	}
	frameBytes := w.spec.Channels * w.spec.Bits / 8
	for at := 0; at < len(block[0]); {
		n := min(len(block[0])-at, cap(w.buf)/frameBytes)
		raw := w.buf[:n*frameBytes]
		for c, ch := range block {
			if bad := w.pack(raw[c*w.spec.Bits/8:], ch[at:at+n], frameBytes); bad >= 0 {
				err := fail(w.path, -1, ErrNotFinite, "frame %d of channel %d is NaN or infinite and cannot be written", w.frames+int64(bad), c+1)
				err.Frame, err.Channel = w.frames+int64(bad), c
				w.err = err
				return err
			}
		}
		if err := w.put(raw); err != nil {
			return err
		}
		w.frames += int64(n)
		at += n
	}
	return nil
}

// pack writes one channel's samples into slots stride bytes apart and returns
// the index of the first that is not finite, or -1.
func (w *Writer) pack(raw []byte, src []float64, stride int) int {
	le := binary.LittleEndian
	size := w.spec.Bits / 8
	full := math.Ldexp(1, w.spec.Bits-1)
	for i, v := range src {
		if v-v != 0 {
			return i
		}
		p := raw[i*stride : i*stride+size : i*stride+size]
		if w.spec.Float {
			if size == 8 {
				le.PutUint64(p, math.Float64bits(v))
				continue
			}
			f := float32(v)
			if f-f != 0 {
				return i // beyond the range of 32-bit floats
			}
			le.PutUint32(p, math.Float32bits(f))
			continue
		}
		v = math.RoundToEven(v * full)
		if v > full-1 {
			v = full - 1
			w.clipped++
		} else if v < -full {
			v = -full
			w.clipped++
		}
		n := int32(v)
		switch size {
		case 1:
			p[0] = byte(n + 128)
		case 2:
			le.PutUint16(p, uint16(n))
		case 3:
			p[0], p[1], p[2] = byte(n), byte(n>>8), byte(n>>16)
		default:
			le.PutUint32(p, uint32(n))
		}
	}
	return -1
}

// Close writes what follows the audio, then the sizes in front of it. A file
// whose sizes do not fit 32 bits becomes RF64 in place: a chunk reserved for
// that turns into ds64.
func (w *Writer) Close() error {
	err := w.finish()
	if w.closer != nil {
		if cerr := w.closer.Close(); cerr != nil && err == nil {
			err = failSystem(w.path, -1, "cannot close", cerr)
		}
		w.closer = nil
	}
	if w.err == nil {
		w.err = fail(w.path, -1, ErrUse, "the file is closed")
	}
	return err
}

func (w *Writer) finish() error {
	if w.err != nil {
		return w.err
	}
	size := w.frames * int64(w.spec.Channels*w.spec.Bits/8)
	tail := make([]byte, size%2)
	tail = appendCues(tail, w.spec.Cues)
	if err := w.put(tail); err != nil {
		return err
	}
	le := binary.LittleEndian
	riff := w.data + size + int64(len(tail)) - 8
	frames := uint32(min(w.frames, math.MaxUint32))
	if riff > w.largest {
		ds := le.AppendUint64([]byte("ds64\x1C\x00\x00\x00"), uint64(riff))
		ds = le.AppendUint64(ds, uint64(size))
		ds = le.AppendUint64(ds, uint64(w.frames))
		ds = le.AppendUint32(ds, 0)
		w.patch(0, []byte("RF64\xFF\xFF\xFF\xFF"))
		w.patch(w.junk, ds)
		w.patch(w.data-4, []byte("\xFF\xFF\xFF\xFF"))
	} else {
		w.patch(4, le.AppendUint32(nil, uint32(riff)))
		w.patch(w.data-4, le.AppendUint32(nil, uint32(size)))
	}
	if w.fact > 0 {
		w.patch(w.fact, le.AppendUint32(nil, frames))
	}
	return w.err
}

func (w *Writer) patch(offset int64, b []byte) {
	if w.err != nil {
		return
	}
	if _, err := w.w.Seek(offset, io.SeekStart); err != nil {
		w.err = failSystem(w.path, offset, "cannot seek", err)
		return
	}
	w.put(b)
}
