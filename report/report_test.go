package report

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/fair"
	"evenhand/report/sentences"
)

var update = flag.Bool("update", false, "write the golden files anew")

// variants are the fixture's edge cases by name.
func variants() map[string]*result.Result {
	one := fixtureOf(fixtureTakes[:1])
	many := make([]fixtureTake, 16)
	for i := range many {
		many[i] = fixtureTakes[i%4]
		many[i].name = fmt.Sprintf("Take %d", i+1)
		many[i].tilt -= 0.2 * float64(i/4)
	}
	long := make([]fixtureTake, 4)
	copy(long, fixtureTakes[:4])
	long[1].name = strings.Repeat("An endless name of a device with its year and batch ", 4)
	long[2].name = strings.Repeat("Unbroken", 30)
	long[3].name = `<b onclick="x()">&"'</b><script>alert(1)</script>`
	hostile := fixtureOf(long)
	hostile.Comparison.Title = `</title><script>alert(1)</script>`
	hostile.Comparison.About = "<script>alert(1)</script>\n\n![pic](https://elsewhere.example/x.png) [local](secret.txt) [js](javascript:alert(1))\n\n# player\n"
	hostile.Settings.Slots[0].Rows[0].Values[0].Written = `=cmd|' /C calc'!A0`
	for i := range hostile.Takes {
		hostile.Takes[i].Slug = fmt.Sprintf("take-%d", i+1)
		hostile.Takes[i].Published.Path = fmt.Sprintf("audio/take-%d.flac", i+1)
	}
	void := fixture()
	for i := range void.Takes {
		t := &void.Takes[i]
		t.Published, t.Noise = nil, result.Noise{Reason: result.Cause{Text: result.Say("pauses.none")}}
		for k := range t.Measures {
			m := &t.Measures[k]
			m.Series = nil
			m.Integrated, m.TruePeak, m.Crest = unit.LUFS(nan), unit.DBTP(math.Inf(-1)), unit.DB(nan)
			for b := range m.Third {
				m.Third[b] = unit.DB(math.Inf(-1))
			}
		}
	}
	for i := range void.Spectrum.Differences {
		d := &void.Spectrum.Differences[i].Third
		for b := range d.Difference {
			d.Difference[b], d.HalfWidth[b], d.Resolved[b] = unit.DB(nan), unit.DB(nan), false
		}
	}
	void.Likeness, void.Checks, void.Timeline.Overview = []result.Likeness{}, []result.Check{}, []unit.Number{}
	dryless := fixture()
	dryless.Timeline.SourceIs, dryless.Timeline.Source, dryless.Timeline.SectionsSource = result.SourceTake, "Leaning", "none"
	dryless.Comparison.Reference = ""
	dryless.Timeline.Spans = dryless.Timeline.Spans[:1]
	dryless.Spectrum.Against = "median of all"
	dryless.Resolution.Source = "statistics"
	looped := fixture()
	looped.Loopback = &result.Loopback{File: "audio/loopback.wav", Broadband: 1.2, Loudness: 1.1, Peak: 1.4, Noise: -88, Lag: 120.5, Polarity: "same", Tilt: -0.1, Certain: false, Reason: result.Cause{Words: "the loop is quiet"},
		Advice: []result.Cause{{Words: "Turn the reamp box down by 1.2 dB."}}, Octaves: []result.OctaveLevel{{Band: result.Band{Label: "63", Centre: 63.1}, Level: -0.8, Measured: true}, {Band: result.Band{Label: "16k", Centre: 15849}}}}
	return map[string]*result.Result{"playing": playing(), "usual": fixture(), "one": one, "many": fixtureOf(many), "hostile": hostile, "void": void, "dryless": dryless, "loopback": looped,
		"audience": heardBy(fixture(), 60, 0.85, allKinds...), "crowded": heardBy(fixtureOf(many), 25, 0.7, allKinds...), "alone": heardBy(fixture(), 1, 1, allKinds...), "bare": {Takes: []result.Take{{Name: "Bare"}}}}
}

func write(t *testing.T, res *result.Result) string {
	t.Helper()
	dir := t.TempDir()
	if err := Write(dir, res, Options{Manifest: []byte("title: Test\n")}); err != nil {
		t.Fatal(err)
	}
	return dir
}

func read(t *testing.T, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestGolden(t *testing.T) {
	dir := write(t, fixture())
	for page, golden := range map[string]string{indexName: "index.golden.html", detailsName: "details.golden.html"} {
		got := read(t, filepath.Join(dir, page))
		path := filepath.Join("testdata", golden)
		if *update {
			if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		g, w := strings.Split(got, "\n"), strings.Split(read(t, path), "\n")
		for i := range max(len(g), len(w)) {
			a, b := "(end)", "(end)"
			if i < len(g) {
				a = g[i]
			}
			if i < len(w) {
				b = w[i]
			}
			if a != b {
				t.Fatalf("%s, line %d differs; run with -update if that is meant\n got: %.300s\nwant: %.300s", page, i+1, a, b)
			}
		}
	}
}

// The pages keep their promises in every edge case: no inline style or script,
// unique ids, links that lead somewhere, nothing from another host.
func TestPageHoldsItsPromises(t *testing.T) {
	ids := regexp.MustCompile(`\sid="([^"]*)"`)
	fragments := regexp.MustCompile(`href="((?:[a-z]+\.html)?)#([^"]*)"`)
	refs := regexp.MustCompile(`(?:href|src)="([^"#][^"#]*)["#]`)
	for name, res := range variants() {
		t.Run(name, func(t *testing.T) {
			dir, again := write(t, res), write(t, res)
			seen := map[string]map[string]bool{indexName: {}, detailsName: {}}
			pages := map[string]string{}
			for file, seen := range seen {
				page := read(t, filepath.Join(dir, file))
				pages[file] = page
				for _, m := range ids.FindAllStringSubmatch(page, -1) {
					if seen[m[1]] {
						t.Errorf("%s: id %q is used twice", file, m[1])
					}
					seen[m[1]] = true
				}
			}
			for file, page := range pages {
				for _, bad := range []string{" style=", "<style", "<script", "onclick=\"x", "%!", "ZgotmplZ", "NaN", "Inf", "<nil>", "\x00"} {
					if bare := strings.NewReplacer(`<script src="moved.js" defer>`, "", `<script src="plots.js" defer>`, "").Replace(page); strings.Contains(bare, bad) {
						i := strings.Index(bare, bad)
						t.Errorf("%s holds %q: …%s…", file, bad, bare[max(0, i-80):min(len(bare), i+80)])
					}
				}
				for _, m := range fragments.FindAllStringSubmatch(page, -1) {
					if !seen[orElse(m[1], file)][m[2]] {
						t.Errorf("%s: link to %s#%s leads nowhere", file, m[1], m[2])
					}
				}
				for _, m := range refs.FindAllStringSubmatch(page, -1) {
					switch {
					case strings.HasPrefix(m[1], "data:"), strings.HasPrefix(m[1], "audio/"), strings.HasPrefix(m[1], "https://studio.example/"):
					default:
						if _, err := os.Stat(filepath.Join(dir, filepath.FromSlash(m[1]))); err != nil {
							t.Errorf("%s: link to %s: %v", file, m[1], err)
						}
					}
				}
				validMarkup(t, page)
				if page != read(t, filepath.Join(again, file)) {
					t.Errorf("%s: two runs give different pages", file)
				}
			}
			// What was on the page of an earlier version is there, or leads there.
			for id := range seen[detailsName] {
				if earlierIDs.MatchString(id) && !seen[indexName][id] {
					t.Errorf("#%s leads nowhere on %s", id, indexName)
				}
			}
		})
	}
}

// earlierIDs are the ids of parts that earlier versions had on index.html.
var earlierIDs = regexp.MustCompile(`^(checks|method|files|loopback|spectrum-twelfth|check-\d+|note-\d+)$`)

var (
	linkPattern = regexp.MustCompile(`(?s)<a\b[^>]*\bhref="([^"]*)"[^>]*>(.*?)</a>`)
	markupTag   = regexp.MustCompile(`<[^>]*>`)
	tickPattern = regexp.MustCompile(`<input[^>]*type="(?:radio|checkbox)"[^>]*>`)
)

// validMarkup asks for what the HTML standard asks and a browser forgives: a
// figcaption is the last child of its figure (4.4.13), and autocomplete is not for
// radio buttons and checkboxes (4.10.18.7). Links of one name lead to one place (WCAG
// 2.2, 2.4.9). Source: HTML, WHATWG living standard.
func validMarkup(t *testing.T, page string) {
	t.Helper()
	for _, after := range strings.Split(page, "</figcaption>")[1:] {
		if !strings.HasPrefix(strings.TrimSpace(after), "</figure>") {
			t.Errorf("behind a figcaption: %.60s", after)
		}
	}
	for _, tick := range tickPattern.FindAllString(page, -1) {
		if strings.Contains(tick, "autocomplete") {
			t.Errorf("autocomplete in %s", tick)
		}
	}
	leads := map[string]string{}
	for _, m := range linkPattern.FindAllStringSubmatch(page, -1) {
		name := markupTag.ReplaceAllString(m[2], "")
		if other, ok := leads[name]; ok && other != m[1] {
			t.Errorf("%q leads to %s and to %s", name, other, m[1])
		}
		leads[name] = m[1]
	}
}

// The page with the player keeps these promises too.
func TestPlayerMarkup(t *testing.T) {
	_, dir := playedReport(t)
	page := read(t, filepath.Join(dir, "index.html"))
	validMarkup(t, page)
	for _, name := range []string{"Leaning", "Splitting", "Quarry", "Leaning again"} {
		if !strings.Contains(page, ">Download "+name+", ") {
			t.Errorf("no link says that it downloads %s", name)
		}
	}
	if n := len(tickPattern.FindAllString(page, -1)); n < 3 {
		t.Errorf("%d radio buttons and checkboxes", n)
	}
}

func TestGainWords(t *testing.T) {
	for gain, want := range map[float64]string{-4.18: "Turned down 4.2 dB", 3.64: "Turned up 3.6 dB", 0.04: "Level unchanged", -0.04: "Level unchanged", 0: "Level unchanged", math.NaN(): "Level not matched"} {
		if got := gainWords(unit.DB(gain)); got != want {
			t.Errorf("%v dB: %q, want %q", gain, got, want)
		}
	}
}

func TestWeight(t *testing.T) {
	dir := write(t, fixture())
	total := 0
	for _, f := range []string{"index.html", "style.css"} {
		total += len(read(t, filepath.Join(dir, f)))
	}
	t.Logf("page and style: %d bytes", total)
	if total > 200<<10 {
		t.Errorf("the page weighs %d bytes before audio, more than 200 kB", total)
	}
}

func TestResultsRoundTrip(t *testing.T) {
	dir := write(t, fixture())
	var back result.Result
	if err := json.Unmarshal([]byte(read(t, filepath.Join(dir, "results.json"))), &back); err != nil {
		t.Fatal(err)
	}
	if len(back.Takes) != len(fixtureTakes) || back.Takes[1].Gain.String() != "−4.6 dB" {
		t.Errorf("read back %d takes, gain %s", len(back.Takes), back.Takes[1].Gain)
	}
}

func TestWriteRefusesNothing(t *testing.T) {
	for _, r := range []*result.Result{nil, {}} {
		if err := Write(t.TempDir(), r, Options{}); !errors.Is(err, ErrNoTakes) {
			t.Errorf("got %v", err)
		}
	}
}

func BenchmarkWrite(b *testing.B) {
	for _, n := range []int{6, 16} {
		takes := make([]fixtureTake, n)
		for i := range takes {
			takes[i] = fixtureTakes[i%4]
			takes[i].name = fmt.Sprintf("Take %d", i+1)
		}
		res := fixtureOf(takes)
		b.Run(fmt.Sprintf("takes=%d", n), func(b *testing.B) {
			dir := b.TempDir()
			for b.Loop() {
				if err := Write(dir, res, Options{}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

func csvTable(t *testing.T, dir, name string) [][]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(read(t, filepath.Join(dir, name)))).ReadAll()
	if err != nil {
		t.Fatalf("%s: %v", name, err)
	}
	return rows
}

func TestCSV(t *testing.T) {
	dir := write(t, fixture())
	third := csvTable(t, dir, "data/spectrum-third-octave.csv")
	if want := 1 + 6*5*30; len(third) != want {
		t.Errorf("third octaves: %d lines, want %d", len(third), want)
	}
	if third[0][4] != "level after matching (dBFS)" || third[1][2] != "25" {
		t.Errorf("third octaves begin %q %q", third[0], third[1])
	}
	// The headings are those that published reports have.
	for name, want := range map[string]string{
		"data/levels.csv":             "span,take,integrated (LUFS),gain (dB),max momentary (LUFS),max short-term (LUFS),range (LU),true peak (dBTP),sample peak (dBFS),rms (dBFS),crest factor (dB),peak to loudness (LU),unweighted (dBFS),A-weighted (dBFS),468-weighted (dBFS),centroid (Hz),tilt (dB/octave),low (dB of the whole),mid (dB of the whole),high (dB of the whole),effective averages",
		"data/match-alternatives.csv": "span,take,loudness of the span (dB),unweighted (dB),A-weighted (dB),468-weighted (dB),spread (dB)",
		"data/noise.csv":              "take,measured,gated,state,A-weighted (dBFS),unweighted (dBFS),468-weighted rms (dBFS),hum (dBFS),hiss (dBFS),carried in (dBFS),added (dBFS),pauses (s)",
		"data/likeness.csv":           "take,other take,spectral distance (dB),null residual (dB),coherence,resolved,left after an equaliser (dB),left after a filter (dB)",
	} {
		if head := strings.Join(csvTable(t, dir, name)[0], ","); head != want {
			t.Errorf("%s: %s", name, head)
		}
	}
	series := csvTable(t, dir, "data/loudness-over-time.csv")
	if series[1][3] != "-inf" || series[1][0] != "Leaning" || series[2][1] != "0.5" {
		t.Errorf("series begin %q %q", series[1], series[2])
	}
	settings := csvTable(t, dir, "data/settings.csv")
	found := false
	for _, line := range settings {
		if line[0] == "fuzz" && line[2] == "level" {
			found = true
			if line[9] != "1.10" || line[7] != "5" {
				t.Errorf("settings keep their spelling: %q", line)
			}
		}
	}
	if !found {
		t.Error("no line for the fuzz’s level")
	}
}

// The first paragraph says what is compared, and the verdict with its causes.
func TestFirstParagraph(t *testing.T) {
	lead := func(res *result.Result) string {
		page := read(t, filepath.Join(write(t, res), "index.html"))
		m := regexp.MustCompile(`(?s)<p class="lead">(.*?)</p>`).FindAllStringSubmatch(page[strings.Index(page, "</h1>"):], 1)
		if len(m) == 0 {
			t.Fatal("no paragraph after the heading")
		}
		return strings.Join(strings.Fields(regexp.MustCompile(`<[^>]*>`).ReplaceAllString(m[0][1], "")), " ")
	}
	in := func(text string, parts ...string) {
		t.Helper()
		at := 0
		for _, p := range parts {
			i := strings.Index(text[at:], p)
			if i < 0 {
				t.Fatalf("no %q in its place in %q", p, text)
			}
			at += i
		}
	}
	res := fixture()
	in(lead(res), "through each fuzz: the amp volume changed too; all equally loud.", "Not fair: ", "1 other control moved")
	for i := range res.Checks {
		if res.Checks[i].Outcome == result.Failed {
			res.Checks[i].Outcome = result.Passed
		}
	}
	in(lead(res), "all equally loud.", "Fair, with one reservation: ")
}

func TestSettingsView(t *testing.T) {
	b, err := newBuilder(fixture(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	v := b.settings()
	if got := v.Differs.Rows[0].Group; got != "Under test" {
		t.Errorf("first group %q", got)
	}
	if n := len(v.Differs.Rows); n != 5 {
		t.Errorf("%d lines differ or may differ, want 5", n)
	}
	if want := []string{manifest.LoadCaution, manifest.InsideCaution}; !slices.Equal(v.Cautions, want) || v.Unstated != 1 {
		t.Errorf("cautions %q, unstated %d", v.Cautions, v.Unstated)
	}
	// A knob that turns 270° from 7:30, at 2:30, begins 135° to the left of 12
	// o'clock and points 75° to the right; a stepped one shows its steps. The
	// coordinates are 12 ± 10.5 · sin and cos of these angles.
	res := fixture()
	heat := &res.Settings.Slots[1].Rows[1].Values[0]
	heat.Written, heat.Kind, heat.Fraction, heat.From, heat.Travel = "2:30", "clock", 210.0/270, -135, 270
	heat.Steps = []string{"low", "mid", "high"}
	b, err = newBuilder(res, Options{})
	if err != nil {
		t.Fatal(err)
	}
	dial := ""
	for _, r := range b.settings().Differs.Rows {
		if c := r.Cells[1]; c.Text == "2:30" {
			dial = string(c.Dial)
		}
	}
	for _, part := range []string{`class="ring" d="M4.6 19.4A10.5 10.5 0 1 1 19.4 19.4"`, `class="on" d="M4.6 19.4A10.5 10.5 0 1 1 22.1 9.3"`, `cx="12" cy="1.5"`} {
		if !strings.Contains(dial, part) {
			t.Errorf("no %s in %s", part, dial)
		}
	}
	if n := strings.Count(dial, `class="st"`); n != 3 {
		t.Errorf("%d steps, want 3", n)
	}

	// What all takes have alike stands in one cell over all of them.
	for _, r := range b.settings().All.Rows {
		if r.Cells[0].Text == "bass" && (len(r.Cells) != 2 || r.Cells[1].Span != len(res.Takes) || r.Cells[1].Text != "11 o'clock") {
			t.Errorf("bass: %+v", r.Cells)
		}
		if r.Cells[0].Text == "volume" && len(r.Cells) != 1+len(res.Takes) {
			t.Errorf("volume: %+v", r.Cells)
		}
	}

	res = fixture()
	res.Settings.Slots[4].Rows[1].Differs = true
	b, err = newBuilder(res, Options{})
	if err != nil {
		t.Fatal(err)
	}
	if len(b.settings().Uncontrolled) != 1 || b.settings().Differs.Rows[0].Group != "Not held equal, and not allowed to move" {
		t.Errorf("an uncontrolled difference is not shown first: %+v", b.settings().Uncontrolled)
	}
}

func TestFootnotesAreGrouped(t *testing.T) {
	res := fixture()
	res.Takes[1].Measures[2].Warnings = append(res.Takes[1].Measures[2].Warnings, result.Cause{Words: "too short"})
	res.Takes[3].Measures[2].Warnings = append(res.Takes[3].Measures[2].Warnings, result.Cause{Words: "too short"})
	notes := collectFootnotes(sentences.Result(res))
	found := map[string]string{}
	for _, n := range notes {
		found[n.Text] = n.Where
	}
	if len(notes) != 5 || found["too short"] != "Splitting and Quarry (Open chords)" || found["shorter than 60 s: the loudness range is not stable"] != "All takes" {
		t.Errorf("%+v", notes)
	}
	if refs := notes.about("Splitting"); len(refs) != 2 {
		t.Errorf("Splitting has footnotes %v", refs)
	}
	if refs := notes.about("Leaning"); len(refs) != 0 {
		t.Errorf("what is said of all takes is not marked at each: %v", refs)
	}
}

func TestHeadView(t *testing.T) {
	p, err := newBuilder(fixture(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	if got, want := fair.Of(p.res).Counts, "1 failed, 1 caution, 1 not measured, 18 passed"; got != want {
		t.Errorf("checks: %q", got)
	}
	v := p.head().Verdict
	if v.Head != "Not fair" || len(v.Causes) != 1 || v.Causes[0].Value != "only the fuzz differs (1 other control moved)" {
		t.Errorf("%+v", v)
	}
}

// A page of one take has no sections on differences, and shows all its settings.
func TestOneTakeAlone(t *testing.T) {
	page := read(t, filepath.Join(write(t, variants()["one"]), indexName))
	for _, not := range []string{`id="differs"`, `id="likeness"`, `id="beside"`, `name="levels"`, "median of", "nothing to show", "Settings that differ"} {
		if strings.Contains(page, not) {
			t.Errorf("one take: %s", not)
		}
	}
	if !strings.Contains(page, `<details open><summary>All `) {
		t.Error("its settings are folded")
	}
}
