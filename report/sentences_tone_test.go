package report_test

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// tone is what one take and what it is compared with are in one span.
type tone struct {
	r            *results
	own, other   side
	resolved     []bool
	weight       []float64
	heard        []float64 // the difference as it is heard, NaN where it does not count
	least        []bool    // it is at least that
	ownH, otherH figure    // the part of the power above the corner, dB
}

// side is one of the two.
type side struct{ level, floor, faint []float64 }

// over is by how much a band is over its floor and 10 dB, and over where it is not heard
// beside the strongest band.
func (s side) over(b int) float64 {
	if math.IsInf(s.level[b], 0) || math.IsNaN(s.level[b]) {
		return math.Inf(-1)
	}
	return math.Min(s.level[b]-s.faint[b], s.level[b]-s.floor[b]-10)
}

// sideOf adds to levels and floors from where on each band is heard: 45 dB below the
// strongest, K-weighted.
func sideOf(r *results, level, floor []float64) side {
	s := side{level, make([]float64, len(level)), make([]float64, len(level))}
	k := func(b int) float64 { return 10 * math.Log10(kPower(float64(r.Spectrum.Bands[b].Centre))) }
	top := math.Inf(-1)
	for b, v := range level {
		if !math.IsNaN(v) {
			top = math.Max(top, v+k(b))
		}
		s.floor[b] = math.Inf(-1)
		if b < len(floor) && !math.IsNaN(floor[b]) {
			s.floor[b] = floor[b]
		}
	}
	for b := range level {
		s.faint[b] = top - 45 - k(b)
	}
	return s
}

func floats(v []figure) []float64 {
	out := []float64{}
	for _, x := range v {
		out = append(out, float64(x))
	}
	return out
}

// toneIn reads how a take differs in a span from the reference or, without one, from the
// median of the contestants.
func toneIn(r *results, who string, span int) (tone, string) {
	x := tone{r: r}
	t := r.take(who)
	if t == nil || span < 0 {
		return x, who + " is not a take, or there is no such section"
	}
	var difference []figure
	found := 0
	for _, d := range r.Spectrum.Differences {
		if d.Take == who && d.Span == r.Timeline.Spans[span].Name {
			difference, x.resolved, found = d.Third.Difference, d.Third.Resolved, found+1
		}
	}
	if found != 1 {
		return x, fmt.Sprintf("there are %d differences of it", found)
	}
	own := floats(t.Measures[span].Third)
	var other, floor, high []float64
	if ref := r.take(r.Comparison.Reference); ref != nil {
		other, floor = floats(ref.Measures[span].Third), floats(ref.Floor)
		high = []float64{float64(ref.Measures[span].Descriptors.High)}
	} else {
		for b, v := range own {
			other = append(other, v-float64(difference[b]))
			var all []float64
			for _, c := range r.Takes {
				if c.contestant() && b < len(c.Floor) && !math.IsNaN(float64(c.Floor[b])) {
					all = append(all, float64(c.Floor[b]))
				}
			}
			floor = append(floor, middleOf(all))
		}
		for _, c := range r.Takes {
			if c.contestant() {
				high = append(high, float64(c.Measures[span].Descriptors.High))
			}
		}
	}
	x.own, x.other = sideOf(r, own, floats(t.Floor)), sideOf(r, other, floor)
	x.ownH, x.otherH = t.Measures[span].Descriptors.High, figure(middleOf(high))
	for b := range own {
		over := math.Max(x.own.over(b), x.other.over(b))
		if float64(r.Spectrum.Bands[b].Centre) < 0.8*float64(r.Parameters.Spectrum.Lowest) {
			over = math.Min(x.own.over(b), x.other.over(b))
		}
		w := math.Max(0, math.Min(1, over/45))
		d, least := math.NaN(), false
		if w > 0 {
			loud, quiet, sign := x.own, x.other, 1.0
			if own[b] < other[b] {
				loud, quiet, sign = x.other, x.own, -1
			}
			down := math.Max(quiet.floor[b], quiet.faint[b])
			if quiet.level[b] > down {
				down = quiet.level[b]
			}
			d, least = sign*math.Max(0, loud.level[b]-down), !(quiet.over(b) > 0)
		}
		x.weight, x.heard, x.least = append(x.weight, w), append(x.heard, d), append(x.least, least)
	}
	return x, ""
}

func middleOf(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// louder is the level of the louder side, whether it is over its limits, and whether
// it is heard but mostly noise.
func (x tone) louder(b int) (level float64, playing, noise bool) {
	s := x.own
	if x.other.level[b] > x.own.level[b] {
		s = x.other
	}
	return s.level[b], s.over(b) > 0, s.level[b] >= s.faint[b] && s.level[b] < s.floor[b]+3
}

// stretch is neighbouring bands in which the take has more, or less.
type stretch struct {
	from, to int
	sign     float64
}

// stretches are those whose bands keep says belong.
func (x tone) stretches(of []float64, keep func(b int) bool) []stretch {
	var out []stretch
	for b, d := range of {
		if !x.resolved[b] || math.IsNaN(d) || d == 0 || !keep(b) {
			continue
		}
		sign := math.Copysign(1, d)
		if n := len(out); n > 0 && out[n-1].to == b-1 && out[n-1].sign == sign {
			out[n-1].to = b
			continue
		}
		out = append(out, stretch{b, b, sign})
	}
	return out
}

// played are the stretches in which a difference is resolved and heard of the playing.
func (x tone) played() []stretch {
	return x.stretches(x.heard, func(b int) bool { _, playing, _ := x.louder(b); return x.weight[b] > 0 && playing })
}

// noisy are those whose louder side is mostly noise.
func (x tone) noisy() []stretch {
	raw := make([]float64, len(x.own.level))
	for b := range raw {
		raw[b] = x.own.level[b] - x.other.level[b]
	}
	return x.stretches(raw, func(b int) bool { _, _, noise := x.louder(b); return noise })
}

// prominence is how much is heard of a stretch: sizes of differences, by weight.
func (x tone) prominence(s stretch, from, to float64) float64 {
	sum := 0.0
	for b := s.from; b <= s.to; b++ {
		if c := float64(x.r.Spectrum.Bands[b].Centre); c >= from && c < to {
			sum += math.Abs(x.heard[b]) * x.weight[b]
		}
	}
	return sum
}

func (x tone) all(s stretch) float64 { return x.prominence(s, 0, math.Inf(1)) }

// mean is the mean of values over a stretch by the K-weighted power of the louder side.
func (x tone) mean(s stretch, of func(b int) float64) float64 {
	var sum, weights float64
	for b := s.from; b <= s.to; b++ {
		level, _, _ := x.louder(b)
		e := math.Pow(10, level/10) * kPower(float64(x.r.Spectrum.Bands[b].Centre))
		sum, weights = sum+e*of(b), weights+e
	}
	return sum / weights
}

func (x tone) wide(s stretch) bool {
	return math.Log2(float64(x.r.Spectrum.Bands[s.to].High)/float64(x.r.Spectrum.Bands[s.from].Low)) > 1.01
}

// at finds the stretch that a place names.
func (x tone) at(place string, among []stretch) (stretch, string) {
	band := func(label string) int {
		for b, v := range x.r.Spectrum.Bands {
			if strings.TrimSpace(v.Label) == label {
				return b
			}
		}
		return -1
	}
	last := len(x.r.Spectrum.Bands) - 1
	for _, s := range among {
		ok := false
		switch m := regexp.MustCompile(`^(around|from) ([0-9.]+ k?Hz)(?: (up|down)| to ([0-9.]+ k?Hz))?$`).FindStringSubmatch(place); {
		case m == nil:
			return s, "a place of an unknown form: " + place
		case m[1] == "around":
			b := band(m[2])
			ok = b >= s.from && b <= s.to && !x.wide(s)
		case m[3] == "up":
			ok = s.from == band(m[2]) && s.to == last
		case m[3] == "down":
			ok = s.from == 0 && s.to == band(m[2])
		default:
			ok = s.from == band(m[2]) && s.to == band(m[4])
		}
		if ok {
			return s, ""
		}
	}
	return stretch{}, fmt.Sprintf("nothing differs %s; it does in %v", place, among)
}

// parts of the range, with their corners.
var parts = []struct {
	name     string
	from, to float64
}{{"bass", 0, 250}, {"low mids", 250, 500}, {"mids", 500, 2000}, {"presence", 2000, 5000}, {"air", 5000, math.Inf(1)}}

// figurePattern is a value with its place: "at least 3.0 dB less around 250 Hz".
var figurePattern = regexp.MustCompile(`^(at least )?([0-9.]+) dB (more|less) (.+)$`)

// claim checks a figure and a word for it, and returns the stretch that it is about.
func (x tone) claim(word, text string) (stretch, string) {
	m := figurePattern.FindStringSubmatch(text)
	if m == nil {
		return stretch{}, "no figure: " + text
	}
	s, bad := x.at(m[4], x.played())
	if bad != "" {
		return s, bad
	}
	more := m[3] == "more"
	if more != (s.sign > 0) {
		return s, "it is the other way round"
	}
	least := false
	for b := s.from; b <= s.to; b++ {
		raw := x.own.level[b] - x.other.level[b]
		if raw*s.sign <= 0 || !x.resolved[b] {
			return s, fmt.Sprintf("band %d differs by %v, resolved %v", b, raw, x.resolved[b])
		}
		least = least || x.least[b]
	}
	if least != (m[1] != "") {
		return s, fmt.Sprintf("at least: %v", least)
	}
	if v := x.mean(s, func(b int) float64 { return x.heard[b] }); !shows(m[2], figure(math.Abs(v))) {
		return s, fmt.Sprintf("%s dB is %v", m[2], v)
	}
	v, half := num(m[2])
	if raw := math.Abs(x.mean(s, func(b int) float64 { return x.own.level[b] - x.other.level[b] })); raw < v-half || !least && raw > v+half {
		return s, fmt.Sprintf("the levels differ by %v", raw)
	}
	return s, x.word(word, s)
}

// word checks what a stretch is called.
func (x tone) word(word string, s stretch) string {
	switch word {
	case "Brighter", "Darker":
		bright := word == "Brighter"
		return why(
			unless(bright == (s.sign > 0), "it has the other sign"),
			unless(bright == (x.ownH > x.otherH), "of its power %v dB is above 2 kHz, of the other's %v dB", x.ownH, x.otherH),
			unless(x.prominence(s, 2000, math.Inf(1)) > x.all(s)/2, "most of it is below 2 kHz"),
			unless(x.wide(s), "it is an octave or less"))
	}
	m := regexp.MustCompile(`^(more|less) (.+)$`).FindStringSubmatch(strings.ToLower(word[:1]) + word[1:])
	if m == nil {
		return "an unknown word: " + word
	}
	named, _ := list(m[2])
	want := []string{}
	most := 0.0
	for _, p := range parts {
		most = math.Max(most, x.prominence(s, p.from, p.to))
	}
	for _, p := range parts {
		if v := x.prominence(s, p.from, p.to); v >= math.Min(most, x.all(s)/3)-1e-12 {
			want = append(want, p.name)
		}
	}
	return why(unless((m[1] == "more") == (s.sign > 0), "it is the other way round"), unless(slices.Equal(named, want), "it is of %q", want))
}

// toneForms are the sentences about spectra.
func toneForms() []form {
	first := `(Brighter|Darker|(?:More|Less) [a-z ,]+?) than (.+?): ((?:at least )?[0-9.]+ dB .+)\.`
	firstPattern := sentence("", first, nil).pattern
	also := regexp.MustCompile(`((?:more|less) [a-z ,]+?) \(([^)]*)\)`)
	// about is the take of the paragraph, how it differs, and what is said of that
	// first, with the stretches that the paragraph names.
	about := func(r *results, s said) (tone, []stretch, string) {
		m := firstPattern.FindStringSubmatch(s.first)
		if m == nil {
			return tone{}, nil, "the paragraph does not begin with a difference"
		}
		x, bad := toneIn(r, s.who, s.span)
		if bad != "" {
			return x, nil, bad
		}
		k, bad := x.claim(m[1], m[3])
		return x, []stretch{k}, bad
	}
	against := func(r *results, text string) string {
		want := []string{r.Comparison.Reference}
		if want[0] == "" {
			want = []string{"the median", "the median of all"}
			for _, t := range r.Takes {
				if !t.contestant() {
					want = want[:1] // not of all
				}
			}
		}
		return unless(slices.Contains(want, text), "takes are compared with %q", want)
	}
	none := func(kind int) func(*results, said, []string) string {
		return func(r *results, s said, m []string) string {
			x, bad := toneIn(r, s.who, s.span)
			if bad != "" {
				return bad
			}
			any := slices.Contains(x.resolved, true)
			switch kind {
			case 0:
				bad = unless(!any, "some is")
			case 1:
				bad = unless(any && len(x.played()) == 0 && len(x.noisy()) == 0, "resolved: %v, heard in %v, noise in %v", any, x.played(), x.noisy())
			default:
				bad = why(unless(len(x.played()) == 0, "heard in %v", x.played()), x.places(m[2], x.noisy()))
			}
			return why(against(r, m[1]), bad)
		}
	}
	say := func(*results, said, []string) string { return "" }
	return []form{
		sentence("differs", first, func(r *results, s said, m []string) string {
			x, said, bad := about(r, s)
			if bad != "" {
				return bad
			}
			for _, o := range x.played() {
				if x.all(o) > x.all(said[0])+1e-9 {
					return fmt.Sprintf("more is heard of %v", o)
				}
			}
			return against(r, m[2])
		}),
		sentence("differs", `Also (.+)\.`, func(r *results, s said, m []string) string {
			x, _, bad := about(r, s)
			if bad != "" {
				return bad
			}
			for _, p := range also.FindAllStringSubmatch(m[1], -1) {
				for _, f := range strings.Split(p[2], ", ") {
					if _, bad := x.claim(p[1], f); bad != "" {
						return f + ": " + bad
					}
				}
			}
			rest := also.ReplaceAllString(m[1], "")
			return unless(strings.Trim(rest, " ,and") == "", "not understood: %q", rest)
		}),
		sentence("differs", `([0-9]+) further (?:difference is|differences are) heard less\.`, func(r *results, s said, m []string) string {
			x, named, bad := about(r, s)
			if bad != "" {
				return bad
			}
			// What the sentences before it name is more audible than all others.
			for _, p := range also.FindAllStringSubmatch(s.before, -1) {
				for _, f := range strings.Split(p[2], ", ") {
					k, _ := x.claim(p[1], f)
					named = append(named, k)
				}
			}
			least := math.Inf(1)
			for _, k := range named {
				least = math.Min(least, x.all(k))
			}
			others := 0
			for _, k := range x.played() {
				if !slices.Contains(named, k) {
					if others++; x.all(k) > least+1e-9 {
						return fmt.Sprintf("%v is heard more than one that is named", k)
					}
				}
			}
			return unless(strconv.Itoa(others) == m[1], "there are %d", others)
		}),
		sentence("differs", `What differs (.+) is noise\.`, func(r *results, s said, m []string) string {
			x, _, bad := about(r, s)
			return why(bad, x.places(m[1], x.noisy()))
		}),
		sentence("differs", `No difference from (.+) is resolved in any band\.`, none(0)),
		sentence("differs", `In average tone, no difference from (.+) is heard\.`, none(1)),
		sentence("differs", `Those that are resolved are too far below the rest of the sound, or in noise\.`, say),
		sentence("differs", `In average tone, no difference from (.+) is heard but in noise, (.+)\.`, none(2)),
		sentence("differs", `{name} is the (brightest|darkest), by the part of the power above 2\.00 kHz: {value} dB\.`, func(r *results, _ said, m []string) string {
			return extreme(r, m[1], m[3], map[string]float64{"brightest": 1, "darkest": -1}[m[2]], highOf)
		}),
		sentence("differs", `{name} is the brightest and {name} the darkest, by the part of the power above 2\.00 kHz: {value} and {value} dB\.`, func(r *results, _ said, m []string) string {
			return why(extreme(r, m[1], m[3], 1, highOf), extreme(r, m[2], m[4], -1, highOf), unless(r.Parameters.Spectrum.MidHigh == 2000, "the corner is %v", r.Parameters.Spectrum.MidHigh))
		}),
		sentence("differs", `Each sentence begins with what is heard most\.`, say),
		sentence("differs", `What is too faint or in the noise is left out\.`, say),
		sentence("differs", `A figure is the mean where the energy is\.`, say),
		sentence("differs", `No take was recorded twice, so what the session itself repeats is unknown: only differences beyond the statistical band of the averaged spectra count here\.`, func(r *results, _ said, _ []string) string {
			return unless(r.Resolution.Source != "repeat", "there is a repeat")
		}),
		sentence("differs", `What counts as a difference is what exceeds the session's own repeat \((.+)\) and the statistical band of the averaged spectra\.`, func(r *results, _ said, m []string) string {
			pairs, _ := list(m[1])
			for _, p := range r.Resolution.Repeats {
				if !slices.Contains(pairs, p.Take+" repeats "+p.Of) {
					return p.Take + " is not named"
				}
			}
			return unless(len(pairs) == len(r.Resolution.Repeats), "there are %d repeats", len(r.Resolution.Repeats))
		}),
		sentence("differs", `Level repeats within {value} dB\.`, func(r *results, _ said, m []string) string {
			within, _ := num(m[1])
			for _, p := range r.Resolution.Repeats {
				if d := math.Abs(float64(p.Level)); d > within+1e-9 {
					return fmt.Sprintf("%s came back %v off", p.Take, d)
				}
			}
			return ""
		}),
		sentence("spectra", `All are of the third octaves that are heard\.`, say),
		sentence("spectra", `Low is the part of the power below ([0-9]+) Hz, high the part above ([0-9.]+) kHz, mid the rest\.`, func(r *results, _ said, m []string) string {
			return unless(shows(m[1], r.Parameters.Spectrum.LowMid) && shows(m[2], r.Parameters.Spectrum.MidHigh/1000), "other corners: %v, %v", r.Parameters.Spectrum.LowMid, r.Parameters.Spectrum.MidHigh)
		}),
	}
}

// places checks that a list names all of some stretches.
func (x tone) places(text string, of []stretch) string {
	named := regexp.MustCompile(`(?:around|from) [0-9.]+ k?Hz(?: up| down| to [0-9.]+ k?Hz)?`).FindAllString(text, -1)
	for _, p := range named {
		if _, bad := x.at(p, of); bad != "" {
			return bad
		}
	}
	return unless(len(named) == len(of), "%d are named, there are %v", len(named), of)
}
