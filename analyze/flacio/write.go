package flacio

import "math/bits"

// The two bits that choose how a block's two channels are stored, and the
// kinds of subframe, as in the headers.
const (
	leftSide  = 8
	sideRight = 9
	midSide   = 10

	kindConstant = 0
	kindVerbatim = 1
	kindFixed    = 8
	kindLinear   = 32
)

// putHeader appends the header of a block of n frames.
//
// Source: RFC 9639, section 9.1 (from memory).
func putHeader(b []byte, spec Spec, assignment int, number uint64, n int) []byte {
	first := len(b)
	size, rate := 7, 0 // size in two bytes behind the number; rate as in the stream header
	if n == blockSize {
		size = 12
	}
	for code, v := range blockRates {
		if v == spec.SampleRate && v != 0 {
			rate = code
		}
	}
	v := spec.SampleRate
	switch {
	case rate != 0:
	case v%1000 == 0 && v <= 255000:
		rate = 12
	case v <= 65535:
		rate = 13
	case v%10 == 0:
		rate = 14
	}
	depth := 4 // 16 bits
	if spec.Bits == 24 {
		depth = 6
	}
	b = append(b, 0xFF, 0xF8, byte(size<<4|rate), byte(assignment<<4|depth<<1))
	b = putNumber(b, number)
	if size == 7 {
		b = append(b, byte((n-1)>>8), byte(n-1))
	}
	switch rate {
	case 12:
		b = append(b, byte(v/1000))
	case 13:
		b = append(b, byte(v>>8), byte(v))
	case 14:
		b = append(b, byte(v/10>>8), byte(v/10))
	}
	return append(b, sum8(b[first:]))
}

// blockRates are the sample rates that have a code of their own.
var blockRates = [12]int{0, 88200, 176400, 192000, 8000, 16000, 22050, 24000, 32000, 44100, 48000, 96000}

// putNumber appends the number of a block, coded like a character in UTF-8 but
// up to 36 bits.
func putNumber(b []byte, v uint64) []byte {
	if v < 0x80 {
		return append(b, byte(v))
	}
	more := (bits.Len64(v) - 2) / 5 // bytes behind the first, which holds 6−more bits
	b = append(b, byte(0xFF<<(7-more))|byte(v>>(6*more)))
	for more--; more >= 0; more-- {
		b = append(b, 0x80|byte(v>>(6*more))&0x3F)
	}
	return b
}

// block codes the block x and returns its bytes, which are valid until the
// next call.
func (a *analysis) block(x [][]int32, spec Spec, number uint64) []byte {
	assignment, subs, depths := a.assign(x, spec.Bits)
	w := &a.w
	w.b = putHeader(w.b[:0], spec, assignment, number, len(x[0]))
	for c, s := range subs {
		a.subframe(s, depths[c])
	}
	w.align()
	sum := sum16(0, w.b)
	w.b = append(w.b, byte(sum>>8), byte(sum))
	return w.b
}

// putSubframe codes the samples x of one channel, which have depth bits, by p.
//
// Source: RFC 9639, section 9.2 (from memory).
func (w *bitWriter) putSubframe(p *plan, x []int32, depth int) {
	kind := p.kind
	switch kind {
	case kindFixed:
		kind += p.order
	case kindLinear:
		kind += p.order - 1
	}
	w.put(uint64(kind), 7) // the first of them is always 0
	if p.wasted > 0 {
		w.put(1, 1)
		w.put(1, uint(p.wasted))
	} else {
		w.put(0, 1)
	}
	switch p.kind {
	case kindConstant:
		w.signed(x[0], depth)
		return
	case kindVerbatim:
		for _, v := range x {
			w.signed(v, depth)
		}
		return
	}
	for _, v := range x[:p.order] {
		w.signed(v, depth)
	}
	if p.kind == kindLinear {
		w.put(precision-1, 4)
		w.signed(p.shift, 5)
		for _, v := range p.coeffs[:p.order] {
			w.signed(v, precision)
		}
	}
	bits, method := uint(4), uint64(0)
	if p.wide {
		bits, method = 5, 1
	}
	w.put(method, 2)
	w.put(uint64(p.parts), 4)
	from, step := p.order, len(x)>>p.parts
	for k, param := range p.params[:1<<p.parts] {
		w.put(uint64(param), bits)
		to := (k + 1) * step
		w.rice(p.residual[from:to], uint(param))
		from = to
	}
}
