package studio

import (
	"math"

	"evenhand/analyze/unit"
)

// Curve names the kind of a circuit's nonlinearity.
type Curve string

// The four circuits' curves.
const (
	Leaning   Curve = "asymmetric soft clip"
	Splitting Curve = "hard clip with a crossover gap"
	Folding   Curve = "rectified for the octave, then clipped"
	Sagging   Curve = "two soft stages, the second one's bias sagging with level"
)

// Circuit is an invented fuzz circuit.
type Circuit struct {
	Name  string
	Input []Filter // before the gain
	Drive unit.DB  // gain into the curve
	Curve Curve
	Tone  []Filter // after it
	Hiss  unit.DBFS
	Hum   unit.DBFS // both rms at the output, before Level; hiss passes through Tone
	Level unit.DB
}

// Circuits returns the four circuits of the demo scenario, in its order.
func Circuits() []Circuit {
	return []Circuit{
		{
			Name: "Leaning", Drive: 27, Curve: Leaning,
			Input: []Filter{{HighPass, 45, 0.7, 0}, {LowPass, 6500, 0.7, 0}},
			Tone:  []Filter{{HighPass, 50, 0.7, 0}, {LowShelf, 220, 0.7, 3}, {LowPass, 3000, 0.8, 0}},
			Hiss:  -66, Hum: -70, Level: -6,
		},
		{
			Name: "Splitting", Drive: 33, Curve: Splitting,
			Input: []Filter{{HighPass, 110, 0.7, 0}, {LowPass, 7500, 0.7, 0}},
			Tone:  []Filter{{HighPass, 70, 0.7, 0}, {Peak, 750, 0.9, -6}, {HighShelf, 2400, 0.7, 2}},
			Hiss:  -58, Hum: -74, Level: -8,
		},
		{
			Name: "Folding", Drive: 24, Curve: Folding,
			Input: []Filter{{HighPass, 160, 0.7, 0}, {LowPass, 6000, 0.7, 0}},
			Tone:  []Filter{{HighPass, 130, 0.8, 0}, {Peak, 1900, 1.1, 5}, {LowPass, 6000, 0.7, 0}},
			Hiss:  -70, Hum: -62, Level: -5,
		},
		{
			Name: "Sagging", Drive: 19, Curve: Sagging,
			Input: []Filter{{HighPass, 35, 0.7, 0}, {LowPass, 5000, 0.7, 0}},
			Tone:  []Filter{{HighPass, 40, 0.7, 0}, {LowShelf, 160, 0.7, 4}, {LowPass, 1500, 0.75, 0}},
			Hiss:  -72, Hum: -66, Level: -6,
		},
	}
}

// soft is a saturating curve of slope 1 at zero that tends to ±1. It uses no
// function whose last bit could depend on the machine.
func soft(x float64) float64 { return x / math.Sqrt(1+x*x) }

const (
	lean = 0.45 // bias of Leaning
	gap  = 0.05 // half width of Splitting's crossover gap
)

func leaning(x float64) float64 { return soft(x+lean) - lean/math.Sqrt(1+lean*lean) }

func splitting(x float64) float64 {
	q := x * x
	x *= (q + 0.15*gap*gap) / (q + gap*gap)
	q = x * x
	return x / math.Sqrt(math.Sqrt(1+q*q)) // a harder corner than soft's
}

func folding(x float64) float64 {
	const round = 0.15
	return soft(0.85*(math.Sqrt(x*x+round*round)-round) + 0.4*x)
}

// shaper returns the curve as a function on blocks at rate Hz, with memory of
// its own where the curve has one.
func (c Curve) shaper(rate int, drive float64) func([]float64) {
	switch c {
	case Leaning:
		return func(x []float64) {
			for i, v := range x {
				x[i] = leaning(drive * v)
			}
		}
	case Splitting:
		return func(x []float64) {
			for i, v := range x {
				x[i] = splitting(drive * v)
			}
		}
	case Folding:
		return func(x []float64) {
			for i, v := range x {
				x[i] = folding(drive * v)
			}
		}
	case Sagging:
		// The supply gives way in 15 ms and recovers in 180 ms.
		fall, rise := 1/(0.015*float64(rate)), 1/(0.180*float64(rate))
		sag := 0.0
		return func(x []float64) {
			for i, v := range x {
				v = soft(drive * v)
				if d := math.Abs(v) - sag; d > 0 {
					sag += fall * d
				} else {
					sag += rise * d
				}
				x[i] = soft(2.6 * (v - 0.45*sag))
			}
		}
	}
	return func([]float64) {}
}
