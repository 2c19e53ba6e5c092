package flacio

import (
	"math/bits"

	"github.com/mewkiz/flac/frame"
)

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
	parts    [MaxChannels][1 << maxParts]frame.RicePartition
	rice     [MaxChannels]frame.RiceSubframe
	coeffs   [MaxChannels][maxOrder]int32
}

// choose fills in the channel assignment and the subframe headers of f, whose
// subframes hold the plain samples.
func (a *analysis) choose(f *frame.Frame, depth int) {
	subs := f.Subframes
	f.Channels = frame.Channels(len(subs) - 1)
	if len(subs) != 2 {
		for c, sub := range subs {
			a.subframe(c, sub, sub.Samples, depth)
		}
		return
	}
	left, right := subs[0].Samples, subs[1].Samples
	mid, side := a.mid[:len(left)], a.side[:len(left)]
	for i, l := range left {
		r := right[i]
		mid[i], side[i] = (l+r)>>1, l-r
	}
	l, r, m, s := roughness(left), roughness(right), roughness(mid), roughness(side)
	switch min(l+r, l+s, s+r, m+s) {
	case l + r:
		a.subframe(0, subs[0], left, depth)
		a.subframe(1, subs[1], right, depth)
	case m + s:
		f.Channels = frame.ChannelsMidSide
		a.subframe(0, subs[0], mid, depth)
		a.subframe(1, subs[1], side, depth+1)
	case l + s:
		f.Channels = frame.ChannelsLeftSide
		a.subframe(0, subs[0], left, depth)
		a.subframe(1, subs[1], side, depth+1)
	default:
		f.Channels = frame.ChannelsSideRight
		a.subframe(0, subs[0], side, depth+1)
		a.subframe(1, subs[1], right, depth)
	}
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
// which have depth bits.
func (a *analysis) subframe(c int, sub *frame.Subframe, x []int32, depth int) {
	sub.SubHeader = frame.SubHeader{Pred: frame.PredVerbatim}
	n := len(x)
	var all, differ int32
	for _, v := range x {
		all |= v
		differ |= v ^ x[0]
	}
	if differ == 0 {
		sub.Pred = frame.PredConstant
		return
	}
	if unused := bits.TrailingZeros32(uint32(all)); unused > 0 {
		for i, v := range x {
			a.shifted[i] = v >> unused
		}
		x = a.shifted[:n]
		sub.Wasted = uint(unused)
		depth -= unused
	}
	if n < 4*maxOrder {
		return // too short for prediction to pay
	}
	order, cost := a.fixed(x)
	residual := a.residual[:n]
	sub.Pred, sub.Order = frame.PredFixed, order
	if k, shift, ok := a.linear(a.coeffs[c][:], x); ok {
		if sum, ok := predict(a.other[:n], x, a.coeffs[c][:k], shift); ok && better(sum, k, cost, n) {
			sub.Pred, sub.Order = frame.PredFIR, k
			sub.CoeffPrec, sub.CoeffShift, sub.Coeffs = precision, shift, a.coeffs[c][:k]
			residual = a.other[:n]
		}
	}
	if sub.Pred == frame.PredFixed {
		if _, ok := predict(residual, x, frame.FixedCoeffs[order], 0); !ok {
			sub.Pred, sub.Order = frame.PredVerbatim, 0
			return
		}
	}
	size := a.partition(c, sub, residual)
	size += sub.Order * depth
	if sub.Pred == frame.PredFIR {
		size += 9 + sub.Order*precision
	}
	if size >= n*depth {
		sub.SubHeader = frame.SubHeader{Pred: frame.PredVerbatim, Wasted: sub.Wasted}
	}
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
func (a *analysis) partition(c int, sub *frame.Subframe, residual []int32) int {
	n := len(residual)
	top := min(bits.TrailingZeros(uint(n)), maxParts)
	for top > 0 && n>>top <= sub.Order {
		top--
	}
	var sums [1 << maxParts]uint64
	for p := range sums[:1<<top] {
		var s uint64
		for _, r := range residual[p*(n>>top) : (p+1)*(n>>top)] {
			s += uint64(uint32(r)<<1 ^ uint32(r>>31))
		}
		sums[p] = s
	}
	best, size := 0, 0
	for order := top; order >= 0; order-- {
		total := 6
		for p, s := range sums[:1<<order] {
			_, b := riceParameter(s, partLength(n, order, p, sub.Order))
			total += b + 4
		}
		if order == top || total <= size {
			best, size = order, total
		}
		for p := 0; p < 1<<order>>1; p++ {
			sums[p] = sums[2*p] + sums[2*p+1]
		}
	}
	parts := a.parts[c][:1<<best]
	for p := range parts {
		var s uint64
		for _, r := range residual[p*(n>>best) : (p+1)*(n>>best)] {
			s += uint64(uint32(r)<<1 ^ uint32(r>>31))
		}
		k, _ := riceParameter(s, partLength(n, best, p, sub.Order))
		parts[p] = frame.RicePartition{Param: k}
		if k > 14 {
			sub.ResidualCodingMethod = frame.ResidualCodingMethodRice2
			size++
		}
	}
	a.rice[c] = frame.RiceSubframe{PartOrder: best, Partitions: parts}
	sub.RiceSubframe = &a.rice[c]
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
