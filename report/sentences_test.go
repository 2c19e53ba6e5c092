package report_test

import (
	"encoding/json"
	"fmt"
	"html"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/examples/campaign"
	"evenhand/report"
)

// The sentences of a page are held against its results.json, which is read here anew:
// nothing that makes the sentences is used to judge them.

// figure is a number of results.json: NaN for null.
type figure float64

func (f *figure) UnmarshalJSON(b []byte) error {
	switch s := string(b); s {
	case "null":
		*f = figure(math.NaN())
	case `"-inf"`, `"inf"`:
		*f = figure(math.Inf(map[bool]int{true: -1, false: 1}[s == `"-inf"`]))
	default:
		v, err := strconv.ParseFloat(s, 64)
		*f = figure(v)
		return err
	}
	return nil
}

// answered is one answer to a check.
type answered struct {
	ID, Name, Subject, Outcome, Value, Limit, Reason string
	ConsequenceOf                                    string `json:"consequence_of"`
}

func (f figure) finite() bool { return !math.IsNaN(float64(f)) && !math.IsInf(float64(f), 0) }

// results are those parts of results.json that sentences are about.
type results struct {
	Comparison struct{ Reference, Slot, Control, Tuning string }
	Parameters struct {
		Loudness struct{ Standard string }
		Match    struct {
			Ceiling figure `json:"ceiling_dbtp"`
		}
		Spectrum struct {
			MidHigh figure `json:"mid_high_corner_hz"`
			LowMid  figure `json:"low_mid_corner_hz"`
			Lowest  figure `json:"lowest_string_hz"`
		}
		Gear struct {
			TouchFrame figure `json:"touch_frame_s"`
		}
	}
	Files    []struct{ Use string }
	Timeline struct{ Spans []struct{ Name string } }
	Takes    []take
	Match    struct {
		Target       figure `json:"target_lufs"`
		LimitedBy    string `json:"limited_by"`
		Alternatives []struct {
			Span, Take  string
			Unweighted  figure `json:"unweighted_db"`
			AWeighted   figure `json:"a_weighted_db"`
			Weighted468 figure `json:"itu468_weighted_db"`
			Loudness    figure `json:"loudness_db"`
		}
	}
	Resolution struct {
		Source  string
		Level   figure `json:"level_db"`
		Repeats []struct {
			Take, Of string
			Level    figure `json:"level_lu"`
		}
	}
	Spectrum struct {
		Bands []struct {
			Label  string
			Centre figure `json:"centre_hz"`
			Low    figure `json:"low_hz"`
			High   figure `json:"high_hz"`
		} `json:"third_octave_bands"`
		Differences []struct {
			Span, Take string
			Third      struct {
				Difference []figure `json:"difference_db"`
				Resolved   []bool
			} `json:"third_octave"`
		}
	}
	Leftover  []leftoverFigures
	Equalised []equalisedFigures
	Likeness  []struct {
		A, B     string
		Spectral figure `json:"spectral_db"`
		Resolved bool
	}
	Settings struct {
		Slots []struct {
			Slot string
			Rows []struct {
				Name            string
				Differs, Varied bool
				Allowed         bool `json:"may_differ"`
				Values          []struct{ Written string }
			}
		}
	}
	Checks []answered
}

type take struct {
	Name, Role string
	RepeatOf   string   `json:"repeat_of"`
	Gain       figure   `json:"gain_db"`
	Floor      []figure `json:"floor_third_octave_db"`
	Published  *written
	Withheld   *written
	Measures   []struct {
		Integrated  figure   `json:"integrated_lufs"`
		TruePeak    figure   `json:"true_peak_dbtp"`
		Crest       figure   `json:"crest_db"`
		Third       []figure `json:"third_octave_db"`
		Twelfth     []figure `json:"twelfth_octave_db"`
		Series      *struct{}
		Descriptors struct {
			High figure `json:"high_db"`
		}
	}
	Touch *struct {
		Measured bool
		Reason   reason
		Slope    figure
	}
	Drive *struct {
		Measured  bool
		Reason    reason
		Drive     figure `json:"drive_percent"`
		NotLinear figure `json:"not_linear_percent"`
	}
	Compressor *struct {
		Measured      bool
		Detector      string
		Slope         figure `json:"out_per_db"`
		Low           figure `json:"out_low_per_db"`
		High          figure `json:"out_high_per_db"`
		Threshold     figure `json:"threshold_dbfs"`
		ThresholdLow  figure `json:"low_threshold_dbfs"`
		ThresholdHigh figure `json:"high_threshold_dbfs"`
		Attack        figure `json:"attack_time_ms"`
		Release       figure `json:"release_time_ms"`
	}
	Noise struct {
		Measured, Gated bool
		Third           []figure `json:"third_octave_db"`
		Matched         struct {
			AWeighted figure `json:"a_weighted_dbfs"`
			Hum       figure `json:"hum_a_weighted_dbfs"`
		} `json:"as_matched"`
	}
}

// written is what a take's matched audio measures.
type written struct {
	Integrated figure `json:"integrated_lufs"`
}

// contestant: neither a bypass, nor the room, nor a repeat is ranked.
func (t take) contestant() bool { return t.Role != "bypass" && t.Role != "room" && t.RepeatOf == "" }

func (r *results) take(name string) *take {
	for i := range r.Takes {
		if r.Takes[i].Name == name {
			return &r.Takes[i]
		}
	}
	return nil
}

// read reads the results and the sentences of a report.
func readReport(t *testing.T, dir string) (*results, []said) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(dir, "results.json"))
	if err != nil {
		t.Fatal(err)
	}
	r := &results{}
	if err := json.Unmarshal(b, r); err != nil {
		t.Fatal(err)
	}
	page, err := os.ReadFile(filepath.Join(dir, "index.html"))
	if err != nil {
		t.Fatal(err)
	}
	return r, sentencesOf(t, string(page), r)
}

// said is a sentence of the page: in which section, about which span.
type said struct {
	section, text string
	span          int
	who           string // the take that it is about, where that is above it
	first         string // sentence of its paragraph
	before        string // what the paragraph says before it
}

var (
	sectionPattern   = regexp.MustCompile(`(?s)<section id="(differs|spectra|loudness|noise|likeness|gear|checks|about)".*?</section>`)
	leadPattern      = regexp.MustCompile(`(?s)<p class="lead">(.*?)</p>`)
	paragraphPattern = regexp.MustCompile(`(?s)<(p|h3|dt)\b([^>]*)>(.*?)</(?:p|h3|dt)>`)
	tagPattern       = regexp.MustCompile(`<[^>]*>`)
)

func plain(s string) string {
	return strings.Join(strings.Fields(html.UnescapeString(tagPattern.ReplaceAllString(s, ""))), " ")
}

// sentencesOf are the sentences in the head and in the sections that say something of
// what was measured. Captions of axes, links and names are none.
func sentencesOf(t *testing.T, page string, r *results) []said {
	out := []said{}
	who := ""
	add := func(section, text string, span int) {
		parts := split(plain(text))
		for i, s := range parts {
			out = append(out, said{section, s, span, who, parts[0], strings.Join(parts[:i], " ")})
		}
	}
	lead := leadPattern.FindStringSubmatch(page)
	if lead == nil {
		t.Fatal("the page has no lead")
	}
	add("head", lead[1], 0)
	for _, m := range sectionPattern.FindAllStringSubmatch(page, -1) {
		span := 0
		for _, p := range paragraphPattern.FindAllStringSubmatch(m[0], -1) {
			switch text := plain(p[3]); {
			case p[1] == "dt":
				who = text
			case p[1] == "h3":
				if i := slices.IndexFunc(r.Timeline.Spans, func(s struct{ Name string }) bool { return s.Name == text }); i > 0 {
					span = i
				}
			case strings.Contains(p[2], "axes"), strings.Contains(p[2], "same"), strings.Contains(p[2], "who"), strings.Contains(p[3], "<a "):
			default:
				if strings.Contains(p[2], `"small"`) {
					span = 0 // behind the sections
				}
				section := m[1]
				if section == "checks" || section == "about" {
					section = "head"
				}
				add(section, p[3], span)
			}
		}
	}
	return out
}

// split parts a paragraph where a full stop ends a sentence: behind it begins another
// with a capital or a number.
func split(text string) []string {
	out := []string{}
	for {
		end := -1
		for i := 0; i+2 < len(text); i++ {
			if text[i] == '.' && text[i+1] == ' ' && (text[i+2] >= 'A' && text[i+2] <= 'Z' || text[i+2] >= '0' && text[i+2] <= '9') {
				end = i
				break
			}
		}
		if end < 0 {
			return append(out, text)
		}
		out, text = append(out, text[:end+1]), text[end+2:]
	}
}

// num reads a figure as printed, with the half of its last digit.
func num(s string) (v, half float64) {
	s = strings.ReplaceAll(strings.ReplaceAll(s, "−", "-"), "+", "")
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		return math.NaN(), 0
	}
	_, digits, _ := strings.Cut(s, ".")
	// Stored figures have four decimals.
	return v, 0.5*math.Pow(10, -float64(len(digits))) + 1.1e-4
}

// shows reports whether a printed figure stands for a value.
func shows(printed string, v figure) bool {
	p, half := num(printed)
	return math.Abs(p-float64(v)) <= half
}

// list reads "A, B and C"; the last may count others.
func list(s string) (names []string, others int) {
	for _, part := range regexp.MustCompile(`, | and `).Split(s, -1) {
		if m := regexp.MustCompile(`^(\d+) others?$`).FindStringSubmatch(part); m != nil {
			others, _ = strconv.Atoi(m[1])
			continue
		}
		names = append(names, part)
	}
	return names, others
}

// form is a form of sentence with what it means: "" where that is true, else why not.
type form struct {
	section string
	pattern *regexp.Regexp
	check   func(r *results, s said, m []string) string
}

const (
	name   = `([A-Z][A-Za-z0-9 ]*?)`
	value  = `(−?[0-9.]+)`
	signed = `([+−]?[0-9.]+)`
)

func sentence(section, pattern string, check func(r *results, s said, m []string) string) form {
	pattern = strings.NewReplacer("{name}", name, "{value}", value, "{signed}", signed).Replace(pattern)
	return form{section, regexp.MustCompile("^" + pattern + "$"), check}
}

// extreme checks that a take has the greatest (sign 1) or the least value of those that
// have one, and that the printed figure is that.
func extreme(r *results, who, printed string, sign float64, of func(take) figure) string {
	t := r.take(who)
	if t == nil || !t.contestant() {
		return who + " is not a contestant"
	}
	if !shows(printed, of(*t)) {
		return fmt.Sprintf("%s of %s is %v", printed, who, of(*t))
	}
	for _, o := range r.Takes {
		if v := of(o); o.contestant() && v.finite() && sign*float64(v-of(*t)) > 1e-9 {
			return fmt.Sprintf("%s has %v, %s %v", o.Name, v, who, of(*t))
		}
	}
	return ""
}

// highestCrest is "" for a take of which no other contestant has a higher crest factor.
func highestCrest(r *results, t take) string {
	return extreme(r, t.Name, fmt.Sprintf("%.4f", crest(t)), 1, crest)
}

func integrated(t take) figure { return t.Measures[0].Integrated }
func crest(t take) figure      { return t.Measures[0].Crest }
func highOf(t take) figure     { return t.Measures[0].Descriptors.High }

// reach is the greatest less the least value of the contestants; NaN for fewer than two.
func reach(r *results, of func(take) figure) float64 {
	lo, hi, n := math.Inf(1), math.Inf(-1), 0
	for _, t := range r.Takes {
		if v := of(t); t.contestant() && v.finite() {
			lo, hi, n = math.Min(lo, float64(v)), math.Max(hi, float64(v)), n+1
		}
	}
	if n < 2 {
		return math.NaN()
	}
	return hi - lo
}

func why(reasons ...string) string {
	for _, w := range reasons {
		if w != "" {
			return w
		}
	}
	return ""
}

func unless(ok bool, format string, args ...any) string {
	if ok {
		return ""
	}
	return fmt.Sprintf(format, args...)
}

// forms are all sentences that a page may hold about what was measured. One that is not
// here fails the test: it needs its meaning here.
func forms() []form {
	same := func(string) func(*results, said, []string) string {
		return func(*results, said, []string) string { return "" }
	}
	definition := same
	out := []form{
		// Loudness.
		sentence("loudness", `No integrated loudness could be measured\.`, func(r *results, _ said, _ []string) string {
			for _, t := range r.Takes {
				if t.contestant() && integrated(t).finite() {
					return t.Name + " has one"
				}
			}
			return ""
		}),
		sentence("loudness", `{name} was recorded at {value} LUFS\.`, func(r *results, _ said, m []string) string {
			return unless(shows(m[2], integrated(*r.take(m[1]))), "it is %v", integrated(*r.take(m[1])))
		}),
		sentence("loudness", `As recorded, the takes do not differ in loudness by more than can be resolved\.`, func(r *results, _ said, _ []string) string {
			d := reach(r, integrated)
			return unless(d < 0.05 || d < math.Abs(float64(r.Resolution.Level)), "they are %v LU apart, and %v is resolved", d, r.Resolution.Level)
		}),
		sentence("loudness", `As recorded, the takes were up to {value} LU apart: {name} was the loudest \({value} LUFS\), {name} the quietest \({value} LUFS\)\.`, func(r *results, _ said, m []string) string {
			return why(extreme(r, m[2], m[3], 1, integrated), extreme(r, m[4], m[5], -1, integrated),
				unless(shows(m[1], integrated(*r.take(m[2]))-integrated(*r.take(m[4]))), "another difference"))
		}),
		sentence("loudness", `{name} has the highest crest factor \({value} dB\), {name} the lowest \({value} dB\)\.`, func(r *results, _ said, m []string) string {
			return why(extreme(r, m[1], m[2], 1, crest), extreme(r, m[3], m[4], -1, crest))
		}),
		sentence("loudness", `A compressor with a slow attack raises it too\.`, func(r *results, _ said, _ []string) string {
			for _, t := range r.Takes {
				if c := t.Compressor; t.contestant() && c != nil && c.Attack >= 1 && highestCrest(r, t) == "" {
					return "the attack of " + t.Name + " is measured"
				}
			}
			return ""
		}),
		sentence("loudness", `{name} compresses with an attack of {value} ms, which can raise it too\.`, func(r *results, _ said, m []string) string {
			c := r.take(m[1]).Compressor
			return why(unless(c != nil && c.Measured && c.Attack >= 1 && shows(m[2], c.Attack), "it is %+v", c), highestCrest(r, *r.take(m[1])))
		}),
		sentence("loudness", `Each figure is the gain that the other way would add to the one applied, after both are set to the same mean over all takes\.`, definition("")),
		sentence("loudness", `Other ways of matching could not be worked out\.`, func(r *results, _ said, _ []string) string {
			_, spread := mostSpread(r)
			return unless(math.IsNaN(spread), "one spreads by %v", spread)
		}),
		sentence("loudness", `A-weighted, unweighted and 468-weighted matching would ask for the same gains within {value} dB: the choice of weighting hardly matters here\.`, func(r *results, _ said, m []string) string {
			_, spread := mostSpread(r)
			within, _ := num(m[1])
			return unless(spread < within, "they spread by %v", spread)
		}),
		sentence("loudness", `No one figure is right for a dull and a bright take at once\.`, definition("")),
		sentence("loudness", `The ways of matching disagree most over {name}: {value} dB between the greatest and the least gain they ask for\.`, func(r *results, _ said, m []string) string {
			who, spread := mostSpread(r)
			return why(unless(who == m[1] || shows(m[2], figure(spread)) && shows(m[2], figure(spreadOf(r, m[1]))), "it is %s", who), unless(shows(m[2], figure(spread)), "it is %v", spread))
		}),
		sentence("loudness", `Matched by (A-weighted|unweighted|468-weighted) level it would play {value} dB (louder|quieter) than it does here\.`, func(r *results, _ said, m []string) string {
			who, _ := mostSpread(r)
			for _, a := range r.Match.Alternatives {
				if a.Span != r.Timeline.Spans[0].Name || a.Take != who {
					continue
				}
				v := map[string]figure{"A-weighted": a.AWeighted, "unweighted": a.Unweighted, "468-weighted": a.Weighted468}[m[1]]
				return unless((v > 0) == (m[3] == "louder") && shows(m[2], figure(math.Abs(float64(v)))), "it is %v", v)
			}
			return "no such figure"
		}),
		// Noise.
		sentence("noise", `After matching, {name} has the most noise in the pauses: {value} dBFS A-weighted, {value} dB above {name}, the quietest(; .*)?\.`, func(r *results, _ said, m []string) string {
			return why(extreme(r, m[1], m[2], 1, noiseOf), unless(shows(m[3], noiseOf(*r.take(m[1]))-noiseOf(*r.take(m[4]))), "another difference"),
				leastNoise(r, m[4]), humOf(r, m[1], m[5]))
		}),
		sentence("noise", `After matching, the pauses of {name} hold {value} dBFS of A-weighted noise(; .*)?\.`, func(r *results, _ said, m []string) string {
			return why(extreme(r, m[1], m[2], 1, noiseOf), unless(math.IsNaN(reach(r, noiseOf)), "others were measured"), humOf(r, m[1], m[3]))
		}),
		sentence("noise", `After matching, the takes are alike in noise within {value} dB A-weighted; {name} has the most, {value} dBFS(; .*)?\.`, func(r *results, _ said, m []string) string {
			within, _ := num(m[1])
			return why(unless(reach(r, noiseOf) <= within+1e-9, "they differ by %v", reach(r, noiseOf)), extreme(r, m[2], m[3], 1, noiseOf), humOf(r, m[2], m[4]))
		}),
		sentence("noise", `The pauses of (.+) were closed by a noise gate or muted: those figures describe the gate, not the circuit\.`, func(r *results, _ said, m []string) string {
			return everyTake(r, m[1], func(t take) bool { return t.Noise.Measured && t.Noise.Gated })
		}),
		sentence("noise", `Noise was not measured for (.+)\.`, func(r *results, _ said, m []string) string {
			return everyTake(r, m[1], func(t take) bool { return !t.Noise.Measured })
		}),
		// Likeness.
		sentence("likeness", `Furthest apart in tone are {name} and {name} \({value} dB rms over the third octaves that are heard\)(?:; closest, of those that can be told apart, are {name} and {name} \({value} dB\))?\.`, func(r *results, _ said, m []string) string {
			far, near := math.Inf(-1), math.Inf(1)
			pairs := 0
			for _, l := range r.Likeness {
				if l.Resolved && l.Spectral.finite() && r.take(l.A).contestant() && r.take(l.B).contestant() {
					far, near, pairs = math.Max(far, float64(l.Spectral)), math.Min(near, float64(l.Spectral)), pairs+1
				}
			}
			at := func(a, b string) figure {
				for _, l := range r.Likeness {
					if l.A == a && l.B == b && l.Resolved {
						return l.Spectral
					}
				}
				return figure(math.NaN())
			}
			if v := at(m[1], m[2]); float64(v) != far || !shows(m[3], v) {
				return fmt.Sprintf("the furthest are %v apart, these %v", far, v)
			}
			if m[4] == "" {
				return unless(pairs == 1, "%d pairs are told apart, the closest is not named", pairs)
			}
			v := at(m[4], m[5])
			return unless(float64(v) == near && shows(m[6], v), "the closest are %v apart, these %v", near, v)
		}),
		sentence("likeness", `This comparison has more than 64 takes, so likeness is measured only between {name} and each of the others\.`, func(r *results, _ said, m []string) string {
			for _, l := range r.Likeness {
				if l.A != m[1] && l.B != m[1] {
					return l.A + " and " + l.B + " were compared too"
				}
			}
			return unless(len(r.Takes) > 64 && len(r.Likeness) == len(r.Takes)-1, "%d takes make %d pairs", len(r.Takes), len(r.Likeness))
		}),
		sentence("likeness", `Furthest from {name} in tone is {name} \({value} dB rms over the third octaves that are heard\)(?:; closest to it, of those that can be told apart from it, is {name} \({value} dB\))?\.`, func(r *results, _ said, m []string) string {
			far, near := math.Inf(-1), math.Inf(1)
			found := map[string]figure{} // of each take that the one is compared with
			for _, l := range r.Likeness {
				if l.Resolved && l.Spectral.finite() && r.take(l.A).contestant() && r.take(l.B).contestant() {
					far, near = math.Max(far, float64(l.Spectral)), math.Min(near, float64(l.Spectral))
					switch m[1] {
					case l.A:
						found[l.B] = l.Spectral
					case l.B:
						found[l.A] = l.Spectral
					}
				}
			}
			if v, ok := found[m[2]]; !ok || float64(v) != far || !shows(m[3], v) {
				return fmt.Sprintf("the furthest is %v from it, this %v", far, v)
			}
			if m[4] == "" {
				return unless(len(found) == 1, "%d takes are told apart from it, the closest is not named", len(found))
			}
			v, ok := found[m[4]]
			return unless(ok && float64(v) == near && shows(m[5], v), "the closest is %v from it, this %v", near, v)
		}),
		sentence("likeness", `([0-9]+) pairs? cannot be told apart in tone by this measurement and (?:is|are) shown in grey\.`, func(r *results, _ said, m []string) string {
			n := 0
			for _, l := range r.Likeness {
				if !l.Resolved && l.Spectral.finite() {
					n++
				}
			}
			return unless(m[1] == strconv.Itoa(n), "it is %d", n)
		}),
		sentence("likeness", `Distortion destroys both: a poor null or a low coherence does not mean that another performance was played\.`, definition("")),
		// All.
		sentence("", `(Third-octave spectra|Twelfth-octave spectra|Loudness over time|Noise spectra): not measured, nothing to draw\.`, func(r *results, _ said, m []string) string {
			for _, t := range r.Takes {
				drawn := map[string]bool{"Third-octave spectra": slices.ContainsFunc(t.Measures[0].Third, figure.finite), "Twelfth-octave spectra": slices.ContainsFunc(t.Measures[0].Twelfth, figure.finite),
					"Loudness over time": t.Measures[0].Series != nil, "Noise spectra": t.Noise.Measured && len(t.Noise.Third) > 0}
				if drawn[m[1]] {
					return t.Name + " was measured"
				}
			}
			return ""
		}),
		sentence("", `(?:The sentences here leave|The median leaves) out (.+)\.`, func(r *results, _ said, m []string) string {
			parts := regexp.MustCompile(` \([^)]*\)`).ReplaceAllString(m[1], "")
			for _, p := range regexp.MustCompile(name+` \(([^)]*)\)`).FindAllStringSubmatch(m[1], -1) {
				t := r.take(p[1])
				if t == nil {
					continue
				}
				want := []string{}
				if t.Role != "" {
					want = append(want, t.Role)
				}
				if t.RepeatOf != "" {
					want = append(want, "repeat of "+t.RepeatOf)
				}
				if strings.Join(want, ", ") != p[2] {
					return fmt.Sprintf("%s is %q", p[1], want)
				}
			}
			return everyTake(r, parts, func(t take) bool { return !t.contestant() })
		}),
	}
	return slices.Concat(out, headForms(), toneForms(), gearForms())
}

func noiseOf(t take) figure {
	if !t.Noise.Measured || t.Noise.Gated {
		return figure(math.NaN())
	}
	return t.Noise.Matched.AWeighted
}

func leastNoise(r *results, who string) string {
	for _, o := range r.Takes {
		if o.contestant() && noiseOf(o).finite() && noiseOf(o) < noiseOf(*r.take(who)) {
			return o.Name + " is quieter"
		}
	}
	return ""
}

// humOf checks what is said of the hum: the part of the A-weighted power.
func humOf(r *results, who, text string) string {
	n := r.take(who).Noise.Matched
	share := 100 * math.Pow(10, float64(n.Hum-n.AWeighted)/10)
	switch m := regexp.MustCompile(`^; ([0-9]+|less than 1) % of that power is hum$`).FindStringSubmatch(text); {
	case text == "":
		return unless(math.IsNaN(float64(n.Hum)), "the hum is not told: %v", share)
	case m == nil:
		return "an unknown addition: " + text
	case m[1] == "less than 1":
		return unless(share < 1, "it is %v %%", share)
	default:
		return unless(shows(m[1], figure(math.Min(100, share))), "it is %v %%", share)
	}
}

// everyTake checks that a list names those takes for which is is true, or counts the
// rest of them.
func everyTake(r *results, text string, is func(take) bool) string {
	names, others := list(text)
	all := 0
	for _, t := range r.Takes {
		if is(t) {
			all++
		} else if slices.Contains(names, t.Name) {
			return t.Name + " is not one"
		}
	}
	return unless(all == len(names)+others, "there are %d", all)
}

// spreadOf is the greatest less the least gain that the ways of matching ask for, for
// one take over the whole.
func spreadOf(r *results, who string) float64 {
	for _, a := range r.Match.Alternatives {
		if a.Span == r.Timeline.Spans[0].Name && a.Take == who {
			lo, hi := math.Inf(1), math.Inf(-1)
			for _, v := range []figure{a.Loudness, a.Unweighted, a.AWeighted, a.Weighted468} {
				if !v.finite() {
					return math.NaN()
				}
				lo, hi = math.Min(lo, float64(v)), math.Max(hi, float64(v))
			}
			return hi - lo
		}
	}
	return math.NaN()
}

func mostSpread(r *results) (who string, spread float64) {
	spread = math.NaN()
	for _, t := range r.Takes {
		if v := spreadOf(r, t.Name); t.contestant() && !math.IsNaN(v) && !(v <= spread+1e-9) {
			who, spread = t.Name, v
		}
	}
	return who, spread
}

// kPower is the K weighting as a factor on power, from the coefficients for 48 kHz.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 1, Tables 1 and 2.
func kPower(hz float64) float64 {
	z := cmplx.Exp(complex(0, -2*math.Pi*hz/48000))
	stage := func(b0, b1, b2, a1, a2 float64) float64 {
		return cmplx.Abs((complex(b0, 0) + complex(b1, 0)*z + complex(b2, 0)*z*z) / (1 + complex(a1, 0)*z + complex(a2, 0)*z*z))
	}
	h := stage(1.53512485958697, -2.69169618940638, 1.19839281085285, -1.69065929318241, 0.73248077421585) *
		stage(1, -2, 1, -1.99004745483398, 0.99007225036621)
	return h * h
}

// checked judges the sentences of a report and returns how many there are.
func checked(t *testing.T, where, dir string) int {
	t.Helper()
	r, all := readReport(t, dir)
	known := forms()
	for _, s := range all {
		found := false
		for _, f := range known {
			m := f.pattern.FindStringSubmatch(s.text)
			if m == nil || f.section != "" && f.section != s.section {
				continue
			}
			found = true
			if w := f.check(r, s, m); w != "" {
				t.Errorf("%s, %s, span %d: %q is not true: %s", where, s.section, s.span, s.text, w)
			}
			break
		}
		if !found {
			t.Errorf("%s, %s: no meaning is known of %q", where, s.section, s.text)
		}
	}
	return len(all)
}

// TestSentences asks that every sentence about what was measured is true of
// results.json, over random comparisons of all kinds.
func TestSentences(t *testing.T) {
	n := 0
	for _, i := range campaign.Share(t, 250, 5) {
		dir := t.TempDir()
		if err := report.Write(dir, randomResult(uint64(i)), report.Options{}); err != nil {
			t.Fatal(err)
		}
		n += checked(t, fmt.Sprintf("case %d", i), dir)
	}
	// Beyond the takes of which all pairs are compared.
	for seed := range uint64(2) {
		dir := t.TempDir()
		if err := report.Write(dir, randomResultOf(seed, result.AllPairs+1), report.Options{}); err != nil {
			t.Fatal(err)
		}
		n += checked(t, fmt.Sprintf("many takes, case %d", seed), dir)
		if page, err := os.ReadFile(filepath.Join(dir, "index.html")); err != nil || !strings.Contains(string(page), "so likeness is measured only between ") {
			t.Errorf("many takes, case %d: the page does not say that some pairs were not compared; %v", seed, err)
		}
	}
	t.Logf("%d sentences were judged", n)
	if n < 20 {
		t.Errorf("only %d sentences were found: is the page written otherwise?", n)
	}
}
