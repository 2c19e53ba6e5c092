package result

import (
	"math"
	"slices"

	"evenhand/analyze/loudness"
	"evenhand/analyze/unit"
)

// What is heard of a spectrum. Common practice, no source.
const (
	// heardWithin is how far below its take's strongest third octave, K-weighted, a
	// third octave is still heard beside it.
	HeardWithin = unit.DB(45)
	// overFloor is how far over its floor a level must be to be the playing's: noise
	// then adds less than 0.5 dB to it.
	OverFloor = unit.DB(10)
	// mostlyNoise is how far over its floor a level is when half of its power is noise.
	mostlyNoise = unit.DB(3)
	// underString is the part of the lowest string's pitch under which nothing is
	// played: what is there are thumps and hum.
	underString = 0.8
)

// ThirdOctaves are the third-octave levels of one side of a comparison after
// matching, and the floor of each: the noise in the pauses or, where it is higher,
// the rounding of the stored format. NaN for no level; −Inf or NaN for no floor, and
// a short list has none.
type ThirdOctaves struct{ Levels, Floor []unit.DB }

// Audibility says, third octave by third octave, what is heard of the difference of
// two sides. It is the one rule for sentences, distances, descriptors and the emphasis
// of plots:
//
// A third octave counts if at least one side is, there, K-weighted, within 45 dB of its
// own strongest one, and 10 dB over its own floor. One below 0.8 of the lowest string
// counts only if both are. What is heard less counts less: the weight falls to 0 at
// these limits. The quieter side is taken no lower than its floor, nor than where it is
// no longer heard beside its own strongest third octave: how far down it is beyond that
// changes nothing that is heard, and depends on the recorder.
type Audibility struct {
	// Weight is 0 where a band does not count, else by how much it is over the limits,
	// in parts of 45 dB: above 0 to 1. That of the more audible side counts.
	Weight []float64
	// Difference is the first side less the second; NaN where the band does not count.
	Difference []unit.DB
	// AtLeast tells that the quieter side is not heard itself, so that the difference
	// is at least that large.
	AtLeast []bool
	// Energy is the K-weighted power of the louder side.
	Energy []float64
	// Playing tells that the louder side is heard, and over its floor. Noise tells that
	// it is heard and at least half of its power is that of its floor.
	Playing, Noise []bool
}

// Audible compares two sides. lowest is the pitch of the lowest string, 0 where it is
// not known. Levels must be there for every band.
func Audible(bands []Band, a, b ThirdOctaves, lowest unit.Hertz) Audibility {
	n := len(bands)
	out := Audibility{make([]float64, n), make([]unit.DB, n), make([]bool, n), make([]float64, n), make([]bool, n), make([]bool, n)}
	limitsA, limitsB := a.limits(bands), b.limits(bands)
	for i, band := range bands {
		over := max(limitsA.over(i), limitsB.over(i))
		if float64(band.Centre) < underString*float64(lowest) {
			over = min(limitsA.over(i), limitsB.over(i))
		}
		louder, quieter, sign := limitsA, limitsB, unit.DB(1)
		if b.Levels[i] > a.Levels[i] {
			louder, quieter, sign = limitsB, limitsA, -1
		}
		top := louder.levels[i]
		out.Weight[i] = weightOf(over)
		out.Playing[i] = louder.over(i) > 0
		out.Noise[i] = top >= louder.heard[i] && top < louder.floor[i]+mostlyNoise
		out.Energy[i] = unit.ToPower(float64(top)) * loudness.KPower(float64(band.Centre))
		if out.Difference[i] = unit.DB(math.NaN()); out.Weight[i] > 0 {
			out.AtLeast[i] = !(quieter.over(i) > 0)
			out.Difference[i] = sign * (top - min(top, quieter.least(i)))
		}
	}
	return out
}

// Weights are how much each band of one side is heard, as Audibility.Weight.
func (t ThirdOctaves) Weights(bands []Band) []float64 {
	l := t.limits(bands)
	out := make([]float64, len(bands))
	for i := range out {
		out[i] = weightOf(l.over(i))
	}
	return out
}

// weightOf is the weight of a level so far over the limits.
func weightOf(over unit.DB) float64 {
	if !(over > 0) {
		return 0
	}
	return math.Min(1, float64(over/HeardWithin))
}

// limits are the levels of one side with, in each band, its floor and the level from
// which it is heard beside the strongest band.
type limits struct{ levels, floor, heard []unit.DB }

func (t ThirdOctaves) limits(bands []Band) limits {
	l := limits{t.Levels, make([]unit.DB, len(bands)), make([]unit.DB, len(bands))}
	k := make([]unit.DB, len(bands))
	strongest := math.Inf(-1)
	for i, b := range bands {
		k[i] = unit.DB(unit.FromPower(loudness.KPower(float64(b.Centre))))
		if v := float64(t.Levels[i] + k[i]); v > strongest {
			strongest = v
		}
	}
	for i := range bands {
		l.heard[i] = unit.DB(strongest) - HeardWithin - k[i]
		if l.floor[i] = unit.DB(math.Inf(-1)); i < len(t.Floor) && !math.IsNaN(float64(t.Floor[i])) {
			l.floor[i] = t.Floor[i]
		}
	}
	return l
}

// over is by how much band i is over both limits, −Inf for no level.
func (l limits) over(i int) unit.DB {
	if v := float64(l.levels[i]); math.IsNaN(v) || math.IsInf(v, 0) {
		return unit.DB(math.Inf(-1))
	}
	return min(l.levels[i]-l.heard[i], l.levels[i]-l.floor[i]-OverFloor)
}

// least is the level as which band i is taken when the other side is louder.
func (l limits) least(i int) unit.DB {
	least := max(l.floor[i], l.heard[i])
	if v := l.levels[i]; v > least {
		return v
	}
	return least
}

// Distance is the rms difference of the bands that count, each with its weight, in dB;
// NaN when none counts.
func (a Audibility) Distance() unit.DB {
	var sum, weights float64
	for i, w := range a.Weight {
		if w > 0 {
			sum, weights = sum+w*float64(a.Difference[i]*a.Difference[i]), weights+w
		}
	}
	return unit.DB(math.Sqrt(sum / weights))
}

// ThirdOctaves returns the levels of a take in a span, both by their places.
func (r *Result) ThirdOctaves(take, span int) ThirdOctaves {
	t := &r.Takes[take]
	return ThirdOctaves{t.Measures[span].Third, t.Floor}
}

// AudibleBetween says what is heard of the difference of take a less take b in a span,
// all by their places.
func (r *Result) AudibleBetween(a, b, span int) Audibility {
	return Audible(r.Spectrum.Third, r.ThirdOctaves(a, span), r.ThirdOctaves(b, span), r.Parameters.Spectrum.LowestString)
}

// AudibleIn says what is heard of the third octaves of a difference of Spectrum: from
// the reference or, without one, from the median of the contestants, whose floor is the
// median of theirs. Nothing of one whose take or span is not there.
func (r *Result) AudibleIn(d Difference) Audibility {
	take := slices.IndexFunc(r.Takes, func(t Take) bool { return t.Name == d.Take })
	span := slices.IndexFunc(r.Timeline.Spans, func(s Span) bool { return s.Name == d.Span })
	n := len(r.Spectrum.Third)
	if take < 0 || span < 0 || span >= len(r.Takes[take].Measures) || len(d.Third.Difference) != n || len(r.Takes[take].Measures[span].Third) != n {
		return Audibility{}
	}
	for i := range r.Takes {
		if r.Takes[i].Name == r.Comparison.Reference {
			return r.AudibleBetween(take, i, span)
		}
	}
	own := r.ThirdOctaves(take, span)
	other := ThirdOctaves{make([]unit.DB, n), make([]unit.DB, n)}
	for i := range n {
		other.Levels[i] = own.Levels[i] - d.Third.Difference[i]
		floors := []unit.DB{}
		for k := range r.Takes {
			if t := &r.Takes[k]; t.Contestant() && i < len(t.Floor) {
				floors = append(floors, t.Floor[i])
			}
		}
		other.Floor[i] = Median(floors)
	}
	return Audible(r.Spectrum.Third, own, other, r.Parameters.Spectrum.LowestString)
}

// Median sorts v and returns its median, NaN for none.
func Median[T ~float64](v []T) T {
	if len(v) == 0 {
		return T(math.NaN())
	}
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}
