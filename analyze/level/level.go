// Package level compares a loopback, the reamp output recorded back through the
// DI box, with the dry recording that was played into it: how much hotter or
// quieter it returns, over all and per octave, how even its response is, what
// noise the loop adds, and what to turn.
//
// Levels come from the part of the loopback that is coherent with the dry
// recording, so that hum and hiss in the loop do not count as level: with the
// averaged spectra Sxx, Syy and Sxy of dry, loopback and both, that part has
// the power |Sxy|²/Sxx. A band counts as measured where at least half of the
// loopback's power in it is of that kind and the dry recording has something
// there that is more than rounding.
//
// What is the level of a loop that loses lows or treble? Not that of the whole
// band, which depends on how much of the guitar lies at the ends, and not that of
// any fixed bands, since a one-pole loss at 3 kHz takes 0.4 dB at 1 kHz. It is
// here the gain of the passband: what the loop would do everywhere without the
// loss. It is told apart from the loss by fitting, to the sixth octaves that are
// measured well, a gain with at each end nothing, a loss of first or second order
// or a shelf, as circuits have them (shape.go); from 20 Hz to 20 kHz, and where
// nothing fits so far out, in narrower ranges around the middle. Where the best of these misses
// the bands by no more than their errors, its gain is the level; the error that is
// stated covers the other shapes by how well they do. Where none fits, as with a
// bump in the middle, nothing can be told apart: then the level is the mean of the
// octaves of 250 Hz to 1 kHz, and the error is by how much the bands there differ.
// Two shelves are not fitted at once, since what lies between them is a bump.
//
// Measured (TestShapes): guitar, bursts of noise, bright and dark material, clean
// or with hiss of −70 dBFS and hum of −50 dBFS, gains of −3 to +3 dB, one-pole
// losses of treble at 2 to 12 kHz and of lows at 20 to 150 Hz, both, two-pole
// losses, shelves of ±2 dB: within 0.01 dB of the truth, where the mean of the
// octaves is off by up to 0.9 dB. Bumps of 0.3 dB or more in the middle are told as
// not separated; one of 0.1 dB cannot be told from nothing and moves the level by
// up to 0.07 dB, which the stated error does not cover.
//
// The noise is what is left of the loopback in the quietest passages of the
// dry recording; in loud ones the rest would be distortion and the smearing of
// the loop's own filters.
//
// Source: J. S. Bendat, A. G. Piersol, Random Data, coherent output power (from
// memory); P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15 (2), 1967 (from
// memory).
package level

import (
	"errors"
	"fmt"
	"math"

	"evenhand/analyze/align"
	"evenhand/analyze/finding"
	"evenhand/analyze/loudness"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

// Defaults, all common practice, no source.
const (
	// DefaultTolerance is how far the loopback's level may be off: about the
	// smallest step that is heard under test conditions.
	DefaultTolerance = unit.DB(0.2)
	// LeastShared is the least that dry recording and loopback must have in
	// common.
	LeastShared = unit.Seconds(1)
	// LeastClear is how far the noise that the loop adds must be below the playing,
	// unless the dry recording has more noise of its own.
	LeastClear = unit.DB(55)
	// LeastCoherence is the power-weighted coherence below which the loop is
	// not a plain return of the dry recording.
	LeastCoherence = unit.Number(0.9)
)

// From and To bound the range in which levels are compared.
const (
	From = unit.Hertz(20)
	To   = unit.Hertz(20000)
)

// ErrRate is wrapped by the error for recordings of different sample rates.
var ErrRate = errors.New("sample rates differ")

// Octave is the level in one octave band, loopback less dry.
type Octave struct {
	Band     spectrum.Band
	Level    unit.DB // NaN when not Measured
	Measured bool
}

// Result is how the loopback compares with the dry recording. Differences are
// loopback less dry: positive is hotter. What was not measured is NaN.
type Result struct {
	// Certain tells whether the loopback is a recording of this dry
	// performance; if not, Reason says why, and only the lag's best guess is
	// given.
	Certain bool
	Reason  finding.Text
	// Copy tells that every sample returns as it was: this is no loopback.
	Copy bool
	// Silent names the recording that holds nothing: "dry recording",
	// "loopback" or "".
	Silent string

	Lag        unit.Samples // how much later the loopback is; NaN when unknown
	Polarity   int          // +1, −1 inverted, 0 uncertain
	Drift      unit.PPM
	DriftError unit.PPM // one standard error

	From, Shared unit.Seconds // the stretch of the dry recording that was compared

	// Level is the gain of the passband where it could be told apart from what
	// the loop loses at the ends, see Separated; else it is Middle. It is
	// Broadband where no octave of the middle was measured.
	Level unit.DB
	// LevelError is how far off Level may be: two standard errors, at least
	// 0.02 dB, or where nothing was separated, by how much the sixth octaves of
	// the middle differ. NaN where none was measured.
	LevelError unit.DB
	// Separated tells that a flat response or one that a circuit has explains
	// the loop within what was measured; Shape says which losses or
	// shelves it has, that of the lows first; none for a flat one, whose Level is
	// Middle. It is never nil.
	Separated      bool
	Shape          []finding.Text
	FitFrom, FitTo unit.Hertz // where the fit holds; NaN where there is none
	// Middle is the mean of the measured octaves around 250 Hz to 1 kHz, which
	// LevelBands names; NaN and "" where none of them was measured.
	Middle     unit.DB
	LevelBands string
	Broadband  unit.DB // 20 Hz to 20 kHz, without what the loop adds
	Loudness   unit.LU // integrated loudness, ITU-R BS.1770-5
	Peak       unit.DB // true peaks
	Octaves    []Octave

	// Low and High are, of the measured octaves of 63 to 125 Hz and of 2 to 8 kHz,
	// those that differ most from Level: what the loop loses at the ends.
	Low, High         unit.DB
	LowBand, HighBand string  // labels of the bands used; "" when not measured
	Tilt              unit.DB // per octave, a straight line through the measured octaves from 63 Hz to 8 kHz

	// Coherence is averaged over frequency with the loopback's power as weight,
	// 0 to 1.
	Coherence unit.Number
	// Noise is the rms level of what the loop adds in quiet passages, 20 Hz to
	// 20 kHz, full-scale sine −3.01; NaN with NoiseReason.
	Noise       unit.DBFS
	NoiseReason finding.Text
	// NoiseOwn is the noise of the dry recording in the same passages, as the loop
	// returns it, and NoiseBelow how far Noise is below the loopback's integrated
	// loudness; NaN where Noise is.
	NoiseOwn   unit.DBFS
	NoiseBelow unit.DB
	// Hum is the mains' frequency where most of the noise lies at its multiples,
	// else 0.
	Hum unit.Hertz

	DryPeak, LoopPeak unit.DBFS // sample peaks in the shared stretch
	Warnings          []finding.Text
}

// Compare returns how loop compares with dry, both mono. The same rate is
// needed; ErrRate is wrapped otherwise. Recordings that have nothing in common
// are no error: see Result.Certain.
func Compare(dry, loop align.Source) (Result, error) {
	r := Unmeasured(finding.Text{})
	if dry.Rate() != loop.Rate() {
		return r, fmt.Errorf("level: dry recording at %d Hz, loopback at %d Hz: %w", dry.Rate(), loop.Rate(), ErrRate)
	}
	e, err := align.Find(dry, loop, align.Options{})
	if err != nil {
		return r, err
	}
	r.Lag, r.Polarity, r.Drift, r.DriftError = e.Lag, e.Polarity, e.Drift, e.DriftError
	if math.IsNaN(float64(e.Lag)) {
		r.Reason = e.Reason
		for _, x := range []struct {
			name string
			src  align.Source
		}{{"dry recording", dry}, {"loopback", loop}} {
			silent, err := nothing(x.src)
			if err != nil {
				return r, err
			}
			if silent {
				r.Silent = x.name
				r.Reason = finding.Say("loop.silent", "which", x.name)
				break
			}
		}
		return r, nil
	}
	// Where the two lie over each other, in frames of the dry recording.
	lag := int64(math.Round(float64(e.Lag)))
	from := max(0, -lag)
	to := min(dry.Len(), loop.Len()-lag)
	rate := float64(dry.Rate())
	r.From, r.Shared = unit.Seconds(float64(from)/rate), unit.Seconds(float64(max(0, to-from))/rate)
	if r.Shared < LeastShared {
		r.Reason = finding.Say("loop.short", "shared_s", r.Shared, "least_s", LeastShared)
		return r, nil
	}
	if r.Copy, err = copied(dry, loop, lag, from, to); err != nil || r.Copy {
		r.Reason = finding.Say("loop.copy")
		return r, err
	}
	sp, err := average(dry, loop, e, from, to)
	if err != nil {
		return r, err
	}
	r.Coherence = sp.coherence()
	switch {
	case math.IsNaN(float64(r.Coherence)):
		r.Reason = finding.Say("loop.one-silent")
		return r, nil
	case r.Coherence < LeastCoherence:
		r.Reason = finding.Say("loop.unlike", "percent", 100*r.Coherence)
		return r, nil
	}
	// A loop is linear: where the coherence is high the place is right, even
	// for music that repeats.
	r.Certain = true
	r.fill(sp)
	if err := r.measureLoudness(dry, loop, lag, from, to); err != nil {
		return r, err
	}
	r.warn()
	return r, nil
}

// Unmeasured returns a Result that is not Certain and why; every value is NaN.
func Unmeasured(reason finding.Text) Result {
	n := math.NaN()
	return Result{
		Reason: reason,
		Lag:    unit.Samples(n), Drift: unit.PPM(n), DriftError: unit.PPM(n),
		FitFrom: unit.Hertz(n), FitTo: unit.Hertz(n), Level: unit.DB(n), LevelError: unit.DB(n), Middle: unit.DB(n), Broadband: unit.DB(n), Loudness: unit.LU(n), Peak: unit.DB(n), Shape: []finding.Text{}, Octaves: []Octave{},
		Low: unit.DB(n), High: unit.DB(n), Tilt: unit.DB(n), Coherence: unit.Number(n),
		Noise: unit.DBFS(n), NoiseOwn: unit.DBFS(n), NoiseBelow: unit.DB(n), DryPeak: unit.DBFS(n), LoopPeak: unit.DBFS(n),
	}
}

// measureLoudness measures both over the shared stretch, block by block.
func (r *Result) measureLoudness(dry, loop align.Source, lag, from, to int64) error {
	var m [2]loudness.Measurement
	buf := make([]float64, 1<<14)
	for k, src := range []align.Source{dry, loop} {
		meter, err := loudness.NewMeter(src.Rate(), 1)
		if err != nil {
			return err
		}
		shift := int64(k) * lag
		for at := from; at < to; at += int64(len(buf)) {
			x := buf[:min(int64(len(buf)), to-at)]
			if _, err := src.ReadAt(x, at+shift); err != nil {
				return err
			}
			if err := meter.Write([][]float64{x}); err != nil {
				return err
			}
		}
		m[k] = meter.Finish()[0]
	}
	r.Loudness = unit.LU(m[1].Integrated - m[0].Integrated)
	if math.IsInf(float64(r.Loudness), 0) {
		r.Loudness = unit.LU(math.NaN())
	}
	r.Peak = unit.DB(m[1].TruePeak - m[0].TruePeak)
	r.NoiseBelow = unit.DB(m[1].Integrated - unit.LUFS(r.Noise))
	r.DryPeak, r.LoopPeak = m[0].SamplePeak, m[1].SamplePeak
	return nil
}

// Noisy tells that the loop adds noise that is heard beside the playing and is more
// than the dry recording's own.
func (r *Result) Noisy() bool { return r.NoiseBelow < LeastClear && r.Noise > r.NoiseOwn }

// limited is how much less the peak may return than the rest before something
// in the loop is suspected of limiting it.
const limited = unit.DB(0.5)

// clearCoherence is the coherence below which a loop is worth a warning: it
// adds something that is 20 dB below what it returns.
const clearCoherence = unit.Number(0.99)

// early is from how many samples before the dry recording a loopback is worth a
// warning: what comes back cannot come before it is played.
const early = unit.Samples(8)

// apart is by how many dB Broadband and Level may differ unmentioned.
const apart = 0.1

// uneven is how many dB an octave may differ from the middle in a loop whose
// response is called flat.
const uneven = 0.5

// flat reports whether no measured octave from 63 Hz up differs from Level.
func (r *Result) flat() bool {
	for _, o := range r.Octaves {
		if o.Measured && o.Band.Centre > 60 && math.Abs(float64(o.Level-r.Level)) > uneven {
			return false
		}
	}
	return true
}

// rounding is the most by which samples of a copy differ: a conversion to 16
// bits.
const rounding = 1.01 / 65536

// nothing reports whether a recording, not an empty one, stays below −100 dBFS.
func nothing(src align.Source) (bool, error) {
	x := make([]float64, 1<<14)
	for at := int64(0); at < src.Len(); at += int64(len(x)) {
		n := min(int64(len(x)), src.Len()-at)
		if _, err := src.ReadAt(x[:n], at); err != nil {
			return false, err
		}
		for _, v := range x[:n] {
			if math.Abs(v) >= 1e-5 {
				return false, nil
			}
		}
	}
	return src.Len() > 0, nil
}

// copied reports whether the loopback holds the dry recording's samples, which
// no converter returns: its noise alone is more than the rounding.
func copied(dry, loop align.Source, lag, from, to int64) (bool, error) {
	x, y := make([]float64, 1<<14), make([]float64, 1<<14)
	loudest := 0.0
	for at := from; at < to; at += int64(len(x)) {
		n := min(int64(len(x)), to-at)
		if _, err := dry.ReadAt(x[:n], at); err != nil {
			return false, err
		}
		if _, err := loop.ReadAt(y[:n], at+lag); err != nil {
			return false, err
		}
		for i, v := range x[:n] {
			if math.Abs(v-y[i]) > rounding {
				return false, nil
			}
			loudest = max(loudest, math.Abs(v))
		}
	}
	return loudest > 10*rounding, nil
}

func (r *Result) warn() {
	say := func(found string, with ...any) { r.Warnings = append(r.Warnings, finding.Say(found, with...)) }
	const full = unit.DBFS(-0.01)
	if r.DryPeak >= full {
		say("loop.full-dry")
	}
	if r.LoopPeak >= full {
		say("loop.full")
	}
	if r.Lag < -early {
		say("loop.early", "by_samples", -r.Lag)
	}
	if d := r.Broadband - r.Peak; !(d <= limited) {
		say("loop.limits", "by_db", d, "uneven", !r.flat())
	}
	with := []any{"level_db", r.Level, "bands", r.LevelBands, "middle_db", r.Middle, "broadband_db", r.Broadband}
	wide := math.Abs(float64(r.Broadband-r.Level)) > apart
	switch {
	case r.LevelBands == "":
	case len(r.Shape) > 0 && (wide || math.Abs(float64(r.Middle-r.Level)) > leastError):
		say("loop.shape", append(with, "shape", r.Shape)...)
	case !r.Separated && (wide || r.LevelError > apart):
		say("loop.uneven", append(with, "error_db", r.LevelError)...)
	}
	if r.Coherence < clearCoherence {
		say("loop.unclear", "percent", 100*r.Coherence)
	}
	if math.Abs(float64(r.Drift)) > 2*float64(r.DriftError)+1 {
		say("loop.clock", "drift_ppm", r.Drift)
	}
}
