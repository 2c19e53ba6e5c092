package studio

import (
	"math"
	"math/rand/v2"
)

// Microphone is one microphone before the cabinet: what the speaker sounds
// like from there.
type Microphone struct {
	Name    string
	Delay   float64  // s, later than the microphone closest to the speaker
	Filters []Filter // speaker and microphone together
	Modes   []Mode
	Echoes  []Echo
	Reverb  float64 // level of the diffuse tail at its start; 0: none
}

// Mode is a resonance of the box or the cone that rings on.
type Mode struct{ Hz, Decay, Level float64 } // Decay: time constant in s; Level: gain at the resonance

// Echo is a reflection from the floor or a wall.
type Echo struct{ After, Level float64 } // s, factor

// ResponseLength is how long a cabinet response is, in s.
const ResponseLength = 0.040

// speaker is what all microphones share: the resonance of the cone in an open
// box near 98 Hz and the fall of 24 dB per octave above 5 kHz.
func speaker() []Filter {
	return []Filter{
		{HighPass, 92, 1.5, 0},
		{Peak, 420, 0.9, -3},
		{Peak, 2500, 1.4, 5},
		{LowPass, 5000, 0.54, 0}, // the two sections of a
		{LowPass, 5000, 1.31, 0}, // fourth-order Butterworth low pass
	}
}

func box() []Mode {
	return []Mode{{98, 0.009, 0.6}, {187, 0.006, 0.35}, {331, 0.004, 0.25}, {612, 0.003, 0.3}, {1130, 0.002, -0.3}, {1840, 0.0014, 0.35}}
}

func dynamicCapEdge() Microphone {
	return Microphone{
		Name:    "Dynamic, cap edge",
		Filters: append(speaker(), Filter{Peak, 4200, 1.6, 3}, Filter{LowShelf, 180, 0.7, 2}),
		Modes:   box(), Echoes: []Echo{{0.0021, 0.10}},
	}
}

func ribbonOffAxis() Microphone {
	return Microphone{
		Name: "Ribbon, 5 cm off axis", Delay: 7.0 / 48000,
		Filters: append(speaker(), Filter{HighShelf, 2200, 0.6, -7}, Filter{LowShelf, 260, 0.7, 4}),
		Modes:   box(), Echoes: []Echo{{0.0026, -0.13}, {0.0049, 0.05}},
	}
}

// positions are the microphone places of the microphone comparison.
func positions() []Microphone {
	return []Microphone{
		{Name: "Cap centre", Filters: append(speaker(), Filter{HighShelf, 2600, 0.7, 5}, Filter{LowShelf, 200, 0.7, 1}),
			Modes: box(), Echoes: []Echo{{0.0021, 0.08}}},
		{Name: "Cap edge", Delay: 0.00002, Filters: append(speaker(), Filter{LowShelf, 200, 0.7, 2}),
			Modes: box(), Echoes: []Echo{{0.0021, 0.09}}},
		{Name: "Cone, half way", Delay: 0.00005, Filters: append(speaker(), Filter{HighShelf, 2000, 0.6, -5}, Filter{LowShelf, 220, 0.7, 3}, Filter{Peak, 900, 1, 2}),
			Modes: box(), Echoes: []Echo{{0.0023, 0.12}}},
		{Name: "Room", Delay: 0.00437, Filters: append(speaker(), Filter{HighShelf, 3000, 0.6, -3}, Filter{LowShelf, 150, 0.7, -3}),
			Modes: box(), Echoes: []Echo{{0.0017, 0.55}, {0.0046, -0.32}, {0.0071, 0.4}, {0.0113, 0.25}}, Reverb: 0.05},
	}
}

// Cabinet is the impulse response from the amplifier's output to a
// microphone, ResponseLength long, at rate Hz; its magnitude near 400 Hz is
// within a few dB of 1.
func Cabinet(rate int, m Microphone) []float64 {
	fs := float64(rate)
	h := make([]float64, int(math.Round(ResponseLength*fs)))
	put := func(after, level float64) {
		// Band-limited, so that a delay between samples is exact.
		whole := math.Floor(after * fs)
		for i, v := range fractionalDelay(after*fs - whole) {
			if j := int(whole) + i - delayCentre; j >= 0 && j < len(h) {
				h[j] += level * v
			}
		}
	}
	if at := m.Delay * fs; math.Abs(at-math.Round(at)) < 1e-9 {
		h[int(math.Round(at))] = 1 // on a sample: no ringing before it
	} else {
		put(m.Delay, 1)
	}
	for _, e := range m.Echoes {
		put(m.Delay+e.After, e.Level)
	}
	start := int(math.Ceil(m.Delay * fs))
	if m.Reverb != 0 {
		rng := rand.New(rand.NewPCG(77, 1))
		for i := start + int(0.006*fs); i < len(h); i++ {
			h[i] += m.Reverb * (2*rng.Float64() - 1) * math.Exp(-float64(i-start)/(0.02*fs))
		}
	}
	for _, mode := range m.Modes {
		for i := start; i < len(h); i++ {
			t := float64(i-start) / fs
			h[i] += 2 * mode.Level / (fs * mode.Decay) * math.Sin(2*math.Pi*mode.Hz*t) * math.Exp(-t/mode.Decay)
		}
	}
	runAll(designAll(m.Filters, rate), h)
	fade := len(h) / 4
	for i := range fade {
		h[len(h)-1-i] *= 0.5 * (1 - math.Cos(math.Pi*(float64(i)+0.5)/float64(fade)))
	}
	return h
}
