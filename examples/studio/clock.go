package studio

import "math"

// Slowed returns x, of the same length, on a clock that runs ppm millionths
// slower, by a windowed sinc of 32 taps: the end comes later by so much.
func Slowed(x []float64, ppm float64) []float64 {
	const half = 16
	out := make([]float64, len(x))
	for i := range out {
		p := float64(i) * (1 - ppm*1e-6)
		base := int(math.Floor(p))
		for k := max(0, base-half+1); k <= min(len(x)-1, base+half); k++ {
			d := p - float64(k)
			out[i] += x[k] * sinc(d) * (0.5 + 0.5*math.Cos(math.Pi*d/half))
		}
	}
	return out
}
