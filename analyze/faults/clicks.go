package faults

import (
	"math"
	"slices"

	"evenhand/analyze/unit"
)

const (
	order        = 8    // of the prediction
	piece        = 64   // frames whose greatest residual is kept
	ownFrames    = 24   // each way of a click: they belong to it
	usualRank    = 4    // rank among the greatest residuals of the pieces around
	usualPieces  = 72   // each way, in which it is looked for: 96 ms at 48 kHz
	nearPieces   = 5    // each way, in which all is compared sample by sample
	onsetPieces  = 16   // each way, whose power tells an onset: 21 ms at 48 kHz
	quietOnset   = -50  // dBFS below which a sound that becomes louder does so by 3 dB
	refitCrest   = 9    // greatest over rms residual from which on the prediction is fitted again
	refits       = 8    // at most
	burst        = 3    // wrong samples in a row that are one click
	impulseShare = 0.85 // of a residual's energy that an impulse explains

	residualRing = 1 << 14 // residuals kept
	pieceRing    = 1 << 8  // pieces kept
	filterRing   = residualRing / chunk
)

// clicks finds samples that do not fit those on both sides of them.
//
// In each chunk a linear prediction of order 8 is fitted (autocorrelation
// method, Hann window, Levinson's recursion). Its coefficients also give the
// best interpolation of a sample from eight on each side: the residual is the
// signal filtered by the autocorrelation of the coefficients, scaled to 1 in
// the middle, so that a single wrong sample appears with its own size while
// the music, which has little treble, all but vanishes.
//
// Source: J. Makhoul, Linear prediction: a tutorial review, Proc. IEEE 63(4),
// 1975; S. V. Vaseghi, Advanced Digital Signal Processing and Noise Reduction,
// chapter on impulsive noise (both from memory).
type clicks struct {
	taper []float64
	w     []float64 // tapered chunk with order zeros behind
	r     []float64 // residuals, a ring; residual i belongs to frame i−order
	g     [filterRing][order + 1]float64
	top   []float64              // greatest residual of each piece, a ring
	frame int64                  // residuals computed
	piece int64                  // pieces complete
	next  int64                  // piece judged next
	power []float64              // of the sound in each piece, a ring
	e, y  []float64              // the running chunk's residual; the chunk without its clicks
	peak  [chunk / piece]float64 // greatest residual of each piece of the running chunk
	least float64
}

func (c *clicks) init(m *Meter) {
	c.taper = make([]float64, chunk)
	for i := range c.taper {
		c.taper[i] = 0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/chunk)
	}
	c.w = make([]float64, chunk+order)
	c.e, c.y = make([]float64, chunk), make([]float64, 2*order+chunk)
	c.r = make([]float64, residualRing)
	c.top = make([]float64, pieceRing)
	c.power = make([]float64, pieceRing)
	c.least = unit.ToAmplitude(float64(m.p.LeastClick))
}

// interpolator returns the filter's taps 1 … order each way for the chunk x.
func (c *clicks) interpolator(x []float64) (g [order + 1]float64) {
	w := c.w[:len(x)+order]
	if len(x) == chunk {
		for i, v := range x {
			w[i] = v * c.taper[i]
		}
	} else {
		for i, v := range x {
			w[i] = v * (0.5 - 0.5*math.Cos(2*math.Pi*(float64(i)+0.5)/float64(len(x))))
		}
	}
	clear(w[len(x):])
	var s0, s1, s2, s3, s4, s5, s6, s7, s8 float64
	for i := range x {
		u := w[i : i+9 : i+9]
		v := u[0]
		s0 += v * u[0]
		s1 += v * u[1]
		s2 += v * u[2]
		s3 += v * u[3]
		s4 += v * u[4]
		s5 += v * u[5]
		s6 += v * u[6]
		s7 += v * u[7]
		s8 += v * u[8]
	}
	// White noise 100 dB below and at −115 dBFS keeps the recursion stable.
	s0 = s0*(1+1e-10) + 1e-12*float64(len(x))
	return interpolation([order + 1]float64{s0, s1, s2, s3, s4, s5, s6, s7, s8})
}

// interpolation turns autocorrelations into the interpolation error filter.
func interpolation(r [order + 1]float64) (g [order + 1]float64) {
	var a, b [order + 1]float64
	a[0] = 1
	e := r[0]
	for m := 1; m <= order; m++ {
		k := 0.0
		for j := range m {
			k += a[j] * r[m-j]
		}
		k /= -e
		if !(math.Abs(k) < 1) { // rounding: what there is has to do
			break
		}
		b = a
		for j := 1; j <= m; j++ {
			a[j] = b[j] + k*b[m-j]
		}
		e *= 1 - k*k
	}
	for k := range g {
		for j := 0; j+k <= order; j++ {
			g[k] += a[j] * a[j+k]
		}
	}
	for k := order; k >= 0; k-- {
		g[k] /= g[0]
	}
	return g
}

// filter writes the residual of the samples in the middle of x, which has order
// more on each side.
func filter(dst, x []float64, g *[order + 1]float64) {
	g1, g2, g3, g4, g5, g6, g7, g8 := g[1], g[2], g[3], g[4], g[5], g[6], g[7], g[8]
	x = x[:len(dst)+2*order]
	for i := range dst {
		u := x[i : i+17 : i+17]
		v := u[8] + g1*(u[7]+u[9]) + g2*(u[6]+u[10])
		v2 := g3*(u[5]+u[11]) + g4*(u[4]+u[12]) + g5*(u[3]+u[13])
		v += g6*(u[2]+u[14]) + g7*(u[1]+u[15]) + g8*(u[0]+u[16])
		dst[i] = v + v2
	}
}

// extent returns the least and the greatest value of x, at most and at least 0,
// and the sum of squares.
func extent(x []float64) (low, high, all float64) {
	for _, v := range x {
		if v > high { // quicker than max, which looks for NaN
			high = v
		} else if v < low {
			low = v
		}
	}
	return low, high, squares(x)
}

// squares is the sum of the squares of x. Additions wait for each other, so they
// are few in a row.
func squares(x []float64) (all float64) {
	whole := len(x) &^ 3
	for i := 0; i < whole; i += 4 {
		u := x[i : i+4 : i+4]
		all += u[0]*u[0] + u[1]*u[1] + (u[2]*u[2] + u[3]*u[3])
	}
	for _, v := range x[whole:] {
		all += v * v
	}
	return all
}

// peaks notes the greatest absolute value of each piece of e, and returns that of
// all and the sum of squares.
func (c *clicks) peaks(e []float64) (most, all float64) {
	for i, k := 0, 0; i < len(e); i, k = i+piece, k+1 {
		low, high, sum := extent(e[i:min(i+piece, len(e))])
		c.peak[k] = max(high, -low)
		most = max(most, c.peak[k])
		all += sum
	}
	return most, all
}

// residual takes the running chunk of n frames. It gives the residuals up to
// order frames before its end.
func (s *channel) residual(n int) {
	c := &s.c
	x := s.x[:2*order+n]
	e := c.e[:n]
	g := c.interpolator(x[2*order:])
	filter(e, x, &g)
	most, all := c.peaks(e)
	// A great click spoils the prediction: fit again without it.
	again := false
	for try := 0; try < refits && most*most*float64(n) > refitCrest*refitCrest*all && most >= c.least; try++ {
		if !again {
			copy(c.y, x)
		}
		again = true
		for i, v := range e {
			if v == most || v == -most {
				c.y[i+order] -= v
				break
			}
		}
		g = c.interpolator(c.y[2*order : 2*order+n])
		filter(e, c.y[:2*order+n], &g)
		most, all = c.peaks(e)
	}
	if again {
		filter(e, x, &g)
	}
	c.g[c.frame/chunk%filterRing] = g
	if c.frame == 0 {
		clear(e[:min(n, 2*order)]) // before the beginning, or of the cut there
	}
	if again || c.frame == 0 {
		c.peaks(e)
	}
	for i, k := 0, 0; i < n; i, k = i+piece, k+1 {
		c.top[c.piece&(pieceRing-1)] = c.peak[k]
		c.power[c.piece&(pieceRing-1)] = squares(x[order+i : order+min(i+piece, n)])
		c.piece++
	}
	copy(c.r[c.frame&(residualRing-1):], e)
	c.frame += int64(n)
	for ; c.next+usualPieces < c.piece; c.next++ {
		s.judge(c.next)
	}
	copy(s.x, s.x[n:n+2*order])
}

// endResidual judges the last pieces; the last order frames have no other side.
func (s *channel) endResidual() {
	c := &s.c
	for ; c.next < c.piece; c.next++ {
		s.judge(c.next)
	}
}

// judge looks at piece b with all others at hand.
func (s *channel) judge(b int64) {
	c := &s.c
	top := func(i int64) float64 {
		if i < 0 || i >= c.piece {
			return 0
		}
		return c.top[i&(pieceRing-1)]
	}
	v := top(b)
	k := s.m.p.ClickRatio
	if b&7 == 0 {
		// What this piece would need: the rank keeps clicks themselves out.
		var n [2*nearPieces + 1]float64
		for i := range n {
			n[i] = top(b + int64(i) - nearPieces)
		}
		slices.Sort(n[:])
		need := k
		if c.onset(b) {
			need = s.m.p.OnsetRatio
		}
		s.m.floors.add(max(0, b*piece-order), max(c.least, need*max(c.usual(b, top), n[len(n)-5])))
	}
	if v < c.least || v < top(b-1) || v <= top(b+1) {
		return
	}
	more := 0
	for i := int64(2); i <= nearPieces; i++ {
		if v < k*top(b-i) {
			more++
		}
		if v < k*top(b+i) {
			more++
		}
	}
	// One other click nearby may be, and it may lie on the edge of two pieces.
	usual := c.usual(b, top)
	if more > 2 || v < k*usual {
		return
	}
	at := b * piece
	for i := b * piece; i < min((b+1)*piece, c.frame); i++ {
		if math.Abs(c.r[i&(residualRing-1)]) > math.Abs(c.r[at&(residualRing-1)]) {
			at = i
		}
	}
	companion := c.nearby(at, at)
	around := max(usual, math.Abs(c.r[c.nearby(at, companion)&(residualRing-1)]))
	impulse := c.share(at) >= impulseShare
	short := impulse || c.burstShare(at) >= impulseShare
	switch {
	case c.onset(b):
		if !impulse || v < s.m.p.OnsetRatio*around {
			return
		}
	case !short:
		if v < max(unit.ToAmplitude(float64(s.m.p.LeastStep)), s.m.p.StepRatio*around) {
			return
		}
	case v < k*around:
		return
	}
	s.found(Click{Frame: at - order, Channel: s.index, Level: unit.DBFS(unit.FromAmplitude(v)), AtClip: s.atClip(at - order), AtSilence: c.atSilence(b)})
}

// atSilence compares the sound on both sides of piece b.
func (c *clicks) atSilence(b int64) bool {
	before, after := 0.0, 0.0
	for i := int64(2); i < 2+nearPieces; i++ {
		if b-i >= 0 {
			before += c.power[(b-i)&(pieceRing-1)]
		}
		if b+i < c.piece {
			after += c.power[(b+i)&(pieceRing-1)]
		}
	}
	least, most := min(before, after)/(nearPieces*piece), max(before, after)/(nearPieces*piece)
	return least < 1e-8 && most > 100*least
}

// usual is the rank-th greatest residual of the pieces around b but its own and
// the next to it.
func (c *clicks) usual(b int64, top func(int64) float64) float64 {
	var most [usualRank]float64
	from, to := max(0, b-usualPieces), min(c.piece, b+usualPieces+1)
	for i := from; i < to; i++ {
		if i >= b-1 && i <= b+1 {
			continue
		}
		v := c.top[i&(pieceRing-1)]
		if v <= most[usualRank-1] {
			continue
		}
		j := usualRank - 1
		for ; j > 0 && most[j-1] < v; j-- {
			most[j] = most[j-1]
		}
		most[j] = v
	}
	return most[usualRank-1]
}

// share is how much of the energy of the residual around at is explained by one
// wrong sample there.
func (c *clicks) share(at int64) float64 {
	fit, own, all := 0.0, 0.0, 0.0
	for i := max(0, at-order); i < min(c.frame, at+order+1); i++ {
		r, w := c.r[i&(residualRing-1)], c.g[i/chunk%filterRing][max(i-at, at-i)]
		fit += r * w
		own += w * w
		all += r * r
	}
	return fit * fit / (own * all)
}

// burstShare is how much of the energy of the residual around at is explained by
// burst wrong samples in a row, at among them, whatever their values.
func (c *clicks) burstShare(at int64) (best float64) {
	for first := at - burst + 1; first <= at; first++ {
		// Normal equations of the responses to each of them.
		var m [burst][burst + 1]float64
		all := 0.0
		for i := max(0, first-order); i < min(c.frame, first+burst+order); i++ {
			g, r := &c.g[i/chunk%filterRing], c.r[i&(residualRing-1)]
			all += r * r
			var w [burst]float64
			for j := range w {
				if d := max(i-first-int64(j), first+int64(j)-i); d <= order {
					w[j] = g[d]
				}
			}
			for j := range w {
				for k := range w {
					m[j][k] += w[j] * w[k]
				}
				m[j][burst] += w[j] * r
			}
		}
		var right [burst]float64
		for j := range right {
			right[j] = m[j][burst]
		}
		for j := range m { // elimination; the matrix is positive definite
			for k := j + 1; k < burst; k++ {
				f := m[k][j] / m[j][j]
				for l := j; l <= burst; l++ {
					m[k][l] -= f * m[j][l]
				}
			}
		}
		explained := 0.0
		var x [burst]float64
		for j := burst - 1; j >= 0; j-- {
			x[j] = m[j][burst]
			for k := j + 1; k < burst; k++ {
				x[j] -= m[j][k] * x[k]
			}
			x[j] /= m[j][j]
			explained += x[j] * right[j]
		}
		best = max(best, explained/all)
	}
	return best
}

// onset tells whether the sound becomes louder here to stay: a pick's first
// edges are sharper than all that follow.
func (c *clicks) onset(b int64) bool {
	before, after := 0.0, 0.0
	for i := int64(2); i < 2+onsetPieces; i++ {
		if b-i >= 0 {
			before += c.power[(b-i)&(pieceRing-1)]
		}
		if b+i < c.piece {
			after += c.power[(b+i)&(pieceRing-1)]
		}
	}
	if after < unit.ToPower(quietOnset)*onsetPieces*piece {
		return after > 2*before // noise scatters
	}
	return after > 1.2*before
}

// nearby returns the place of the greatest residual near at, but for those
// that belong to at and to also.
func (c *clicks) nearby(at, also int64) int64 {
	best, most := at, -1.0
	for i := max(0, at-nearPieces*piece); i < min(c.frame, at+nearPieces*piece+1); i++ {
		if d := i - at; d >= -ownFrames && d <= ownFrames {
			continue
		}
		if d := i - also; d >= -ownFrames && d <= ownFrames {
			continue
		}
		if v := math.Abs(c.r[i&(residualRing-1)]); v > most {
			best, most = i, v
		}
	}
	return best
}

func sortClicks(c []Click) {
	slices.SortStableFunc(c, func(a, b Click) int {
		if a.Frame != b.Frame {
			if a.Frame < b.Frame {
				return -1
			}
			return 1
		}
		return a.Channel - b.Channel
	})
}

// floors gathers what could not have been found.
type floors struct {
	every int64 // frames of a stretch
	at    []struct {
		n          int64
		sum, worst float64
	}
}

const maxFloors = 512

func (f *floors) add(frame int64, amplitude float64) {
	for frame/f.every >= maxFloors {
		half := f.at[:0]
		for i := 0; i < len(f.at); i += 2 {
			a := f.at[i]
			if i+1 < len(f.at) {
				b := f.at[i+1]
				a.n, a.sum, a.worst = a.n+b.n, a.sum+b.sum, max(a.worst, b.worst)
			}
			half = append(half, a)
		}
		f.at, f.every = half, 2*f.every
	}
	i := int(frame / f.every)
	for len(f.at) <= i {
		f.at = append(f.at, struct {
			n          int64
			sum, worst float64
		}{})
	}
	f.at[i].n++
	f.at[i].sum += unit.FromAmplitude(amplitude)
	f.at[i].worst = max(f.at[i].worst, amplitude)
}

func (f *floors) finish(frames int64) ([]Floor, unit.DBFS) {
	out := []Floor{}
	var typical []float64
	for i, v := range f.at {
		if v.n == 0 {
			continue
		}
		t := v.sum / float64(v.n)
		typical = append(typical, t)
		out = append(out, Floor{From: int64(i) * f.every, To: min(frames, int64(i+1)*f.every),
			Typical: unit.DBFS(t), Worst: unit.DBFS(unit.FromAmplitude(v.worst))})
	}
	if len(out) == 0 {
		return out, unit.DBFS(math.NaN())
	}
	slices.Sort(typical)
	return out, unit.DBFS(typical[int(math.Ceil(0.9*float64(len(typical))))-1])
}
