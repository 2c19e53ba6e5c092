package level

import (
	"math"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// kind is what one end of a loop's response may be. The formulas are those of
// analogue circuits; their zero is no filter.
type kind int

const (
	flatEnd     kind = iota
	firstOrder       // one pole: a coupling capacitor, a cable behind a resistance
	secondOrder      // two poles of any damping: a transformer, two stages
	gentleShelf      // first-order shelf
	steepShelf       // second-order shelf, as tone controls have it
)

// Bounds of what is fitted. Corners stay outside the middle, so that there is a
// passband to speak of: a shape that has none is not separated.
const (
	leastLow, mostLow   = 2.0, 350.0    // Hz, corners of the low end
	leastHigh, mostHigh = 1000.0, 100e3 // Hz, of the high end
	leastQ, mostQ       = 0.35, 1.5
	mostShelf           = 12.0 // dB
)

// end is one end of a response: a kind, a corner and, for second order, Q, for
// shelves the level beyond the corner in dB.
type end struct {
	kind  kind
	high  bool
	hz    float64
	extra float64
}

// params is how many numbers an end has.
func (e end) params() int {
	switch e.kind {
	case flatEnd:
		return 0
	case firstOrder:
		return 1
	}
	return 2
}

// power returns |H|² as a function of the frequency in Hz, 1 in the passband.
//
// Source: the low-pass and shelving prototypes of analogue filters, H = 1/(1+s),
// 1/(s²+s/Q+1), (1+s√P)/(1+s/√P), and A(As²+s√A/Q+1)/(s²+s√A/Q+A) with A⁴ = P and
// Q = 1/√2 (R. Bristow-Johnson, Audio EQ Cookbook), with 1/s for low ends; from
// memory.
func (e end) power() func(hz float64) float64 {
	var f func(u2 float64) float64
	switch e.kind {
	case firstOrder:
		f = func(u2 float64) float64 { return 1 / (1 + u2) }
	case secondOrder:
		damping := 1 / (e.extra * e.extra)
		f = func(u2 float64) float64 { return 1 / ((1-u2)*(1-u2) + u2*damping) }
	case gentleShelf:
		a := unit.ToAmplitude(e.extra)
		f = func(u2 float64) float64 { return (1 + u2*a) / (1 + u2/a) }
	case steepShelf:
		a := unit.ToAmplitude(e.extra / 2)
		f = func(u2 float64) float64 {
			return a * a * ((1-a*u2)*(1-a*u2) + 2*a*u2) / ((a-u2)*(a-u2) + 2*a*u2)
		}
	default:
		return func(float64) float64 { return 1 }
	}
	return func(hz float64) float64 {
		u := hz / e.hz
		if !e.high {
			u = 1 / u
		}
		return f(u * u)
	}
}

// numbers are an end's parameters as they are fitted: the corner's octave from 1
// kHz, the octaves of Q or the decibels of a shelf.
func (e end) numbers() []float64 {
	x := []float64{math.Log2(e.hz / 1000), e.extra}
	if e.kind == secondOrder {
		x[1] = math.Log2(e.extra)
	}
	return x[:e.params()]
}

// with is the end with other numbers, held within the bounds.
func (e end) with(x []float64) end {
	if len(x) > 0 {
		lo, hi := leastLow, mostLow
		if e.high {
			lo, hi = leastHigh, mostHigh
		}
		e.hz = min(max(1000*math.Exp2(x[0]), lo), hi)
	}
	if len(x) > 1 {
		if e.kind == secondOrder {
			e.extra = min(max(math.Exp2(x[1]), leastQ), mostQ)
		} else {
			e.extra = min(max(x[1], -mostShelf), mostShelf)
		}
	}
	return e
}

// inMiddle tells whether the corner wants to be where the passband should be.
func (e end) inMiddle() bool {
	return e.kind != flatEnd && (e.high && e.hz < 1.001*leastHigh || !e.high && e.hz > 0.999*mostLow)
}

// starts are where a search for an end begins.
func (k kind) starts(high bool) []end {
	if k == flatEnd {
		return []end{{high: high}}
	}
	corners, extras := []float64{15, 50, 150}, []float64{0.7}
	if high {
		corners = []float64{2000, 5000, 14000}
	}
	if k == gentleShelf || k == steepShelf {
		extras = []float64{-3, 3}
	}
	var out []end
	for _, hz := range corners {
		for _, x := range extras {
			out = append(out, end{k, high, hz, x})
		}
	}
	return out
}

// said says what an end that is not flat does.
func (e end) said() finding.Text {
	switch e.kind {
	case firstOrder:
		return finding.Say("shape.first-order", "treble", e.high, "at_hz", e.hz)
	case secondOrder:
		return finding.Say("shape.second-order", "treble", e.high, "at_hz", e.minus3())
	}
	return finding.Say("shape.shelf", "treble", e.high, "by_db", e.extra, "at_hz", e.hz)
}

// minus3 is the frequency at which a second-order end has lost 3.01 dB: where
// (1−u²)² + u²/Q² is 2.
func (e end) minus3() float64 {
	b := 1/(2*e.extra*e.extra) - 1
	u := math.Sqrt(-b + math.Sqrt(b*b+1))
	if e.high {
		return e.hz * u
	}
	return e.hz / u
}
