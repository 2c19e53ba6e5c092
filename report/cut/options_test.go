package cut

import (
	"errors"
	"fmt"
	"math"
	"math/big"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/cut/timecode"
)

func TestParseEvery(t *testing.T) {
	for _, c := range []struct {
		every, tempo string
		beats        int
		num, den     int64
	}{
		{"4s", "", 0, 4, 1},
		{" 2.5 s ", "", 0, 5, 2},
		{"2bars", "120", 0, 4, 1},
		{"1bar", "96", 3, 15, 8},
		{"1 bar", "92.5", 4, 96, 37}, // 240/92.5
	} {
		i, err := ParseEvery(c.every, c.tempo, c.beats)
		if err != nil || i.seconds.Cmp(big.NewRat(c.num, c.den)) != 0 {
			t.Errorf("%q at %q, %d beats: %v, %v; want %d/%d s", c.every, c.tempo, c.beats, i.seconds, err, c.num, c.den)
		}
	}
	for _, c := range []struct {
		every, tempo string
		beats        int
		says         string
	}{
		{"4", "", 0, `--every: "4" is not a length; allowed: seconds such as 4s`},
		{"-4s", "", 0, "not a length"},
		{"1e9s", "", 0, "not a length"},
		{"0.1s", "", 0, "allowed: 0.5 s or longer"},
		{"0s", "", 0, "allowed: 0.5 s or longer"},
		{"2bars", "", 0, "--tempo: bars need a tempo in beats per minute, none is stated; allowed: 20 to 400"},
		{"2bars", "fast", 0, `found "fast"`},
		{"2bars", "500", 0, "--tempo: 500 beats per minute; allowed: 20 to 400"},
		{"2bars", "120", 33, "--beats: 33 beats per bar; allowed: 1 to 32"},
		{"4s", "120", 0, "--tempo: it has no effect without --every in bars"},
		{"4s", "", 3, "--beats: it has no effect without --every in bars"},
		{"", "120", 0, "--tempo:"},
		{"", "", 3, "--beats:"},
	} {
		_, err := ParseEvery(c.every, c.tempo, c.beats)
		if option := (*OptionError)(nil); !errors.As(err, &option) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%q at %q, %d beats: %v; want %q", c.every, c.tempo, c.beats, err, c.says)
		}
	}
}

func comparison(names ...string) *manifest.Comparison {
	c := &manifest.Comparison{}
	for _, n := range names {
		c.Takes = append(c.Takes, manifest.Take{Name: n})
	}
	return c
}

func TestOptionsRefused(t *testing.T) {
	c := comparison("Leaning", "Splitting", "Sagging")
	nan, minus := unit.Seconds(math.NaN()), unit.Seconds(-1)
	for _, x := range []struct {
		o    Options
		says []string
	}{
		{Options{Order: []string{"Leaning", "Spliting"}}, []string{`--order: there is no take "Spliting"; did you mean "Splitting"?`}},
		{Options{Order: []string{"Leaning", "Zebra"}}, []string{`there is no take "Zebra"; allowed: Leaning, Splitting, Sagging`}},
		{Options{Order: []string{"splitting"}}, []string{"--order: 1 take; an edit changes between at least two"}},
		{Options{Order: []string{"splitting", "sagging", "Splitting"}, Shuffle: true}, []string{`"Splitting" is listed twice`}},
		{Options{Rate: 22050, FPS: "23.9", Fade: 1}, []string{"--rate: 22050 Hz; allowed: 44100 48000", "--fps:", "23.976, 24, 25, 29.97, 29.97df", "--fade: 1 s; allowed: 0.001 to 0.2 s"}},
		{Options{Start: "25:00:00:00"}, []string{"--start:", "allowed: 0 to 23"}},
		{Options{FPS: "29.97df", Start: "00:01:00:00"}, []string{"--start:", "type 00:01:00;02"}},
		{Options{Reach: 6}, []string{"--reach: 6 s; allowed: 0 to 5 s"}},
		{Options{Reach: nan}, []string{"--reach:"}},
		{Options{Fade: nan}, []string{"--fade:"}},
		{Options{Report: "report/index.html"}, []string{`--report: "report/index.html" is no address of a page; allowed: one such as https://`}},
		{Options{Report: "https://example.org/a\nb"}, []string{"--report:"}},
		{Options{From: &minus}, []string{"--from:", "it has no effect without --every"}},
	} {
		err := x.o.Check(c)
		if option := (*OptionError)(nil); !errors.As(err, &option) {
			t.Errorf("%+v: %v is no OptionError", x.o, err)
			continue
		}
		for _, want := range x.says {
			if !strings.Contains(err.Error(), want) {
				t.Errorf("%+v: %v; want %q", x.o, err, want)
			}
		}
	}
	if err := (Options{Order: []string{" splitting", "Sagging "}}).Check(c); err != nil {
		t.Errorf("names with spaces around them: %v", err)
	}
	// A list split at each comma, also at those within names: the longest name
	// counts.
	c = comparison("Coil", "Coil, edge", "Coil, edge, again", "Ribbon")
	for order, want := range map[string][]int{
		"Coil, edge,Coil":                     {1, 0},
		"Coil, edge, again,ribbon,Coil, edge": {2, 3, 1},
		"coil-edge,coil-edge-again":           {1, 2},
	} {
		if got, err := takeOrder(Options{Order: strings.Split(order, ",")}, c); err != nil || !slices.Equal(got, want) {
			t.Errorf("%s: %v, %v; want %v", order, got, err, want)
		}
	}
	if _, err := takeOrder(Options{Order: []string{"Ribbon", "Coil", " egde"}}, c); err == nil || !strings.Contains(err.Error(), `there is no take "egde"; did you mean "Coil, edge"?`) && !strings.Contains(err.Error(), `allowed: Coil; Coil, edge; Coil, edge, again; Ribbon`) {
		t.Errorf("got %v", err)
	}
}

func TestEveryLongerThanThePerformance(t *testing.T) {
	s := at48k.session(t)
	every, err := ParseEvery("20s", "", 0)
	if err != nil {
		t.Fatal(err)
	}
	_, err = Write(t.Context(), t.TempDir(), s, Options{Every: every})
	if option := (*OptionError)(nil); !errors.As(err, &option) || !strings.Contains(err.Error(), "leaves no place for a change of take in the performance of 11.9") {
		t.Errorf("got %v", err)
	}
}

// The shuffle is fair: over many seeds each of the six orders of three takes
// comes up about as often. (χ² with 5 degrees of freedom is above 20.5 once in
// 1000 times; the seeds are fixed, so this does not flicker.)
func TestShuffleIsFair(t *testing.T) {
	c := comparison("A", "B", "C")
	count := map[string]float64{}
	const n = 6000
	for seed := range uint64(n) {
		order, err := takeOrder(Options{Shuffle: true, Seed: seed}, c)
		if err != nil {
			t.Fatal(err)
		}
		sorted := slices.Clone(order)
		slices.Sort(sorted)
		if !slices.Equal(sorted, []int{0, 1, 2}) {
			t.Fatalf("seed %d: %v", seed, order)
		}
		count[fmt.Sprint(order)]++
	}
	chi := 0.0
	for _, k := range count {
		chi += (k - n/6) * (k - n/6) / (n / 6)
	}
	if len(count) != 6 || chi > 20.5 {
		t.Errorf("orders %v: χ² %.1f", count, chi)
	}
}

// What a key file says today must be true of the same seed in any later
// version.
func TestShuffleStays(t *testing.T) {
	c := comparison("0", "1", "2", "3", "4", "5")
	for seed, want := range map[uint64][]int{1: {4, 5, 0, 2, 1, 3}} {
		got, err := takeOrder(Options{Shuffle: true, Seed: seed}, c)
		if err != nil || !slices.Equal(got, want) {
			t.Errorf("seed %d gives %v, %v; want %v", seed, got, err, want)
		}
	}
}

func TestLetters(t *testing.T) {
	for i, want := range map[int]string{0: "A", 25: "Z", 26: "AA", 51: "AZ", 52: "BA", 701: "ZZ", 702: "AAA"} {
		if got := letter(i); got != want {
			t.Errorf("letter %d is %s, want %s", i, got, want)
		}
	}
}

// The last cut of an hour is within half a sample of its frame of the camera,
// at every rate, by fractions of any size.
func TestLastCutOfAnHour(t *testing.T) {
	half := big.NewRat(1, 2)
	for _, name := range timecode.Names() {
		fps, err := timecode.Parse(name)
		if err != nil {
			t.Fatal(err)
		}
		for _, rate := range Rates() {
			start, err := fps.Frame("01:00:00:00")
			if err != nil {
				t.Fatal(err)
			}
			p := &plan{fps: fps, start: start, rate: rate, frames: int64(rate) * 3600}
			wanted := int64(rate)*3598 + 12345
			candidates := p.candidates(wanted-int64(rate)/4, wanted+int64(rate)/4, wanted)
			if len(candidates) < 11 {
				t.Errorf("%s: %d places for a cut in half a second", name, len(candidates))
			}
			for _, s := range append(candidates, p.candidates(wanted, wanted, wanted)...) {
				frame, err := fps.Frame(p.timecode(s))
				if err != nil {
					t.Fatal(err)
				}
				num, den := fps.PerSecond()
				exact := new(big.Rat).Mul(big.NewRat((frame-start)*int64(rate), 1), big.NewRat(den, num))
				exact.Sub(exact, big.NewRat(s, 1))
				if exact.Abs(exact).Cmp(half) > 0 {
					t.Errorf("%s at %d Hz: a cut at sample %d is %s samples from %s", name, rate, s, exact.FloatString(3), p.timecode(s))
				}
			}
		}
	}
}

// A section too close to another, and one that meets it without a gap.
func TestWantedAtSections(t *testing.T) {
	rate := 48000
	span := func(name string, from, to float64) result.Span {
		return result.Span{Name: name, FirstFrame: unit.Frames(from * 48000), Frames: unit.Frames((to - from) * 48000)}
	}
	res := &result.Result{}
	res.Timeline.SampleRate = rate
	whole := span("Whole", 1, 31)
	res.Timeline.Spans = []result.Span{whole, span("One", 2, 8), span("Two", 8, 12), span("Three", 14, 20), span("Four", 14.3, 25)}
	p := &plan{res: res, rate: rate, frames: 30 * 48000, whole: whole}
	cuts, names, err := p.wanted()
	if err != nil {
		t.Fatal(err)
	}
	// Less the second before the timeline that takes share; the gap from 12 to
	// 14 s is cut in its middle; Four begins 1.3 s after that, so it is kept.
	if want := []int64{7 * 48000, 12 * 48000, 638400}; !slices.Equal(cuts, want) || !slices.Equal(names, []string{"One", "Two", "Three", "Four"}) {
		t.Errorf("cuts %v of %v, want %v", cuts, names, want)
	}
	res.Timeline.Spans[4] = span("Four", 13.2, 25)
	res.Timeline.Spans[3] = span("Three", 13, 13.4)
	if cuts, names, err = p.wanted(); err != nil || len(cuts) != 3 {
		t.Errorf("cuts %v of %v, %v", cuts, names, err)
	}
	res.Timeline.Spans[4] = span("Four", 12.7, 25)
	res.Timeline.Spans[3] = span("Three", 12.4, 12.6)
	if cuts, names, err = p.wanted(); err != nil || !slices.Equal(names, []string{"One", "Two", "Three, Four"}) || len(p.notes) != 1 {
		t.Errorf("cuts %v of %v, notes %v, %v", cuts, names, p.notes, err)
	}
	res.Timeline.Spans = res.Timeline.Spans[:1]
	if _, _, err := p.wanted(); err == nil || !strings.Contains(err.Error(), "has no sections") {
		t.Errorf("without sections: %v", err)
	}
}

// Without an order an edit plays the contestants. Others play when they are named,
// but for a repeat among takes to guess. A line says which takes are not heard.
func TestContestantsPlay(t *testing.T) {
	c := comparison("Leaning", "Wire", "Splitting", "Splitting again", "Hall")
	c.Takes[1].Role, c.Takes[3].RepeatOf, c.Takes[4].Role = manifest.RoleBypass, "Splitting", manifest.RoleRoom
	for _, x := range []struct {
		o    Options
		want []int
		says string
	}{
		{Options{}, []int{0, 2}, ""},
		{Options{Order: []string{"Wire", "Splitting again", "Hall"}}, []int{1, 3, 4}, ""},
		{Options{Order: []string{"Wire", "Splitting"}, Shuffle: true, Seed: 1}, []int{1, 2}, ""},
		{Options{Order: []string{"Splitting", "Splitting again"}, Shuffle: true}, nil, `--order: "Splitting again" repeats "Splitting"`},
	} {
		got, err := takeOrder(x.o, c)
		if !slices.Equal(got, x.want) || (err == nil) != (x.says == "") || err != nil && !strings.Contains(err.Error(), x.says) {
			t.Errorf("%+v: %v, %v; want %v, %q", x.o, got, err, x.want, x.says)
		}
	}
	for seed := range uint64(20) {
		if got, err := takeOrder(Options{Shuffle: true, Seed: seed}, c); err != nil || len(got) != 2 || got[0]+got[1] != 2 {
			t.Errorf("seed %d: %v, %v", seed, got, err)
		}
	}
	alone := &manifest.Comparison{Takes: c.Takes[:2]}
	if _, err := takeOrder(Options{}, alone); err == nil || !strings.Contains(err.Error(), `such as --order "Leaning,Wire"`) {
		t.Errorf("one contestant: %v", err)
	}

	res := &result.Result{}
	for _, k := range c.Takes {
		res.Takes = append(res.Takes, result.Take{Name: k.Name, Slug: manifest.Slug(k.Name)})
	}
	for _, x := range []struct {
		shuffle   bool
		parts     int
		files     int
		unheard   []string
		notes     []string
		neverSaid string
	}{
		{false, 4, 5, []string{"Wire", "Splitting again", "Hall"}, []string{"only as files in takes: Wire, Splitting again, Hall; --include or --order adds them"}, "has room"},
		{false, 1, 5, []string{"Wire", "Splitting", "Splitting again", "Hall"}, []string{"only as files in takes: Splitting; it has room for 1 of 2 takes", "Wire, Splitting again, Hall"}, ""},
		{true, 4, 2, nil, []string{"not among the takes to guess: 3 of 5"}, "Wire"},
	} {
		p := &plan{res: res, o: Options{Shuffle: x.shuffle}}
		p.cast([]int{0, 2}, x.parts)
		notes := strings.Join(p.notes, "\n")
		if len(p.voices) != x.files || !slices.Equal(p.unheard, x.unheard) || x.neverSaid != "" && strings.Contains(notes, x.neverSaid) {
			t.Errorf("%+v: %d files, %q not heard, notes %q", x, len(p.voices), p.unheard, notes)
		}
		for _, want := range x.notes {
			if !strings.Contains(notes, want) {
				t.Errorf("%+v: no %q in %q", x, want, notes)
			}
		}
	}
}
