package flacio

import "math/bits"

const (
	maxOrder  = 8  // of a linear predictor; higher ones save little (flac's default effort has the same)
	precision = 14 // bits of a predictor coefficient
	maxParts  = 6  // Rice partitions are at most 2^maxParts
)

// analysis chooses how a block is coded. It holds the work buffers.
type analysis struct {
	side     [blockSize]int32 // decorrelated channels
	mid      [blockSize]int32
	shifted  [blockSize]int32 // a channel without its unused low bits
	window   [blockSize]float64
	windowed [blockSize + maxOrder]float64 // begins with maxOrder zeros
	length   int                           // that window was made for
	residual [blockSize]int32
	other    [blockSize]int32
	coeffs   [maxOrder]int32 // of the linear predictor
	sub      subframe
}

// decorrelate returns how the channels of a block are stored, as the header of a
// block says it, and their samples: of a pair perhaps one of the two, or the mean
// of both, and the difference. side is the place of the difference, which has one
// bit more, -1 for none.
//
// Source: RFC 9639, sections 4.2 and 9.1.3.
func (a *analysis) decorrelate(x [][]int32) (channels byte, coded [MaxChannels][]int32, side int) {
	copy(coded[:], x)
	if len(x) != 2 {
		return byte(len(x) - 1), coded, -1
	}
	left, right := x[0], x[1]
	mid, diff := a.mid[:len(left)], a.side[:len(left)]
	for i, l := range left {
		r := right[i]
		mid[i], diff[i] = (l+r)>>1, l-r
	}
	l, r, m, s := roughness(left), roughness(right), roughness(mid), roughness(diff)
	switch min(l+r, l+s, s+r, m+s) {
	case l + r:
		return leftRight, coded, -1
	case m + s:
		coded[0], coded[1] = mid, diff
		return midSide, coded, 1
	case l + s:
		coded[1] = diff
		return leftSide, coded, 1
	}
	coded[0] = diff
	return sideRight, coded, 0
}

// roughness estimates how many bits a channel will need, as log2 of the mean
// magnitude of its second difference in 1/256 bit.
func roughness(x []int32) int64 {
	var sum uint64
	for i := 2; i < len(x); i++ {
		d := int64(x[i]) - 2*int64(x[i-1]) + int64(x[i-2])
		sum += uint64((d ^ d>>63) - d>>63)
	}
	return log2(sum+1) - log2(uint64(len(x)))
}

// log2 returns an approximation of 256·log2(v) for v > 0, the same everywhere.
func log2(v uint64) int64 {
	e := bits.Len64(v) - 1
	return int64(e)<<8 | int64(v<<(63-e)>>55&0xFF)
}

// subframe chooses predictor and partitions for the samples x of one channel,
// which have depth bits. The result holds until the next call.
func (a *analysis) subframe(x []int32, depth int) *subframe {
	sub := &a.sub
	*sub = subframe{kind: verbatim, samples: x, depth: depth}
	n := len(x)
	var all, differ int32
	for _, v := range x {
		all |= v
		differ |= v ^ x[0]
	}
	if differ == 0 {
		sub.kind = constant
		return sub
	}
	if unused := bits.TrailingZeros32(uint32(all)); unused > 0 {
		for i, v := range x {
			a.shifted[i] = v >> unused
		}
		x = a.shifted[:n]
		depth -= unused
		sub.samples, sub.unused, sub.depth = x, unused, depth
	}
	if n < 4*maxOrder {
		return sub // too short for prediction to pay
	}
	order, cost := a.fixed(x)
	sub.kind, sub.coeffs, sub.residual = fixed, fixedCoeffs[order], a.residual[:n]
	if coeffs, shift := a.linear(x); coeffs != nil {
		if sum, ok := predict(a.other[:n], x, coeffs, shift); ok && better(sum, len(coeffs), cost, n) {
			sub.kind, sub.coeffs, sub.shift, sub.residual = linear, coeffs, shift, a.other[:n]
		}
	}
	if sub.kind == fixed {
		if _, ok := predict(sub.residual, x, sub.coeffs, 0); !ok {
			sub.kind = verbatim
			return sub
		}
	}
	order = len(sub.coeffs)
	size := sub.partition() + order*depth
	if sub.kind == linear {
		size += 9 + order*precision
	}
	if size >= n*depth {
		sub.kind = verbatim
	}
	return sub
}

// better reports whether a linear predictor with the given sum of residual
// magnitudes beats the fixed one in spite of its coefficients.
func better(sum uint64, order int, fixed uint64, n int) bool {
	saved := int64(n) * (log2(fixed+1) - log2(sum+1)) // in 1/256 bit
	return saved > int64(9+order*precision)<<8
}

// fixed returns the order 0 to 4 of the best fixed predictor and the sum of
// the magnitudes of its residual.
func (a *analysis) fixed(x []int32) (order int, cost uint64) {
	var sum [5]uint64
	p0 := int64(x[3])
	p1 := p0 - int64(x[2])
	p2 := p1 - (int64(x[2]) - int64(x[1]))
	p3 := p2 - (int64(x[2]) - 2*int64(x[1]) + int64(x[0]))
	for _, v := range x[4:] {
		d0 := int64(v)
		d1 := d0 - p0
		d2 := d1 - p1
		d3 := d2 - p2
		d4 := d3 - p3
		sum[0] += uint64((d0 ^ d0>>63) - d0>>63)
		sum[1] += uint64((d1 ^ d1>>63) - d1>>63)
		sum[2] += uint64((d2 ^ d2>>63) - d2>>63)
		sum[3] += uint64((d3 ^ d3>>63) - d3>>63)
		sum[4] += uint64((d4 ^ d4>>63) - d4>>63)
		p0, p1, p2, p3 = d0, d1, d2, d3
	}
	for i, s := range sum {
		if s < sum[order] {
			order = i
		}
	}
	return order, sum[order]
}

// predict fills dst with the residual of x, zero where the predictor is
// still being fed, and returns the sum of its magnitudes. ok is false when a
// residual leaves the range that the format allows.
func predict(dst, x, coeffs []int32, shift int32) (sum uint64, ok bool) {
	order := len(coeffs)
	clear(dst[:order])
	var c [maxOrder]int64
	for j, v := range coeffs {
		c[j] = int64(v)
	}
	worst := uint64(0)
	for i := order; i < min(maxOrder, len(x)); i++ {
		var acc int64
		for j := range coeffs {
			acc += c[j] * int64(x[i-1-j])
		}
		d := int64(x[i]) - acc>>shift
		m := uint64((d ^ d>>63) - d>>63)
		sum += m
		worst |= m
		dst[i] = int32(d)
	}
	c0, c1, c2, c3, c4, c5, c6, c7 := c[0], c[1], c[2], c[3], c[4], c[5], c[6], c[7]
	for i := maxOrder; i < len(x); i++ {
		h := x[i-maxOrder : i : i]
		acc := c0*int64(h[7]) + c1*int64(h[6]) + c2*int64(h[5]) + c3*int64(h[4]) +
			c4*int64(h[3]) + c5*int64(h[2]) + c6*int64(h[1]) + c7*int64(h[0])
		d := int64(x[i]) - acc>>shift
		m := uint64((d ^ d>>63) - d>>63)
		sum += m
		worst |= m
		dst[i] = int32(d)
	}
	return sum, worst < 1<<30
}

// partition chooses Rice parameters for the residual and returns an estimate
// of its size in bits.
func (s *subframe) partition() int {
	residual, order := s.residual, len(s.coeffs)
	n := len(residual)
	top := min(bits.TrailingZeros(uint(n)), maxParts)
	for top > 0 && n>>top <= order {
		top--
	}
	var sums, merged [1 << maxParts]uint64
	for p := range sums[:1<<top] {
		for _, r := range residual[p*(n>>top) : (p+1)*(n>>top)] {
			sums[p] += uint64(fold(r))
		}
	}
	merged = sums
	size := 0
	for parts := top; parts >= 0; parts-- {
		total := 6
		for p, sum := range sums[:1<<parts] {
			_, b := riceParameter(sum, partLength(n, parts, p, order))
			total += b + 4
		}
		if parts == top || total <= size {
			s.parts, size, merged = parts, total, sums
		}
		for p := 0; p < 1<<parts>>1; p++ {
			sums[p] = sums[2*p] + sums[2*p+1]
		}
	}
	for p, sum := range merged[:1<<s.parts] {
		s.params[p], _ = riceParameter(sum, partLength(n, s.parts, p, order))
		if s.params[p] >= escape4 {
			s.wide = true
			size++
		}
	}
	return size
}

// partLength returns how many residuals partition p of 2^order has.
func partLength(n, order, p, predictor int) int {
	if p == 0 {
		return n>>order - predictor
	}
	return n >> order
}

// riceParameter returns the parameter that codes n values of the given sum
// best, and the bits that they then take.
func riceParameter(sum uint64, n int) (k uint, size int) {
	if n == 0 {
		return 0, 0
	}
	guess := max(bits.Len64(sum/uint64(n))-1, 0)
	for try := max(guess-1, 0); try <= min(guess+1, 30); try++ {
		if b := n*(try+1) + int(sum>>try); size == 0 || b < size {
			k, size = uint(try), b
		}
	}
	return k, size
}
