package cut

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"evenhand/analyze/result"
	"evenhand/examples/oracle"
	"evenhand/examples/oracle/chromium"
)

// sample is a record with awkward names.
func sample() *Record {
	return &Record{SampleRate: 48000, Frames: 48000 * 3700, Parts: []Part{
		{Take: "Leaning & Sons", Settings: `fuzz Leaning: tone "noon", level <5>`, First: 0, End: 48048},
		{Take: "  Splitting \n --> {\\an8}Dry ", Settings: "", First: 48048, End: 48000*3599 + 13},
		{Take: "<i>Splitting</i>", Settings: "fuzz Splitting: heat 2:30", First: 48000*3599 + 13, End: 48000 * 3700},
	}}
}

// parseVTT reads WebVTT strictly: header, blank lines, optional identifiers,
// timings that grow, no arrow in a text, and nothing escaped but what must be.
//
// Source: W3C, WebVTT, sections on the syntax of files, cue timings and cue
// text (from memory).
func parseVTT(t *testing.T, text string) (times [][2]int64, payload [][]string) {
	t.Helper()
	if strings.ContainsAny(text, "\r\x00") || strings.HasPrefix(text, "\ufeff") {
		t.Fatal("only plain line feeds are written")
	}
	blocks := strings.Split(strings.TrimSuffix(text, "\n"), "\n\n")
	if blocks[0] != "WEBVTT" {
		t.Fatalf("the file begins with %q", blocks[0])
	}
	timing := regexp.MustCompile(`^(\d{2,}):([0-5]\d):([0-5]\d)\.(\d{3}) --> (\d{2,}):([0-5]\d):([0-5]\d)\.(\d{3})$`)
	entity := regexp.MustCompile(`&(amp|lt|gt);`)
	for _, b := range blocks[1:] {
		lines := strings.Split(b, "\n")
		if len(lines) > 1 && !strings.Contains(lines[0], "-->") {
			lines = lines[1:] // identifier
		}
		m := timing.FindStringSubmatch(lines[0])
		if m == nil || len(lines) < 2 {
			t.Fatalf("no cue: %q", b)
		}
		ms := func(m []string) int64 {
			var v [4]int64
			for i := range v {
				v[i], _ = strconv.ParseInt(m[i], 10, 64)
			}
			return ((v[0]*60+v[1])*60+v[2])*1000 + v[3]
		}
		from, to := ms(m[1:5]), ms(m[5:9])
		if to <= from || len(times) > 0 && from < times[len(times)-1][0] {
			t.Fatalf("times do not grow: %q", lines[0])
		}
		times = append(times, [2]int64{from, to})
		var text []string
		for _, l := range lines[1:] {
			bare := entity.ReplaceAllString(l, "")
			if l == "" || strings.ContainsAny(bare, "<>&") {
				t.Fatalf("cue text %q", l)
			}
			text = append(text, strings.NewReplacer("&amp;", "&", "&lt;", "<", "&gt;", ">").Replace(l))
		}
		payload = append(payload, text)
	}
	return times, payload
}

func TestWebVTT(t *testing.T) {
	times, text := parseVTT(t, webVTT(sample()))
	wantTimes := [][2]int64{{0, 1001}, {1001, 3599000}, {3599000, 3700000}}
	if !slices.Equal(times, wantTimes) {
		t.Errorf("times %v, want %v", times, wantTimes)
	}
	for i, want := range [][]string{
		{"Leaning & Sons", `fuzz Leaning: tone "noon", level <5>`},
		{`Splitting --> {\an8}Dry`},
		{"<i>Splitting</i>", "fuzz Splitting: heat 2:30"},
	} {
		if !slices.Equal(text[i], want) {
			t.Errorf("cue %d is %q, want %q", i+1, text[i], want)
		}
	}
}

func TestSubRip(t *testing.T) {
	want := `1
00:00:00,000 --> 00:00:01,001
Leaning & Sons
fuzz Leaning: tone "noon", level (5)

2
00:00:01,001 --> 00:59:59,000
Splitting --) (\an8)Dry

3
00:59:59,000 --> 01:01:40,000
(i)Splitting(/i)
fuzz Splitting: heat 2:30
`
	if got := subRip(sample()); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// ffmpeg, an independent reader, finds the same times and texts in both files.
func TestCaptionsReadByFFmpeg(t *testing.T) {
	ffmpeg := oracle.Path(t, "ffmpeg")
	r := sample()
	dir := t.TempDir()
	for name, text := range map[string]string{captionsVTT: webVTT(r), captionsSRT: subRip(r)} {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command(ffmpeg, "-v", "error", "-i", path, "-c:s", "srt", "-f", "srt", "-").Output()
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		got := strings.ReplaceAll(string(out), "\r", "")
		for _, x := range []string{
			"00:00:00,000 --> 00:00:01,001\nLeaning & Sons\nfuzz Leaning: tone \"noon\"",
			"00:00:01,001 --> 00:59:59,000\nSplitting --",
			"00:59:59,000 --> 01:01:40,000\n",
			"fuzz Splitting: heat 2:30",
		} {
			if !strings.Contains(got, x) {
				t.Errorf("%s: ffmpeg reads\n%s\nwithout %q", name, got, x)
			}
		}
		if n := strings.Count(got, "-->"); n < 3 || n > 4 {
			t.Errorf("%s: ffmpeg finds %d arrows:\n%s", name, n, got)
		}
	}
}

// readVTT is what an independent parser and validator makes of a text; it names
// every error.
const readVTT = `(text => {
	const names = {"&amp": "&", "&amp;": "&", "&lt": "<", "&lt;": "<", "&gt": ">", "&gt;": ">"}
	const tree = new WebVTTParser(names).parse(text, "subtitles/captions/descriptions")
	const flat = n => n.children ? n.children.map(flat).join("") : n.value || ""
	return JSON.stringify({
		errors: tree.errors.map(e => e.line + ":" + e.col + ": " + e.message),
		cues: tree.cues.map(c => ({ id: c.id, from: c.startTime, to: c.endTime, text: flat(c.tree) })),
	})
})`

// An independent WebVTT parser finds no error, and each part of the edit as a cue
// with its times to the millisecond and its text.
//
// Source: npm package webvtt-parser 2.2.0, the parser and validator of the W3C's
// WebVTT work.
func TestWebVTTReadByParser(t *testing.T) {
	parser, err := os.ReadFile(filepath.Join("testdata", "webvtt-parser.js"))
	if err != nil {
		t.Fatal(err)
	}
	_, real := at44k.edit(t)
	ctx := chromium.Start(t)
	for name, r := range map[string]*Record{"sample": sample(), "an edit": real} {
		text, err := json.Marshal(webVTT(r))
		if err != nil {
			t.Fatal(err)
		}
		out, err := chromedp.Run(ctx, chromedp.Evaluate[string](string(parser)+";\n"+readVTT+"("+string(text)+")"))
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		var got struct {
			Errors []string
			Cues   []struct {
				ID, Text string
				From, To float64
			}
		}
		if err := json.Unmarshal([]byte(out), &got); err != nil {
			t.Fatalf("%s: %v: %s", name, err, out)
		}
		if len(got.Errors) > 0 || len(got.Cues) != len(r.Parts) {
			t.Fatalf("%s: %d cues for %d parts, errors %q", name, len(got.Cues), len(r.Parts), got.Errors)
		}
		for i, c := range got.Cues {
			x := r.Parts[i]
			from, to := float64(milliseconds(x.First, r.SampleRate))/1000, float64(milliseconds(x.End, r.SampleRate))/1000
			if c.ID != strconv.Itoa(i+1) || math.Abs(c.From-from) > 1e-9 || math.Abs(c.To-to) > 1e-9 || c.Text != strings.Join(caption(x), "\n") {
				t.Errorf("%s: cue %d reads %+v; want %v to %v, %q", name, i+1, c, from, to, caption(x))
			}
		}
	}
}

// The captions of a whole edit follow the cue list to a millisecond.
func TestCaptionsFollowTheCues(t *testing.T) {
	dir, rec := at44k.edit(t)
	b, err := os.ReadFile(filepath.Join(dir, captionsVTT))
	if err != nil {
		t.Fatal(err)
	}
	times, text := parseVTT(t, string(b))
	cues := readCues(t, dir)
	if len(times) != len(cues) {
		t.Fatalf("%d captions for %d cues", len(times), len(cues))
	}
	for i, q := range cues {
		for k, n := range []int{q.first, q.end} {
			if d := float64(times[i][k]) - 1000*float64(n)/float64(rec.SampleRate); d > 0.5 || d < -0.5 {
				t.Errorf("caption %d is %g ms off", i+1, d)
			}
		}
		if text[i][0] != q.take || len(text[i]) != 2 || !strings.HasPrefix(q.settings, strings.TrimSuffix(text[i][1], " …")) {
			t.Errorf("caption %d reads %q, the cue list has %q and %q", i+1, text[i], q.take, q.settings)
		}
	}
}

// What makes chapters of one take each is said, as far as there is time for it.
func TestChaptersSayWhatToDo(t *testing.T) {
	record := func(takes int, seconds ...int64) *Record {
		r := &Record{SampleRate: 48000}
		for i, s := range seconds {
			r.Parts = append(r.Parts, Part{Take: letter(i % takes), Section: fmt.Sprintf("Part %d", i+1), First: r.Frames, End: r.Frames + s*48000})
			r.Frames += s * 48000
		}
		return r
	}
	turns := *record(2, 6, 6, 6, 6)
	turns.Changes = inTurnPrefix + "each section through every take"
	for _, c := range []struct {
		r    *Record
		want string
	}{
		{record(3, 4, 4, 4), "the chapter at 0:00 joins several takes, since a chapter lasts 10 s or longer: the edit has 12 s, and 3 takes with a chapter each need about 33: play longer, or name fewer takes with --order"},
		{record(2, 6, 6, 6, 6), "the chapters at 0:00 and 0:12 join several takes, since a chapter lasts 10 s or longer: --every 11s, or sections of 11 s and longer, give each take its own"},
		{record(2, 6, 6, 6, 6, 6, 6, 6, 6, 6, 6), "the chapters at 0:00, 0:12, 0:24 and 2 more join several takes"},
		{&turns, "the chapters at 0:00 and 0:12 join several takes, since a chapter lasts 10 s or longer: --excerpt 11s, or sections of 11 s and longer, give each take its own"},
	} {
		if _, notes := chapters(c.r); len(notes) != 1 || !strings.HasPrefix(notes[0], c.want) {
			t.Errorf("notes %q, want %q", notes, c.want)
		}
	}
}

func TestChapters(t *testing.T) {
	parts := func(seconds ...float64) *Record {
		r := &Record{SampleRate: 48000}
		at := int64(0)
		for i, s := range seconds {
			end := at + int64(s*48000)
			r.Parts = append(r.Parts, Part{Take: letter(i), Section: fmt.Sprintf("Part %d", i/2+1), First: at, End: end})
			at = end
		}
		r.Frames = at
		return r
	}
	for _, c := range []struct {
		seconds []float64
		want    string
		notes   int
	}{
		{[]float64{10, 12, 30}, "0:00 Part 1: A\n0:10 Part 1: B\n0:22 Part 2: C\n", 0},
		{[]float64{4, 4, 4, 12}, "0:00 Part 1 (A, then B), Part 2 (C)\n0:12 Part 2: D\n", 1},
		{[]float64{12, 12, 4}, "0:00 Part 1: A\n0:12 Part 1 (B), Part 2 (C)\n", 1},
		{[]float64{9.99, 10}, "0:00 Part 1: A, then B\n", 1}, // 9 s and then 10 s to a reader
		{[]float64{10.5, 9.6}, "0:00 Part 1: A\n0:10 Part 1: B\n", 0},
		{[]float64{3, 3}, "0:00 Part 1: A, then B\n", 2},
		// By section, where that is long enough and a take is not.
		{[]float64{9, 9, 9, 3}, "0:00 Part 1: A, then B\n0:18 Part 2: C, then D\n", 1},
		{[]float64{2, 2, 2, 2, 1, 1, 1}, "0:00 Part 1 (A, then B), Part 2 (C, then D) and 3 more\n", 1},
		{[]float64{3599, 61, 10}, "0:00 Part 1: A\n59:59 Part 1: B\n1:01:00 Part 2: C\n", 0},
	} {
		r := parts(c.seconds...)
		list, notes := chapters(r)
		if got := chapterLines(list); got != c.want || len(notes) != c.notes {
			t.Errorf("%v: %q, notes %q; want %q and %d", c.seconds, got, notes, c.want, c.notes)
		}
		// The rule itself: from 0:00, none shorter than 10 s as written.
		for i, x := range list {
			next := r.Frames / 48000
			if i+1 < len(list) {
				next = list[i+1].At
			}
			if i == 0 && x.At != 0 || len(list) > 1 && next-x.At < 10 {
				t.Errorf("%v: chapter %d from %d to %d s", c.seconds, i+1, x.At, next)
			}
		}
	}
}

// A caption has two lines of 42 letters at most. A long name takes both; what is left out ends
// with an ellipsis, and nothing else is changed.
func TestCaptionsFit(t *testing.T) {
	long := "The splitting one with the second transistor of the other batch"
	for _, c := range []struct {
		take, settings string
		want           []string
	}{
		{"Leaning", "fuzz: drive 3 o'clock", []string{"Leaning", "fuzz: drive 3 o'clock"}},
		{"Leaning", "", []string{"Leaning"}},
		{"Leaning", "fuzz: drive 3 o'clock, colour noon, output 11 o'clock", []string{"Leaning", "fuzz: drive 3 o'clock, colour noon …"}},
		{long[:60], "fuzz: gain 5", []string{"The splitting one with the second", "transistor of the other ba"}},
		{long + " and then a few more words", "", []string{"The splitting one with the second", "transistor of the other batch and then a …"}},
		{strings.Repeat("é", 50), "gain 5", []string{strings.Repeat("é", 42), strings.Repeat("é", 8)}},
		{strings.Repeat("x", 42), "gain 5", []string{strings.Repeat("x", 42), "gain 5"}},
		{strings.Repeat("x", 100), "gain 5", []string{strings.Repeat("x", 42), strings.Repeat("x", 40) + " …"}},
	} {
		got := caption(Part{Take: c.take, Settings: c.settings})
		if !slices.Equal(got, c.want) {
			t.Errorf("%q, %q: %q, want %q", c.take, c.settings, got, c.want)
		}
		for _, l := range got {
			if n := len([]rune(l)); n > 42 || len(got) > 2 {
				t.Errorf("%q has %d letters, of %d lines", l, n, len(got))
			}
		}
	}
}

// The first chapter begins with the title card, as sites ask for one at 0:00.
func TestChaptersBeginWithTheTitle(t *testing.T) {
	r := &Record{SampleRate: 48000, Frames: 48000 * 26, Parts: []Part{{Take: "A", First: 3 * 48000, End: 11 * 48000}, {Take: "B", First: 11 * 48000, End: 21 * 48000}}}
	list, notes := chapters(r)
	if got := chapterLines(list); got != "0:00 A\n0:11 B\n" || len(notes) != 0 {
		t.Errorf("%q, notes %q", got, notes)
	}
}

// Two microphones are told of each take that has others, or once of all.
func TestMicrophonesInWords(t *testing.T) {
	pair := []result.Mic{{Name: "Coil", Position: "2 cm"}, {Name: "Ribbon", Blend: -3}}
	const words = "blend of Coil (2 cm, 0.0 dB) and Ribbon (−3.0 dB)"
	res := &result.Result{Takes: []result.Take{{Name: "One"}, {Name: "Two", Mics: pair}}}
	if one, two := underTest(res, 0), underTest(res, 1); one != "" || two != words {
		t.Errorf("takes: %q, %q", one, two)
	}
	if got := heldEqual(res); got != nil {
		t.Errorf("equal: %q", got)
	}
	res.Takes[0].Mics = pair
	if one, equal := underTest(res, 0), heldEqual(res); one != "" || !slices.Equal(equal, []string{"microphones: " + words}) {
		t.Errorf("the same in all: %q, %q", one, equal)
	}
}
