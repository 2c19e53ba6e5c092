package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"sort"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
	"evenhand/report/words"
)

// The sentences about tone: how one spectrum differs from another to the ear.

// region is a part of the range with its name in the trade. Corners are common
// practice, no source.
type region struct {
	name string
	to   unit.Hertz // where the next begins; +Inf for the last
}

var regions = []region{{"bass", 250}, {"low mids", 500}, {"mids", 2000}, {"presence", 5000}, {"air", unit.Hertz(math.Inf(1))}}

// brightFrom is the corner above which more makes a take brighter: that of
// Descriptors.High.
const brightFrom = unit.Hertz(2000)

// regionsWords states the corners.
func regionsWords() string {
	parts, from := []string{}, unit.Hertz(0)
	for _, r := range regions {
		switch {
		case from == 0:
			parts = append(parts, r.name+" below "+shortHertz(r.to))
		case math.IsInf(float64(r.to), 1):
			parts = append(parts, r.name+" above "+shortHertz(from))
		default:
			parts = append(parts, r.name+" to "+shortHertz(r.to))
		}
		from = r.to
	}
	return manifest.List(parts)
}

// shortHertz prints a round frequency.
func shortHertz(f unit.Hertz) string {
	if f >= 1000 {
		return number(int(f/1000)) + " kHz"
	}
	return number(int(f)) + " Hz"
}

// run is a stretch of neighbouring bands whose differences are resolved, heard and of
// one sign.
type run struct {
	first, last int
	value       float64   // mean of the differences, by the energy of the louder side
	atLeast     bool      // it is at least that
	score       float64   // sum of the sizes of the differences, each with its weight
	middle      int       // the band that adds most to it
	shares      []float64 // what each of regions adds to it
}

// runsOf returns the runs of a difference, in order of frequency, over the bands for
// which keep is true and the difference is not 0.
func runsOf(bands []result.Band, heard result.Audibility, keep func(band int) bool) []run {
	var out []run
	open := false
	var energy, product, most float64
	for i := range heard.Difference {
		d := float64(heard.Difference[i])
		if !keep(i) || !(math.Abs(d) > 0) {
			open = false
			continue
		}
		if !open || (d > 0) != (out[len(out)-1].value > 0) {
			out, open = append(out, run{first: i, shares: make([]float64, len(regions))}), true
			energy, product, most = 0, 0, 0
		}
		r := &out[len(out)-1]
		e, s := heard.Energy[i], math.Abs(d)*heard.Weight[i]
		energy, product = energy+e, product+e*d
		r.last, r.value, r.atLeast, r.score = i, product/energy, r.atLeast || heard.AtLeast[i], r.score+s
		if s >= most {
			most, r.middle = s, i
		}
		r.shares[slices.IndexFunc(regions, func(g region) bool { return bands[i].Centre < g.to })] += s
	}
	return out
}

// toneRuns are the runs of what is played: resolved, with a louder side that is over
// its floor.
func toneRuns(bands []result.Band, d result.BandDifferences, heard result.Audibility) []run {
	return runsOf(bands, heard, func(i int) bool { return d.Resolved[i] && heard.Playing[i] })
}

// octaves is how wide a run is.
func (r run) octaves(bands []result.Band) float64 {
	return math.Log2(float64(bands[r.last].High) / float64(bands[r.first].Low))
}

// narrow is up to how many octaves, but for rounding, a run is named by its middle.
const narrow = 1.01

// where names the bands of a run.
func (r run) where(bands []result.Band) string {
	switch {
	case r.octaves(bands) <= narrow:
		return "around " + bandName(bands[r.middle])
	case r.last == len(bands)-1:
		return "from " + bandName(bands[r.first]) + " up"
	case r.first == 0:
		return "from " + bandName(bands[r.last]) + " down"
	}
	return "from " + bandName(bands[r.first]) + " to " + bandName(bands[r.last])
}

// figure is a run's value with its place.
func (r run) figure(bands []result.Band) string {
	s := dB(r.value) + " " + moreOrLess(r.value) + " " + r.where(bands)
	if r.atLeast {
		s = "at least " + s
	}
	return s
}

func moreOrLess(v float64) string {
	if v < 0 {
		return "less"
	}
	return "more"
}

// character says in words of the trade what a run makes of a take: "less bass". One
// over more than an octave, most of it above brightFrom, makes it brighter or darker if
// the balance agrees: the part of its power above brightFrom is then greater, or smaller,
// than in what it is compared with.
func (r run) character(bands []result.Band, balance float64) string {
	high := 0.0
	for k, share := range r.shares {
		if regions[k].to > brightFrom {
			high += share
		}
	}
	if r.octaves(bands) > narrow && high > r.score/2 && balance*r.value > 0 {
		return map[bool]string{true: "brighter", false: "darker"}[r.value > 0]
	}
	return r.amount()
}

// amount is "more bass", for instance: the regions that have a third or more of what is
// heard of a run, or the one that has most.
func (r run) amount() string {
	names := []string{}
	most := slices.Max(r.shares)
	for k, share := range r.shares {
		if share >= min(r.score/3, most) {
			names = append(names, regions[k].name)
		}
	}
	return moreOrLess(r.value) + " " + manifest.List(names)
}

// Runs that are named for a take, of the whole and of a section.
const (
	mostRuns        = 3
	mostSectionRuns = 2
)

// toneLead says how a take sounds next to what it is compared with, in one sentence that
// does not name it: the most audible difference, in a word. balance is by how many dB the part of its power above
// brightFrom is greater. The runs are all that are heard, that of the sentence first; none
// where no difference is heard.
func toneLead(against string, bands []result.Band, d result.BandDifferences, heard result.Audibility, balance float64) (string, []run) {
	if !slices.Contains(d.Resolved, true) {
		return fmt.Sprintf("No difference from %s is resolved in any band.", against), nil
	}
	if len(heard.Weight) != len(bands) || len(d.Resolved) != len(bands) {
		return fmt.Sprintf("What is heard of the difference from %s is not measured.", against), nil
	}
	runs, noisy := toneRuns(bands, d, heard), noiseRuns(bands, d, heard)
	switch {
	case len(runs) == 0 && len(noisy) == 0:
		return fmt.Sprintf("In average tone, no difference from %s is heard. Those that are resolved are too far below the rest of the sound, or in noise.", against), nil
	case len(runs) == 0:
		return fmt.Sprintf("In average tone, no difference from %s is heard but in noise, %s.", against, manifest.List(noisy)), nil
	}
	sort.SliceStable(runs, func(i, j int) bool { return runs[i].score > runs[j].score })
	return fmt.Sprintf("%s than %s: %s.", words.Capital(runs[0].character(bands, balance)), against, runs[0].figure(bands)), runs
}

// toneWords are toneLead's sentence and others, about what is heard less and where it
// is the noise that differs; most runs are named.
func toneWords(against string, bands []result.Band, d result.BandDifferences, heard result.Audibility, balance float64, most int) string {
	s, runs := toneLead(against, bands, d, heard, balance)
	if len(runs) == 0 {
		return s
	}
	rest := max(0, len(runs)-most)
	var amounts []string
	figures := map[string][]string{} // of several runs in one region
	for _, r := range runs[1 : len(runs)-rest] {
		if k := r.amount(); figures[k] == nil {
			amounts = append(amounts, k)
		}
		figures[r.amount()] = append(figures[r.amount()], r.figure(bands))
	}
	for i, k := range amounts {
		amounts[i] = k + " (" + strings.Join(figures[k], ", ") + ")"
	}
	if len(amounts) > 0 {
		s += " Also " + manifest.List(amounts) + "."
	}
	if rest > 0 {
		s += " " + plural(rest, "further difference is heard less.", "further differences are heard less.")
	}
	if noisy := noiseRuns(bands, d, heard); len(noisy) > 0 {
		s += " What differs " + manifest.List(noisy) + " is noise."
	}
	return s
}

// noiseRuns names where differences are resolved whose louder side is mostly noise.
func noiseRuns(bands []result.Band, d result.BandDifferences, heard result.Audibility) []string {
	raw := heard
	raw.Difference = d.Difference
	out := []string{}
	for _, r := range runsOf(bands, raw, func(i int) bool { return d.Resolved[i] && heard.Noise[i] }) {
		r.middle = (r.first + r.last) / 2
		out = append(out, r.where(bands))
	}
	return out
}

// clearlyBrighter is by how many dB the part of the power above brightFrom must differ
// for two takes to be ranked by it. Common practice, no source.
const clearlyBrighter = 1

// brightest returns the darkest and the brightest of several takes by the part of the
// power that is high in dB; nil for one from which the next differs no more than
// clearlyBrighter or than repeats do.
func brightest(high []words.Point, repeats float64) (lo, hi *words.Point) {
	ranked := slices.DeleteFunc(slices.Clone(high), func(p words.Point) bool { return !chart.Finite(p.Value) })
	slices.SortStableFunc(ranked, func(a, b words.Point) int { return cmp.Compare(a.Value, b.Value) })
	apart := func(a, b words.Point) bool {
		return b.Value-a.Value >= clearlyBrighter && b.Value-a.Value > repeats
	}
	if n := len(ranked); n > 1 && apart(ranked[n-2], ranked[n-1]) {
		hi = &ranked[n-1]
	}
	if len(ranked) > 1 && apart(ranked[0], ranked[1]) {
		lo = &ranked[0]
	}
	return lo, hi
}

// brightnessWords names the brightest and the darkest take by the power above a corner.
func brightnessWords(high []words.Point, repeats float64, corner unit.Hertz) string {
	lo, hi := brightest(high, repeats)
	switch {
	case lo != nil && hi != nil:
		return fmt.Sprintf("%s is the brightest and %s the darkest, by the part of the power above %s: %s and %s dB.", hi.Name, lo.Name, corner, unit.Format(hi.Value, 1), unit.Format(lo.Value, 1))
	case hi != nil:
		return fmt.Sprintf("%s is the brightest, by the part of the power above %s: %s dB.", hi.Name, corner, unit.Format(hi.Value, 1))
	case lo != nil:
		return fmt.Sprintf("%s is the darkest, by the part of the power above %s: %s dB.", lo.Name, corner, unit.Format(lo.Value, 1))
	}
	return ""
}

// audibleWords state the rule of what is heard.
func audibleWords(p result.SpectrumParameters) string {
	low := ""
	if p.LowestString > 0 {
		low = " One below 0.8 of the lowest string's pitch (" + p.LowestString.String() + ") counts only if both are."
	}
	return fmt.Sprintf("A third octave counts for two takes if at least one is, there, within %s dB of its own strongest third octave, K-weighted, and %s dB over its own floor: the noise in its pauses or the rounding of its file, whichever is higher.%s "+
		"What is heard less counts less: the weight falls from 1 at the strongest to 0 at these limits. "+
		"The quieter of the two is taken no lower than its floor, nor lower than where it is no longer heard beside its own strongest third octave; “at least” then stands before the difference.",
		number(int(p.HeardWithin)), number(int(p.OverFloor)), low)
}
