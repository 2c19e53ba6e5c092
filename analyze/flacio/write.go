package flacio

import (
	"crypto/md5"
	"encoding/binary"
	"slices"
)

// The ways to code a channel, as the first bits of a subframe name them: fixed
// and linear with the order of the predictor added.
//
// Source: RFC 9639, section 9.2.1.
const (
	constant = 0
	verbatim = 1
	fixed    = 8
	linear   = 32 - 1
)

// The ways to store a pair of channels. Source: RFC 9639, section 9.1.3.
const (
	leftRight = 1
	leftSide  = 8
	sideRight = 9
	midSide   = 10
)

// fixedCoeffs are the predictors that need no coefficients in the file.
//
// Source: RFC 9639, section 9.2.5.
var fixedCoeffs = [5][]int32{{}, {1}, {2, -1}, {3, -3, 1}, {4, -6, 4, -1}}

// escape4 is the first Rice parameter that does not fit in 4 bits, where it
// stands for samples that are not coded. Source: RFC 9639, section 9.2.7.
const escape4 = 15

// subframe is one channel of a block and how it is coded.
type subframe struct {
	kind     int
	samples  []int32 // without their unused low bits
	depth    int     // bits of a sample, without the unused ones
	unused   int
	coeffs   []int32 // of the predictor, in units of 2^-shift
	shift    int32
	residual []int32 // as long as samples
	parts    int     // log2 of how many partitions it has
	params   [1 << maxParts]uint
	wide     bool // parameters of 5 bits
}

// block codes a block of samples, one equally long slice per channel, which has
// the given number in the file, into the memory of b.
//
// Source: RFC 9639, section 9.
func (a *analysis) block(b []byte, spec Spec, x [][]int32, number int64) []byte {
	channels, coded, side := a.decorrelate(x)
	w := bitWriter{b: spec.blockHeader(b[:0], number, len(x[0]), channels)}
	for c := range x {
		depth := spec.Bits
		if c == side {
			depth++
		}
		w.subframe(a.subframe(coded[c], depth))
	}
	w.align()
	return binary.BigEndian.AppendUint16(w.b, crc16(w.b))
}

// The codes of lengths and rates are their places in these lists. The rates
// 24000 and 176400 Hz are left to the stream header: for every block that states
// them the library's decoder writes a line to the log.
//
// Source: RFC 9639, sections 9.1.1 and 9.1.2.
var (
	blockLengths = []int{1: 192, 2: 576, 3: 1152, 4: 2304, 8: 256, 9: 512, 10: 1024, 11: 2048, 12: 4096}
	blockRates   = []int{1: 88200, 3: 192000, 4: 8000, 5: 16000, 6: 22050, 8: 32000, 9: 44100, 10: 48000, 11: 96000}
)

// blockHeader appends the header of a block with its checksum.
//
// Source: RFC 9639, section 9.1.
func (s Spec) blockHeader(b []byte, number int64, frames int, channels byte) []byte {
	var tail []byte // what does not fit in the codes
	length := slices.Index(blockLengths, frames)
	if length < 0 {
		if length = 7; frames <= 256 {
			length = 6
			tail = append(tail, byte(frames-1))
		} else {
			tail = binary.BigEndian.AppendUint16(tail, uint16(frames-1))
		}
	}
	rate := slices.Index(blockRates, s.SampleRate)
	if rate < 0 {
		switch r := s.SampleRate; {
		case r == 24000 || r == 176400:
			rate = 0
		case r <= 255000 && r%1000 == 0:
			rate = 12
			tail = append(tail, byte(r/1000))
		case r <= 65535:
			rate = 13
			tail = binary.BigEndian.AppendUint16(tail, uint16(r))
		case r%10 == 0:
			rate = 14
			tail = binary.BigEndian.AppendUint16(tail, uint16(r/10))
		default:
			rate = 0
		}
	}
	start := len(b)
	b = append(b, 0xFF, 0xF8, byte(length<<4|rate), channels<<4|byte(s.Bits/4)<<1) // 16 bits are 4, 24 are 6
	b = append(putNumber(b, uint64(number)), tail...)
	return append(b, crc8(b[start:]))
}

// bitWriter appends numbers of any length in bits, the highest bit first.
type bitWriter struct {
	b    []byte
	bits uint64 // the last count of them are still to be written
	have uint   // below 32
}

// put appends the n lowest bits of v, n at most 32.
func (w *bitWriter) put(v uint32, n uint) {
	w.bits = w.bits<<n | uint64(v)&(1<<n-1)
	if w.have += n; w.have >= 32 {
		w.have -= 32
		w.b = binary.BigEndian.AppendUint32(w.b, uint32(w.bits>>w.have))
	}
}

// align fills the last byte with zeros and appends what is still to be written.
func (w *bitWriter) align() {
	w.put(0, -w.have&7)
	for w.have > 0 {
		w.have -= 8
		w.b = append(w.b, byte(w.bits>>w.have))
	}
}

// unary appends zeros and a one.
func (w *bitWriter) unary(zeros uint32) {
	for ; zeros > 31; zeros -= 31 {
		w.put(0, 31)
	}
	w.put(1, uint(zeros)+1)
}

// subframe appends a channel.
//
// Source: RFC 9639, section 9.2.
func (w *bitWriter) subframe(s *subframe) {
	predicted := s.kind == fixed || s.kind == linear
	order := 0
	if predicted {
		order = len(s.coeffs)
	}
	head := uint32(s.kind+order) << 1
	if s.unused > 0 {
		w.put(head|1, 8)
		w.unary(uint32(s.unused - 1))
	} else {
		w.put(head, 8)
	}
	depth := uint(s.depth)
	plain := s.samples[:order]
	switch s.kind {
	case constant:
		plain = s.samples[:1]
	case verbatim:
		plain = s.samples
	}
	for _, v := range plain {
		w.put(uint32(v), depth)
	}
	if s.kind == linear {
		w.put(precision-1, 4)
		w.put(uint32(s.shift), 5)
		for _, v := range s.coeffs {
			w.put(uint32(v), precision)
		}
	}
	if predicted {
		w.residual(s)
	}
}

// residual appends the residual in partitions of Rice codes.
//
// Source: RFC 9639, section 9.2.7.
func (w *bitWriter) residual(s *subframe) {
	method, long := uint32(0), uint(4)
	if s.wide {
		method, long = 1, 5
	}
	w.put(method, 2)
	w.put(uint32(s.parts), 4)
	each := len(s.residual) >> s.parts
	from := len(s.coeffs)
	for p, k := range s.params[:1<<s.parts] {
		w.put(uint32(k), long)
		for _, r := range s.residual[from : (p+1)*each] {
			v := fold(r)
			high := v >> k
			if code := uint(high) + 1 + k; high < 32 && code <= 32 {
				w.put(1<<k|v&(1<<k-1), code)
				continue
			}
			w.unary(high)
			w.put(v, k)
		}
		from = (p + 1) * each
	}
}

// fold maps 0, -1, 1, -2 … to 0, 1, 2, 3 …
//
// Source: RFC 9639, section 9.2.7.2.
func fold(r int32) uint32 { return uint32(r<<1 ^ r>>31) }

// header is what the stream header says of the blocks of a file.
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
// Source: RFC 9639, section 8.2.
func (h *header) bytes(sum [md5.Size]byte) []byte {
	b := []byte("fLaC\x80\x00\x00\x22") // the last metadata block, of 34 bytes
	b = binary.BigEndian.AppendUint32(b, blockSize<<16|blockSize)
	b = append(b, byte(h.least>>16), byte(h.least>>8), byte(h.least))
	b = append(b, byte(h.most>>16), byte(h.most>>8), byte(h.most))
	b = binary.BigEndian.AppendUint64(b, uint64(h.SampleRate)<<44|uint64(h.Channels-1)<<41|uint64(h.Bits-1)<<36|uint64(h.frames))
	return append(b, sum[:]...)
}

// putNumber appends the number of a block, in the way in which UTF-8 stores
// characters, to 36 bits.
func putNumber(b []byte, v uint64) []byte {
	if v < 0x80 {
		return append(b, byte(v))
	}
	more := 1 // bytes of six bits behind the first
	for v>>(6*more) >= 1<<(6-more) {
		more++
	}
	b = append(b, byte(0xff<<(7-more))|byte(v>>(6*more)))
	for more > 0 {
		more--
		b = append(b, 0x80|byte(v>>(6*more))&0x3f)
	}
	return b
}

// crc8 is the checksum of a block's header: x^8 + x^2 + x + 1.
//
// Source: RFC 9639, section 9.1.8.
func crc8(b []byte) (c byte) {
	for _, v := range b {
		c ^= v
		for range 8 {
			c = c<<1 ^ 0x07*(c>>7)
		}
	}
	return c
}

// crc16Tables are of the checksum of a whole block, x^16 + x^15 + x^2 + 1: table
// k has what a byte that k others follow does to it.
//
// Source: RFC 9639, section 9.3.
var crc16Tables = func() (t [8][256]uint16) {
	for i := range t[0] {
		c := uint16(i) << 8
		for range 8 {
			c = c<<1 ^ 0x8005*(c>>15)
		}
		t[0][i] = c
	}
	for k := 1; k < len(t); k++ {
		for i, c := range t[k-1] {
			t[k][i] = c<<8 ^ t[0][c>>8]
		}
	}
	return t
}()

// crc16 takes eight bytes at a time: one after the other, each waits for the one
// before it.
func crc16(b []byte) (c uint16) {
	t := &crc16Tables
	for ; len(b) >= 8; b = b[8:] {
		c = t[7][byte(c>>8)^b[0]] ^ t[6][byte(c)^b[1]] ^ t[5][b[2]] ^ t[4][b[3]] ^ t[3][b[4]] ^ t[2][b[5]] ^ t[1][b[6]] ^ t[0][b[7]]
	}
	for _, v := range b {
		c = c<<8 ^ t[0][byte(c>>8)^v]
	}
	return c
}
