package resample

import (
	"math"

	"evenhand/analyze/internal/dsp"
)

// kernel is a windowed sinc over time in input frames.
type kernel struct {
	cutoff    float64 // 2·fc/inputRate: the sinc's bandwidth and its gain
	beta      float64
	i0beta    float64
	halfWidth float64 // in input frames
}

// design lays the filter's −6 dB point in the middle of the transition.
//
// Source: Kaiser 1974 (from memory): beta = 0.1102(A − 8.7) for A > 50 dB, and
// a length of (A − 7.95)/(2.285·Δω) samples for a transition of Δω radians per
// sample.
func design(from, to int) kernel {
	low := float64(min(from, to)) / float64(from)
	transition := 2 * math.Pi * (stopEdge - passEdge) * low
	k := kernel{
		cutoff:    (passEdge + stopEdge) * low,
		beta:      0.1102 * (Attenuation - 8.7),
		halfWidth: (Attenuation - 7.95) / (2.285 * transition) / 2,
	}
	k.i0beta = dsp.BesselI0(k.beta)
	return k
}

// at returns the kernel at time t.
func (k kernel) at(t float64) float64 {
	u := t / k.halfWidth
	if u <= -1 || u >= 1 {
		return 0
	}
	x := math.Pi * k.cutoff * t
	sinc := 1.0
	if math.Abs(x) > 1e-9 {
		sinc = math.Sin(x) / x
	}
	return k.cutoff * sinc * dsp.BesselI0(k.beta*math.Sqrt(1-u*u)) / k.i0beta
}

// phase fills dst, of length 2·half, with the weights of the input frames
// base−half+1 to base+half for the time base+fraction.
func (k kernel) phase(dst []float64, half int, fraction float64) {
	for i := range dst {
		dst[i] = k.at(float64(i-half+1) - fraction)
	}
}
