package cut

import (
	"errors"
	"math"
	"math/big"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/cut/timecode"
)

// In turns each block, less its take's file from the stated place on, is zero to the
// sample outside the fades: under −100 dB and any other limit. All begin on frames of the
// camera, blocks of one section are equally long, and before and after is silence.
func TestTurnsHoldEachTakeWhereTheCueListSays(t *testing.T) {
	for _, c := range []struct {
		name   string
		sc     *scenario
		o      Options
		parts  int
		frames []int64 // of each section's blocks; nil: not stated
	}{
		{"sections", at48k, Options{Turns: true, Reach: DefaultReach}, 9, nil},
		{"with cards", at48k, Options{Turns: true, Reach: DefaultReach, FPS: "29.97df", Start: "01:00:00:00", Title: 2, Closing: 3, Sections: []string{"chords", "Riff"}}, 6, nil},
		{"excerpts", at44k, Options{Turns: true, Reach: DefaultReach, FPS: "23.98", Excerpt: 1.5, Order: []string{"Plain wire", "leaning"}}, 6, []int64{36}},
		{"a short", at48k, Options{Turns: true, Reach: DefaultReach, FPS: "30", Total: 9, Title: 1, Closing: 1, Sections: []string{"Riff again"}}, 3, []int64{70}},
		{"guess", at48k, Options{Turns: true, Shuffle: true, Seed: 5, Sections: []string{"Riff"}}, 3, nil},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir, rec := write(t, c.sc, c.o)
			edit, info := mono(t, dir, editFile)
			cues := readCues(t, dir)
			if len(cues) != c.parts || len(rec.Parts) != c.parts || len(info.Cues) != c.parts {
				t.Fatalf("%d lines in the cue list, %d parts, %d markers; want %d", len(cues), len(rec.Parts), len(info.Cues), c.parts)
			}
			takes := map[string][]float64{}
			for _, a := range rec.Audio {
				takes[a.Path], _ = mono(t, dir, a.Path)
			}
			fps, err := timecode.Parse(c.o.withDefaults().FPS)
			if err != nil {
				t.Fatal(err)
			}
			if int64(len(edit)) != rec.Frames || float64(cues[0].first) < (float64(c.o.Title)-0.05)*float64(rec.SampleRate) || rec.NotHeard == nil {
				t.Errorf("%d samples of %d, the first take begins at %d; not heard %q", len(edit), rec.Frames, cues[0].first, rec.NotHeard)
			}
			for n := range cues[0].first {
				if edit[n] != 0 {
					t.Fatalf("sample %d of the title is %g", n, edit[n])
				}
			}
			blocks := map[string]int64{}
			for i, q := range cues {
				x := rec.Parts[i]
				for n := x.FadeIn[1]; n < x.FadeOut[0]; n++ {
					if got, want := edit[n], takes[q.file][n-int64(q.first)+int64(q.source)]; got != want {
						t.Fatalf("part %d: sample %d of the edit is %g, in %s it is %g", i+1, n, got, q.file, want)
					}
				}
				if i > 0 {
					checkFade(t, edit, takes[cues[i-1].file], takes[q.file], cues[i-1], q)
				}
				from := fps.FrameAt(int64(q.first), rec.SampleRate)
				to := fps.FrameAt(int64(q.end), rec.SampleRate)
				if fps.Sample(from, rec.SampleRate) != int64(q.first) || fps.Sample(to, rec.SampleRate) != int64(q.end) || fps.Sample(fps.FrameAt(int64(q.source), rec.SampleRate), rec.SampleRate) != int64(q.source) {
					t.Errorf("part %d: samples %d to %d from %d of its file are on no frames", i+1, q.first, q.end, q.source)
				}
				checkTimecode(t, rec, q, false)
				if was, ok := blocks[q.section]; ok && was != to-from {
					t.Errorf("part %d has %d frames, another take of %q %d", i+1, to-from, q.section, was)
				}
				blocks[q.section] = to - from
				if c.frames != nil && to-from != c.frames[0] {
					t.Errorf("part %d has %d frames, want %d", i+1, to-from, c.frames[0])
				}
			}
			for n := cues[len(cues)-1].end; n < len(edit); n++ {
				if edit[n] != 0 {
					t.Fatalf("sample %d of the closing is %g", n, edit[n])
				}
			}
			if c.o.Total != 0 {
				num, den := fps.PerSecond()
				if d := math.Abs(float64(len(edit))/float64(rec.SampleRate) - float64(c.o.Total)); d > float64(den)/float64(num) {
					t.Errorf("the edit lasts %d samples", len(edit))
				}
			}
			if rec.Failed() {
				t.Errorf("checks: %+v", rec.Checks)
			}
		})
	}
}

// paper is a plan of takes of 60 s with these sections and pauses, in seconds, without audio.
func paper(t *testing.T, fps string, rate, takes int, o Options, sections, pauses [][2]float64) *plan {
	t.Helper()
	f, err := timecode.Parse(fps)
	if err != nil {
		t.Fatal(err)
	}
	span := func(name string, x [2]float64) result.Span {
		from, to := int64(math.Round(x[0]*float64(rate))), int64(math.Round(x[1]*float64(rate)))
		return result.Span{Name: name, FirstFrame: unit.Frames(from), Frames: unit.Frames(to - from)}
	}
	res := &result.Result{}
	res.Timeline.SampleRate = rate
	whole := span("Whole", [2]float64{0, 60})
	res.Timeline.Spans = []result.Span{whole}
	for i, s := range sections {
		res.Timeline.Spans = append(res.Timeline.Spans, span("Part "+letter(i), s))
	}
	for _, s := range pauses {
		res.Timeline.Pauses = append(res.Timeline.Pauses, span("", s))
	}
	o.Turns = true
	p := &plan{res: res, o: o, fps: f, rate: rate, frames: 60 * int64(rate), fade: int64(rate) / 50, whole: whole}
	var order []int
	for i := range takes {
		p.voices = append(p.voices, voice{take: i, shown: letter(i)})
		order = append(order, i)
	}
	p.lead = f.Sample(p.framesIn(o.Title), rate)
	if p.turns, err = p.sections(); err != nil {
		t.Fatal(err)
	}
	p.layTurns(order)
	return p
}

// The last cut of more than an hour is within half a sample of its frame, whatever the rates:
// nothing adds up. In exact fractions: frames·rate·1001/30000 and the like.
func TestLastCutOfAnHourInTurns(t *testing.T) {
	half := big.NewRat(1, 2)
	for _, name := range timecode.Names() {
		for _, rate := range []int{44100, 48000, 96000} {
			p := paper(t, name, rate, 75, Options{Excerpt: 50, Title: 2.5}, [][2]float64{{3, 57}}, nil)
			if err := p.placeTurns(t.Context(), ""); err != nil {
				t.Fatal(err)
			}
			num, den := p.fps.PerSecond()
			frame := p.framesIn(2.5)
			for i, x := range p.parts {
				exact := new(big.Rat).Mul(big.NewRat(frame*int64(rate), 1), big.NewRat(den, num))
				exact.Sub(exact, big.NewRat(x.cut, 1))
				if exact.Abs(exact).Cmp(half) > 0 {
					t.Fatalf("%s at %d Hz: cut %d at sample %d is %s samples from frame %d", name, rate, i+1, x.cut, exact.FloatString(3), frame)
				}
				frame += p.turns[0].frames[i]
			}
			if last := p.parts[len(p.parts)-1].cut; last < 3600*int64(rate) {
				t.Fatalf("the last cut is at %d samples, before an hour is over", last)
			}
		}
	}
}

// A short of 30 s lasts 30 s, to half a frame, for any number of takes and at any rate, cards
// included; blocks differ by a frame at most.
func TestShortOf30Seconds(t *testing.T) {
	for _, name := range timecode.Names() {
		for _, takes := range []int{2, 4, 7, 16} {
			p := paper(t, name, 48000, takes, Options{Total: 30, Title: 1.5, Closing: 2.5}, [][2]float64{{3, 25}}, nil)
			if err := p.placeTurns(t.Context(), ""); err != nil {
				t.Fatal(err)
			}
			num, den := p.fps.PerSecond()
			if d := math.Abs(float64(p.length)/48000 - 30); d > 0.5*float64(den)/float64(num)+0.5/48000 {
				t.Errorf("%s, %d takes: %d samples", name, takes, p.length)
			}
			n := p.turns[0].frames
			if slices.Max(n)-slices.Min(n) > 1 || len(n) != takes {
				t.Errorf("%s, %d takes: blocks of %v frames", name, takes, n)
			}
		}
	}
}

// An excerpt begins with its section, or later where it then begins and ends in pauses.
func TestExcerptEndsInAPause(t *testing.T) {
	sections := [][2]float64{{10, 30}}
	for _, c := range []struct {
		name     string
		pauses   [][2]float64
		from, to float64 // of the excerpt
		inPause  bool
	}{
		{"none", nil, 10, 15, false},
		{"at its end", [][2]float64{{14.8, 15.2}}, 10, 15, true},
		// From 12.28 s it ends at 17.28 s; the pause before goes on until 12.3 s.
		{"at a later one", [][2]float64{{11.9, 12.3}, {17.1, 17.5}}, 12.28, 17.28, true},
		{"of two the first", [][2]float64{{11.9, 12.3}, {17.1, 17.5}, {22, 22.6}}, 12.28, 17.28, true},
		{"after the section", [][2]float64{{28, 28.5}, {33, 33.5}}, 10, 15, false},
	} {
		p := paper(t, "25", 48000, 2, Options{Excerpt: 5}, sections, c.pauses)
		if err := p.placeTurns(t.Context(), ""); err != nil {
			t.Fatal(err)
		}
		// The camera's frame, and the fade before it, may begin up to 60 ms earlier.
		from := float64(p.parts[0].source) / 48000
		if d := c.from - from; d < -0.021 || d > 0.061 || p.turns[0].frames[0] != 125 || p.turns[0].inPause != c.inPause {
			t.Errorf("%s: %d frames from %.3f s, in a pause %v; want 125 from %g s, %v", c.name, p.turns[0].frames[0], from, p.turns[0].inPause, c.from, c.inPause)
		}
		if said := strings.Contains(strings.Join(p.notes, "\n"), "Part A: the excerpt ends while takes play"); said == c.inPause {
			t.Errorf("%s: notes %q", c.name, p.notes)
		}
	}
}

// A block of a section ends where it is quiet, and goes beyond the section only in a pause.
func TestBlocksEndQuietly(t *testing.T) {
	x := hiss(4*48000, 0.2)
	for i := int(1.90 * 48000); i < int(1.96*48000); i++ {
		x[i] *= 0.001
	}
	p, dir := handmade(t, 0, x, x)
	p.o.Turns = true
	end := func() float64 {
		p.turns = []section{newSection("Riff", 24000, 2*48000)}
		p.parts = []part{newPart(0, "Riff", 0, 0), newPart(1, "Riff", 0, 0)}
		if err := p.placeTurns(t.Context(), dir); err != nil {
			t.Fatal(err)
		}
		return float64(p.parts[0].source+p.parts[1].cut) / 48000
	}
	if at := end(); at < 1.91 || at > 1.95 {
		t.Errorf("the block ends at %.3f s of the takes", at)
	}
	p.res.Timeline.Pauses = []result.Span{{FirstFrame: 1.99 * 48000, Frames: 9600}}
	if at := end(); at < 2 || at > 2.18 || !p.turns[0].inPause {
		t.Errorf("with a pause after the section the block ends at %.3f s", at)
	}
	p.res.Timeline.Pauses = nil
	p.o.Reach = 0
	if at := end(); at > 2 || at < 1.95 {
		t.Errorf("without reach the block ends at %.3f s", at)
	}
}

// The power of a fade stays what it is before and after, whatever the correlation: for
// noise of one level, within what its randomness explains.
func TestFadesKeepTheLevel(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 2))
	const n = 200000
	for _, want := range []float64{-0.5, -0.2, 0, 0.3, 0.6, 0.9, 1} {
		a, b := make([]float64, n), make([]float64, n)
		for i := range n {
			common := r.NormFloat64()
			a[i] = 0.05 * common
			b[i] = 0.05 * (want*common + math.Sqrt(1-want*want)*r.NormFloat64())
		}
		p, x := &plan{res: &result.Result{}}, &part{}
		p.res.Parameters.Match.Ceiling = -1
		mixed := p.mix(stretch{a}, stretch{b}, x)
		if math.Abs(float64(x.correlation)-want) > 0.01 || x.used != max(-0.5, x.correlation) {
			t.Fatalf("correlation %g found as %g, used %g", want, x.correlation, x.used)
		}
		for k := range 10 {
			sum := 0.0
			for _, v := range mixed[0][k*n/10 : (k+1)*n/10] {
				sum += v * v
			}
			if db := 10 * math.Log10(sum/(n/10)/(0.05*0.05)); math.Abs(db) > 0.2 {
				t.Errorf("correlation %g: in tenth %d the level is off by %.2f dB", want, k+1, db)
			}
		}
	}
	// Two loud takes that peak together: a straight line cannot exceed them.
	p, x := &plan{res: &result.Result{}}, &part{}
	p.res.Parameters.Match.Ceiling = -1
	a, b := make([]float64, 960), make([]float64, 960)
	for i := range a {
		a[i], b[i] = 0.85*math.Sin(float64(i)), 0.85*math.Sin(2.01*float64(i))
	}
	if m := p.mix(stretch{a}, stretch{b}, x); m.peak() > 0.851 || x.used != 1 {
		t.Errorf("the fade peaks at %g, made for a correlation of %g", m.peak(), x.used)
	}
}

// What cannot be played in turn, with what can.
func TestTurnsRefused(t *testing.T) {
	c := comparison("Leaning", "Splitting", "Hall")
	c.Takes[2].Role = manifest.RoleRoom
	c.Performance.Sections = []manifest.Section{{Name: "Riff"}, {Name: "Chords"}}
	every, err := ParseEvery("4s", "", 0)
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		o    Options
		says string
	}{
		{Options{Turns: true, Sections: []string{"Rif"}}, `--sections: there is no section "Rif"; did you mean "Riff"?`},
		{Options{Turns: true, Sections: []string{"Riff", "Solo"}}, `there is no section "Solo"; allowed: Riff, Chords`},
		{Options{Sections: []string{"Riff"}}, "--sections: it has no effect without --turns"},
		{Options{Excerpt: 4}, "--excerpt: it has no effect without --turns"},
		{Options{Turns: true, Excerpt: 0.2}, "--excerpt: 0.2 s; allowed: 0.5 to 86400 s"},
		{Options{Turns: true, Excerpt: -1}, "--excerpt: -1 s; allowed"},
		{Options{Turns: true, Excerpt: 4, Total: 30}, "remove one of the two"},
		{Options{Turns: true, Total: unit.Seconds(math.Inf(1))}, "--total: +Inf s; allowed"},
		{Options{Turns: true, Every: every}, "--every: with --turns takes change after each section or excerpt"},
		{Options{Title: 61}, "--title: 61 s; allowed: 0 to 60 s"},
		{Options{Turns: true, Order: []string{"Leaning", "Spliting"}}, `there is no take "Spliting"`},
		{Options{Include: []string{"friends"}}, `--include: "friends"; allowed: bypass, room, repeats`},
		{Options{Include: []string{"bypass"}}, "--include: the manifest has no take for bypass; remove it"},
		{Options{Include: []string{"room"}, Order: []string{"Leaning", "Hall"}}, "--include: it has no effect with --order"},
		{Options{ReferenceFirst: true}, "--reference-first: no take of the edit is the reference; state one in the manifest, such as reference: Leaning"},
		{Options{ReferenceFirst: true, Shuffle: true}, "--reference-first: it has no effect with --shuffle or --order"},
	} {
		err := x.o.Check(c)
		if option := (*OptionError)(nil); !errors.As(err, &option) || !strings.Contains(err.Error(), x.says) {
			t.Errorf("%+v: %v; want %q", x.o, err, x.says)
		}
	}
	c.Reference = "Splitting"
	if got, err := takeOrder(Options{ReferenceFirst: true, Include: []string{"room"}}, c); err != nil || !slices.Equal(got, []int{1, 0, 2}) {
		t.Errorf("reference first: %v, %v", got, err)
	}

	for _, x := range []struct {
		o    Options
		says string
	}{
		{Options{Excerpt: 21}, `--excerpt: 21 s is longer than section "Part A", which has 20.00 s; state a shorter length`},
		{Options{Total: 50}, `--total: 50 s in blocks of 25.00 s is longer than section "Part A"`},
		{Options{Total: 3, Title: 1, Closing: 1.2}, "--total: 3 s leave 0.40 s for each of 2 blocks; allowed here: 3.2 s or more"},
	} {
		err := paper(t, "25", 48000, 2, x.o, [][2]float64{{10, 30}}, nil).placeTurns(t.Context(), "")
		if option := (*OptionError)(nil); !errors.As(err, &option) || !strings.Contains(err.Error(), x.says) {
			t.Errorf("%+v: %v; want %q", x.o, err, x.says)
		}
	}
	p := paper(t, "25", 48000, 2, Options{}, nil, nil)
	p.o.Sections = []string{"Riff"}
	if _, err := p.sections(); err == nil || !strings.Contains(err.Error(), "--sections: the comparison has no sections") {
		t.Errorf("no sections: %v", err)
	}
}
