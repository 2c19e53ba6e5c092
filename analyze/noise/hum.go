package noise

import (
	"math"

	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

// FalseAlarm is the nominal probability that a pause without hum is said to
// have hum.
const FalseAlarm = 0.001

const (
	searchHarmonics = 10  // used to find the frequency
	proofHarmonics  = 4   // one of these must stand out of the noise
	tolerance       = 0.5 // Hz, of the mains frequency
	gridStep        = 0.005
	edge            = 0.02 // Hz: a best fit so close to the tolerance is the flank of something else
	lobe            = 4.0  // half width, in bins of the piece, that holds a line
	nearFloor       = 4.5  // the noise beside a line is read between these
	farFloor        = 10.0
)

// comb accumulates, for every candidate mains frequency and multiple, the
// density at the line, the density beside it on both sides and the power in
// the line's lobe. Pieces are reduced to a rate of 8 to 16 kHz, windowed (a
// four-term window with side lobes below −92 dB, so that loud hum does not raise
// the hiss between its lines) and padded with zeros.
type comb struct {
	step          int // reduction of the rate
	rate          float64
	filter        []float64
	fft           *dsp.Complex // of two channels
	one           *dsp.FFT     // of one
	spread        float64      // bins that one independent value of the density covers
	x, y          []float64
	window        []float64
	first, second []complex128
	density       []float64
	sums          []float64 // running sum of density
	width         float64   // of a bin of the padded spectrum, Hz
	harmonics     int
	bases         []float64
	grids         [][]cell // per base: [candidate*harmonics + k−1]
	low           []float64
	lowFrom       float64
	to            float64
	pieces        int
	seconds       float64
	shape         float64 // equivalent averages of the noise beside a line, both sides
}

type cell struct{ line, left, right, lobe, lobeWidth float64 }

func newComb(rate int, p Params) *comb {
	c := &comb{step: max(1, rate/8000), lowFrom: float64(p.From), to: float64(p.To)}
	c.rate = float64(rate) / float64(c.step)
	if c.step > 1 {
		c.filter = lowPass(16*c.step+1, 0.5/float64(c.step))
	}
	n := dsp.NextPow2(2 * (pieceFrames(rate)/c.step + 1))
	c.fft, c.one, c.x, c.y = dsp.NewComplex(n), dsp.NewFFT(n), make([]float64, n), make([]float64, n)
	c.first, c.second = make([]complex128, n/2+1), make([]complex128, n/2+1)
	c.density, c.sums = make([]float64, n/2+1), make([]float64, n/2+2)
	c.width = c.rate / float64(n)
	c.bases = []float64{50, 60}
	if p.Mains != 0 {
		c.bases = []float64{float64(p.Mains)}
	}
	c.harmonics = max(1, min(p.Harmonics, int((0.31*c.rate-farFloor*4)/61)))
	for range c.bases {
		c.grids = append(c.grids, make([]cell, gridLen*c.harmonics))
	}
	c.low = make([]float64, n/2+1)
	w2, w4 := 0.0, 0.0
	const steps = 1024
	for i := range steps {
		w := window(float64(i) / steps)
		w2 += w * w
		w4 += w * w * w * w
	}
	c.spread = steps * w4 / (w2 * w2) // sum of the squared correlations of bins
	return c
}

const gridLen = int(2*tolerance/gridStep) + 1 // exact: constants are not rounded

func candidate(base float64, i int) float64 { return base - tolerance + float64(i)*gridStep }

// lowPass returns a windowed-sinc filter of n taps, 6 dB down at cutoff
// times the rate, with gain 1 at 0 Hz and a Blackman window.
func lowPass(n int, cutoff float64) []float64 {
	h := make([]float64, n)
	sum := 0.0
	for i := range h {
		t := float64(i) - float64(n-1)/2
		v := 2 * cutoff
		if t != 0 {
			v = math.Sin(2*math.Pi*cutoff*t) / (math.Pi * t)
		}
		u := 2 * math.Pi * (float64(i) + 0.5) / float64(n)
		h[i] = v * (0.42 - 0.5*math.Cos(u) + 0.08*math.Cos(2*u))
		sum += h[i]
	}
	for i := range h {
		h[i] /= sum
	}
	return h
}

// window is the minimum four-term window at the fraction u of its length.
//
// Source: F. J. Harris, On the use of windows for harmonic analysis with the
// discrete Fourier transform, Proc. IEEE 66(1), 1978 (from memory).
func window(u float64) float64 {
	u *= 2 * math.Pi
	return 0.35875 - 0.48829*math.Cos(u) + 0.14128*math.Cos(2*u) - 0.01168*math.Cos(3*u)
}

// transform sets density, the sum over the channels, and sums, and returns the
// length of what was transformed, in s, or 0 when it is too short.
func (c *comb) transform(x [][]float64) float64 {
	n := len(x[0])
	if c.step > 1 {
		n = (n-len(c.filter))/c.step + 1
	}
	n = min(n, len(c.x))
	if n < 16 {
		return 0
	}
	if len(c.window) != n {
		c.window = make([]float64, n)
		for i := range c.window {
			c.window[i] = window(float64(i) / float64(n))
		}
	}
	energy := 0.0
	for _, w := range c.window {
		energy += w * w
	}
	scale := 2 / (c.rate * energy)
	clear(c.density)
	for i := 0; i < len(x); i += 2 {
		c.reduce(c.x, x[i], n)
		if i+1 == len(x) {
			for k, u := range c.one.Forward(c.first, c.x) {
				c.density[k] += (real(u)*real(u) + imag(u)*imag(u)) * scale
			}
			break
		}
		c.reduce(c.y, x[i+1], n)
		c.first, c.second = c.fft.Pair(c.first, c.second, c.x, c.y)
		for k, u := range c.first {
			v := c.second[k]
			c.density[k] += (real(u)*real(u) + imag(u)*imag(u) + real(v)*real(v) + imag(v)*imag(v)) * scale
		}
	}
	for k, d := range c.density {
		c.sums[k+1] = c.sums[k] + d
	}
	return float64(n) / c.rate
}

// reduce sets dst to n windowed frames of x at the lower rate, without their
// mean, and to zeros.
func (c *comb) reduce(dst, x []float64, n int) {
	if c.step > 1 {
		c.thin(dst[:n], x)
	} else {
		copy(dst, x[:n])
	}
	mean := 0.0
	for _, v := range dst[:n] {
		mean += v
	}
	mean /= float64(n)
	for i, w := range c.window {
		dst[i] = (dst[i] - mean) * w
	}
	clear(dst[n:])
}

// thin filters x to the lower rate. It computes four values at a time: of one alone
// each addition would wait for the one before.
func (c *comb) thin(dst, x []float64) {
	h := c.filter
	at := func(i int) []float64 { return x[i*c.step:][:len(h)] }
	i := 0
	for ; i+4 <= len(dst); i += 4 {
		x0, x1, x2, x3 := at(i), at(i+1), at(i+2), at(i+3)
		var s0, s1, s2, s3 float64
		for j, v := range h {
			s0 += v * x0[j]
			s1 += v * x1[j]
			s2 += v * x2[j]
			s3 += v * x3[j]
		}
		dst[i], dst[i+1], dst[i+2], dst[i+3] = s0, s1, s2, s3
	}
	for ; i < len(dst); i++ {
		s := 0.0
		for j, v := range at(i) {
			s += h[j] * v
		}
		dst[i] = s
	}
}

// between is the sum of density and the number of bins from lo to hi Hz.
func (c *comb) between(lo, hi float64) (sum, bins float64) {
	a := max(0, int(math.Ceil(lo/c.width-1e-9)))
	b := min(len(c.density)-1, int(math.Floor(hi/c.width+1e-9)))
	if b < a {
		return 0, 0
	}
	return c.sums[b+1] - c.sums[a], float64(b - a + 1)
}

// add takes in a piece. Channels are summed as powers and counted as one in the
// test, since they may be copies.
func (c *comb) add(x [][]float64) {
	t := c.transform(x)
	// The window must tell multiples of 50 Hz apart and leave noise between them.
	far := min(farFloor, 25*t)
	if far < nearFloor+2 {
		return
	}
	c.pieces++
	c.seconds += t
	c.shape += 2 * (far - nearFloor) / c.spread
	for k, d := range c.density {
		c.low[k] += d
	}
	for g, base := range c.bases {
		for i := range gridLen {
			f := candidate(base, i)
			for k := 1; k <= c.harmonics; k++ {
				c.grids[g][i*c.harmonics+k-1].add(c, f*float64(k), 1/t, far)
			}
		}
	}
}

func (e *cell) add(c *comb, f, bin, far float64) {
	e.line += c.interpolated(f)
	s, n := c.between(f-far*bin, f-nearFloor*bin)
	e.left += s / max(n, 1)
	s, n = c.between(f+nearFloor*bin, f+far*bin)
	e.right += s / max(n, 1)
	s, n = c.between(f-lobe*bin, f+lobe*bin)
	e.lobe += s * c.width
	e.lobeWidth += n * c.width
}

// interpolated is the density at f: a parabola through three bins.
func (c *comb) interpolated(f float64) float64 {
	k := max(1, min(len(c.density)-2, int(f/c.width+0.5)))
	u := f/c.width - float64(k)
	a, b, d := c.density[k-1], c.density[k], c.density[k+1]
	return max(0, b+u*((d-a)/2+u*((a+d)/2-b)))
}

// floor is the density beside the line, summed over pieces like the others:
// interpolated on a log scale between the two sides, with the bias of the
// geometric mean of estimates taken off.
func (e cell) floor(shape float64) float64 {
	s := shape / 2
	return math.Sqrt(e.left*e.right) * math.Exp(1/(2*s)+1/(12*s*s))
}

type found struct {
	found  bool
	reason finding.Text // why hum and hiss cannot be told apart
	mains  float64
	lines  []float64 // mean-square power per multiple; 0 for those not counted
	hum    float64
	whine  float64 // of lines at multiples of 1 kHz that stand alone, not counted as hum
	corner float64 // Hz: highest frequency of the comb's band
	below  float64 // power of the rest below it
}

// find decides whether there is hum and measures it.
func (c *comb) find(channels int) found {
	if c.pieces == 0 || c.seconds < 0.25 {
		return found{reason: finding.Say("hum.short")}
	}
	best, at, score := -1, 0, 0.0
	for g := range c.bases {
		i, s, ok := c.fit(g)
		if ok && s > score {
			best, at, score = g, i, s
		}
	}
	if best < 0 {
		return found{}
	}
	row := c.grids[best][at*c.harmonics : (at+1)*c.harmonics]
	p := 0.0
	for _, e := range row[:min(proofHarmonics, c.harmonics)] {
		p = min(p, c.logP(e))
	}
	// Harmonics, bases and distinguishable frequencies that were tried.
	tries := float64(proofHarmonics) * float64(len(c.bases)) * (1 + 2*tolerance*proofHarmonics*c.seconds/float64(c.pieces))
	if p+math.Log(tries) > math.Log(FalseAlarm) {
		return found{}
	}
	if len(c.bases) > 1 && c.seconds < 0.4 {
		return found{reason: finding.Say("hum.mains")}
	}
	r := found{found: true, mains: c.refine(best, at), lines: make([]float64, c.harmonics)}
	n := float64(channels * c.pieces)
	for k, e := range row {
		if c.logP(e) < math.Log(FalseAlarm) {
			r.lines[k] = max(0, e.lobe-e.floor(c.shape)*e.lobeWidth/float64(c.pieces)) / n
		}
	}
	for k, p := range r.lines {
		if lone(r.lines, k, c.bases[best]) {
			r.whine += p
			r.lines[k] = 0
		}
		r.hum += r.lines[k]
	}
	r.corner = min(r.mains*(float64(c.harmonics)+0.5), c.to)
	for k, d := range c.low {
		f := float64(k) * c.width
		if f >= c.lowFrom && f < r.corner {
			r.below += d * c.width / n
		}
	}
	r.below = max(0, r.below-r.hum)
	return r
}

// Multiples of 1 kHz are where the frames of a USB connection whine. A line there
// that exceeds its neighbours among the multiples of the mains frequency by
// loneBy, as no supply makes it, is not hum. Common practice, no source.
const (
	whineStep  = 1000 // Hz
	loneBy     = 10   // dB
	neighbours = 3    // multiples each way
)

// lone reports whether lines[k], of the multiple k+1 of base, is a whine.
func lone(lines []float64, k int, base float64) bool {
	if lines[k] == 0 || math.Mod(base*float64(k+1), whineStep) != 0 {
		return false
	}
	for i := max(0, k-neighbours); i < min(len(lines), k+neighbours+1); i++ {
		if i != k && lines[i]*unit.ToPower(loneBy) > lines[k] {
			return false
		}
	}
	return true
}

// fit returns the best candidate within the tolerance of a base and its score.
// ok is false when it lies at the tolerance's edge.
func (c *comb) fit(g int) (at int, score float64, ok bool) {
	w := c.weights(g)
	for i := range gridLen {
		if s := c.score(g, i, w); s > score {
			at, score = i, s
		}
	}
	e := int(edge / gridStep)
	return at, score, at >= e && at < gridLen-e
}

// weights is one over the noise at each multiple: of the least of all
// candidates, so that no line counts as noise.
func (c *comb) weights(g int) []float64 {
	w := make([]float64, min(searchHarmonics, c.harmonics))
	for k := range w {
		least := math.Inf(1)
		for i := range gridLen {
			least = min(least, c.grids[g][i*c.harmonics+k].floor(c.shape))
		}
		if least > 0 {
			w[k] = 1 / least
		}
	}
	return w
}

// score is the power of a candidate's lines in units of the noise, which is the
// log likelihood ratio of sines in noise of known density.
func (c *comb) score(g, i int, weights []float64) float64 {
	s := 0.0
	for k, w := range weights {
		s += w * c.grids[g][i*c.harmonics+k].line
	}
	return s
}

// refine puts a parabola through the score around its best candidate.
func (c *comb) refine(g, at int) float64 {
	w := c.weights(g)
	s := make([]float64, gridLen)
	for i := max(0, at-1); i < min(gridLen, at+2); i++ {
		s[i] = c.score(g, i, w)
	}
	return candidate(c.bases[g], at) + gridStep*vertex(s, at)
}

// vertex is where the parabola through y[at] and its neighbours has its top,
// relative to at, within ±1; 0 at the ends of y.
func vertex(y []float64, at int) float64 {
	if at == 0 || at == len(y)-1 {
		return 0
	}
	a, b, d := y[at-1], y[at], y[at+1]
	if q := a - 2*b + d; q < 0 {
		return max(-1, min(1, (a-d)/(2*q)))
	}
	return 0
}

// logP is the logarithm of the probability that noise alone gives a line at
// least as high: an F test with 2·pieces and 2·shape degrees of freedom, whose
// tail has a finite sum.
func (c *comb) logP(e cell) float64 {
	f := e.floor(c.shape)
	if f <= 0 {
		if e.line > 0 {
			return math.Inf(-1)
		}
		return 0
	}
	m, b := float64(c.pieces), c.shape
	x := b / (b + m*e.line/f)
	term, sum := 1.0, 0.0
	for j := 0.0; j < m; j++ {
		sum += term
		term *= (b + j) / (j + 1) * (1 - x)
	}
	return min(0, b*math.Log(x)+math.Log(sum))
}
