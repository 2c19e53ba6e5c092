package wavio

import (
	"encoding/binary"
	"io"
	"math"

	"github.com/go-audio/wav"
)

// layout says how the audio lies in the file.
type layout struct {
	dataStart int64 // byte offset of the first frame
	channels  int
	slot      int  // bytes from one channel's sample to the next one's
	float     bool // IEEE floats of 4 or 8 bytes, otherwise integers
	// low says that the integers sit in the low 3 bytes of slots of 4 bytes,
	// instead of the high ones as the extensible format asks for.
	low bool
}

func (l layout) frameBytes() int { return l.channels * l.slot }

// stereo24 reports whether a frame is two integers of 24 bits.
func (l layout) stereo24() bool { return l.channels == 2 && l.slot == 3 && !l.float }

// maxWindow bounds how much audio one pass through the library's decoder
// covers, because that counts bytes in 32 bits.
const maxWindow = 1 << 30

// start makes r.body continue at frame r.next.
//
// Integers go through the library's decoder. Its PCMBuffer, which also turns
// bytes into ints, reaches about 2000 times real time for 24-bit stereo at 48
// kHz and allocates a buffer for every call; its PCMChunk with the unpackers
// below is several times faster (compare the benchmarks), so the library opens
// the audio and hands it over, and the tests compare the two sample by sample.
// Its own Seek knows nothing of frames: a seek opens a new window instead,
// which costs a header of 44 bytes.
func (r *Reader) start() error {
	frameBytes := int64(r.layout.frameBytes())
	offset := r.layout.dataStart + r.next*frameBytes
	r.end = min(r.info.Frames, r.next+r.window/frameBytes)
	size := (r.end - r.next) * frameBytes
	if r.layout.float {
		r.body = io.NewSectionReader(r.src, offset, size)
		return nil
	}
	d := wav.NewDecoder(&cleanWave{head: r.layout.header(r.info.SampleRate, uint32(size)), body: io.NewSectionReader(r.src, offset, size)})
	err := d.FwdToPCM()
	if err == nil {
		err = d.Err() // FwdToPCM returns nil for some of its failures
	}
	if err != nil {
		return failSystem(r.path, offset, "cannot read", err)
	}
	r.body = d.PCMChunk
	return nil
}

// header returns the 44 bytes of a plain integer WAVE file of size bytes.
func (l layout) header(rate int, size uint32) []byte {
	b := make([]byte, 0, 44)
	le := binary.LittleEndian
	b = append(b, "RIFF"...)
	b = le.AppendUint32(b, 36+size+size%2)
	b = append(b, "WAVEfmt "...)
	b = le.AppendUint32(b, 16)
	b = le.AppendUint16(b, tagInteger)
	b = le.AppendUint16(b, uint16(l.channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*l.frameBytes()))
	b = le.AppendUint16(b, uint16(l.frameBytes()))
	b = le.AppendUint16(b, uint16(l.slot*8))
	b = append(b, "data"...)
	return le.AppendUint32(b, size)
}

// cleanWave is a made header followed by audio.
type cleanWave struct {
	head []byte
	body *io.SectionReader
	pos  int64
}

func (w *cleanWave) Read(p []byte) (n int, err error) {
	if w.pos < int64(len(w.head)) {
		n = copy(p, w.head[w.pos:])
	} else {
		n, err = w.body.ReadAt(p, w.pos-int64(len(w.head)))
		if n > 0 && err == io.EOF {
			err = nil
		}
	}
	w.pos += int64(n)
	return n, err
}

func (w *cleanWave) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += w.pos
	case io.SeekEnd:
		offset += int64(len(w.head)) + w.body.Size()
	}
	if offset < 0 {
		return w.pos, io.ErrUnexpectedEOF
	}
	w.pos = offset
	return offset, nil
}

// unpacker turns one channel's slots, which begin at raw and follow each other
// every stride bytes, into samples. It returns the index of the first sample
// that is not finite, or -1.
type unpacker func(dst []float64, raw []byte, stride int) (bad int)

func (l layout) unpacker() unpacker {
	switch {
	case l.float && l.slot == 4:
		return unpackFloat32
	case l.float:
		return unpackFloat64
	case l.low:
		return unpackLow24
	}
	return [...]unpacker{1: unpack8, 2: unpack16, 3: unpack24, 4: unpack32}[l.slot]
}

func unpack8(dst []float64, raw []byte, stride int) int {
	for i := range dst {
		dst[i] = float64(int(raw[i*stride])-128) * 0x1p-7
	}
	return -1
}

func unpack16(dst []float64, raw []byte, stride int) int {
	for i := range dst {
		dst[i] = float64(int16(binary.LittleEndian.Uint16(raw[i*stride:]))) * 0x1p-15
	}
	return -1
}

func unpack24(dst []float64, raw []byte, stride int) int {
	for i := range dst {
		b := raw[i*stride : i*stride+3 : i*stride+3]
		dst[i] = float64(int32(uint32(b[0])<<8|uint32(b[1])<<16|uint32(b[2])<<24)) * 0x1p-31
	}
	return -1
}

// unpackStereo24 does both channels of 24 bits in one go: in two thirds of the
// time that unpack24 takes for one after the other.
func unpackStereo24(left, right []float64, raw []byte) {
	right = right[:len(left)]
	for i := range left {
		b := raw[6*i : 6*i+6 : 6*i+6]
		left[i] = float64(int32(binary.LittleEndian.Uint32(b)<<8)) * 0x1p-31
		right[i] = float64(int32(binary.LittleEndian.Uint32(b[2:])&^0xFF)) * 0x1p-31
	}
}

func unpackLow24(dst []float64, raw []byte, stride int) int {
	for i := range dst {
		dst[i] = float64(int32(binary.LittleEndian.Uint32(raw[i*stride:]))<<8) * 0x1p-31
	}
	return -1
}

func unpack32(dst []float64, raw []byte, stride int) int {
	for i := range dst {
		dst[i] = float64(int32(binary.LittleEndian.Uint32(raw[i*stride:]))) * 0x1p-31
	}
	return -1
}

func unpackFloat32(dst []float64, raw []byte, stride int) int {
	for i := range dst {
		bits := binary.LittleEndian.Uint32(raw[i*stride:])
		if bits&0x7F800000 == 0x7F800000 {
			return i
		}
		dst[i] = float64(math.Float32frombits(bits))
	}
	return -1
}

func unpackFloat64(dst []float64, raw []byte, stride int) int {
	const exponent, beyond = 0x7FF << 52, (1023 + 128) << 52 // of 2¹²⁸, which 32-bit floats do not reach
	for i := range dst {
		bits := binary.LittleEndian.Uint64(raw[i*stride:])
		if bits&exponent >= beyond {
			return i
		}
		dst[i] = math.Float64frombits(bits)
	}
	return -1
}
