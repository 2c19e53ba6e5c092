// Package drive measures how much of a take is new frequencies: what a device adds to
// the dry recording that was sent through it, apart from slow gain changes, from anything a
// filter does and from noise.
//
// The coherence γ² of take and dry recording says how much of the take's power a filter
// explains; 1 − γ² counts compression as well. So each frame of 50 ms of the dry recording
// is first given the gain that package touch found for it. What then remains unexplained,
// less the noise of the pauses, K-weighted, in per cent of the take, is the drive: 0 is
// clean. Without the gains the same figure is of all that is not linear.
//
// Gain that changes within a frame counts, unless package compressor finds a compressor: the
// dry recording then has the gain of its model too, in steps of 0.5 ms. Built compressors that
// read 0.2 to 2.6 % without that read 0.03 to 0.16 % with it, and a curve before or behind one
// what it reads alone, within 25 % or 0.1; above a threshold far below all playing 0.25 more.
// Left out with it are the harmonics that a fast gain makes of low notes: of a sine of 62 Hz,
// 12 dB above the threshold of 10:1, 2.8 % (0.08 % of the power) with an attack of 1 ms and a
// release of 30 ms, 0.5 % with 5 and 80 ms. Of a soft curve, which lowers the gain of what is
// loud, the gains of frames explain a part: 1.7 % are left of 2.1, 0.5 of 0.9.
//
// Welch's method: periodic Hann windows of Length frames, half overlap. The figure is
// corrected for the number of independent windows.
//
// The two recordings must be aligned to some 50 frames, and their clocks to 0.1 ppm: 2 ppm
// read as 3 %. Chorus, phaser and vibrato count as drive, and so does what comes late in a
// window or after it of an echo or a reverberation. Moves and Trails find them where the
// drive is at least 1 % and distortion does not cover them; Moves if they take at most 4 s
// for a turn (of those of 10 s, about half) and notes go on for half a second.
//
// Memory: one block of two takes.
//
// Source: P. D. Welch, IEEE Trans. AU-15(2), 1967; G. C. Carter, C. H. Knapp, A. H.
// Nuttall, IEEE Trans. AU-21(4), 1973 (both from memory).
package drive

import (
	"fmt"
	"math"

	"evenhand/analyze/align"
	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/loudness"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/touch"
	"evenhand/analyze/unit"
)

const (
	from, to = 20, 20000 // Hz: what counts
	// overNoise is how far a third octave of the dry recording is above its own noise,
	// as power, for the drive in it to be known.
	overNoise = 10
	// leastWindows is how many independent windows there must be in each half of the
	// music.
	leastWindows = 16
	// leastMoving is the drive in per cent from which gear can be seen to change with time
	// or to have a tail: turning what part of the drive then turns its phase, trailing what
	// part comes late. Of distortion they are 0.02 to 0.20 and up to 0.13; of a chorus, a
	// flanger, a phaser and a vibrato that take 4 s and less for a turn 0.31 to 1.6, but 0.19
	// in one of 54 cases, a weak chorus; of an echo and a reverberation 0.38 to 4, as they
	// were tried.
	leastMoving, turning, trailing = 1, 0.25, 0.25
	// pauseSeconds is how much of the pauses is read at most.
	pauseSeconds = 20
)

// Length returns the length of a window at a sample rate: the power of two from 0.3 s,
// which is 16,384 at 48 kHz. Half of that reads a cabinet's resonances as 0.1 to 0.2 %.
func Length(rate int) int { return dsp.NextPow2(int(0.3 * float64(rate))) }

// Signal is a recording whose frame n + Offset is frame n of the timeline.
type Signal struct {
	align.Source
	Offset int64
}

// Result is what a device adds.
type Result struct {
	Reason finding.Text // why nothing was measured
	// Drive is the part of the take's power that is new frequencies, in per cent; Low
	// and High are those of the two halves of the music, the lower one first.
	Drive, Low, High unit.Number
	// NotLinear is the part that no filter explains, in per cent: gain changes too.
	NotLinear unit.Number
	// Third is the drive in each third octave, in per cent of the power in it,
	// unweighted; NaN where the dry recording is less than 10 dB above its own noise, or
	// the take is mostly noise.
	Third []unit.Number
}

// Moves reports whether what touch and drive found of a take shows gear that changes with
// time, as a chorus does: of what no filter explains, much turns its phase. A tail does so
// too. Strong distortion covers it, and below 1 % of drive it is not looked for.
func Moves(t touch.Result, d Result) bool {
	return d.Drive >= leastMoving && max(t.Turns, t.Drifts) >= turning*d.Drive/100 && !Trails(t, d)
}

// Trails reports whether what touch and drive found of a take shows gear that has a tail, as
// an echo has: of what no filter explains, much comes late. Strong distortion covers it, and
// below 1 % of drive it is not looked for.
func Trails(t touch.Result, d Result) bool {
	return d.Drive >= leastMoving && t.Tail >= trailing*d.Drive/100
}

// sums are spectra added up.
type sums struct {
	xx, yy []float64
	xy     []complex128
	n      int
}

func newSums(bins int) sums {
	return sums{make([]float64, bins), make([]float64, bins), make([]complex128, bins), 0}
}

// meter adds up windows.
type meter struct {
	n      int
	fft    *dsp.Complex
	taper  []float64
	a, b   []float64
	ca, cb []complex128
}

// add adds the windows of two stretches.
func (m *meter) add(s *sums, x, y []float64) {
	for at := 0; at+m.n <= len(x); at += m.n / 2 {
		for k, w := range m.taper {
			m.a[k], m.b[k] = w*x[at+k], w*y[at+k]
		}
		m.fft.Pair(m.ca, m.cb, m.a, m.b)
		for k, v := range m.ca {
			u := m.cb[k]
			s.xx[k] += real(v)*real(v) + imag(v)*imag(v)
			s.yy[k] += real(u)*real(u) + imag(u)*imag(u)
			s.xy[k] += complex(real(v), -imag(v)) * u
		}
		s.n++
	}
}

// Gains are gains in dB of stretches of each block, each so many seconds long.
type Gains struct {
	Seconds float64
	Blocks  [][]float64
}

// Measure compares a take with the dry recording over blocks of the timeline, to which all
// of the gains are given first: those of touch.Measure, or those of compressor.Measure. bands
// are those of Result.Third.
//
// Not measured: without pauses, which tell the noise; fewer than 16 independent windows
// in a half of the music; a take that is not louder than its noise. Errors are those of the
// sources.
func Measure(dry, take Signal, blocks, pauses []touch.Stretch, gains []Gains, bands []spectrum.Band) (Result, error) {
	rate := dry.Rate()
	if take.Rate() != rate {
		return Result{}, fmt.Errorf("drive: %w: %d Hz and %d Hz; convert one of the recordings first", align.ErrRates, rate, take.Rate())
	}
	for _, g := range gains {
		if len(g.Blocks) != len(blocks) {
			return Result{}, fmt.Errorf("drive: gains of %d blocks for %d blocks", len(g.Blocks), len(blocks))
		}
	}
	n := Length(rate)
	bins := n/2 + 1
	m := &meter{n, dsp.NewComplex(n), dsp.Hann(n), make([]float64, n), make([]float64, n), make([]complex128, bins), make([]complex128, bins)}
	quiet := newSums(bins)
	left := int64(pauseSeconds * rate)
	for _, p := range pauses {
		frames := min(p.Frames, left)
		left -= frames
		x, y, err := both(dry, take, touch.Stretch{First: p.First, Frames: frames})
		if err != nil {
			return Result{}, err
		}
		m.add(&quiet, x, y)
	}
	if quiet.n == 0 {
		return Result{Reason: finding.Say("drive.no-pause")}, nil
	}
	free, plain := [2]sums{newSums(bins), newSums(bins)}, newSums(bins)
	for i, b := range blocks {
		x, y, err := both(dry, take, b)
		if err != nil {
			return Result{}, err
		}
		m.add(&plain, x, y)
		for _, g := range gains {
			give(x, g.Blocks[i], g.Seconds*float64(rate))
		}
		m.add(&free[i%2], x, y)
	}
	if k := min(free[0].n, free[1].n); spectrum.EffectiveAverages(k) < leastWindows {
		return Result{Reason: finding.Say("drive.short", "windows", k, "window_s", float64(n)/float64(rate), "least", leastWindows+1)}, nil
	}
	j := &judge{quiet: quiet, rate: rate, length: n, k: make([]float64, bins)}
	for k := range j.k {
		j.k[k] = loudness.KPower(math.Min(24000, float64(k)*float64(rate)/float64(n)))
	}
	lo, hi := j.bins(from, to)
	all := newSums(bins)
	all.add(free[0])
	all.add(free[1])
	r := Result{Drive: j.part(all, lo, hi, j.k), NotLinear: j.part(plain, lo, hi, j.k)}
	// The gains of gear that has none are their error.
	r.Drive = min(r.Drive, r.NotLinear)
	if math.IsNaN(float64(r.Drive)) {
		return Result{Reason: finding.Say("drive.noise")}, nil
	}
	a, b := j.part(free[0], lo, hi, j.k), j.part(free[1], lo, hi, j.k)
	r.Low, r.High = min(a, b, r.Drive), max(min(a, r.NotLinear), min(b, r.NotLinear), r.Drive)
	for _, band := range bands {
		lo, hi := j.bins(float64(band.Low), float64(band.High))
		var own, noise float64
		for k := lo; k < hi; k++ {
			own, noise = own+plain.xx[k]/float64(plain.n), noise+quiet.xx[k]/float64(quiet.n)
		}
		v := unit.Number(math.NaN())
		if own > overNoise*noise {
			v = j.part(all, lo, hi, nil)
		}
		r.Third = append(r.Third, v)
	}
	return r, nil
}

func (s *sums) add(t sums) {
	for k := range s.xx {
		s.xx[k] += t.xx[k]
		s.yy[k] += t.yy[k]
		s.xy[k] += t.xy[k]
	}
	s.n += t.n
}

// both reads a stretch of both recordings.
func both(dry, take Signal, b touch.Stretch) (x, y []float64, err error) {
	x, y = make([]float64, b.Frames), make([]float64, b.Frames)
	if _, err = dry.ReadAt(x, b.First+dry.Offset); err == nil {
		_, err = take.ReadAt(y, b.First+take.Offset)
	}
	return x, y, err // the source names the file and the place
}

// give gives a block the gains of its stretches of so many samples, straight lines in dB
// between their middles.
func give(x []float64, gains []float64, frame float64) {
	if len(gains) == 0 {
		return
	}
	step := max(1, min(32, int(frame/3))) // samples that share a gain's slope
	at := func(i int) float64 {
		u := math.Max(0, math.Min(float64(len(gains)-1), float64(i)/frame-0.5))
		k := min(int(u), len(gains)-2)
		if k < 0 {
			return gains[0]
		}
		return gains[k] + (u-float64(k))*(gains[k+1]-gains[k])
	}
	for i := 0; i < len(x); i += step {
		g := unit.ToAmplitude(at(i))
		next := unit.ToAmplitude(at(i + step))
		for k := i; k < min(i+step, len(x)); k++ {
			x[k] *= g + (next-g)*float64(k-i)/float64(step)
		}
	}
}

// judge turns sums into parts.
type judge struct {
	quiet        sums
	rate, length int
	k            []float64
}

func (j *judge) bins(low, high float64) (from, to int) {
	at := func(f float64) int {
		return min(j.length/2+1, int(math.Ceil(f*float64(j.length)/float64(j.rate))))
	}
	return at(low), at(high)
}

// part is the part of y's power in some bins that x does not explain, less the noise, in
// per cent; NaN where at least half of it is noise.
func (j *judge) part(s sums, lo, hi int, weight []float64) unit.Number {
	// Of as many windows as are independent, a filter explains one by chance.
	n := spectrum.EffectiveAverages(s.n)
	chance := n / (n - 1)
	var left, whole, noise float64
	for k := lo; k < hi; k++ {
		g := 1.0
		if weight != nil {
			g = weight[k]
		}
		quiet := j.quiet.yy[k] / float64(j.quiet.n) * float64(s.n)
		unexplained := s.yy[k]
		if s.xx[k] > 0 {
			c := real(s.xy[k])*real(s.xy[k]) + imag(s.xy[k])*imag(s.xy[k])
			unexplained = math.Max(0, s.yy[k]-c/s.xx[k]) * chance
		}
		left += g * (math.Min(unexplained, s.yy[k]) - quiet)
		whole += g * s.yy[k]
		noise += g * quiet
	}
	if !(whole > 2*noise) {
		return unit.Number(math.NaN())
	}
	return unit.Number(100 * math.Max(0, left) / (whole - noise))
}
