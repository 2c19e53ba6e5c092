// Package words says in English what figures show: counts, lists and quantities, and
// the sentences of a page's sections. Each sentence is made from numbers and leaves out
// every difference that the measurement does not resolve.
package words

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// ListUpTo joins at most most names and counts the others.
func ListUpTo(names []string, most int) string {
	if len(names) <= most {
		return manifest.List(names)
	}
	return manifest.List(append(names[:most:most], Plural(len(names)-most, "other", "others")))
}

// Plural prints a count with its noun.
func Plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// Count writes small counts out, for the start of a sentence.
func Count(n int) string {
	words := [...]string{"No", "One", "Two", "Three", "Four", "Five", "Six", "Seven", "Eight", "Nine", "Ten", "Eleven", "Twelve"}
	if n >= 0 && n < len(words) {
		return words[n]
	}
	return strconv.Itoa(n)
}

// Ordinal writes the place of a small count.
func Ordinal(n int) string {
	words := [...]string{2: "second", 3: "third", 4: "fourth"}
	if n > 1 && n < len(words) {
		return words[n]
	}
	return strconv.Itoa(n) + "th"
}

// RoundedUp prints the size of a value that something is within.
func RoundedUp(v float64, decimals int) string {
	p := math.Pow(10, float64(decimals))
	return unit.Format(math.Ceil(math.Abs(v)*p-1e-9)/p, decimals)
}

// DB prints an unsigned level difference with the digits that it supports.
func DB(v float64) string { return unit.Format(math.Abs(v), 1) + " dB" }

// BandName prints a band's nominal frequency with its unit.
func BandName(b result.Band) string {
	l := strings.TrimSpace(strings.TrimSuffix(b.Label, "Hz"))
	switch {
	case l == "":
		return b.Centre.String()
	case strings.HasSuffix(l, "k"):
		return strings.TrimSpace(strings.TrimSuffix(l, "k")) + " kHz"
	}
	return l + " Hz"
}

// Sentence makes a clause a sentence: a capital first and a full stop last.
func Sentence(s string) string {
	if s == "" {
		return ""
	}
	s = Capital(s)
	if !strings.ContainsAny(s[len(s)-1:], ".!?") {
		s += "."
	}
	return s
}

// Capital begins a text with a capital letter.
func Capital(s string) string {
	r, n := utf8.DecodeRuneInString(s)
	if n == 0 || r == utf8.RuneError {
		return s
	}
	return string(unicode.ToUpper(r)) + s[n:]
}

// Resolution says what the smallest difference that counts rests on.
func Resolution(r result.Resolution) string {
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
		s += " Level repeats within " + RoundedUp(l, 2) + " dB."
	}
	return s + leftOut
}

// Point is one take's value for a comparison in words.
type Point struct {
	Name  string
	Value float64
}

// extremes returns the points with the least and the greatest finite value.
func extremes(ps []Point) (lo, hi Point, ok bool) {
	for _, p := range ps {
		if math.IsNaN(p.Value) || math.IsInf(p.Value, 0) {
			continue
		}
		if !ok || p.Value < lo.Value {
			lo = p
		}
		if !ok || p.Value > hi.Value {
			hi = p
		}
		ok = true
	}
	return lo, hi, ok
}

// Loudness says how far the takes lay apart as recorded and what the
// match did. resolution is the level that the session repeats, NaN when
// unknown.
func Loudness(integrated []Point, resolution float64) string {
	lo, hi, ok := extremes(integrated)
	if !ok {
		return "No integrated loudness could be measured."
	}
	d := hi.Value - lo.Value
	if lo.Name == hi.Name {
		return fmt.Sprintf("%s was recorded at %s.", lo.Name, unit.LUFS(lo.Value))
	}
	if d < 0.05 || (!math.IsNaN(resolution) && d < math.Abs(resolution)) {
		return "As recorded, the takes do not differ in loudness by more than can be resolved."
	}
	return fmt.Sprintf("As recorded, the takes were up to %s apart: %s was the loudest (%s), %s the quietest (%s).",
		unit.LU(d), hi.Name, unit.LUFS(hi.Value), lo.Name, unit.LUFS(lo.Value))
}

// Crest says in which take the peaks rise most over the mean level, and in which
// least: that is no praise, since a compressor with a slow attack raises them too. attacks
// are those in ms of the takes whose compressor was measured, by name.
func Crest(crest []Point, attacks map[string]float64) string {
	lo, hi, ok := extremes(crest)
	if !ok || lo.Name == hi.Name || hi.Value-lo.Value < 0.5 {
		return ""
	}
	why := "A compressor with a slow attack raises it too."
	if ms, ok := attacks[hi.Name]; ok {
		why = fmt.Sprintf("%s compresses with an attack of %s ms, which can raise it too.", hi.Name, unit.Format(ms, 0))
	}
	return fmt.Sprintf("%s has the highest crest factor (%s), %s the lowest (%s). %s", hi.Name, DB(hi.Value), lo.Name, DB(lo.Value), why)
}

// Alternatives says how far other conventions of matching would disagree
// with the one used, over the whole span.
func Alternatives(alts []result.Alternative) string {
	var most result.Alternative
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
		most.Take, DB(float64(most.Spread)))
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
		s += fmt.Sprintf(" Matched by %s level it would play %s %s than it does here.", name, DB(v), way)
	}
	return s
}

// Noise says which contestant is the noisiest after matching and of what kind
// its noise is. Gated takes and takes without a measurement are named apart.
func Noise(takes []result.Take) []string {
	out := []string{}
	var ps []Point
	var gated, missing []string
	byName := map[string]result.Noise{}
	for _, t := range takes {
		switch {
		case !t.Noise.Measured:
			missing = append(missing, t.Name)
		case t.Noise.Gated:
			gated = append(gated, t.Name)
		case !t.Contestant():
		default:
			ps = append(ps, Point{t.Name, float64(t.Noise.AsMatched.AWeighted)})
			byName[t.Name] = t.Noise
		}
	}
	if lo, hi, ok := extremes(ps); ok {
		n := byName[hi.Name]
		s := fmt.Sprintf("After matching, %s has the most noise in the pauses: %s A-weighted", hi.Name, unit.DBFS(hi.Value))
		switch d := hi.Value - lo.Value; {
		case lo.Name == hi.Name:
			s = fmt.Sprintf("After matching, the pauses of %s hold %s of A-weighted noise", hi.Name, unit.DBFS(hi.Value))
		case d < 1:
			s = fmt.Sprintf("After matching, the takes are alike in noise within %s dB A-weighted; %s has the most, %s", RoundedUp(d, 1), hi.Name, unit.DBFS(hi.Value))
		default:
			s += fmt.Sprintf(", %s above %s, the quietest", DB(d), lo.Name)
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
func humShare(n result.NoiseLevels) string {
	share := 100 * unit.ToPower(float64(n.HumAWeighted-n.AWeighted))
	switch {
	case math.IsNaN(share) || n.HumAWeighted == 0:
		return ""
	case share < 0.5:
		return "; less than 1 % of that power is hum"
	}
	return fmt.Sprintf("; %.0f %% of that power is hum", min(share, 100))
}

// Likeness names the most and the least alike pair of ranked takes, says which
// takes are left out of that, and counts the pairs that are not resolved. with is the
// take that all pairs are with; "" where every take makes a pair with every other.
func Likeness(ls []result.Likeness, with string, ranked func(string) bool, leftOut string) []string {
	out := []string{}
	if with != "" {
		out = append(out, fmt.Sprintf("This comparison has more than %d takes, so likeness is measured only between %s and each of the others.", result.AllPairs, with))
	}
	var near, far *result.Likeness
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
	switch {
	case far == nil:
	case with != "":
		other := func(l *result.Likeness) string {
			if l.A == with {
				return l.B
			}
			return l.A
		}
		s := fmt.Sprintf("Furthest from %s in tone is %s (%s rms over the third octaves that are heard)", with, other(far), DB(float64(far.Spectral)))
		if near != far {
			s += fmt.Sprintf("; closest to it, of those that can be told apart from it, is %s (%s)", other(near), DB(float64(near.Spectral)))
		}
		out = append(out, s+".")
	default:
		s := fmt.Sprintf("Furthest apart in tone are %s and %s (%s rms over the third octaves that are heard)", far.A, far.B, DB(float64(far.Spectral)))
		if near != far {
			s += fmt.Sprintf("; closest, of those that can be told apart, are %s and %s (%s)", near.A, near.B, DB(float64(near.Spectral)))
		}
		out = append(out, s+".")
	}
	if leftOut != "" {
		out = append(out, leftOut)
	}
	if unresolved > 0 {
		out = append(out, fmt.Sprintf("%s cannot be told apart in tone by this measurement and %s shown in grey.", Plural(unresolved, "pair", "pairs"), map[bool]string{true: "is", false: "are"}[unresolved == 1]))
	}
	return out
}
