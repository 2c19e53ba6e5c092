// Package circuits plays recordings through simple circuits that the studio has not, so
// that what is measured of the studio's circuits is not all that is known. Only tests
// import it.
package circuits

import (
	"math"
	"math/rand/v2"
	"slices"
)

// rate is the sample rate of what is played, in Hz.
const rate = 48000

// Circuit runs at the recording's own rate, 48 kHz: the harmonics that fold back are a
// disturbance more.
type Circuit struct{ drive func(x []float64) }

// All are the circuits by name. Their values are common practice, no source.
var All = map[string]Circuit{
	"crunch": {func(x []float64) { highPass(x, 100); shape(x, func(v float64) float64 { return math.Tanh(4 * v) }) }},
	"cascade": {func(x []float64) {
		highPass(x, 300)
		shape(x, func(v float64) float64 { return math.Tanh(30 * v) })
		lowPass(x, 3000)
		highPass(x, 80)
		shape(x, func(v float64) float64 { return max(-1, min(0.6, 8*v)) })
	}},
	"high gain": {func(x []float64) {
		highPass(x, 700)
		shape(x, func(v float64) float64 { return math.Tanh(200*v + 0.3) })
		highPass(x, 40)
		lowPass(x, 6000)
		shape(x, func(v float64) float64 { return math.Tanh(10*v - 0.2) })
		highPass(x, 60)
	}},
	"compressed": {func(x []float64) {
		level := 0.0
		for i, v := range x {
			by := 1 / (0.1 * rate)
			if math.Abs(v) > level {
				by = 1 / (0.005 * rate)
			}
			level += by * (math.Abs(v) - level)
			x[i] = math.Tanh(6*v*math.Pow(level/0.02+1, -0.75) + 0.2*level/(level+0.05))
		}
	}},
	"starved": {func(x []float64) {
		highPass(x, 60)
		shape(x, func(v float64) float64 {
			v *= 40
			return max(-1, min(1, 8*math.Copysign(max(0, math.Abs(v)-0.25), v)))
		})
	}},
	"octave": {func(x []float64) {
		highPass(x, 200)
		shape(x, func(v float64) float64 { return 30 * math.Abs(v) })
		highPass(x, 60)
		shape(x, func(v float64) float64 { return math.Tanh(3 * v) })
	}},
	"slow bias": {func(x []float64) {
		bias := 0.0
		for i, v := range x {
			bias += (math.Abs(v) - bias) * 2 * math.Pi * 1.5 / rate
			x[i] = math.Tanh(25*v + 20*bias)
		}
	}},
}

// Play returns dry, at 48 kHz and half of full scale, through the circuit and a cabinet,
// with hiss at −50 dB of the result, which the seed chooses.
func (g Circuit) Play(dry []float64, seed uint64) []float64 {
	peak := 0.0
	for _, v := range dry {
		peak = max(peak, math.Abs(v))
	}
	x := slices.Clone(dry)
	shape(x, func(v float64) float64 { return v * 0.5 / peak })
	g.drive(x)
	for range 2 {
		highPass(x, 90)
	}
	for range 4 {
		lowPass(x, 5500)
	}
	power := 0.0
	for _, v := range x {
		power += v * v / float64(len(x))
	}
	hiss := math.Sqrt(power) * math.Pow(10, -50.0/20)
	r := rand.New(rand.NewPCG(seed, 7))
	for i := range x {
		x[i] += hiss * r.NormFloat64()
	}
	return x
}

func shape(x []float64, curve func(float64) float64) {
	for i, v := range x {
		x[i] = curve(v)
	}
}

func lowPass(x []float64, hz float64) {
	a, y := 1-math.Exp(-2*math.Pi*hz/rate), 0.0
	for i, v := range x {
		y += a * (v - y)
		x[i] = y
	}
}

func highPass(x []float64, hz float64) {
	a, y := 1-math.Exp(-2*math.Pi*hz/rate), 0.0
	for i, v := range x {
		y += a * (v - y)
		x[i] = v - y
	}
}
