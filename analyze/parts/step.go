package parts

import (
	"math"
	"slices"
)

const (
	side         = 16  // values on each side of a step
	leastSide    = 5   // fewer tell nothing
	timesScatter = 10  // times the scatter of single values that a slip must exceed
	elsewhere    = 2.5 // times the steps elsewhere that a slip must exceed

	leastSlip  = 0.6 // frames: the smallest slip that is reported
	slipSigmas = 7   // standard errors that a slip must exceed
)

// point is a lag in frames at a time in seconds.
type point struct{ time, lag float64 }

// jump is a step between the values at−1 and at of a sequence; at is −1 for none.
type jump struct {
	at        int
	size, err float64
	time      float64 // s
}

// inner is how many of n values are at either end of those between which the smallest
// step is told.
func inner(n int) int { return min(2*leastSide, n/2) }

// bestStep returns the clearest step in a sequence, whether it is beyond doubt, the
// scatter of the values about their neighbours, and the smallest step that
// would have been beyond doubt between the inner ones, 0 if none.
func bestStep(seq []point) (best jump, sure bool, scatter, smallest float64) {
	best.at = -1
	n := len(seq)
	if n < 2*leastSide {
		return best, false, math.NaN(), 0
	}
	// The slope, from values four apart, of which a step touches few.
	var slopes []float64
	for i := 0; i+4 < n; i++ {
		slopes = append(slopes, (seq[i+4].lag-seq[i].lag)/(seq[i+4].time-seq[i].time))
	}
	slope := middle(slopes)
	y := make([]float64, n)
	for i, v := range seq {
		y[i] = v.lag - slope*v.time
	}
	steps := make([]float64, n)
	var window []float64
	med := func(from, to int) float64 {
		window = append(window[:0], y[from:to]...)
		return middle(window)
	}
	for k := leastSide; k <= n-leastSide; k++ {
		steps[k] = med(k, min(n, k+side)) - med(max(0, k-side), k)
	}
	top := leastSide
	for k := leastSide; k <= n-leastSide; k++ {
		if math.Abs(steps[k]) > math.Abs(steps[top]) {
			top = k
		}
	}
	// The scatter about the medians of each side of that step.
	res := make([]float64, n)
	for i := range y {
		from, to := max(0, i-side/2), min(n, i+side/2+1)
		if i < top {
			to = min(to, top)
		} else {
			from = max(from, top)
		}
		res[i] = y[i] - med(from, to)
	}
	size := make([]float64, n)
	for i, v := range res {
		size[i] = math.Abs(v)
	}
	scatter = 1.4826 * middle(slices.Clone(size))
	// Neighbours that resemble each other are worth fewer. Every lag is
	// allowed for once, so that chance does not add up.
	clip := 3 * scatter
	c := [5]float64{}
	for lag := range c {
		for i := 0; i+lag < n; i++ {
			c[lag] += max(-clip, min(clip, res[i])) * max(-clip, min(clip, res[i+lag]))
		}
	}
	inflate := 1.0
	for lag := 1; lag < len(c) && c[0] > 0 && c[lag] > 0; lag++ {
		inflate += 2 * c[lag] / c[0]
	}
	se := func(k int) float64 {
		l, r := float64(min(k, side)), float64(min(n-k, side))
		// 1.2533: standard error of a median over that of a mean.
		return 1.2533 * scatter * math.Sqrt(inflate*(1/l+1/r))
	}
	var others []float64
	for k := leastSide; k <= n-leastSide; k++ {
		if k < top-side || k > top+side {
			others = append(others, math.Abs(steps[k]))
		}
	}
	usual := 0.0
	if len(others) > 0 {
		slices.Sort(others)
		usual = others[len(others)*9/10]
	}
	need := func(k int) float64 {
		return max(leastSlip, slipSigmas*se(k), elsewhere*usual, timesScatter*scatter)
	}
	smallest = max(need(inner(n)), need(n-inner(n)))
	// Medians hardly tell where: the place is where the values change sides.
	l, r := med(max(0, top-side), top), med(top, min(n, top+side))
	from, to := max(leastSide, top-side), min(n-leastSide, top+side)
	at, sum, most := top, 0.0, math.Inf(-1)
	for k := from; k <= to; k++ {
		if sum > most {
			at, most = k, sum
		}
		if k < to {
			sum += math.Abs(y[k]-r) - math.Abs(y[k]-l)
		}
	}
	best = jump{at: at, size: steps[top], err: max(se(top), usual/2, 2*scatter), time: (seq[at-1].time + seq[at].time) / 2}
	return best, math.Abs(steps[top]) >= need(top), scatter, smallest
}

// fitSlope fits a line to the values of a sequence within four scatters of their
// median line by least squares, and returns its slope in frames per second and
// the standard error, which counts that neighbours resemble each other. NaN for
// fewer than ten values.
func fitSlope(seq []point) (s, err float64) {
	n := len(seq)
	if n < 10 {
		return math.NaN(), math.NaN()
	}
	var slopes []float64
	for i := range n / 2 {
		a, b := seq[i], seq[i+n-n/2]
		slopes = append(slopes, (b.lag-a.lag)/(b.time-a.time))
	}
	s = middle(slopes)
	res := make([]float64, n)
	for i, p := range seq {
		res[i] = p.lag - s*p.time
	}
	mid := middle(slices.Clone(res))
	dev := make([]float64, n)
	for i := range res {
		dev[i] = math.Abs(res[i] - mid)
	}
	limit := 4 * 1.4826 * middle(dev)
	for i := range res { // what lies beyond counts as much as what lies at the limit
		res[i] = mid + max(-limit, min(limit, res[i]-mid))
	}
	mt, mr := 0.0, 0.0
	for i, p := range seq {
		mt += p.time / float64(n)
		mr += res[i] / float64(n)
	}
	tt, tr := 0.0, 0.0
	for i, p := range seq {
		tt += (p.time - mt) * (p.time - mt)
		tr += (p.time - mt) * (res[i] - mr)
	}
	for i, p := range seq {
		res[i] -= mr + tr/tt*(p.time-mt)
	}
	rr := 0.0
	for _, v := range res {
		rr += v * v
	}
	inflate := 1.0
	for lag := 1; lag < n/4 && rr > 0; lag++ {
		c := 0.0
		for i := 0; i+lag < n; i++ {
			c += res[i] * res[i+lag]
		}
		if c <= 0 {
			break
		}
		inflate += 2 * c / rr
	}
	err = math.Sqrt(inflate * rr / float64(n-2) / tt)
	// Passages that move the gear's own lag each their way show in the means of
	// eighths of the recording.
	const parts = 8
	wander, weight := 0.0, 0.0
	for k := range parts {
		from, to := n*k/parts, n*(k+1)/parts
		mean, time := 0.0, 0.0
		for i := from; i < to; i++ {
			mean += res[i] / float64(to-from)
			time += (seq[i].time - mt) / float64(to-from)
		}
		wander += mean * mean / (parts - 2)
		weight += time * time
	}
	return s + tr/tt, max(err, math.Sqrt(wander/weight))
}

// middle returns the median of x, which it sorts.
func middle(x []float64) float64 {
	if len(x) == 0 {
		return math.NaN()
	}
	slices.Sort(x)
	if n := len(x); n%2 == 0 {
		return (x[n/2-1] + x[n/2]) / 2
	}
	return x[len(x)/2]
}
