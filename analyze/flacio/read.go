package flacio

import (
	"errors"
	"fmt"
	"io"
	"slices"
)

// coded is a block as it stands in the file.
type coded struct {
	bytes  []byte // all of it
	head   int    // length of its header
	fixed  bool   // the file's blocks are numbered, not their frames
	number int    // where the number ends, which begins at 4
}

// errCut says that a file ends within a block.
var errCut = errors.New("the file ends within a block")

// maxLinear is the highest order of a linear predictor that the format allows.
const maxLinear = 32

// blockReader decodes the blocks of a stream.
//
// Source: RFC 9639, section 9 (from memory).
type blockReader struct {
	bitReader
	bits  int // of the stream header
	x     [][]int32
	coded coded
}

// next decodes a block into x, which has a slice per channel; it returns
// io.EOF at the end.
func (r *blockReader) next() error {
	// What was decoded before is no longer kept.
	r.start = r.at()
	r.pos, r.acc, r.n = r.start, 0, 0
	if r.pos+maxHeader > r.end {
		r.more()
	}
	if r.start >= r.end {
		if r.err == io.EOF {
			return io.EOF
		}
		return r.err
	}
	assignment, n, depth, err := r.header()
	if err != nil {
		return err
	}
	channels := assignment + 1
	if assignment >= leftSide {
		channels = 2
	}
	if channels != len(r.x) || depth != r.bits {
		return fmt.Errorf("a block has %d channels of %d bits; the file has %d of %d", channels, depth, len(r.x), r.bits)
	}
	for c := range r.x {
		r.x[c] = slices.Grow(r.x[c][:0], n)[:n]
		d := depth
		if assignment == sideRight && c == 0 || (assignment == leftSide || assignment == midSide) && c == 1 {
			d++
		}
		if err := r.subframe(r.x[c], d); err != nil {
			return r.failure(err)
		}
	}
	r.align()
	n = r.at() - r.start
	sum := uint16(r.read(16)) // which may move what is kept
	if r.at() > r.end {
		return r.failure(errCut)
	}
	r.coded.bytes = r.buf[r.start : r.start+n+2]
	if sum16(0, r.coded.bytes[:n]) != sum {
		return errors.New("the CRC-16 sum of a block differs from the one it states")
	}
	r.correlate(assignment)
	return nil
}

// failure tells a cut file from a damaged one.
func (r *blockReader) failure(err error) error {
	if r.at() > r.end {
		if r.err != nil && r.err != io.EOF {
			return r.err
		}
		return errCut
	}
	return err
}

// maxHeader is the greatest length of a block's header.
const maxHeader = 16

// header reads the header of a block.
func (r *blockReader) header() (assignment, n, depth int, err error) {
	// At least maxHeader bytes are there, and zeros behind the end.
	h := r.buf[r.start:]
	if len(h) < maxHeader {
		h = append(slices.Clone(h), make([]byte, maxHeader)...)
	}
	if h[0] != 0xFF || h[1]&0xFE != 0xF8 {
		return 0, 0, 0, errors.New("a block does not begin with its mark")
	}
	r.coded.fixed = h[1]&1 == 0
	sizeCode, rateCode := h[2]>>4, h[2]&15
	assignment = int(h[3] >> 4)
	depthCode := h[3] >> 1 & 7
	if assignment > midSide || h[3]&1 != 0 || sizeCode == 0 || rateCode == 15 {
		return 0, 0, 0, errors.New("the header of a block holds reserved codes")
	}
	at := 4
	ones := 0
	for ones < 8 && h[at]<<ones&0x80 != 0 {
		ones++
	}
	if ones == 1 || ones == 8 {
		return 0, 0, 0, errors.New("the number of a block is damaged")
	}
	for at++; ones > 1; ones-- {
		if h[at]&0xC0 != 0x80 {
			return 0, 0, 0, errors.New("the number of a block is damaged")
		}
		at++
	}
	r.coded.number = at
	switch {
	case sizeCode == 1:
		n = 192
	case sizeCode < 6:
		n = 576 << (sizeCode - 2)
	case sizeCode == 6:
		n = int(h[at]) + 1
		at++
	case sizeCode == 7:
		n = int(h[at])<<8 + int(h[at+1]) + 1
		at += 2
	default:
		n = 256 << (sizeCode - 8)
	}
	switch rateCode { // the rate itself stands in the stream header
	case 12:
		at++
	case 13, 14:
		at += 2
	}
	depth = [8]int{r.bits, 8, 12, 0, 16, 20, 24, 32}[depthCode]
	if sum8(h[:at]) != h[at] {
		return 0, 0, 0, errors.New("the CRC-8 sum of a block's header differs from the one it states")
	}
	r.coded.head = at + 1
	r.pos += at + 1
	return assignment, n, depth, nil
}

// subframe decodes one channel of depth bits into x.
func (r *blockReader) subframe(x []int32, depth int) error {
	kind := int(r.read(7))
	wasted := 0
	if r.read(1) == 1 {
		wasted = int(r.unary()) + 1
	}
	if depth -= wasted; depth < 1 || kind > 63 {
		return errors.New("the header of a channel is damaged")
	}
	switch {
	case kind == kindConstant:
		v := r.signed(depth)
		for i := range x {
			x[i] = v
		}
	case kind == kindVerbatim:
		for i := range x {
			x[i] = r.signed(depth)
		}
	case kind >= kindFixed && kind <= kindFixed+4:
		order := kind - kindFixed
		if err := r.residual(x, order, depth); err != nil {
			return err
		}
		restore(x, fixedCoeffs[order][:order], 0)
	case kind >= kindLinear:
		if err := r.linear(x, kind-kindLinear+1, depth); err != nil {
			return err
		}
	default:
		return errors.New("the header of a channel holds a reserved code")
	}
	if wasted > 0 {
		for i := range x {
			x[i] <<= wasted
		}
	}
	return nil
}

func (r *blockReader) linear(x []int32, order, depth int) error {
	if order > len(x) {
		return errors.New("a block is shorter than its predictor")
	}
	for i := range x[:order] {
		x[i] = r.signed(depth)
	}
	bits := int(r.read(4)) + 1
	shift := r.signed(5)
	if bits == 16 || shift < 0 {
		return errors.New("a predictor is damaged")
	}
	var coeffs [maxLinear]int32
	for i := range coeffs[:order] {
		coeffs[i] = r.signed(bits)
	}
	if err := r.partitions(x, order); err != nil {
		return err
	}
	restore(x, coeffs[:order], shift)
	return nil
}

// residual reads the first samples and the residual of a fixed predictor.
func (r *blockReader) residual(x []int32, order, depth int) error {
	if order > len(x) {
		return errors.New("a block is shorter than its predictor")
	}
	for i := range x[:order] {
		x[i] = r.signed(depth)
	}
	return r.partitions(x, order)
}

// partitions reads the residual behind the first order samples.
func (r *blockReader) partitions(x []int32, order int) error {
	method, parts := r.read(2), r.read(4)
	step := len(x) >> parts
	if method > 1 || step<<parts != len(x) || step < order {
		return errors.New("the partitions of a channel are damaged")
	}
	width := uint(4 + method)
	for from, to := order, step; to <= len(x); from, to = to, to+step {
		if k := uint(r.read(width)); k < 1<<width-1 {
			r.rice(x[from:to], k)
		} else if bits := int(r.read(5)); bits == 0 {
			clear(x[from:to])
		} else {
			for i := range x[from:to] {
				x[from+i] = r.signed(bits)
			}
		}
		if r.at() > r.end {
			return errCut
		}
	}
	return nil
}

// restore turns the residual in x into samples.
func restore(x, coeffs []int32, shift int32) {
	order := len(coeffs)
	if order > maxOrder {
		for i := order; i < len(x); i++ {
			var acc int64
			for j, c := range coeffs {
				acc += int64(c) * int64(x[i-1-j])
			}
			x[i] += int32(acc >> shift)
		}
		return
	}
	var c [maxOrder]int64
	for j, v := range coeffs {
		c[j] = int64(v)
	}
	for i := order; i < min(maxOrder, len(x)); i++ {
		var acc int64
		for j := range coeffs {
			acc += c[j] * int64(x[i-1-j])
		}
		x[i] += int32(acc >> shift)
	}
	c0, c1, c2, c3, c4, c5, c6, c7 := c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7]
	if len(x) <= maxOrder {
		return
	}
	h := x[:maxOrder]
	x7, x6, x5, x4, x3, x2, x1, x0 := int64(h[0]), int64(h[1]), int64(h[2]), int64(h[3]), int64(h[4]), int64(h[5]), int64(h[6]), int64(h[7])
	for i, v := range x[maxOrder:] {
		acc := c1*x1 + c2*x2 + c3*x3 + c4*x4 + c5*x5 + c6*x6 + c7*x7 + c0*x0
		v += int32(acc >> shift)
		x[maxOrder+i] = v
		x7, x6, x5, x4, x3, x2, x1, x0 = x6, x5, x4, x3, x2, x1, x0, int64(v)
	}
}

// correlate turns what a block stores of two channels back into these.
func (r *blockReader) correlate(assignment int) {
	if assignment < leftSide {
		return
	}
	a := r.x[0]
	b := r.x[1][:len(a)]
	switch assignment {
	case leftSide:
		for i, l := range a {
			b[i] = l - b[i]
		}
	case sideRight:
		for i, s := range a {
			a[i] = s + b[i]
		}
	default:
		for i, m := range a {
			s := b[i]
			m = m<<1 | s&1
			a[i], b[i] = (m+s)>>1, (m-s)>>1
		}
	}
}
