package report

import (
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// playing gives the fixture what its gear does: the first take distorts, the second is
// clean, the others have no figures.
func playing() *result.Result {
	r := fixture()
	r.Parameters.Gear = &result.GearParameters{Blocks: 6, Block: 4, Window: 16384, TouchFrame: 0.05, LeastFilter: -60}
	for i := range r.Takes {
		t := &r.Takes[i]
		t.Touch, t.Drive = &result.Touch{Reason: result.Cause{Words: "too even"}}, &result.Drive{Reason: result.Cause{Words: "too even"}}
		if i < 2 {
			slope := unit.Number(0.3 + 0.7*float64(i))
			t.Touch = &result.Touch{Measured: true, Slope: slope, Low: slope - 0.1, High: slope, In: []unit.DBFS{-30, -27}, Gain: []unit.DB{unit.DB(3 * (1 - slope)), 0}, Lower: []unit.DB{-1, -1}, Upper: []unit.DB{4, 1}}
			t.Drive = &result.Drive{Measured: true, Drive: unit.Number(20 - 19*i), Low: unit.Number(18 - 17*i), High: unit.Number(20 - 18*i), NotLinear: 25}
		}
		for k := range i {
			r.Leftover = append(r.Leftover, result.Leftover{A: r.Takes[k].Name, B: t.Name, Equaliser: -8, EqualiserError: 0.5, Filter: -9, FilterError: 0.4, Bound: -10, Resolved: true})
		}
	}
	l := &r.Leftover[0]
	for i, of := range []string{l.B, l.A} {
		w := result.LeftoverWays{Of: of}
		for k := range r.Spectrum.Third {
			w.Curve, w.Third = append(w.Curve, unit.DB(k)), append(w.Third, unit.DB(-k-i))
		}
		for k := range r.Timeline.Spans[1:] {
			w.Sections = append(w.Sections, unit.DB(-k-10*i))
		}
		l.Ways = append(l.Ways, w)
	}
	return r
}

// TestReactionMap: the alternative text of the map says what it shows, each take without
// figures says why, and the curves are level out.
func TestReactionMap(t *testing.T) {
	b, err := newBuilder(playing(), Options{})
	must(t, err)
	f := b.reactionMap()
	if want := "Drive over touch of 2 takes. Drive ranges from 1.0 % (Splitting) to 20.0 % (Leaning), touch from 0.30 (Leaning) to 1.00 (Splitting)."; !strings.Contains(string(f.SVG), want) {
		t.Errorf("%s", f.SVG)
	}
	if n := strings.Count(string(f.SVG), "<title>"); n != 2 || len(f.Legend) != 2 {
		t.Errorf("%d points, %d names", n, len(f.Legend))
	}
	for i, r := range f.Table.Rows {
		if why := r.Cells[len(r.Cells)-1].Text; (why == "too even") != (i > 1) {
			t.Errorf("take %d: %q", i, why)
		}
	}
	touch := b.touchFigure().Table
	if got := touch.Rows[0].Cells; len(touch.Rows) != 2 || got[0].Text != "−30" || got[1].Text != "−27.9 (−31.0 to −26.0)" || got[2].Text != "−30.0 (−31.0 to −26.0)" {
		t.Errorf("%+v", touch.Rows)
	}
}

// TestLeftoverWaysCSV: both ways of a pair, in each band and section, name which take was
// equalised to which.
func TestLeftoverWaysCSV(t *testing.T) {
	r := playing()
	dir := write(t, r)
	bands, sections := csvTable(t, dir, "data/leftover-third-octave.csv"), csvTable(t, dir, "data/leftover-sections.csv")
	if n := len(r.Spectrum.Third); len(bands) != 1+2*n || strings.Join(bands[n], ",") != "Leaning,Splitting,20k,19952.6231,29,-29" || strings.Join(bands[2+n], ",") != "Splitting,Leaning,31.5,31.6228,1,-2" {
		t.Errorf("%q\n%q", bands[n], bands[2+n])
	}
	if n := len(r.Timeline.Spans) - 1; len(sections) != 1+2*n || strings.Join(sections[2], ",") != "Leaning,Splitting,Open chords,-1" || strings.Join(sections[2+n], ",") != "Splitting,Leaning,Open chords,-11" {
		t.Errorf("%q", sections)
	}
}

// TestReactionsAreApartAsPrinted: a take has more drive, or a livelier touch, than another
// one only where the figures that are printed differ.
func TestReactionsAreApartAsPrinted(t *testing.T) {
	for _, c := range []struct {
		drive, touch unit.Number // of the first take over the second
		want         string
	}{
		{0.04, 0.004, ""},
		{0.2, 0.004, "Leaning: more drive than Splitting (12.2 % against 12.0 %)."},
		{-0.2, 0.02, "Leaning: less drive than Splitting (11.8 % against 12.0 %), livelier touch (0.52 against 0.50 dB for each dB you play harder)."},
	} {
		b, err := newBuilder(playing(), Options{})
		must(t, err)
		for i, off := range []unit.Number{1, 0} {
			drive, touch := 12+off*c.drive, 0.5+off*c.touch
			b.res.Takes[i].Drive = &result.Drive{Measured: true, Drive: drive, Low: drive, High: drive}
			b.res.Takes[i].Touch = &result.Touch{Measured: true, Slope: touch, Low: touch, High: touch}
		}
		if got := b.reactionWords(&b.res.Takes[0], &b.res.Takes[1]); got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
		// What a fast gain leaves of what is not linear is no reason to call it drive.
		for i := range b.res.Takes[:2] {
			b.res.Takes[i].Drive.NotLinear = 40
		}
		if got := b.reactionWords(&b.res.Takes[0], &b.res.Takes[1]); strings.Contains(got, "drive") {
			t.Errorf("%+v, of 40 %% that are not linear: %q", c, got)
		}
	}
}

// TestClosestToTheRoom: all takes that are as close to the room as the closest one, as far
// as can be told, are named.
func TestClosestToTheRoom(t *testing.T) {
	for _, c := range []struct {
		distances []unit.DB
		want      string
	}{
		{[]unit.DB{3.05, 3, 3.08}, "Closest to Room in tone are Splitting, Leaning and Third (3.0, 3.0 and 3.1 dB rms); this measurement cannot tell which."},
		{[]unit.DB{4, 3, 3.08}, "Closest to Room in tone are Splitting and Third (3.0 and 3.1 dB rms); this measurement cannot tell which."},
		{[]unit.DB{3.4, 3, 3.5}, "Closest to Room in tone is Splitting (3.0 dB rms), then Leaning (3.4 dB)."},
	} {
		b, err := newBuilder(playing(), Options{})
		must(t, err)
		room, ranked := &result.Take{Name: "Room"}, []*result.Take{{Name: "Leaning"}, {Name: "Splitting"}, {Name: "Third"}}
		b.res.Likeness, b.res.Leftover = nil, nil
		for i, x := range ranked {
			b.res.Likeness = append(b.res.Likeness, result.Likeness{A: room.Name, B: x.Name, Spectral: c.distances[i], Resolved: true})
			b.res.Leftover = append(b.res.Leftover, result.Leftover{A: room.Name, B: x.Name})
		}
		if got := b.roomWords(room, ranked); got != c.want {
			t.Errorf("%v: %q", c.distances, got)
		}
	}
}

// TestHearEqualised: each sentence about a take and the reference has what is heard of the
// two; of more takes than have sentences, all are in a list. What cannot be heard says why.
func TestHearEqualised(t *testing.T) {
	r := playing()
	r.Comparison.Reference = r.Takes[0].Name
	for _, x := range r.Takes[1:] {
		r.Equalised = append(r.Equalised, result.Equalised{Take: x.Name, Of: r.Takes[0].Name, Left: -9.04, Peak: -2.31})
	}
	r.Equalised[1].Reason.Words = "cabinet.wav, a file of it, is marked redistribute: no"
	b, err := newBuilder(r, Options{})
	must(t, err)
	b.player = &playerData{}
	for i := range b.res.Takes {
		b.res.Takes[i].Published = &result.Published{}
	}
	v := b.gear()
	for i, e := range r.Equalised {
		own := r.Takes[i+1].Contestant()
		k := 0
		for k < len(v.Lines) && (v.Lines[k].Hear == nil || v.Lines[k].Hear.Take != e.Take) {
			k++
		}
		if own != (k < len(v.Lines)) {
			t.Fatalf("%s: line %d of %+v", e.Take, k, v.Lines)
		}
		if !own {
			continue
		}
		h := *v.Lines[k].Hear
		if !strings.HasPrefix(v.Lines[k].Text, e.Take+" and "+e.Of) {
			t.Errorf("%+v is heard after %q", h, v.Lines[k].Text)
		}
		want := hearView{Take: e.Take, Of: e.Of, Left: "9.0", Pair: number(i+1) + " 0 -2.3"}
		if e.Reason.Words != "" {
			want = hearView{Take: e.Take, Of: e.Of, Why: e.Take + ", equalised to " + e.Of + ", cannot be heard: " + e.Reason.Words + "."}
		}
		if h != want {
			t.Errorf("%+v, want %+v", h, want)
		}
	}
	if v.HeardWords != heardWords {
		t.Errorf("%q", v.HeardWords)
	}
	// One reason for all is given once.
	for i := range r.Equalised {
		r.Equalised[i].Reason = r.Equalised[1].Reason
	}
	v = b.gear()
	if want := "No take can be heard equalised to Leaning: cabinet.wav, a file of it, is marked redistribute: no."; v.HeardWords != want || len(v.Heard) > 0 || slices.ContainsFunc(v.Lines, func(l gearLine) bool { return l.Hear != nil }) {
		t.Errorf("%q, want %q; %+v", v.HeardWords, want, v.Lines)
	}
}

// TestEqualiserCurves: the equaliser that leads to the reference is the one that is drawn.
func TestEqualiserCurves(t *testing.T) {
	r := playing()
	r.Comparison.Reference = r.Takes[0].Name
	b, err := newBuilder(r, Options{})
	must(t, err)
	f := b.equaliserFigure()
	if len(f.Table.Head) != 2 || len(f.Table.Rows) != len(r.Spectrum.Third) {
		t.Fatalf("%+v", f.Table)
	}
	heard := 0
	for k, row := range f.Table.Rows {
		weight := b.res.AudibleBetween(1, 0, 0).Weight[k]
		if want := unit.Format(float64(k), 1); weight > 0 && row.Cells[1].Text != want || weight <= 0 && row.Cells[1].Text != "–" {
			t.Errorf("%s: %s, want %s, weight %g", row.Cells[0].Text, row.Cells[1].Text, want, weight)
		} else if weight > 0 {
			heard++
		}
	}
	if heard < 5 {
		t.Errorf("only %d bands are heard", heard)
	}
}

// TestCompressors: a page with a compressor says what it does, once, and has its figures
// with the noise that it raises; one without has neither table nor columns.
func TestCompressors(t *testing.T) {
	r := playing()
	b, err := newBuilder(r, Options{})
	must(t, err)
	before := len(b.gear().Lines)
	if rows, csv := len(b.compressors().Rows), csvTable(t, write(t, r), "data/gear.csv"); rows != 0 || slices.ContainsFunc(csv[0], func(s string) bool { return strings.Contains(s, "compressor") }) {
		t.Errorf("without a compressor: %d rows, %q", rows, csv[0])
	}
	r.Parameters.Gear.Compressor = &result.CompressorParameters{MostDrive: 5}
	if text, want := compressorMethod(r), "No compressor was looked for in Leaning: from 5 % of drive on, distortion moves the gain as well. No compressor was looked for in "; !strings.HasPrefix(text, want) {
		t.Error(text)
	}
	if b.noiseMap() != nil {
		t.Error("there is a plot of noise without a compressor")
	}
	none := unit.Number(nan)
	r.Takes[0].Compressor = &result.Compressor{Measured: true, Slope: 0.251, Low: 0.25, High: 0.26, Threshold: -32.4, ThresholdLow: -33, ThresholdHigh: -32, Knee: 6, Attack: 21.2, AttackLow: 20, AttackHigh: 22,
		Release: 183, ReleaseLow: 180, ReleaseHigh: 190, Detector: "rms", Decay: 10, Left: 0.05, Moves: 7}
	r.Takes[1].Compressor = &result.Compressor{Measured: true, Slope: 0.04, Low: 0.03, High: 0.05, Threshold: unit.DBFS(none), ThresholdLow: unit.DBFS(none), ThresholdHigh: unit.DBFS(none), Knee: unit.DB(none),
		Attack: 0.4, AttackLow: 0.3, AttackHigh: 0.5, Release: none, ReleaseLow: none, ReleaseHigh: none, Detector: "peaks", Decay: 3, Left: 0.05, Moves: 7}
	if got := ratioWords(&result.Compressor{Slope: 0.129, Low: 0.125, High: 0.17}); got != "5.9:1 to 8:1" {
		t.Error(got)
	}
	r.Takes[2].Compressor = &result.Compressor{Reason: result.Cause{Words: "so it is"}}
	b, err = newBuilder(r, Options{})
	must(t, err)
	lines := b.gear().Lines
	said := ""
	for _, l := range lines {
		said += l.Text + "\n"
	}
	for _, want := range []string{
		"Leaning: compresses 4:1 above −32 dBFS (rms) going in; attack 21 ms, release 183 ms.",
		"Splitting: compresses more than 20:1 at every level played; attack under 1 ms, release not measured.",
	} {
		if strings.Count(said, want) != 1 {
			t.Errorf("not said once: %q", want)
		}
	}
	if n := len(lines); n != before+2 {
		t.Errorf("%d sentences more", n-before)
	}
	rows := b.compressors().Rows
	if got := rows[0].Cells; len(rows) != 3 || got[1].Text != "4:1" || got[2].Text != "0.25 (0.25 to 0.26)" || got[3].Text != "−32.4 (−33.0 to −32.0)" || got[5].Text != "21 (20 to 22)" || got[10].Text != unit.Format(float64(r.Takes[0].Noise.AsMatched.AWeighted), 1) {
		t.Errorf("%+v", rows)
	}
	if got := rows[2].Cells; got[1].Text != "–" || got[11].Text != "so it is" {
		t.Errorf("%+v", rows[2])
	}
	noise := b.noiseMap()
	if noise == nil || len(noise.Table.Rows) != 2 || strings.Count(string(noise.SVG), "<title>") != 2 {
		t.Errorf("two compressors: %+v", noise)
	}
	r.Parameters.Gear.Compressor = &result.CompressorParameters{Window: 0.004, MostLeft: 0.3, MostPart: 0.15, MostDrive: 5}
	if text := compressorMethod(r); !strings.HasPrefix(text, "Looked for in takes") || !strings.HasSuffix(text, " No compressor was looked for in Quarry, Leaning again and No fuzz: touch is not measured there.") {
		t.Error(text)
	}
	page := read(t, filepath.Join(write(t, r), detailsName))
	if strings.Count(page, "No compressor was looked for") != 1 || strings.Count(page, `id="compressor-noise"`) != 1 {
		t.Error("the details do not say once what was not looked for, or have no plot of the noise")
	}
	csv := csvTable(t, write(t, r), "data/gear.csv")
	at := slices.Index(csv[0], "attack (ms)")
	if at < 0 || csv[1][at] != "21.2" || csv[4][at] != "" || len(csv[4]) != len(csv[0]) {
		t.Errorf("%q", csv)
	}
}
