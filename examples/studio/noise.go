package studio

import (
	"math"
	"math/rand/v2"
)

// hiss is seeded white noise, close to normal: the sum of four uniform
// variables taken from one 64-bit draw. Rms 1.
type hiss struct{ pcg *rand.PCG }

// Streams of one seed, so that no two noises of a session are the same.
const (
	streamPlaying = iota + 1
	streamStrings = 16 // plus the string's number
	streamPickup  = 32
	streamCircuit = 33
	streamAmp     = 34
	streamLeft    = 35
	streamRight   = 36
	streamLoop    = 37
)

func newHiss(seed, stream uint64) hiss { return hiss{rand.NewPCG(seed, stream)} }

func (h hiss) next() float64 {
	u := h.pcg.Uint64()
	s := int64(u&0xffff) + int64(u>>16&0xffff) + int64(u>>32&0xffff) + int64(u>>48)
	const scale = 1 / 37837.22798 // 65536·√(4/12), the standard deviation of the sum
	return (float64(s) - 131070) * scale
}

// add adds noise of the given rms amplitude.
func (h hiss) add(x []float64, rms float64) {
	if rms == 0 {
		return
	}
	for i := range x {
		x[i] += rms * h.next()
	}
}

// hum is mains hum: one period of a sum of harmonics, rms 1.
type hum struct {
	period []float64
	at     int
}

// newHum makes hum at mains Hz, which must divide the rate: harmonics gives
// the amplitudes of the fundamental and its multiples.
func newHum(rate, mains int, harmonics []float64) *hum {
	h := &hum{period: make([]float64, rate/mains)}
	var power float64
	for _, a := range harmonics {
		power += a * a / 2
	}
	for k, a := range harmonics {
		for i := range h.period {
			// Phases a radian apart, so that the sum is no pulse.
			phase := 2*math.Pi*float64((k+1)*i)/float64(len(h.period)) + float64(k)
			h.period[i] += a / math.Sqrt(power) * math.Sin(phase)
		}
	}
	return h
}

func (h *hum) add(x []float64, rms float64) {
	for i := range x {
		x[i] += rms * h.period[h.at]
		if h.at++; h.at == len(h.period) {
			h.at = 0
		}
	}
}

// Harmonics of hum: picked up magnetically (odd ones), and from a supply's
// rectifier (even ones).
func pickedUp() []float64  { return []float64{1, 0.12, 0.55, 0.06, 0.3, 0.03, 0.16} }
func rectified() []float64 { return []float64{0.35, 1, 0.1, 0.5, 0.05, 0.24} }
