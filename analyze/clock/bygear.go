package clock

import (
	"math"
	"slices"

	"evenhand/analyze/unit"
)

const (
	passages   = 20  // s below which a step may be that from one passage to the next
	gearSigmas = 6   // standard errors that a slip must exceed
	gearSlips  = 4   // that are looked for
	straighter = 2   // times that the sums are gathered anew along a better line
	takenBack  = 0.3 // of a slip, that may be left of it
)

// byGear fits gear to b, and with it finds the drift, slips that are too small to
// show in windows, the sizes of others, and those that are none: a part in which
// a circuit that distorts turns the phase of everything can pass for a slip until
// that circuit is fitted. It returns the slips and the smallest that would have
// been found, and sets out.Drift where it knows it better.
func (t *tracker) byGear(out *Slips, slips []Slip, slope, smallest float64) ([]Slip, float64, error) {
	slips, missed, err := t.weighed(slips, slope)
	if err != nil {
		return slips, smallest, err
	}
	smallest = max(smallest, missed)
	var f *driftFit
	for range gearSlips {
		if f, slope, err = t.straightened(slips, slope); err != nil || f == nil {
			return slips, smallest, err
		}
		if f.span() < passages {
			break
		}
		s, within, need, err := t.nextSlip(f, slips, slope)
		if err != nil {
			return slips, smallest, err
		}
		if s.Lag == 0 {
			if need < smallest {
				t.from, t.to = f.inner()
			}
			smallest = max(missed, min(smallest, need))
			break
		}
		slips = t.amend(slips, s, within)
	}
	if f.low < leastTold {
		return slips, smallest, nil
	}
	drift, sure := slope+f.slope, f.slopeError()
	if own := float64(t.e.Drift); !math.IsNaN(own) {
		drift += own * 1e-6 * float64(t.rate)
	}
	ppm := 1e6 / float64(t.rate)
	if !(float64(out.DriftError) <= sure*ppm) {
		out.Drift, out.DriftError = unit.PPM(drift*ppm), unit.PPM(sure*ppm)
	}
	return slips, smallest, nil
}

// fit fits gear along the line with slips, slope frames a second steeper, that
// steps at a time, by about step frames; nil where too little sounds. Where
// little is foretold its field low is below leastTold.
func (t *tracker) fit(slips []Slip, slope, at, step float64) (*driftFit, error) {
	f, err := newDriftFit(t.a, t.b, func(s float64) float64 { return t.lag(s, slips) + slope*s }, at)
	if err != nil || len(f.segments) < minSegments {
		return nil, err
	}
	if t.p.Processed {
		f.moves = undoing
	}
	f.step = step
	f.follow()
	return f, nil
}

// inner returns the times in seconds between which a step has a segment on each
// side.
func (f *driftFit) inner() (from, to float64) {
	n := len(f.segments)
	return (f.segments[0].time + f.segments[1].time) / 2, (f.segments[n-2].time + f.segments[n-1].time) / 2
}

// straightened fits gear until the line within a segment is straight, and
// returns the slope at which it is.
func (t *tracker) straightened(slips []Slip, slope float64) (f *driftFit, _ float64, err error) {
	for range straighter + 1 {
		if f, err = t.fit(slips, slope, math.Inf(1), 0); err != nil || f == nil {
			return nil, slope, err
		}
		if f.low < leastTold || math.Abs(f.slope)*f.span()/float64(len(f.segments)) <= straight {
			break
		}
		slope += f.slope
		f.slope = 0
	}
	return f, slope, nil
}

// weighed returns the slips with the sizes that gear gives them, without those
// that it contradicts, of which missed is the largest.
func (t *tracker) weighed(slips []Slip, slope float64) (held []Slip, missed float64, _ error) {
	slips = slices.Clone(slips)
	for i := 0; i < len(slips); {
		s := &slips[i]
		size, sure, err := t.weigh(slips, i, slope)
		switch {
		case err != nil:
			return slips, 0, err
		case math.IsNaN(size):
		case math.Abs(size) < math.Abs(size-float64(s.Lag)):
			missed = max(missed, math.Abs(float64(s.Lag)))
			slips = slices.Delete(slips, i, i+1)
			continue
		case sure < math.Inf(1):
			s.Lag, s.Error = unit.Samples(size), unit.Samples(sure)
		}
		i++
	}
	// One passage of which the delay differs makes a slip that the next takes back.
	for i := 1; i < len(slips); i++ {
		a, b := float64(slips[i-1].Lag), float64(slips[i].Lag)
		if math.Abs(a) <= followed*float64(t.rate) && math.Abs(a+b) <= takenBack*math.Abs(a) {
			missed = max(missed, math.Abs(a), math.Abs(b))
			slips = slices.Delete(slips, i-1, i+1)
			i--
		}
	}
	return slips, missed, nil
}

// weigh returns the size that gear gives the i-th slip, and one standard error:
// sought from the slip's own size, and from nothing where the lowest bands can
// follow it, whichever foretells more. NaN where nothing is foretold.
func (t *tracker) weigh(slips []Slip, i int, slope float64) (size, sure float64, _ error) {
	s := slips[i]
	size, most := math.NaN(), -1.0
	try := func(slips []Slip, from float64) error {
		f, err := t.fit(slips, slope, float64(s.At), 0)
		if err == nil && f != nil && f.low >= leastTold && f.told > most {
			size, sure, most = from+f.step, f.stepError(), f.told
		}
		return err
	}
	if err := try(slips, float64(s.Lag)); err != nil {
		return size, sure, err
	}
	if math.Abs(float64(s.Lag)) > followed*float64(t.rate) {
		return size, sure, nil
	}
	err := try(slices.Delete(slices.Clone(slips), i, i+1), 0)
	return size, sure, err
}

// nextSlip returns a slip that the gear along the line makes certain, of 0 frames
// for none, within how many seconds it lies, and how large one must be to be found
// in 39 of 40 cases.
func (t *tracker) nextSlip(f *driftFit, slips []Slip, slope float64) (s Slip, within, need float64, err error) {
	at, start, step := f.likeliestStep()
	g := f.stepping(at)
	g.regress()
	if sure := g.stepError(); f.even && start == 0 && math.Abs(step) < smallStep && math.Abs(g.step) < gearSigmas/3*sure {
		return s, 0, max(float64(t.p.Least), (gearSigmas+2)*sure), nil
	}
	g, err = t.fit(slips, slope, at, start)
	if err != nil || g == nil || g.low < leastTold {
		return s, 0, math.Inf(1), err
	}
	need = max(float64(t.p.Least), (gearSigmas+2)*g.stepError())
	if !f.even {
		need = math.Inf(1)
	}
	if math.Abs(g.step) < gearSigmas*g.stepError() || g.told <= f.told || g.low < f.low+leastGain {
		return s, 0, need, nil
	}
	within = g.span() / float64(len(g.segments))
	for by := within / 2; by > leastWithin; by /= 2 {
		for _, x := range []float64{at - by, at + by} {
			other, err := t.fit(slips, slope, x, g.step)
			if err != nil {
				return s, 0, need, err
			}
			if other != nil && other.told > g.told {
				g, at = other, x
			}
		}
	}
	if start != 0 && g.low < f.low+jumpGain {
		return s, 0, math.Inf(1), nil
	}
	return Slip{At: unit.Seconds(at), Lag: unit.Samples(g.step), Error: unit.Samples(g.stepError())}, within, need, nil
}

const (
	leastWithin = 0.2  // s: how finely the place of a slip is sought
	smallStep   = 2    // frames, by the lowest bands, that are looked at no further where the others say less
	leastGain   = 0.01 // of the share foretold by the lowest bands, that a step must bring
	jumpGain    = 0.1  // and one of some milliseconds
)
