package clock

import (
	"math"
	"math/cmplx"

	"evenhand/analyze/align"
	"evenhand/analyze/unit"
)

const (
	segmentTime = 3 // s, about
	minSegments = 6
	maxSegments = 24
	lowest      = 500  // Hz: bands up to here are followed first
	rounds      = 3    // of each octave more
	scanReach   = 100  // ppm in which the drift is looked for where nothing tells it
	scanStep    = 0.1  // periods of lowest, from end to end
	leastTold   = 0.4  // share that must be foretold up to twice lowest
	straight    = 0.25 // frames that the lag may change within a segment

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
	moves    float64 // by how much more than usual the gear's own delay moves
	low      float64 // share of those that was foretold
	told     float64 // share of b, weighted by what tells time, that was foretold
}

// newDriftFit gathers what the fit needs along a line, in frames at a time in
// seconds. It has no segments where too little sounds.
func newDriftFit(a, b align.Source, line func(float64) float64) (*driftFit, error) {
	f := &driftFit{bank: newBank(a.Rate()), moves: 1}
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
	f.segments = make([]segment, n)
	for i := range f.segments {
		f.segments[i].bands = make([]sums, k.bands())
	}
	for _, at := range kept {
		t := centre(at)
		s := &f.segments[min(n-1, int((t-from)/(to-from)*float64(n)))]
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
	for i := range f.segments {
		s := &f.segments[i]
		s.lag, s.weight = 0, 0
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
			s.lag = s.lag/s.weight + f.beyond(s.time)
		}
	}
	f.regress()
}

// beyond is the lag beyond the line at a time in seconds, in frames.
func (f *driftFit) beyond(t float64) float64 { return f.lag + f.slope*(t-f.mid) }

// regress puts the weighted line through the segments' lags.
func (f *driftFit) regress() {
	sum, mid, height, tt, ty := 0.0, 0.0, 0.0, 0.0, 0.0
	for _, s := range f.segments {
		sum += s.weight
		mid += s.weight * s.time
		height += s.weight * s.lag
	}
	if !(sum > 0) {
		return
	}
	mid, height = mid/sum, height/sum
	for _, s := range f.segments {
		tt += s.weight * (s.time - mid) * (s.time - mid)
		ty += s.weight * (s.time - mid) * (s.lag - height)
	}
	f.mid, f.lag, f.slope = mid, height, 0
	if tt > 0 {
		f.slope = ty / tt
	}
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
	if f.low = f.told; f.low >= leastTold {
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

const straighter = 2 // times that the sums are gathered anew along a better line

// Drift fits gear to b and returns with it how much slower b's clock runs than that of
// a, in ppm, and one standard error; NaN for both where too little sounds, or where
// no gear that was fitted foretells b. line is by how many frames b is later than a
// at a time of a in seconds, slips included, and slope, in frames a second, by how
// much its lag may grow beyond that: the drift returned is that beyond line. processed
// says that a, too, went through gear, which the fit has to undo: the error is then
// larger. It returns errors of reading.
func Drift(a, b align.Source, line func(t float64) float64, slope float64, processed bool) (drift, sure unit.PPM, err error) {
	nan := unit.PPM(math.NaN())
	for range straighter + 1 {
		f, err := newDriftFit(a, b, func(t float64) float64 { return line(t) + slope*t })
		if err != nil || len(f.segments) < minSegments {
			return nan, nan, err
		}
		if processed {
			f.moves = undoing
		}
		if f.follow(); f.low < leastTold {
			return nan, nan, nil
		}
		ppm := 1e6 / float64(a.Rate())
		drift, sure = unit.PPM((slope+f.slope)*ppm), unit.PPM(f.slopeError()*ppm)
		if math.Abs(f.slope)*f.span()/float64(len(f.segments)) <= straight {
			break
		}
		slope += f.slope
	}
	return drift, sure, nil
}
