package loudness

import (
	"math"

	"evenhand/analyze/internal/dsp"
)

// annexFIR is the order-48, 4-phase interpolating filter for 48 kHz: phases 0
// and 1; phases 3 and 2 are their mirror images.
// Source: ITU-R BS.1770-5 (11/2023), Annex 2, section 3.
var annexFIR = [2][12]float64{
	{0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875, 0.1373291015625,
		0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250, 0.0148925781250, -0.0083007812500},
	{-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500, 0.4650878906250,
		0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625, 0.0330810546875, -0.0189208984375},
}

const (
	overRate     = 192000 // Hz that interpolation reaches at least
	annexHalf    = 6
	designedHalf = 12
	kaiserBeta   = 6.0
)

// Oversampling returns by how much the true-peak meter oversamples at a rate
// in Hz: the least whole factor that reaches 192 kHz, 4 at 48 kHz, 2 at 96,
// 1 from 192 kHz on.
//
// A sine at the fraction f of the sample rate can be under-read by at most
// 20·log10 cos(π·f/n) for the factor n (0.55 dB at f = 0.45, n = 4) besides
// the interpolator's own deviation. That of the Recommendation's filter at
// 48 kHz is up to +0.21 and −0.25 dB to f = 0.4 and −2.1 dB at 0.45; that of
// the windowed sinc at other rates ±0.02 dB to 0.4 and −1.1 dB at 0.4535.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 2 and its Attachment 1.
func Oversampling(rate int) int { return max(1, (overRate+rate-1)/rate) }

// interpolator reads the signal between two frames. Its phases come in pairs
// of mirror images c and c'; with e = (c+c')/2 and o = (c−c')/2 on the sums
// and differences of the frames that lie symmetrically, the two outputs are
// E+O and E−O, so that the greater magnitude is |E|+|O| at half the cost.
type interpolator struct {
	half   int // frames on each side
	pairs  []phasePair
	bounds []bound
}

type phasePair struct{ even, odd [designedHalf]float64 }

// bound limits a phase's output: with A the greatest |x| and D the greatest
// |second difference| among the frames it reads, and m the greater magnitude
// of the two frames that it lies between,
//
//	|y| ≤ near·m + far·A   and   |y| ≤ linear·m + curve·D
//
// The second is the phase split into linear interpolation and a filter on
// second differences: tight for music, whose neighbouring samples differ
// little.
type bound struct{ near, far, linear, curve float64 }

// newInterpolator returns the interpolator for a rate in Hz: at 48 kHz the
// Recommendation's own filter, at other rates a Kaiser-windowed sinc of 24
// taps a phase whose phases sum to 1. It has no pairs from 192 kHz on.
func newInterpolator(rate int) interpolator {
	n := Oversampling(rate)
	if rate == 48000 {
		ip := interpolator{half: annexHalf}
		for _, c := range annexFIR {
			ip.add(c[:])
		}
		return ip
	}
	ip := interpolator{half: designedHalf}
	for k := 1; 2*k <= n; k++ {
		ip.add(designedPhase(float64(k) / float64(n)))
	}
	return ip
}

// designedPhase returns the 24 taps that read the signal at delay, 0 to 1,
// after the 12th of 24 frames.
func designedPhase(delay float64) []float64 {
	c := make([]float64, 2*designedHalf)
	var sum float64
	for j := range c {
		t := float64(j-(designedHalf-1)) - delay
		u := t / (designedHalf + 0.5)
		c[j] = dsp.BesselI0(kaiserBeta*math.Sqrt(1-u*u)) * math.Sin(math.Pi*t) / (math.Pi * t)
		sum += c[j]
	}
	for j := range c {
		c[j] /= sum
	}
	return c
}

// add appends the phase c, 2·half taps, with its mirror image.
func (ip *interpolator) add(c []float64) {
	h := ip.half
	var p phasePair
	for i := range h {
		p.even[i] = (c[i] + c[2*h-1-i]) / 2
		p.odd[i] = (c[i] - c[2*h-1-i]) / 2
	}
	ip.pairs = append(ip.pairs, p)

	var b bound
	var gain, moment float64
	for j, v := range c {
		if j == h-1 || j == h {
			b.near += math.Abs(v)
		} else {
			b.far += math.Abs(v)
		}
		gain += v
		moment += float64(j-(h-1)) * v
	}
	// Linear part with the same gain and first moment; what is left is a
	// twofold difference, so summing it up twice gives the filter on second
	// differences.
	b.linear = math.Abs(gain-moment) + math.Abs(moment)
	var once, twice float64
	for j, v := range c {
		switch j {
		case h - 1:
			v -= gain - moment
		case h:
			v -= moment
		}
		once += v
		twice += once
		if j < 2*h-2 {
			b.curve += math.Abs(twice)
		}
	}
	ip.bounds = append(ip.bounds, b)
}

// peak returns the greatest magnitude of all phases on the 2·half frames of w.
func (ip *interpolator) peak(w []float64) float64 {
	if ip.half == annexHalf {
		return ip.peakAnnex((*[2 * annexHalf]float64)(w))
	}
	x := (*[2 * designedHalf]float64)(w)
	var s, d [designedHalf]float64
	for i := range s {
		a, b := x[i], x[2*designedHalf-1-i]
		s[i], d[i] = a+b, a-b
	}
	var top float64
	for k := range ip.pairs {
		p := &ip.pairs[k]
		var e0, e1, o0, o1 float64
		for i := 0; i < designedHalf; i += 2 {
			e0 += p.even[i] * s[i]
			e1 += p.even[i+1] * s[i+1]
			o0 += p.odd[i] * d[i]
			o1 += p.odd[i+1] * d[i+1]
		}
		if y := math.Abs(e0+e1) + math.Abs(o0+o1); y > top {
			top = y
		}
	}
	return top
}

func (ip *interpolator) peakAnnex(x *[12]float64) float64 {
	p, q := &ip.pairs[0], &ip.pairs[1]
	s0, s1, s2, s3, s4, s5 := x[0]+x[11], x[1]+x[10], x[2]+x[9], x[3]+x[8], x[4]+x[7], x[5]+x[6]
	d0, d1, d2, d3, d4, d5 := x[0]-x[11], x[1]-x[10], x[2]-x[9], x[3]-x[8], x[4]-x[7], x[5]-x[6]
	pe := (p.even[0]*s0 + p.even[1]*s1 + p.even[2]*s2) + (p.even[3]*s3 + p.even[4]*s4 + p.even[5]*s5)
	po := (p.odd[0]*d0 + p.odd[1]*d1 + p.odd[2]*d2) + (p.odd[3]*d3 + p.odd[4]*d4 + p.odd[5]*d5)
	qe := (q.even[0]*s0 + q.even[1]*s1 + q.even[2]*s2) + (q.even[3]*s3 + q.even[4]*s4 + q.even[5]*s5)
	qo := (q.odd[0]*d0 + q.odd[1]*d1 + q.odd[2]*d2) + (q.odd[3]*d3 + q.odd[4]*d4 + q.odd[5]*d5)
	y := math.Abs(pe) + math.Abs(po)
	if z := math.Abs(qe) + math.Abs(qo); z > y {
		y = z
	}
	return y
}

const (
	cell      = 16 // frames judged together; not less than designedHalf
	peakBlock = 1024
	peakFill  = peakBlock + 2*cell
)

// peakMeter finds the true peaks of all spans. It looks at the interval
// between each two frames, a little later than the frames arrive; an interval
// belongs to the spans that hold one of its frames.
type peakMeter struct {
	interpolator
	spans []*span
	buf   [][]float64 // one per channel: a cell before, the block, a cell after
	fill  int
	at    int64 // frame of the stream of buf[0]

	always bool // interpolate everything, for tests
	run    []*span
	tops   [peakFill / cell]float64 // greatest |x| per cell
	bends  [peakFill / cell]float64 // greatest |second difference| per cell; −1 when not computed
}

func newPeakMeter(rate, channels int) *peakMeter {
	m := &peakMeter{interpolator: newInterpolator(rate), fill: 2 * cell, at: -2 * cell}
	for range channels {
		m.buf = append(m.buf, make([]float64, peakFill))
	}
	return m
}

// write takes frames from to to of block.
func (m *peakMeter) write(block [][]float64, from, to int) {
	if len(m.pairs) == 0 {
		return
	}
	for from < to {
		n := min(to-from, peakFill-m.fill)
		for c, x := range block {
			copy(m.buf[c][m.fill:], x[from:from+n])
		}
		from += n
		if m.fill += n; m.fill == peakFill {
			m.evaluate()
		}
	}
}

// finish looks at the intervals that are still waiting; the signal is taken
// to be zero after its end, as it is before its beginning.
func (m *peakMeter) finish() {
	zeros := make([]float64, 3*cell)
	block := make([][]float64, len(m.buf))
	for c := range block {
		block[c] = zeros
	}
	m.write(block, 0, len(zeros))
	if len(m.pairs) > 0 {
		m.fill -= m.fill % cell
		m.evaluate()
	}
}

// evaluate looks at all intervals with a full neighbourhood and keeps the
// last two cells.
func (m *peakMeter) evaluate() {
	lo, hi := m.at+cell, m.at+int64(m.fill)-cell
	for lo < hi {
		m.run = m.run[:0]
		to := hi
		for _, s := range m.spans {
			switch {
			case s.end <= lo:
			case s.first-1 > lo:
				to = min(to, s.first-1)
			default:
				m.run = append(m.run, s)
				to = min(to, s.end)
			}
		}
		if len(m.run) > 0 {
			for _, x := range m.buf {
				m.search(x[:m.fill], int(lo-m.at), int(to-m.at))
			}
		}
		lo = to
	}
	for _, x := range m.buf {
		copy(x, x[m.fill-2*cell:m.fill])
	}
	m.at += int64(m.fill - 2*cell)
	m.fill = 2 * cell
}

// search looks at the intervals after frames from to to−1 of x on behalf of
// the spans in m.run. What cannot exceed the least of their running peaks is
// not interpolated: the results are the same as if it were.
func (m *peakMeter) search(x []float64, from, to int) {
	limit := math.Inf(1)
	for _, s := range m.run {
		limit = min(limit, max(s.truePeak, s.peak))
	}
	first, last := from/cell, (to-1)/cell
	for c := first - 1; c <= last+1; c++ {
		m.tops[c] = magnitude((*[cell]float64)(x[c*cell:]))
		m.bends[c] = -1
	}
	h := m.half
	for c := first; c <= last; c++ {
		top := max(m.tops[c-1], m.tops[c], m.tops[c+1])
		threshold := m.threshold(limit, top, x, c)
		if top <= threshold && !m.always {
			continue
		}
		for i := max(from, c*cell); i < min(to, c*cell+cell); i++ {
			if math.Abs(x[i]) <= threshold && math.Abs(x[i+1]) <= threshold && !m.always {
				continue
			}
			y := m.peak(x[i+1-h : i+1+h])
			if y <= limit {
				continue
			}
			limit = math.Inf(1)
			for _, s := range m.run {
				s.truePeak = max(s.truePeak, y)
				limit = min(limit, max(s.truePeak, s.peak))
			}
			threshold = m.threshold(limit, top, x, c)
		}
	}
}

// threshold returns the magnitude that one of the two frames around an
// interval of cell c must exceed for the interval to exceed limit.
func (m *peakMeter) threshold(limit, top float64, x []float64, c int) float64 {
	limit *= 1 - 1e-9 // well above the rounding of the sums
	t := math.Inf(1)
	for _, b := range m.bounds {
		t = min(t, (limit-b.far*top)/b.near)
	}
	if top <= t {
		return t
	}
	d := max(m.bend(x, c-1), m.bend(x, c), m.bend(x, c+1))
	u := math.Inf(1)
	for _, b := range m.bounds {
		u = min(u, (limit-b.curve*d)/b.linear)
	}
	return max(t, u)
}

// bend returns the greatest |second difference| of the triples that begin in
// cell c and end in x.
func (m *peakMeter) bend(x []float64, c int) float64 {
	if m.bends[c] < 0 {
		if i := c * cell; i+cell+2 <= len(x) {
			m.bends[c] = curvature((*[cell + 2]float64)(x[i:]))
		} else {
			var last [cell + 2]float64
			copy(last[:], x[i:])
			last[cell] = 2*last[cell-1] - last[cell-2] // straight on: adds no bend
			last[cell+1] = 2*last[cell] - last[cell-1]
			m.bends[c] = curvature(&last)
		}
	}
	return m.bends[c]
}

// magnitude returns the greatest |x| of one cell. Magnitudes are compared as
// bits, which order like the numbers and need no care for NaN.
func magnitude(x *[cell]float64) float64 {
	var a, b uint64
	for i := 0; i < cell; i += 2 {
		a = max(a, math.Float64bits(x[i])&^signBit)
		b = max(b, math.Float64bits(x[i+1])&^signBit)
	}
	return math.Float64frombits(max(a, b))
}

// curvature returns the greatest |second difference| of the triples that begin
// in the cell at the start of x.
func curvature(x *[cell + 2]float64) float64 {
	var a, b uint64
	for i := 0; i < cell; i += 2 {
		p, q, r, s := x[i], x[i+1], x[i+2], x[i+3]
		a = max(a, math.Float64bits((p-q)-(q-r))&^signBit)
		b = max(b, math.Float64bits((q-r)-(r-s))&^signBit)
	}
	return math.Float64frombits(max(a, b))
}
