package studio

import (
	"math"
	"math/rand/v2"
	"sync"

	"evenhand/analyze/unit"
)

// Levels of the dry recording in dBFS; hum and hiss are rms (a full-scale
// sine: −3.01).
const (
	DryPeak unit.DBFS = -6.2
	DryHum  unit.DBFS = -75
	DryHiss unit.DBFS = -84
)

// Performance is the dry DI recording of a score at rate Hz with mains hum of
// 50 Hz: the strings with a sample peak of DryPeak, and the pickup's hum and
// hiss, which are all that is left in the pauses. The same seed gives the same
// samples, however many processors work on it.
//
// Source: D. A. Jaffe, J. O. Smith, Extensions of the Karplus-Strong
// plucked-string algorithm, Computer Music Journal 7(2), 1983 (from memory).
func Performance(rate int, seed uint64, score Score) ([]float64, error) {
	x, err := Strings(rate, seed, score)
	if err != nil {
		return nil, err
	}
	addPickupNoise(x, rate, seed)
	return x, nil
}

// Strings is Performance without the noise.
func Strings(rate int, seed uint64, score Score) ([]float64, error) {
	plucks, err := score.play(seed)
	if err != nil {
		return nil, err
	}
	frames := int(math.Round(score.Length * float64(rate)))
	var tracks [6][]float64
	var wg sync.WaitGroup
	for i := range tracks {
		wg.Go(func() {
			tracks[i] = make([]float64, frames)
			vibrate(tracks[i], rate, plucks[i], rand.New(rand.NewPCG(seed, streamStrings+uint64(i))))
		})
	}
	wg.Wait()
	x := tracks[0]
	for _, t := range tracks[1:] {
		for i, v := range t {
			x[i] += v
		}
	}
	// The winding and the cable: a resonant low pass. Below, the DI box.
	runAll(designAll([]Filter{
		{Shape: LowPass, Hz: 4200, Q: 1.3},
		{Shape: HighPass, Hz: 25, Q: 0.7},
	}, rate), x)
	var peak float64
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	if peak > 0 {
		g := unit.ToAmplitude(float64(DryPeak)) / peak
		for i := range x {
			x[i] *= g
		}
	}
	return x, nil
}

func addPickupNoise(x []float64, rate int, seed uint64) {
	newHum(rate, mainsHz, pickedUp()).add(x, unit.ToAmplitude(float64(DryHum)))
	newHiss(seed, streamPickup).add(x, unit.ToAmplitude(float64(DryHiss)))
}

// mainsHz is the mains frequency of the studio. It divides both rates.
const mainsHz = 50

// ring is the length of a string's delay line: a power of two that holds B1 up
// to a rate of 96 kHz.
const ring = 2048

// stringLoop is one string: a delay line whose output is damped and fed back.
// Two symmetric FIRs of three taps damp the treble, one with its taps apart
// samples apart: their delay is the same at all frequencies, so that they do
// not detune.
type stringLoop struct {
	line [ring]float64
	at   int
	v    [8]float64 // the line's output now and before, newest first
	w    [3]float64
}

const apart = 3

// loopDelay is what the two damping filters add.
const loopDelay = apart + 1

// next advances by a sample: delay is the line's in samples, g the gain at
// direct current, a and b the two filters' outer taps.
func (s *stringLoop) next(in, delay, g, a, b float64) float64 {
	i := int(delay)
	f := delay - float64(i)
	// Lagrange interpolation of third order between the middle two of four.
	p := s.at - i
	x0, x1 := s.line[(p+1)&(ring-1)], s.line[p&(ring-1)]
	x2, x3 := s.line[(p-1)&(ring-1)], s.line[(p-2)&(ring-1)]
	out := -f*(f-1)*(f-2)/6*x0 + (f+1)*(f-1)*(f-2)/2*x1 - (f+1)*f*(f-2)/2*x2 + (f+1)*f*(f-1)/6*x3
	copy(s.v[1:], s.v[:2*apart])
	s.v[0] = out
	copy(s.w[1:], s.w[:2])
	s.w[0] = (1-2*a)*s.v[apart] + a*(s.v[0]+s.v[2*apart])
	y := in + g*((1-2*b)*s.w[1]+b*(s.w[0]+s.w[2]))
	s.line[s.at&(ring-1)] = y
	s.at++
	return y
}

// tap reads the line n samples back.
func (s *stringLoop) tap(n int) float64 { return s.line[(s.at-1-n)&(ring-1)] }

// vibrate plays one string's notes into out.
func vibrate(out []float64, rate int, notes []note, rng *rand.Rand) {
	fs := float64(rate)
	var s stringLoop
	const control = 32 // samples between changes of pitch and damping
	for k, n := range notes {
		first := int(math.Round(n.start * fs))
		last := len(out)
		if k+1 < len(notes) {
			last = min(last, int(math.Round(notes[k+1].start*fs)))
		}
		last = min(last, int(n.end*fs)+rate) // a damped string is at rest after a second
		end := int(n.end * fs)

		excite := pluck(n, fs, rng)
		pickup := int(math.Round(0.075 * fs / n.hz))
		// Decay to −60 dB in seconds, and what 2 kHz loses beyond it in dB/s.
		t60, treble := 11*math.Pow(n.hz/61.7, -0.45), 22.0
		if n.mute {
			t60, treble = 0.42, 160
		}
		g := math.Pow(10, -3/(n.hz*t60))
		a := min(0.24, treble/8.686/n.hz/(2*(1-math.Cos(apart*2*math.Pi*2000/fs))))
		const b = 0.1
		damped := math.Pow(10, -3/(n.hz*0.1))

		delay := fs/n.hz - loopDelay
		slope := 0.0
		for i := first; i < last; i++ {
			if j := i - first; j%control == 0 {
				target := fs/(n.hz*math.Pow(2, n.cents(float64(j+control)/fs)/1200)) - loopDelay
				slope = (target - delay) / control
				if n.bend == 0 && n.vibrato == 0 {
					slope = 0
				}
			}
			var in float64
			if j := i - first; j < len(excite) {
				in = excite[j]
			}
			loss := g
			if i >= end {
				loss = damped
			}
			y := s.next(in, delay, loss, a, b)
			out[i] = y - 0.95*s.tap(pickup)
			delay += slope
		}
	}
}

// cents is how far the note is bent t seconds after the pluck.
func (n note) cents(t float64) float64 {
	c := 0.0
	if n.bend != 0 {
		u := min(1, max(0, (t-0.08)/0.27))
		c += n.bend * u * u * (3 - 2*u)
	}
	if n.vibrato != 0 {
		c += n.vibrato * min(1, t/0.4) * math.Sin(2*math.Pi*5.4*t)
	}
	return c
}

// pluck is what the plectrum feeds into the string: a rounded pulse with a
// little scrape, less the same from the other side of the plucking point.
func pluck(n note, fs float64, rng *rand.Rand) []float64 {
	width := int(0.00022 * fs)
	if n.mute {
		width = int(0.0005 * fs)
	}
	scrape := int(0.004 * fs)
	comb := int(math.Round(n.pick * fs / n.hz))
	x := make([]float64, max(width, scrape)+comb)
	put := func(i int, v float64) {
		x[i] += v
		x[i+comb] -= v
	}
	for i := range width {
		put(i, n.level*0.5*(1-math.Cos(2*math.Pi*(float64(i)+0.5)/float64(width))))
	}
	smooth := 0.0
	for i := range scrape {
		smooth += 0.5 * (rng.Float64()*2 - 1 - smooth)
		put(i, n.level*0.06*smooth*(1-float64(i)/float64(scrape)))
	}
	// The plectrum lets go of a string that it has drawn aside, so that the
	// overtones fall by 6 dB an octave.
	slow := 0.0
	for i, v := range x {
		slow += 2 * math.Pi * 80 / fs * (v - slow)
		x[i] = slow + 0.006*v
	}
	return x
}
