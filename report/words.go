package report

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
	"evenhand/analyze/unit"
)

// The sentences of the page. Each function makes them from numbers and leaves
// out every difference that the measurement does not resolve.

// listUpTo joins at most most names and counts the others.
func listUpTo(names []string, most int) string {
	if len(names) <= most {
		return manifest.List(names)
	}
	return manifest.List(append(names[:most:most], plural(len(names)-most, "other", "others")))
}

// plural prints a count with its noun.
func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return number(n) + " " + many
}

// countWord writes small counts out, for the start of a sentence.
func countWord(n int) string {
	words := [...]string{"No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve"}
	if n >= 0 && n < len(words) {
		return words[n]
	}
	return number(n)
}

// ordinal writes the place of a small count.
func ordinal(n int) string {
	words := [...]string{2: "second", 3: "third", 4: "fourth"}
	if n > 1 && n < len(words) {
		return words[n]
	}
	return number(n) + "th"
}

// dB prints an unsigned level difference with the digits that it supports.
func dB(v float64) string { return unit.Format(math.Abs(v), 1) + " dB" }

// run is a stretch of neighbouring bands with a resolved difference of one
// sign.
type run struct {
	first, last, peak int
	value             float64 // the difference at peak
}

func resolvedRuns(d analyze.BandDifferences, n int) []run {
	var out []run
	open := false
	for i := range n {
		v, ok := 0.0, false
		if i < len(d.Difference) && i < len(d.Resolved) && d.Resolved[i] {
			v = float64(d.Difference[i])
			ok = !math.IsNaN(v) && !math.IsInf(v, 0) && v != 0
		}
		if !ok {
			open = false
			continue
		}
		if open && (v > 0) == (out[len(out)-1].value > 0) {
			r := &out[len(out)-1]
			r.last = i
			if math.Abs(v) > math.Abs(r.value) {
				r.peak, r.value = i, v
			}
			continue
		}
		out, open = append(out, run{i, i, i, v}), true
	}
	return out
}

// faintest is how far below its strongest band, in dB, a band is still spoken
// of: what is weaker in both takes is not heard beside the rest (common
// practice, no source). Plots, tables and files show it all the same.
const faintest = 60

// heardBands returns d with only those bands resolved that are at most
// faintest below the strongest band of the take or of what it is compared
// with. levels are the take's.
func heardBands(d analyze.BandDifferences, levels []unit.DB) analyze.BandDifferences {
	top := math.Inf(-1)
	other := func(k int) float64 { return float64(levels[k]) - float64(d.Difference[k]) }
	n := min(len(levels), len(d.Difference), len(d.Resolved))
	for k := range n {
		for _, v := range [...]float64{float64(levels[k]), other(k)} {
			if v > top {
				top = v
			}
		}
	}
	resolved := make([]bool, n)
	for k := range n {
		resolved[k] = d.Resolved[k] && max(float64(levels[k]), other(k)) >= top-faintest
	}
	d.Resolved = resolved
	return d
}

// mostlyNoise is how far above the noise in the pauses, in dB, a band's level
// lies when half of its power is that noise.
const mostlyNoise = 3

// floors are the noise levels in the pauses, by band, of a take and of what it is
// compared with; nil where they are not known.
type floors struct{ own, other []unit.DB }

// split returns d with those bands resolved whose louder level is playing, and d
// with those where it is mostly noise. levels are the take's.
func (f floors) split(d analyze.BandDifferences, levels []unit.DB) (playing, noise analyze.BandDifferences) {
	playing, noise = d, d
	playing.Resolved, noise.Resolved = make([]bool, len(d.Resolved)), make([]bool, len(d.Resolved))
	for k, resolved := range d.Resolved {
		floor, level := f.own, float64(levels[k])
		if d.Difference[k] < 0 {
			floor, level = f.other, level-float64(d.Difference[k])
		}
		faint := k < len(floor) && level < float64(floor[k])+mostlyNoise
		playing.Resolved[k], noise.Resolved[k] = resolved && !faint, resolved && faint
	}
	return playing, noise
}

// where names the bands of a run.
func (r run) where(bands []analyze.Band) string {
	switch octaves := math.Log2(float64(bands[r.last].High) / float64(bands[r.first].Low)); {
	case octaves <= 1.01:
		return "around " + bandName(bands[r.peak])
	case r.last == len(bands)-1:
		return "from " + bandName(bands[r.first]) + " up"
	case r.first == 0:
		return "from " + bandName(bands[r.last]) + " down"
	}
	return "from " + bandName(bands[r.first]) + " to " + bandName(bands[r.last])
}

// spectrumWords says in one sentence how a take's level-matched spectrum
// differs from the one it is compared with: the greatest resolved differences
// in order of frequency, where it is the noise that differs, and the ends of the
// range where nothing is resolved. levels are the take's; bands that are too faint
// by them are left out.
func spectrumWords(take, against string, bands []analyze.Band, d analyze.BandDifferences, levels []unit.DB, f floors) string {
	n := len(bands)
	all := resolvedRuns(d, n)
	if len(all) == 0 {
		return fmt.Sprintf("%s: no difference from %s is resolved in any band.", take, against)
	}
	// The ends are those of all that is resolved, faint or not.
	lowest, highest := all[0].first, all[len(all)-1].last
	playing, noise := f.split(heardBands(d, levels), levels)
	runs := resolvedRuns(playing, n)
	noisy := []string{}
	for _, r := range resolvedRuns(noise, n) {
		noisy = append(noisy, r.where(bands))
	}
	switch {
	case len(runs) == 0 && len(noisy) == 0:
		return fmt.Sprintf("%s: no difference from %s is resolved in any band within %d dB of the strongest.", take, against, faintest)
	case len(runs) == 0:
		return fmt.Sprintf("%s: no difference from %s is resolved but in noise, %s.", take, against, manifest.List(noisy))
	}
	const most = 3
	sort.SliceStable(runs, func(i, j int) bool { return math.Abs(runs[i].value) > math.Abs(runs[j].value) })
	rest := 0
	if len(runs) > most {
		rest = len(runs) - most
		runs = runs[:most]
	}
	sort.Slice(runs, func(i, j int) bool { return runs[i].first < runs[j].first })
	parts := []string{}
	for k, r := range runs {
		more := "more"
		if r.value < 0 {
			more = "less"
		}
		than := ""
		if k == 0 {
			than = " than " + against
		}
		upTo, where := "up to ", r.where(bands)
		if strings.HasPrefix(where, "around ") {
			upTo = ""
		}
		parts = append(parts, fmt.Sprintf("%s%s %s%s %s", upTo, dB(r.value), more, than, where))
	}
	s := take + " has " + manifest.List(parts)
	if rest > 0 {
		s += ", and " + plural(rest, "smaller difference", "smaller differences") + " elsewhere"
	}
	if len(noisy) > 0 {
		s += "; " + manifest.List(noisy) + " what differs is noise"
	}
	const end = 3 // bands
	var none []string
	if lowest >= end {
		none = append(none, "below "+bandName(bands[lowest]))
	}
	if n-1-highest >= end {
		none = append(none, "above "+bandName(bands[highest]))
	}
	if len(none) > 0 {
		s += "; " + manifest.List(none) + " no difference is resolved"
	}
	return s + "."
}

// bandName prints a band's nominal frequency with its unit.
func bandName(b analyze.Band) string {
	l := strings.TrimSpace(strings.TrimSuffix(b.Label, "Hz"))
	switch {
	case l == "":
		return b.Centre.String()
	case strings.HasSuffix(l, "k"):
		return strings.TrimSpace(strings.TrimSuffix(l, "k")) + " kHz"
	}
	return l + " Hz"
}

// resolutionWords says what the smallest difference that counts rests on.
func resolutionWords(r analyze.Resolution) string {
	leftOut := ""
	for _, u := range r.LeftOut {
		leftOut += fmt.Sprintf(" %s, which repeats %s, does not count for this, because something changed while one of the two was recorded: %s.", u.Take, u.Of, u.Change)
	}
	switch {
	case r.Source != "repeat" && leftOut != "":
		return "What the session itself repeats is unknown, so only differences beyond the statistical band of the averaged spectra count here." + leftOut
	case r.Source != "repeat":
		return "No take was recorded twice, so what the session itself repeats is unknown: only differences beyond the statistical band of the averaged spectra count here."
	}
	pairs := []string{}
	for _, p := range r.Repeats {
		pairs = append(pairs, p.Take+" repeats "+p.Of)
	}
	s := "What counts as a difference is what exceeds the session's own repeat (" + manifest.List(pairs) + ") and the statistical band of the averaged spectra."
	if l := float64(r.Level); !math.IsNaN(l) {
		s += " Level repeats within " + unit.Format(math.Abs(l), 2) + " dB."
	}
	return s + leftOut
}

// levelPoint is one take's value for a comparison in words.
type levelPoint struct {
	name  string
	value float64
}

// extremes returns the points with the least and the greatest finite value.
func extremes(ps []levelPoint) (lo, hi levelPoint, ok bool) {
	for _, p := range ps {
		if math.IsNaN(p.value) || math.IsInf(p.value, 0) {
			continue
		}
		if !ok || p.value < lo.value {
			lo = p
		}
		if !ok || p.value > hi.value {
			hi = p
		}
		ok = true
	}
	return lo, hi, ok
}

// loudnessWords says how far the takes lay apart as recorded and what the
// match did. resolution is the level that the session repeats, NaN when
// unknown.
func loudnessWords(integrated []levelPoint, resolution float64) string {
	lo, hi, ok := extremes(integrated)
	if !ok {
		return "No integrated loudness could be measured."
	}
	d := hi.value - lo.value
	if lo.name == hi.name {
		return fmt.Sprintf("%s was recorded at %s.", lo.name, unit.LUFS(lo.value))
	}
	if d < 0.05 || (!math.IsNaN(resolution) && d < math.Abs(resolution)) {
		return "As recorded, the takes do not differ in loudness by more than can be resolved."
	}
	return fmt.Sprintf("As recorded, the takes were up to %s apart: %s was the loudest (%s), %s the quietest (%s).",
		unit.LU(d), hi.name, unit.LUFS(hi.value), lo.name, unit.LUFS(lo.value))
}

// crestWords says which take is the most and which the least compressed.
func crestWords(crest []levelPoint) string {
	lo, hi, ok := extremes(crest)
	if !ok || lo.name == hi.name || hi.value-lo.value < 0.5 {
		return ""
	}
	return fmt.Sprintf("%s keeps its peaks best (crest factor %s), %s least (%s).",
		hi.name, dB(hi.value), lo.name, dB(lo.value))
}

// alternativeWords says how far other conventions of matching would disagree
// with the one used, over the whole span.
func alternativeWords(alts []analyze.Alternative) string {
	var most analyze.Alternative
	found := false
	for _, a := range alts {
		s := float64(a.Spread)
		if math.IsNaN(s) || math.IsInf(s, 0) {
			continue
		}
		if !found || a.Spread > most.Spread {
			most, found = a, true
		}
	}
	if !found {
		return "Other ways of matching could not be worked out."
	}
	if most.Spread < 0.5 {
		return "A-weighted, unweighted and 468-weighted matching would ask for the same gains within 0.5 dB: the choice of weighting hardly matters here."
	}
	s := fmt.Sprintf("No one figure is right for a dull and a bright take at once. The ways of matching disagree most over %s: %s between the greatest and the least gain they ask for.",
		most.Take, dB(float64(most.Spread)))
	name, v := "A-weighted", float64(most.AWeighted)
	if u := float64(most.Unweighted); math.Abs(u) > math.Abs(v) || math.IsNaN(v) {
		name, v = "unweighted", u
	}
	if w := float64(most.Weighted468); math.Abs(w) > math.Abs(v) || math.IsNaN(v) {
		name, v = "468-weighted", w
	}
	if !math.IsNaN(v) && math.Abs(v) >= 0.05 {
		way := "louder"
		if v < 0 {
			way = "quieter"
		}
		s += fmt.Sprintf(" Matched by %s level it would play %s %s than it does here.", name, dB(v), way)
	}
	return s
}

// noiseWords says which contestant is the noisiest after matching and of what kind
// its noise is. Gated takes and takes without a measurement are named apart.
func noiseWords(takes []analyze.Take) []string {
	out := []string{}
	var ps []levelPoint
	var gated, missing []string
	byName := map[string]analyze.Noise{}
	for _, t := range takes {
		switch {
		case !t.Noise.Measured:
			missing = append(missing, t.Name)
		case t.Noise.Gated:
			gated = append(gated, t.Name)
		case !t.Contestant():
		default:
			ps = append(ps, levelPoint{t.Name, float64(t.Noise.AsMatched.AWeighted)})
			byName[t.Name] = t.Noise
		}
	}
	if lo, hi, ok := extremes(ps); ok {
		n := byName[hi.name]
		s := fmt.Sprintf("After matching, %s has the most noise in the pauses: %s A-weighted", hi.name, unit.DBFS(hi.value))
		switch d := hi.value - lo.value; {
		case lo.name == hi.name:
			s = fmt.Sprintf("After matching, the pauses of %s hold %s of A-weighted noise", hi.name, unit.DBFS(hi.value))
		case d < 1:
			s = fmt.Sprintf("After matching, the takes are alike in noise within %s A-weighted, around %s", dB(d), unit.DBFS(hi.value))
		default:
			s += fmt.Sprintf(", %s above %s, the quietest", dB(d), lo.name)
		}
		out = append(out, s+humShare(n.AsMatched)+".")
	}
	if len(gated) > 0 {
		out = append(out, fmt.Sprintf("The pauses of %s were closed by a noise gate or muted: those figures describe the gate, not the circuit.", manifest.List(gated)))
	}
	if len(missing) > 0 {
		out = append(out, fmt.Sprintf("Noise was not measured for %s.", manifest.List(missing)))
	}
	return out
}

// humShare says how much of the A-weighted power in the pauses is hum; "" where no
// hum was found, or where an earlier version measured, which did not know it.
func humShare(n analyze.NoiseLevels) string {
	share := 100 * unit.ToPower(float64(n.HumAWeighted-n.AWeighted))
	switch {
	case math.IsNaN(share) || n.HumAWeighted == 0:
		return ""
	case share < 0.5:
		return "; less than 1 % of that power is hum"
	}
	return fmt.Sprintf("; %.0f %% of that power is hum", min(share, 100))
}

// likenessWords names the most and the least alike pair of ranked takes, says which
// takes are left out of that, and counts the pairs that are not resolved.
func likenessWords(ls []analyze.Likeness, ranked func(string) bool, leftOut string) []string {
	out := []string{}
	var near, far *analyze.Likeness
	unresolved := 0
	for i := range ls {
		l := &ls[i]
		if v := float64(l.Spectral); math.IsNaN(v) || math.IsInf(v, 0) {
			continue
		}
		if !l.Resolved {
			unresolved++
			continue
		}
		if !ranked(l.A) || !ranked(l.B) {
			continue
		}
		if near == nil || l.Spectral < near.Spectral {
			near = l
		}
		if far == nil || l.Spectral > far.Spectral {
			far = l
		}
	}
	if far != nil {
		s := fmt.Sprintf("Furthest apart in tone are %s and %s (%s rms over the third-octave bands)", far.A, far.B, dB(float64(far.Spectral)))
		if near != far {
			s += fmt.Sprintf("; closest, of those that can be told apart, are %s and %s (%s)", near.A, near.B, dB(float64(near.Spectral)))
		}
		out = append(out, s+".")
	}
	if leftOut != "" {
		out = append(out, leftOut)
	}
	if unresolved > 0 {
		out = append(out, fmt.Sprintf("%s cannot be told apart in tone by this measurement and %s shown in grey.", plural(unresolved, "pair", "pairs"), map[bool]string{true: "is", false: "are"}[unresolved == 1]))
	}
	return out
}
