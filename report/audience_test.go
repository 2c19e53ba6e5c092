package report

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/listening"
	"evenhand/analyze/result"
	"evenhand/examples/campaign"
	"evenhand/report/audience"
	"evenhand/report/folder"
	"evenhand/report/tables"
)

// heardBy returns a result with the answers of invented listeners: of each, as
// many of the three kinds as are asked for. The first take wins the share
// first of its pairs; other pairs are even.
func heardBy(res *result.Result, listeners int, first float64, kinds ...listening.Kind) *result.Result {
	rng := rand.New(rand.NewPCG(5, uint64(listeners)))
	takes := res.Ranked()
	n := len(takes)
	vote := func(p float64) listening.Outcome {
		switch {
		case rng.Float64() < 0.2:
			return listening.Tie
		case rng.Float64() < p:
			return listening.First
		}
		return listening.Second
	}
	var text strings.Builder
	for i := range listeners {
		for _, kind := range kinds {
			a := listening.Answer{Kind: kind, Comparison: res.AudioID(), Nonce: fmt.Sprintf("%010x", 0x1000000000+i), Takes: n}
			switch kind {
			case listening.KindPreference:
				p := &listening.Preference{SameTake: rng.IntN(n), Same: vote(0.5)}
				for x := range n {
					for range n - x - 1 {
						share := 0.5
						if x == 0 {
							share = first
						}
						p.Pairs = append(p.Pairs, vote(share))
					}
				}
				a.Preference = p
			case listening.KindTrials:
				t := &listening.Trials{A: 0, B: 1 + i%2, Planned: 16, Done: 16}
				for range t.Done {
					if right := 0.5 + 0.35*float64(1-i%2); rng.Float64() < right {
						t.Correct++
					}
				}
				a.Trials = t
			case listening.KindRatings:
				r := &listening.Ratings{Hidden: 90 + rng.IntN(11), Anchor: rng.IntN(25)}
				for x := range n {
					r.Takes = append(r.Takes, max(0, 70-12*x+rng.IntN(30)))
				}
				a.Ratings = r
			}
			code, err := listening.Encode(a)
			if err != nil {
				panic(err)
			}
			fmt.Fprintf(&text, "%s\n", code)
		}
	}
	tally, err := listening.Tally(listening.Find(strings.NewReader(text.String())), takes, res.AudioID())
	if err != nil {
		panic(err)
	}
	res.Audience = &tally
	return res
}

var allKinds = []listening.Kind{listening.KindPreference, listening.KindTrials, listening.KindRatings}

func TestAudienceFindings(t *testing.T) {
	p, err := newBuilder(heardBy(fixture(), 60, 0.85, allKinds...), Options{})
	if err != nil {
		t.Fatal(err)
	}
	v := p.audience()
	words := v.Preferences.Told.Lead + "\n" + strings.Join(v.Preferences.Told.Findings, "\n") + "\n" + v.Preferences.Zero
	for _, want := range []string{"In 3 of 6 pairs more listeners preferred", "Leaning was preferred to Splitting by", "The zero line: of 60 listeners"} {
		if !strings.Contains(words, want) {
			t.Errorf("no %q in:\n%s", want, words)
		}
	}
	// The even pairs are not findings, nor is what was answered about the bypass and
	// the repeat: what is told are the first take's three.
	if n := strings.Count(words, " was preferred to "); n != 3 || strings.Contains(words, "Splitting was preferred") {
		t.Errorf("%d findings:\n%s", n, words)
	}
	bold := 0
	for _, r := range v.Preferences.Pairs.Table.Rows {
		if r.Class == "differs" {
			bold++
		}
	}
	if bold != 3 || len(v.Preferences.Pairs.Table.Rows) != 16 {
		t.Errorf("%d of %d lines are bold", bold, len(v.Preferences.Pairs.Table.Rows))
	}
	if w := strings.Join(v.Trials.Told.Findings, "\n"); !strings.Contains(w, "Leaning and Splitting were told apart") || strings.Contains(w, "Lanternfish") {
		t.Errorf("told apart:\n%s", w)
	}
	if len(v.Caveats) < 5 || !strings.Contains(v.Caveats[0], "chose themselves") {
		t.Errorf("caveats %q", v.Caveats)
	}
	if s := string(v.Preferences.Order.SVG); strings.Count(s, `class="join"`) != 4 || !strings.Contains(s, `class="zero"`) {
		t.Errorf("order of preference: %.400s", s)
	}
}

// What was answered about a bypass or a repeat stays in tables and files, below the
// pairs that are ranked. A tally of an earlier version, which ranked them, is shown
// as it was.
func TestAudienceAside(t *testing.T) {
	res := fixture()
	takes, text := res.Ranked(), ""
	again := slices.IndexFunc(res.Takes, func(t result.Take) bool { return t.RepeatOf == "Leaning" })
	for i := range 12 {
		code, err := listening.Encode(listening.Answer{Kind: listening.KindTrials, Comparison: res.AudioID(), Nonce: fmt.Sprintf("%010x", i), Takes: len(takes),
			Trials: &listening.Trials{A: 0, B: again, Planned: 16, Done: 16, Correct: 13}})
		if err != nil {
			t.Fatal(err)
		}
		text += code + "\n"
	}
	show := func(takes []listening.Take) (*audience.View, string) {
		tally, err := listening.Tally(listening.Find(strings.NewReader(text)), takes, res.AudioID())
		if err != nil {
			t.Fatal(err)
		}
		res.Audience = &tally
		p, err := newBuilder(res, Options{})
		if err != nil {
			t.Fatal(err)
		}
		csv := ""
		for _, r := range rowsOf(t, res, tables.Trials) {
			csv += strings.Join(r, ",")
		}
		return p.audience(), csv
	}
	view, csv := show(takes)
	v := view.Trials
	rows := v.Pairs.Table.Rows
	if v.Told.Lead != "" || len(rows) != 1 || !strings.HasPrefix(rows[0].Group, "Not ranked") || !strings.HasSuffix(csv, ",no") {
		t.Errorf("%q, rows %+v, CSV %s", v.Told.Lead, rows, csv)
	}
	if w := strings.Join(v.Same, " "); !strings.Contains(w, "Leaning and Leaning again are two recordings of one setting. 156 of 192 answers about them were right: 81") {
		t.Errorf("about the repeat: %q", w)
	}
	for i := range takes {
		takes[i].Aside = false
	}
	view, csv = show(takes)
	v = view.Trials
	if w := strings.Join(v.Told.Findings, " "); len(v.Same) > 0 || !strings.Contains(w, "Both are recordings of the same take") || !strings.HasSuffix(csv, ",yes") {
		t.Errorf("a tally that ranks the repeat: %q, %q, CSV %s", w, v.Same, csv)
	}
}

// Without a difference nothing is told as a finding, and every kind of answer
// that is missing leaves its part out.
func TestAudienceWithoutFindings(t *testing.T) {
	for _, c := range []struct {
		listeners int
		kinds     []listening.Kind
	}{{40, allKinds[:1]}, {1, allKinds}, {3, allKinds[1:2]}, {4, allKinds[2:]}} {
		res := heardBy(fixture(), c.listeners, 0.5, c.kinds...)
		p, err := newBuilder(res, Options{})
		if err != nil {
			t.Fatal(err)
		}
		v := p.audience()
		whole, err := json.Marshal(v)
		if err != nil {
			t.Fatal(err)
		}
		findings := []string{"was preferred to", "was rated closer"}
		if !slices.Contains(c.kinds, listening.KindTrials) { // of which one pair is told apart
			findings = append(findings, `"differs"`)
		}
		for _, finding := range findings {
			if strings.Contains(string(whole), finding) {
				t.Errorf("%d listeners, %v: a finding is told: %s", c.listeners, c.kinds, finding)
			}
		}
		if (v.Preferences != nil) != (len(res.Audience.Preferences.Pairs) > 0) || (v.Trials != nil) != (len(res.Audience.Discrimination.Pairs) > 0) || (v.Ratings != nil) != (res.Audience.Ratings.Readers > 0) {
			t.Errorf("%v: parts %v %v %v", c.kinds, v.Preferences, v.Trials, v.Ratings)
		}
	}
	if p, err := newBuilder(fixture(), Options{}); err != nil || p.audience() != nil {
		t.Errorf("a report without answers has a part about them: %v, %v", p.audience(), err)
	}
}

// One listener who preferred the same take every time leaves no finite estimate:
// the plot is grey and says so.
func TestAudienceOrderNotEstimable(t *testing.T) {
	res := heardBy(fixtureOf(fixtureTakes[:2]), 1, 1, listening.KindPreference)
	if res.Audience.Preferences.Estimable {
		t.Fatal("the invented answers are estimable")
	}
	p, err := newBuilder(res, Options{})
	if err != nil {
		t.Fatal(err)
	}
	f := p.audience().Preferences.Order
	if !strings.Contains(string(f.SVG), `class="grey"`) || !strings.Contains(f.Words[0], "rough guide") {
		t.Errorf("%q %s", f.Words, f.SVG)
	}
}

// committed writes a result as build does, with audio that Published names.
func committed(t *testing.T, res *result.Result) string {
	t.Helper()
	dir := filepath.Join(t.TempDir(), "report")
	d, err := folder.Begin(dir, folder.Report)
	if err != nil {
		t.Fatal(err)
	}
	names := []string{"photos/other.jpg"}
	for i := range res.Takes {
		p := res.Takes[i].Published
		piece := pieceDir + "/" + res.Takes[i].Slug + ".1.flac"
		p.Pieces = []result.Piece{{Path: piece, Frames: p.Frames, SHA256: fixtureHash(piece), Bytes: int64(len(piece))}}
		names = append(names, p.Path, piece)
	}
	for _, name := range names {
		path := filepath.Join(d.Dir, filepath.FromSlash(name))
		if err := errors.Join(os.MkdirAll(filepath.Dir(path), 0o777), os.WriteFile(path, []byte(name), 0o666)); err != nil {
			t.Fatal(err)
		}
	}
	if err := errors.Join(Write(d.Dir, res, Options{Manifest: []byte("title: Test\n")}), d.Commit()); err != nil {
		t.Fatal(err)
	}
	return dir
}

// A report written anew holds all that it held, with the new part; taking the
// part away again gives the first bytes.
func TestRenew(t *testing.T) {
	dir := committed(t, fixture())
	renew := func(change func(*result.Result)) {
		t.Helper()
		res, err := Read(dir)
		if err != nil {
			t.Fatal(err)
		}
		change(res)
		d, err := folder.Begin(dir, folder.Report)
		if err != nil {
			t.Fatal(err)
		}
		if err := errors.Join(Renew(dir, d.Dir, res), d.Commit()); err != nil {
			t.Fatal(err)
		}
	}
	// Stored numbers have four decimals, so the plots can move by a hair once.
	renew(func(r *result.Result) {})
	before := read(t, filepath.Join(dir, folder.Sums))
	renew(func(r *result.Result) { heardBy(r, 12, 0.7, allKinds...) })
	if page := read(t, filepath.Join(dir, "index.html")); !strings.Contains(page, `<section id="audience"`) || !strings.Contains(page, `href="#audience"`) {
		t.Error("the page has no part about the listeners")
	}
	if read(t, filepath.Join(dir, "photos", "other.jpg")) != "photos/other.jpg" || read(t, filepath.Join(dir, "audio", "splitting.flac")) != "audio/splitting.flac" {
		t.Error("files that do not follow from the result were not carried over")
	}
	if read(t, filepath.Join(dir, folder.Sums)) == before {
		t.Error("nothing changed")
	}
	// What was read back once is read back the same again.
	renew(func(r *result.Result) {})
	renew(func(r *result.Result) { r.Audience = nil })
	if got := read(t, filepath.Join(dir, folder.Sums)); got != before {
		t.Errorf("taken away again, files differ:\n%s\n%s", got, before)
	}
}

// While a report is written anew, the one in place keeps every byte, although
// files are linked.
func TestRenewLeavesSourceAlone(t *testing.T) {
	dir := committed(t, fixture())
	before := read(t, filepath.Join(dir, "index.html"))
	dst := t.TempDir()
	res, err := Read(dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := Renew(dir, dst, heardBy(res, 5, 0.5, allKinds...)); err != nil {
		t.Fatal(err)
	}
	if read(t, filepath.Join(dir, "index.html")) != before || read(t, filepath.Join(dst, "index.html")) == before {
		t.Error("the page in place was changed")
	}
	d, err := folder.Begin(dir, folder.Report) // checks every hash
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Discard(); err != nil {
		t.Error(err)
	}
	// The scripts with pieces are there again, as files of their own.
	const script = "audio/pieces/splitting.1.js"
	a, err := os.Stat(filepath.Join(dir, script))
	if err != nil {
		t.Fatal(err)
	}
	b, err := os.Stat(filepath.Join(dst, script))
	if err != nil || os.SameFile(a, b) || a.Size() != b.Size() {
		t.Errorf("%v %v, %v", a, b, err)
	}
}

func TestReadRefusesOtherVersions(t *testing.T) {
	dir := committed(t, fixture())
	path := filepath.Join(dir, result.FileName)
	text := []byte(read(t, path))
	for name, other := range map[string][]byte{
		"a field that this version does not know": bytes.Replace(text, []byte(`{`), []byte(`{"later": 1,`), 1),
		"a field that is missing":                 bytes.Replace(text, []byte(`"confidence": 5.2,`), nil, 1),
	} {
		if bytes.Equal(other, text) {
			t.Fatal(name, "nothing was changed")
		}
		if err := os.WriteFile(path, other, 0o666); err != nil {
			t.Fatal(err)
		}
		if _, err := Read(dir); !errors.Is(err, ErrOtherVersion) {
			t.Errorf("%s: error %v", name, err)
		}
	}
	if _, err := Read(t.TempDir()); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no report: error %v", err)
	}
}

// What listeners heard adds at most 20 kB to the page, however many takes there
// are; every pair is in the tables for download, and on the page those with the
// clearest answers.
func TestAudienceWeight(t *testing.T) {
	campaign.Serial(t)
	for _, n := range []int{3, 8, listening.MaxTakes} {
		takes := make([]fixtureTake, n)
		for i := range takes {
			takes[i] = fixtureTakes[i%4]
			takes[i].name = fmt.Sprintf("Circuit number %d", i+1)
		}
		plain := len(read(t, filepath.Join(write(t, fixtureOf(takes)), "index.html")))
		res := heardBy(fixtureOf(takes), 60, 0.85, allKinds...)
		dir := write(t, res)
		page := read(t, filepath.Join(dir, "index.html"))
		t.Logf("%d takes: %d bytes more", n, len(page)-plain)
		if len(page)-plain > 20_000 {
			t.Errorf("%d takes: what listeners heard adds %d bytes", n, len(page)-plain)
		}
		pairs := n * (n - 1) / 2
		for name, want := range map[string]int{tables.Preferences: pairs, tables.Trials: len(res.Audience.Discrimination.Pairs), tables.Ratings: len(res.Audience.Ratings.Differences)} {
			if got := strings.Count(read(t, filepath.Join(dir, name)), "\n") - 1; got != want {
				t.Errorf("%d takes: %s has %d pairs, expected %d", n, name, got, want)
			}
			if !strings.Contains(read(t, filepath.Join(dir, detailsName)), `href="`+name+`"`) {
				t.Errorf("%d takes: the details do not offer %s", n, name)
			}
		}
		p, err := newBuilder(res, Options{})
		if err != nil {
			t.Fatal(err)
		}
		v := p.audience().Preferences.Pairs
		want := pairs
		if pairs > audience.PairsAll {
			want = audience.PairsClearest
		}
		if shown := len(v.Table.Rows) - 1; shown != want || (v.Rest == "") != (want == pairs) {
			t.Errorf("%d takes: %d of %d pairs are shown, %q", n, shown, pairs, v.Rest)
		}
		bold := 0
		for _, r := range v.Table.Rows {
			if r.Class == "differs" {
				bold++
			}
		}
		real := 0
		for _, q := range res.Audience.Preferences.Pairs {
			if q.PHolm <= listening.UsualAlpha {
				real++
			}
		}
		if bold != min(real, want) {
			t.Errorf("%d takes: %d of %d findings are shown", n, bold, real)
		}
	}
}
