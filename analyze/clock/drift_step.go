package clock

import (
	"math"
	"math/cmplx"
	"slices"
)

// likeliestStep returns the time between two segments and the step there that
// make the lowest bands foretold best. start is where the search for the step
// began: 0, or the delay between gear fitted to what is before and gear fitted
// to what is behind, which tells steps of which the lowest bands lose sight.
func (f *driftFit) likeliestStep() (at, start, step float64) {
	most := -1.0
	before := make([]sums, len(f.total))
	for i := 1; i < len(f.segments); i++ {
		for n := range before {
			before[n].add(&f.segments[i-1].bands[n])
		}
		starts := []float64{0}
		if jump := f.jump(before); math.Abs(jump) > scanStep*float64(f.bank.rate)/lowest {
			starts = append(starts, jump)
		}
		for _, from := range starts {
			g := f.stepping((f.segments[i-1].time + f.segments[i].time) / 2)
			g.step = from
			g.climb(lowest, 2*lowest)
			if g.told > most {
				most, at, start, step = g.told, g.at, from, g.step
			}
		}
	}
	return at, start, step
}

// stepping returns a copy, with lags of its own, that may step at a time.
func (f *driftFit) stepping(at float64) *driftFit {
	g := *f
	g.segments, g.at = slices.Clone(f.segments), at
	return &g
}

// jump returns by how many frames gear fitted to what is behind delays more than
// gear fitted to the sums of what is before.
func (f *driftFit) jump(before []sums) float64 {
	var cross []complex128
	for n, total := range f.total {
		if f.bank.middle(n)*float64(f.bank.rate) > 2*math.Pi*4*lowest {
			break
		}
		a, b := before[n], total
		b.take(&a)
		la, lb := factorise(&a.xx), factorise(&b.xx)
		ha, hb := la.solve(a.xy), lb.solve(b.xy)
		through := total
		through.xy = total.through(hb)
		ab, aa := through.predicted(ha)
		_, bb := total.predicted(hb)
		if aa > 0 && bb > 0 {
			ab /= complex(math.Sqrt(aa*bb), 0)
		}
		cross = append(cross, ab)
	}
	best, most := 0.0, math.Inf(-1)
	reach, by := jumps*float64(f.bank.rate), float64(f.bank.rate)/(48*lowest)
	for x := -reach; x <= reach; x += by {
		sum := 0.0
		for n, v := range cross {
			sum += real(v * cmplx.Rect(1, f.bank.middle(n)*x))
		}
		if sum > most {
			best, most = x, sum
		}
	}
	return best
}

// stepError is one standard error of the step. What the fit leaves of the gear's
// delay counts for more on a side that is short.
func (f *driftFit) stepError() float64 {
	side := f.sides()
	f.flatten(side)
	sum, dd := 0.0, 0.0
	for i, s := range f.segments {
		r := s.weight * side[i] * (s.lag - f.beyond(s.time))
		sum += r * r
		dd += s.weight * side[i] * side[i]
	}
	n := float64(len(side))
	first, last := f.segments[0].time, f.segments[len(side)-1].time
	short := max(segmentTime/2, min(f.at-first, last-f.at))
	return math.Hypot(math.Sqrt(sum*n/(n-3))/dd, f.left()*math.Sqrt(max(1, f.span()/2/short)))
}

// sides returns 0 for each segment before the step and 1 behind it.
func (f *driftFit) sides() []float64 {
	side := make([]float64, len(f.segments))
	for i, s := range f.segments {
		if s.time > f.at {
			side[i] = 1
		}
	}
	return side
}
