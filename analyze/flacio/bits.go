package flacio

import (
	"encoding/binary"
	"io"
	"math/bits"
)

// bitWriter appends numbers to bytes, the highest bit first.
type bitWriter struct {
	b   []byte
	acc uint64 // the low n bits are not yet in b
	n   uint   // below 32
}

// put appends the low n bits of v, n ≤ 32; the other bits of v are zero.
func (w *bitWriter) put(v uint64, n uint) {
	w.acc = w.acc<<n | v
	if w.n += n; w.n >= 32 {
		w.n -= 32
		w.b = binary.BigEndian.AppendUint32(w.b, uint32(w.acc>>w.n))
	}
}

// signed appends v in n bits of two's complement, n ≤ 32.
func (w *bitWriter) signed(v int32, n int) { w.put(uint64(uint32(v))&(1<<n-1), uint(n)) }

// align appends zeros up to the next byte.
func (w *bitWriter) align() {
	w.put(0, -w.n&7)
	for w.n > 0 {
		w.n -= 8
		w.b = append(w.b, byte(w.acc>>w.n))
	}
}

// rice appends residuals, each as quotient in unary and k low bits.
func (w *bitWriter) rice(residual []int32, k uint) {
	b, acc, n := w.b, w.acc, w.n
	for _, r := range residual {
		u := uint32(r)<<1 ^ uint32(r>>31)
		q := uint(u >> k)
		for q+1+k > 32 { // zeros that do not fit beside the rest
			z := min(q, 31)
			acc <<= z
			if n += z; n >= 32 {
				n -= 32
				b = binary.BigEndian.AppendUint32(b, uint32(acc>>n))
			}
			q -= z
		}
		acc = acc<<(q+1+k) | uint64(u&(1<<k-1)|1<<k)
		if n += q + 1 + k; n >= 32 {
			n -= 32
			b = binary.BigEndian.AppendUint32(b, uint32(acc>>n))
		}
	}
	w.b, w.acc, w.n = b, acc, n
}

// bitReader reads numbers from a stream, the highest bit first. It keeps the
// bytes from start on.
type bitReader struct {
	src   io.Reader
	buf   []byte
	start int    // of what is kept
	pos   int    // of the byte that follows those in acc
	acc   uint64 // its high n bits are to be read next; the others are right or zero
	n     uint
	end   int   // bytes of the stream in buf; what follows are zeros
	err   error // of src; io.EOF at its end
}

// fill makes at least 56 bits ready.
func (r *bitReader) fill() {
	if r.pos+8 > len(r.buf) {
		r.more()
	}
	r.acc |= binary.BigEndian.Uint64(r.buf[r.pos:]) >> r.n
	r.pos += int((63 - r.n) >> 3)
	r.n |= 56
}

// more reads on, and puts zeros behind the end of the stream.
func (r *bitReader) more() {
	if r.start > 0 {
		r.end = copy(r.buf, r.buf[r.start:r.end])
		r.pos -= r.start
		r.start = 0
	}
	if cap(r.buf) == 0 {
		r.buf = make([]byte, 0, 1<<17)
	}
	for r.err == nil && r.end < r.pos+8 {
		if r.end == cap(r.buf) { // what is read already asks for more room
			r.buf = append(r.buf[:r.end], 0)
		}
		var n int
		n, r.err = r.src.Read(r.buf[r.end:cap(r.buf)])
		r.end += n
	}
	r.buf = r.buf[:r.end]
	for len(r.buf) < r.pos+8 {
		r.buf = append(r.buf, 0)
	}
}

// read returns the next n bits, n ≤ 56.
func (r *bitReader) read(n uint) uint64 {
	if r.n < n {
		r.fill()
	}
	v := r.acc >> (64 - n)
	r.acc <<= n
	r.n -= n
	return v
}

// signed returns the next n bits as a number in two's complement, 1 ≤ n ≤ 33.
func (r *bitReader) signed(n int) int32 {
	return int32(int64(r.read(uint(n))<<(64-n)) >> (64 - n))
}

// unary returns how many zeros stand before the next one. Behind the end of
// the stream there are none, so it stops there.
func (r *bitReader) unary() (zeros uint32) {
	for {
		if r.n == 0 {
			r.fill()
		}
		if z := uint(bits.LeadingZeros64(r.acc)); z < r.n {
			r.acc <<= z + 1
			r.n -= z + 1
			return zeros + uint32(z)
		}
		zeros += uint32(r.n)
		r.acc, r.n = 0, 0
		if r.pos >= r.end && r.err != nil {
			return zeros
		}
	}
}

// rice fills dst with residuals.
func (r *bitReader) rice(dst []int32, k uint) {
	buf, pos, acc, n := r.buf, r.pos, r.acc, r.n
	for i := range dst {
		if n < 32 {
			if pos+8 > len(buf) {
				r.pos = pos
				r.more()
				buf, pos = r.buf, r.pos
			}
			acc |= binary.BigEndian.Uint64(buf[pos:]) >> n
			pos += int((63 - n) >> 3)
			n |= 56
		}
		var u uint32
		if q := uint(bits.LeadingZeros64(acc)); q+1+k <= n {
			acc <<= q + 1
			u = uint32(q<<k) | uint32(acc>>(64-k))
			acc <<= k
			n -= q + 1 + k
		} else {
			r.pos, r.acc, r.n = pos, acc, n
			u = r.unary()<<k | uint32(r.read(k))
			buf, pos, acc, n = r.buf, r.pos, r.acc, r.n
			if r.pos > r.end+8 {
				break // the stream ended long ago
			}
		}
		dst[i] = int32(u>>1) ^ -int32(u&1)
	}
	r.pos, r.acc, r.n = pos, acc, n
}

// at returns where in buf the next bit lies, which begins a byte.
func (r *bitReader) at() int { return r.pos - int(r.n/8) }

// align drops bits up to the next byte.
func (r *bitReader) align() {
	r.acc <<= r.n & 7
	r.n &^= 7
}

// crc8 and crc16 are tables of the two checks: polynomials x⁸+x²+x+1 and
// x¹⁶+x¹⁵+x²+1, highest bit first, starting from 0. crc16[j] is for a byte that
// j more follow.
//
// Source: RFC 9639, sections 9.1.8 and 9.3 (from memory).
var (
	crc8  = makeCRC8()
	crc16 = makeCRC16()
)

func makeCRC8() (t [256]byte) {
	for i := range t {
		c := byte(i)
		for range 8 {
			c = c<<1 ^ c>>7*0x07
		}
		t[i] = c
	}
	return t
}

func makeCRC16() (t [8][256]uint16) {
	for i := range t[0] {
		c := uint16(i) << 8
		for range 8 {
			c = c<<1 ^ c>>15*0x8005
		}
		t[0][i] = c
	}
	for j := 1; j < len(t); j++ {
		for i := range t[j] {
			p := t[j-1][i]
			t[j][i] = p<<8 ^ t[0][p>>8]
		}
	}
	return t
}

func sum8(b []byte) (c byte) {
	for _, v := range b {
		c = crc8[c^v]
	}
	return c
}

func sum16(c uint16, b []byte) uint16 {
	t := &crc16
	for ; len(b) >= 8; b = b[8:] {
		c = t[7][b[0]^byte(c>>8)] ^ t[6][b[1]^byte(c)] ^ t[5][b[2]] ^ t[4][b[3]] ^
			t[3][b[4]] ^ t[2][b[5]] ^ t[1][b[6]] ^ t[0][b[7]]
	}
	for _, v := range b {
		c = c<<8 ^ t[0][byte(c>>8)^v]
	}
	return c
}
