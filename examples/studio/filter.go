package studio

import "math"

// biquad is a second-order filter in transposed direct form II.
type biquad struct {
	b0, b1, b2, a1, a2 float64
	z1, z2             float64
}

// run filters x in place.
func (f *biquad) run(x []float64) {
	b0, b1, b2, a1, a2, z1, z2 := f.b0, f.b1, f.b2, f.a1, f.a2, f.z1, f.z2
	for i, v := range x {
		y := b0*v + z1
		z1 = b1*v - a1*y + z2
		z2 = b2*v - a2*y
		x[i] = y
	}
	f.z1, f.z2 = z1, z2
}

// Shape names the kind of a Filter.
type Shape string

// The kinds of filters that tone controls, amplifiers and cabinets are made of.
const (
	LowPass   Shape = "low pass"
	HighPass  Shape = "high pass"
	Peak      Shape = "peak"
	LowShelf  Shape = "low shelf"
	HighShelf Shape = "high shelf"
)

// Filter describes one second-order filter: its corner or centre in Hz, its
// quality factor and, for Peak and the shelves, its gain in dB.
//
// Source: R. Bristow-Johnson, Cookbook formulae for audio EQ biquad filter
// coefficients (from memory).
type Filter struct {
	Shape Shape
	Hz, Q float64
	DB    float64
}

func (f Filter) design(rate int) biquad {
	w := 2 * math.Pi * f.Hz / float64(rate)
	sin, cos := math.Sincos(w)
	alpha := sin / (2 * f.Q)
	g := math.Pow(10, f.DB/40)
	var b0, b1, b2, a0, a1, a2 float64
	switch f.Shape {
	case LowPass:
		b0, b1, b2 = (1-cos)/2, 1-cos, (1-cos)/2
		a0, a1, a2 = 1+alpha, -2*cos, 1-alpha
	case HighPass:
		b0, b1, b2 = (1+cos)/2, -1-cos, (1+cos)/2
		a0, a1, a2 = 1+alpha, -2*cos, 1-alpha
	case Peak:
		b0, b1, b2 = 1+alpha*g, -2*cos, 1-alpha*g
		a0, a1, a2 = 1+alpha/g, -2*cos, 1-alpha/g
	case LowShelf, HighShelf:
		s := cos // mirrored about half the rate for the high shelf
		if f.Shape == HighShelf {
			s = -cos
		}
		r := 2 * math.Sqrt(g) * alpha
		b0 = g * ((g + 1) - (g-1)*s + r)
		b1 = 2 * g * ((g - 1) - (g+1)*s)
		b2 = g * ((g + 1) - (g-1)*s - r)
		a0 = (g + 1) + (g-1)*s + r
		a1 = -2 * ((g - 1) + (g+1)*s)
		a2 = (g + 1) + (g-1)*s - r
		if f.Shape == HighShelf {
			b1, a1 = -b1, -a1
		}
	}
	return biquad{b0: b0 / a0, b1: b1 / a0, b2: b2 / a0, a1: a1 / a0, a2: a2 / a0}
}

func designAll(filters []Filter, rate int) []biquad {
	out := make([]biquad, len(filters))
	for i, f := range filters {
		out[i] = f.design(rate)
	}
	return out
}

func runAll(filters []biquad, x []float64) {
	for i := range filters {
		filters[i].run(x)
	}
}

// bessel0 is the modified Bessel function of the first kind and order zero, by
// its power series.
func bessel0(x float64) float64 {
	sum, term := 1.0, 1.0
	for k := 1.0; term > sum*1e-17; k++ {
		term *= (x / (2 * k)) * (x / (2 * k))
		sum += term
	}
	return sum
}

// kaiser is the Kaiser window at t in −1 … 1.
func kaiser(t, beta float64) float64 {
	if t*t >= 1 {
		return 0
	}
	return bessel0(beta*math.Sqrt(1-t*t)) / bessel0(beta)
}

func sinc(x float64) float64 {
	if x == 0 {
		return 1
	}
	return math.Sin(math.Pi*x) / (math.Pi * x)
}

// fractionalDelay is a windowed-sinc FIR that delays by half its length less
// one plus frac samples: delayCentre + frac, flat to about 0.4 of the rate.
func fractionalDelay(frac float64) []float64 {
	h := make([]float64, 2*delayCentre+2)
	var sum float64
	for i := range h {
		t := float64(i) - delayCentre - frac
		h[i] = sinc(t) * kaiser(t/(delayCentre+1.5), 9)
		sum += h[i]
	}
	for i := range h {
		h[i] /= sum
	}
	return h
}

const delayCentre = 31

// convolve is the full linear convolution of two short sequences.
func convolve(a, b []float64) []float64 {
	out := make([]float64, len(a)+len(b)-1)
	for i, x := range a {
		for j, y := range b {
			out[i+j] += x * y
		}
	}
	return out
}
