package clock

import (
	"math"
	"math/cmplx"
	"slices"

	"evenhand/analyze/align"
)

const (
	segmentTime = 3 // s, about
	minSegments = 6
	maxSegments = 24
	lowest      = 500    // Hz: bands up to here are followed first
	rounds      = 3      // of each octave more
	scanReach   = 100    // ppm in which the drift is looked for where nothing tells it
	scanStep    = 0.1    // periods of lowest, from end to end
	leastTold   = 0.4    // share that must be foretold up to twice lowest
	unevenTold  = 0.3    // of the usual correlation, below which a segment is not foretold
	jumps       = 0.01   // s: the largest step that is looked for
	followed    = 0.0008 // s: the largest step that the lowest bands can follow
	straight    = 0.25   // frames that the lag may change within a segment

	// wander is the standard error, in seconds from end to end over ten seconds,
	// of a lag of which nothing can be foretold: by how much what the fit leaves
	// moves from passage to passage.
	wander = 36e-6
	// undoing is by how much more it moves where the fitted gear has to undo what
	// other gear did.
	undoing = 2
)

// segment is a stretch of time whose lag is found as one.
type segment struct {
	time  float64 // s: middle of what sounds
	power float64
	bands []sums
	// without are the factors of all other segments' sums.
	without []factor
	lag     float64 // frames
	weight  float64
	alike   float64 // correlation of its sound with what was foretold
}

// driftFit finds how much slower the clock of b runs than that of a, when b is a
// through gear that may distort. Gear of which the curves are known as far as a
// bank's filters can tell has the same delay for any note; the curves of a
// distorting circuit would pass for drift otherwise, where the passages differ.
//
// The recording is cut into segments. The lag of each is that at which the
// filters, fitted to all others, foretell it best; the line through the lags is
// the drift. What the fit needs are sums over the windows of a segment, so it
// costs the same for an hour as for a minute.
//
// Source: the sum of filters behind fixed curves is the parallel Hammerstein
// model (from memory); the line through segments left out is our own.
type driftFit struct {
	bank     *bank
	segments []segment
	total    []sums
	factors  []factor
	mid      float64 // s
	lag      float64 // frames at mid, beyond the line
	slope    float64 // frames per second, beyond the line
	at, step float64 // s: where the lag may step, +Inf for nowhere; by how many frames
	moves    float64 // by how much more than usual the gear's own delay moves
	even     bool    // all segments were foretold, by the lowest bands
	low      float64 // share of those that was foretold
	told     float64 // share of b, weighted by what tells time, that was foretold
}

// newDriftFit gathers what the fit needs along a line, in frames at a time in
// seconds, that may step at a time. It has no segments where too little sounds.
func newDriftFit(a, b align.Source, line func(float64) float64, at float64) (*driftFit, error) {
	f := &driftFit{bank: newBank(a.Rate()), at: at, moves: 1}
	k := f.bank
	hop := max(int64(k.size), (a.Len()-int64(k.size))/bankWindows)
	var starts []int64
	var powers []float64
	loud, passed := 0.0, 0.0
	for at := int64(0); at+int64(k.size) <= a.Len(); at += hop {
		p, q, err := k.read(a, at)
		if err != nil {
			return nil, err
		}
		starts, powers = append(starts, at), append(powers, p)
		loud = max(loud, p)
		passed += q
	}
	kept := starts[:0]
	for i, p := range powers {
		if p > bankQuiet*loud {
			kept = append(kept, starts[i])
		}
	}
	if passed == 0 || len(kept) < 5*minSegments {
		return f, nil
	}
	k.gain = 1 / math.Sqrt(passed/float64(len(starts)))
	rate := float64(a.Rate())
	centre := func(first int64) float64 { return (float64(first) + float64(k.size)/2) / rate }
	from, to := centre(kept[0]), centre(kept[len(kept)-1]+1)
	n := max(minSegments, min(maxSegments, int((to-from)/segmentTime)))
	cut := n // segments before the step
	if at < to {
		cut = max(1, min(n-1, int(math.Round(float64(n)*(at-from)/(to-from)))))
	}
	f.segments = make([]segment, n)
	for i := range f.segments {
		f.segments[i].bands = make([]sums, k.bands())
	}
	part := func(t float64) int {
		if t < min(at, to) {
			return int((t - from) / (min(at, to) - from) * float64(cut))
		}
		return cut + int((t-at)/(to-at)*float64(n-cut))
	}
	for _, at := range kept {
		t := centre(at)
		s := &f.segments[part(t)]
		p, err := k.gather(s.bands, a, b, at, line(t))
		if err != nil {
			return nil, err
		}
		s.time += t * p
		s.power += p
	}
	f.prepare()
	return f, nil
}

// prepare leaves segments without sound out and factorises the sums.
func (f *driftFit) prepare() {
	heard := f.segments[:0]
	for _, s := range f.segments {
		if s.power > 0 {
			s.time /= s.power
			heard = append(heard, s)
		}
	}
	f.segments = heard
	f.total, f.factors = make([]sums, f.bank.bands()), make([]factor, f.bank.bands())
	for n := range f.total {
		for i := range f.segments {
			f.total[n].add(&f.segments[i].bands[n])
		}
		f.factors[n] = factorise(&f.total[n].xx)
	}
	for i := range f.segments {
		s := &f.segments[i]
		s.without = make([]factor, len(f.total))
		for n := range s.without {
			rest := f.total[n]
			rest.take(&s.bands[n])
			s.without[n] = factorise(&rest.xx)
		}
	}
}

// improve moves the line once, by the bands up to high Hz. Each segment's lag is
// found with filters that were fitted to all others.
func (f *driftFit) improve(high float64) {
	power := make([]float64, len(f.segments))
	for i := range f.segments {
		s := &f.segments[i]
		s.lag, s.weight, s.alike = 0, 0, 0
	}
	foretold, all := 0.0, 0.0
	turned := make([][curves]complex128, len(f.segments))
	for n := range f.total {
		w := f.bank.middle(n)
		if w*float64(f.bank.rate) > 2*math.Pi*high {
			break
		}
		var xy [curves]complex128
		for i := range f.segments {
			s := &f.segments[i]
			z := cmplx.Rect(1, w*f.beyond(s.time))
			for j, v := range s.bands[n].xy {
				turned[i][j] = v * z
				xy[j] += turned[i][j]
			}
		}
		whole := f.total[n]
		whole.xy = xy
		h := f.factors[n].solve(xy)
		py, _ := whole.predicted(h)
		rest := max(whole.yy-real(py), 1e-6*whole.yy)
		if !(rest > 0) {
			continue
		}
		told, time := 0.0, 0.0
		for i := range f.segments {
			s := &f.segments[i]
			others := xy
			for j, v := range turned[i] {
				others[j] -= v
			}
			here := s.bands[n]
			here.xy = turned[i]
			py, pp := here.predicted(s.without[n].solve(others))
			s.lag -= w * imag(py) / rest
			s.weight += w * w * pp / rest
			told += 2*real(py) - pp
			time += w * w * pp / rest
			s.alike += w * w * real(py) / rest
			power[i] += w * w * here.yy / rest
		}
		foretold += time * max(0, told) / whole.yy
		all += time
	}
	f.told = 0
	if all > 0 {
		f.told = foretold / all
	}
	for i := range f.segments {
		s := &f.segments[i]
		if s.weight > 0 {
			s.alike /= math.Sqrt(s.weight * power[i])
			s.lag = s.lag/s.weight + f.beyond(s.time)
		}
	}
	f.regress()
}

// beyond is the lag beyond the line at a time in seconds, in frames.
func (f *driftFit) beyond(t float64) float64 {
	l := f.lag + f.slope*(t-f.mid)
	if t > f.at {
		l += f.step
	}
	return l
}

// regress puts the line, and the step, through the segments' lags.
func (f *driftFit) regress() {
	side, lags := f.sides(), make([]float64, len(f.segments))
	for i, s := range f.segments {
		lags[i] = s.lag
	}
	// What a line says of the step is taken out of both: what is left of the
	// lags is the step's (from memory: Frisch and Waugh, 1933).
	f.step = 0
	if !math.IsInf(f.at, 1) {
		rest, flat := slices.Clone(lags), slices.Clone(side)
		f.flatten(rest)
		f.flatten(flat)
		dd, dy := 0.0, 0.0
		for i, s := range f.segments {
			dd += s.weight * flat[i] * flat[i]
			dy += s.weight * flat[i] * rest[i]
		}
		if dd > 0 {
			f.step = dy / dd
		}
		for i := range lags {
			lags[i] -= f.step * side[i]
		}
	}
	f.mid, f.lag, f.slope = f.flatten(lags)
}

// flatten takes the weighted line out of y, a value for each segment, and
// returns its middle, height there and slope.
func (f *driftFit) flatten(y []float64) (mid, height, slope float64) {
	sum, tt, ty := 0.0, 0.0, 0.0
	for i, s := range f.segments {
		sum += s.weight
		mid += s.weight * s.time
		height += s.weight * y[i]
	}
	if !(sum > 0) {
		return f.mid, f.lag, f.slope
	}
	mid, height = mid/sum, height/sum
	for i, s := range f.segments {
		tt += s.weight * (s.time - mid) * (s.time - mid)
		ty += s.weight * (s.time - mid) * (y[i] - height)
	}
	if tt > 0 {
		slope = ty / tt
	}
	for i, s := range f.segments {
		y[i] -= height + slope*(s.time-mid)
	}
	return mid, height, slope
}

// follow finds the line, from the lowest bands, which bear the largest errors,
// to the highest, which tell most. Where those foretell less than leastTold, it
// goes no further.
func (f *driftFit) follow() {
	f.climb(lowest, 2*lowest)
	if f.told < leastTold {
		f.scan()
		f.climb(lowest, 2*lowest)
	}
	if f.even, f.low = f.evenly(), f.told; f.low >= leastTold {
		f.climb(4*lowest, bankHigh)
	}
}

// climb follows the bands up to from Hz, then up to twice that, and so on to to.
func (f *driftFit) climb(from, to float64) {
	for high := from; high < 2*to; high *= 2 {
		for range rounds {
			f.improve(min(high, to))
		}
	}
}

// evenly reports whether every segment is foretold: where one is not, what is in
// it may lie elsewhere.
func (f *driftFit) evenly() bool {
	alike := make([]float64, len(f.segments))
	for i, s := range f.segments {
		alike[i] = s.alike
	}
	return slices.Min(alike) > unevenTold*middle(alike)
}

// scan sets the slope to the one at which the lowest bands are foretold best.
func (f *driftFit) scan() {
	n := len(f.segments)
	reach := 1e-6 * scanReach * float64(f.bank.rate)
	by := scanStep * float64(f.bank.rate) / lowest / (f.segments[n-1].time - f.segments[0].time)
	best, most := 0.0, -1.0
	for slope := -reach; slope <= reach; slope += by {
		f.lag, f.slope = 0, slope
		f.improve(lowest)
		if f.told > most {
			best, most = slope, f.told
		}
	}
	f.lag, f.slope = 0, best
}

// left is one standard error, in frames from end to end, of what the fit leaves
// of the gear's own delay. Passages are few and differ in it, so that their
// scatter alone would promise too much.
func (f *driftFit) left() float64 {
	return f.moves * wander * float64(f.bank.rate) * math.Sqrt(10/f.span()*max(0, 1-f.told))
}

// span is the time from the first segment to the last.
func (f *driftFit) span() float64 { return f.segments[len(f.segments)-1].time - f.segments[0].time }

// slopeError is one standard error of the slope.
func (f *driftFit) slopeError() float64 {
	sum, tt := 0.0, 0.0
	for _, s := range f.segments {
		d := s.time - f.mid
		r := s.weight * d * (s.lag - f.beyond(s.time))
		sum += r * r
		tt += s.weight * d * d
	}
	n := float64(len(f.segments))
	return math.Hypot(math.Sqrt(sum*n/(n-2))/tt, f.left()/f.span())
}
