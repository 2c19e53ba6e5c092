package report_test

import (
	"cmp"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"evenhand/analyze/fairness"
	"evenhand/analyze/publish"
	"evenhand/analyze/result"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

// random makes results of comparisons that nobody recorded, with everything that results
// can hold: silent bands, closed gates, differences that round up, takes that are not
// ranked.
type random struct{ *rand.Rand }

// stored rounds as results.json does, so that what is read is what was written.
func stored(v float64) float64 {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		return v
	}
	return math.Round(v*1e4) / 1e4
}

func (r random) between(lo, hi float64) float64 { return stored(lo + (hi-lo)*r.Float64()) }

// one in n.
func (r random) one(n int) bool { return r.IntN(n) == 0 }

func nan() float64 { return math.NaN() }

func randomResult(seed uint64) *result.Result { return randomResultOf(seed, 0) }

// randomResultOf has so many takes; 0: a few.
func randomResultOf(seed uint64, takes int) *result.Result {
	r := random{rand.New(rand.NewPCG(seed, 2024))}
	res := &result.Result{
		Format: result.Format, Tool: result.Tool{Name: "evenhand", Version: "test"},
		Comparison: result.Comparison{Title: fmt.Sprintf("Comparison %d", seed), Slot: "fuzz", Varies: "fuzz"},
		Files:      []result.File{{Path: "c.yaml", Use: "manifest"}},
		Timeline:   result.Timeline{SourceIs: result.SourceDry, Source: "dry", SampleRate: 48000, SectionsSource: "manifest", Pauses: []result.Span{}, Overview: []unit.Number{}},
		Likeness:   []result.Likeness{}, Checks: []result.Check{}, Exclusions: []result.Exclusion{}, Warnings: []result.Warning{},
	}
	if r.one(3) {
		res.Comparison.Control, res.Comparison.Varies = "tone", "fuzz.tone"
	}
	if r.one(2) {
		res.Files = append(res.Files, result.File{Path: "dry.wav", Use: "dry"})
	}
	for k, name := range []string{"Whole", "Low riff", "Chords", "Lead"}[:1+r.IntN(4)] {
		from := unit.Seconds(12 * k)
		res.Timeline.Spans = append(res.Timeline.Spans, result.Span{Name: name, From: from, To: from + 12, FirstFrame: unit.Frames(from * 48000), Frames: 12 * 48000})
	}
	for _, b := range spectrum.Bands(3, 20, 20000) {
		res.Spectrum.Third = append(res.Spectrum.Third, result.Band{Label: b.Label, Centre: b.Centre, Low: b.Low, High: b.High})
	}
	p := &res.Parameters.Spectrum
	p.LowMid, p.MidHigh, p.HeardWithin, p.OverFloor = 250, 2000, 45, 10
	if r.one(2) {
		p.LowestString = []unit.Hertz{41.203, 61.735, 82.407}[r.IntN(3)]
	}
	res.Parameters.Loudness.Standard = "ITU-R BS.1770-5 (11/2023)"
	res.Parameters.Match.Ceiling = -1
	r.takes(res, takes)
	r.match(res)
	r.differences(res)
	r.gear(res)
	r.settings(res)
	for range r.IntN(12) {
		k := r.IntN(len(asked))
		res.Checks = append(res.Checks, result.Check{
			ID: asked[k].id, Name: asked[k].name, Group: "sound", Subject: res.Takes[r.IntN(len(res.Takes))].Name,
			Outcome: []result.Outcome{result.Passed, result.Passed, result.Caution, result.Failed, result.NotMeasured}[r.IntN(5)], Value: "3 ms", Limit: []string{"", "2 ms"}[r.IntN(2)], Reason: "so it is"})
	}
	return res
}

func (r random) takes(res *result.Result, many int) {
	names := []string{"Alder", "Birch Two", "Cedar", "Dogwood", "Elm 3", "Fir", "Ginkgo", "Hazel Low", "Ironwood", "Juniper"}
	r.Shuffle(len(names), func(a, b int) { names[a], names[b] = names[b], names[a] })
	n := 1 + r.IntN(7)
	if r.one(8) {
		n = 10
	}
	if many > 0 {
		n = many
		for i := len(names); i < n; i++ {
			names = append(names, fmt.Sprintf("Kind %d", i))
		}
	}
	rounded := r.one(3) // no band of 20 kHz
	var base []float64  // what the takes have in common
	for range res.Spectrum.Third {
		base = append(base, r.between(-3, 3))
	}
	alike := r.one(6)
	for i := range n {
		t := result.Take{Name: names[i], Slug: strings.ReplaceAll(strings.ToLower(names[i]), " ", "-"), Mics: []result.Mic{}, Signal: "mono",
			Alignment: result.Alignment{Certain: true, Polarity: "same", PolarityToReference: "same", PlacedBy: result.ByPhase, BesideBy: result.ByPhase}}
		switch {
		case r.one(7):
			t.Role = "bypass"
		case r.one(12):
			t.Role = "room"
		case i > 0 && r.one(4):
			t.RepeatOf = res.Takes[0].Name
		}
		repeat := t.RepeatOf != ""
		floor, slope := r.between(-130, -70), r.between(-1, 2)
		tilt, edge, steep, bump, at := r.between(-6, 0.5), r.between(2000, 16000), r.between(2, 10), r.between(-12, 12), r.between(80, 6000)
		for b, band := range res.Spectrum.Third {
			f := stored(floor + slope*math.Log2(float64(band.Centre)/1000))
			if r.one(60) {
				f = []float64{nan(), math.Inf(-1)}[r.IntN(2)]
			}
			t.Floor = append(t.Floor, unit.DB(f))
			_ = b
		}
		for k := range res.Timeline.Spans {
			m := result.Measures{Warnings: []result.Cause{}}
			m.Span = res.Timeline.Spans[k].Name
			m.Integrated = unit.LUFS(r.between(-30, -12))
			m.TruePeak, m.Crest = unit.DBTP(r.between(-12, 0)), unit.DB(r.between(8, 20))
			if alike { // so that differences round up, or vanish
				m.Integrated, m.Crest = unit.LUFS(-20+r.between(0, 0.06)), unit.DB(14+r.between(0, 0.52))
			}
			if repeat {
				m.Integrated = unit.LUFS(stored(float64(res.Takes[0].Measures[k].Integrated) + r.between(-0.08, 0.08)))
			}
			m.Descriptors = result.Descriptors{Centroid: unit.Hertz(r.between(200, 3000)), Tilt: unit.DB(tilt), Low: -1, Mid: -8, High: unit.DB(r.between(-40, -3))}
			if alike {
				m.Descriptors.High = unit.DB(-12 + r.between(0, 1.2))
			}
			for b, band := range res.Spectrum.Third {
				o := math.Log2(float64(band.Centre) / 200)
				v := -22 + base[b] + tilt*math.Abs(o)*0.6 - 10*math.Log10(1+math.Pow(float64(band.Centre)/edge, steep)) +
					bump*math.Exp(-math.Pow(math.Log2(float64(band.Centre)/at), 2)) - 10*math.Log10(1+math.Pow(50/float64(band.Centre), 6)) + r.between(-0.5, 0.5)
				if repeat {
					v = float64(res.Takes[0].Measures[k].Third[b]) + r.between(-0.1, 0.1)
				}
				if f := float64(t.Floor[b]); !math.IsNaN(f) && !repeat {
					v = 10 * math.Log10(math.Pow(10, v/10)+math.Pow(10, f/10))
				}
				switch {
				case b < 2 || rounded && b == len(res.Spectrum.Third)-1:
					v = nan() // too narrow, or above half the rate
				case r.one(150):
					v = math.Inf(-1)
				}
				m.Third = append(m.Third, unit.DB(stored(v)))
			}
			m.Sixth, m.Twelfth = []unit.DB{}, []unit.DB{}
			t.Measures = append(t.Measures, m)
		}
		r.noise(&t, alike)
		res.Takes = append(res.Takes, t)
		res.Files = append(res.Files, result.File{Path: t.Slug + ".wav", Use: "take"})
	}
	if r.one(2) {
		res.Comparison.Reference = res.Takes[r.IntN(n)].Name
	}
	if n > result.AllPairs {
		res.Parameters.PairsWith = cmp.Or(res.Comparison.Reference, res.Takes[0].Name)
	}
}

func (r random) noise(t *result.Take, alike bool) {
	n := &t.Noise
	n.Third, n.Warnings = []unit.DB{}, []result.Cause{}
	if n.Measured = !r.one(6); !n.Measured {
		n.Reason.Text = result.Say("pauses.none")
		return
	}
	n.Gated = r.one(6)
	v := r.between(-95, -50)
	if alike {
		v = -70 + r.between(0, 1.1)
	}
	n.AsMatched.AWeighted = unit.DBFS(v)
	n.AsMatched.HumAWeighted = unit.DBFS(stored(v - []float64{0, r.between(0, 3), r.between(3, 40), nan()}[r.IntN(4)]))
	n.AsRecorded = n.AsMatched
}

// match gives every take the gain that matches it, as high as the ceiling allows or to a
// stated target.
func (r random) match(res *result.Result) {
	m := &res.Match
	highest := math.Inf(1)
	for _, t := range res.Takes {
		if v := float64(res.Parameters.Match.Ceiling) - float64(t.Measures[0].TruePeak) + float64(t.Measures[0].Integrated); v < highest {
			highest, m.LimitedBy = v, t.Name
		}
	}
	m.Target = unit.LUFS(math.Floor(highest*10) / 10)
	m.Highest = m.Target
	if r.one(4) {
		m.Target, m.LimitedBy = m.Target-3, ""
	}
	for i := range res.Takes {
		t := &res.Takes[i]
		t.Gain = unit.DB(stored(float64(m.Target - t.Measures[0].Integrated)))
		d := unit.LU(r.between(-0.02, 0.02))
		if r.one(5) {
			d = 0
		}
		if r.one(8) {
			t.Withheld = &result.Withheld{Reason: publish.WithheldReason, Integrated: m.Target + unit.LUFS(d), Deviation: d}
		} else {
			t.Published = &result.Published{Path: "audio/" + t.Slug + ".flac", Integrated: m.Target + unit.LUFS(d), Deviation: d, Channels: 1, SampleRate: 48000, Frames: 12 * 48000}
		}
		if math.Abs(float64(d)) > math.Abs(float64(m.WorstDeviation)) {
			m.WorstDeviation = d
		}
	}
	size := []float64{0.2, 1, 8}[r.IntN(3)]
	for _, s := range res.Timeline.Spans {
		for _, t := range res.Takes {
			v := [4]float64{r.between(-size, size), r.between(-size, size), r.between(-size, size), r.between(-size, size)}
			if r.one(20) {
				for k := range v {
					v[k] = nan()
				}
			}
			m.Alternatives = append(m.Alternatives, result.Alternative{Span: s.Name, Take: t.Name, Loudness: unit.DB(v[0]), Unweighted: unit.DB(v[1]), AWeighted: unit.DB(v[2]), Weighted468: unit.DB(v[3]), Spread: unit.DB(stored(slices.Max(v[:]) - slices.Min(v[:])))})
		}
	}
}

// differences compares the takes, as the package analyze does, with half widths of all
// sizes.
func (r random) differences(res *result.Result) {
	sp := &res.Spectrum
	sp.Sixth, sp.Twelfth, sp.Differences = []result.Band{}, []result.Band{}, []result.Difference{}
	sp.Against = "median of all"
	if res.Comparison.Reference != "" {
		sp.Against = res.Comparison.Reference
	}
	res.Resolution = result.Resolution{Source: "statistics", Repeats: []result.Repeat{}, Level: unit.DB(nan())}
	for i, t := range res.Takes {
		if t.RepeatOf != "" {
			d := unit.LU(stored(float64(t.Measures[0].Integrated - res.Takes[0].Measures[0].Integrated)))
			res.Resolution.Source = "repeat"
			res.Resolution.Repeats = append(res.Resolution.Repeats, result.Repeat{Take: t.Name, Of: t.RepeatOf, Level: d})
			if l := unit.DB(math.Abs(float64(d))); math.IsNaN(float64(res.Resolution.Level)) || l > res.Resolution.Level {
				res.Resolution.Level = l
			}
		}
		for k := range res.Takes[:i] {
			if with := res.Parameters.PairsWith; with != "" && with != res.Takes[k].Name && with != t.Name {
				continue
			}
			l := result.Likeness{A: res.Takes[k].Name, B: t.Name, Spectral: unit.DB(stored(float64(res.AudibleBetween(k, i, 0).Distance()))), Residual: -3, Coherence: 0.4, Resolved: !r.one(5)}
			res.Likeness = append(res.Likeness, l)
		}
	}
	strict := []float64{0.3, 1, 6, 60}[r.IntN(4)]
	for k, s := range res.Timeline.Spans {
		for i, t := range res.Takes {
			if t.Name == res.Comparison.Reference {
				continue
			}
			d := result.Difference{Span: s.Name, Take: t.Name}
			for b := range sp.Third {
				own, other := float64(t.Measures[k].Third[b]), nan()
				all := []float64{}
				for _, o := range res.Takes {
					if v := float64(o.Measures[k].Third[b]); o.Name == res.Comparison.Reference {
						other = v
					} else if o.Contestant() && !math.IsNaN(v) {
						all = append(all, v)
					}
				}
				if res.Comparison.Reference == "" && len(all) > 0 {
					slices.Sort(all)
					other = (all[(len(all)-1)/2] + all[len(all)/2]) / 2
				}
				v := stored(own - other)
				if math.IsInf(v, 0) && res.Comparison.Reference == "" {
					v = nan()
				}
				half := 0.1 + strict*r.between(0, 1)
				d.Third.Difference, d.Third.HalfWidth = append(d.Third.Difference, unit.DB(v)), append(d.Third.HalfWidth, unit.DB(stored(half)))
				d.Third.Resolved = append(d.Third.Resolved, math.Abs(v) > half)
			}
			_ = i
			sp.Differences = append(sp.Differences, d)
		}
	}
	for range sp.Third {
		res.Resolution.Third = append(res.Resolution.Third, 0.1)
	}
}

func (r random) settings(res *result.Result) {
	slots := []string{"fuzz", "amp", "load", "cabinet"}[:1+r.IntN(4)]
	for _, name := range slots {
		s := result.SlotSettings{Slot: name}
		for _, row := range []string{"device", "volume", "bass"}[:1+r.IntN(3)] {
			x := result.SettingRow{Name: row, Control: row != "device", Differs: name == "fuzz" || r.one(5), Varied: name == "fuzz", Allowed: r.one(3)}
			for i, t := range res.Takes {
				v := "Kestrel"
				if row != "device" {
					v = "noon"
				}
				// The room is heard in another way, and is held against none.
				if x.Differs && i == len(res.Takes)-1 || t.Role == "room" && row == "device" && r.one(2) {
					v = "Harrier 8"
				}
				x.Values = append(x.Values, result.SettingValue{Written: v, Kind: "text", Fraction: unit.Number(nan()), Stated: true})
			}
			s.Rows = append(s.Rows, x)
		}
		res.Settings.Slots = append(res.Settings.Slots, s)
	}
}

// asked are the checks of a random result: those that no verdict goes without, and others.
var asked = []struct{ id, name string }{
	{"lag", "Timing"}, {"clipping", "Clipping"}, {"hum", "Hum"}, {"dc-offset", "DC offset"}, {"drift", "Clock drift"},
	{fairness.IDPerformance, "Performance"}, {fairness.IDMatch, "Level match"}, {fairness.IDOneChange, "One change"},
}
