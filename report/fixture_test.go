package report

import (
	"crypto/sha256"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/tables"
)

// The fixture is an invented session with smooth, physically plausible
// curves: a baritone guitar through four fuzz circuits, the first of them
// recorded twice, and the chain without a fuzz.

var nan = math.NaN()

type fixtureTake struct {
	name, device, role, repeat string
	level, tilt, hump, bass    float64 // LUFS, dB per octave, dB around 700 Hz, dB below 120 Hz
	noise, hum                 float64 // A-weighted dBFS as recorded; hum less hiss
	knobs                      [3]string
	fractions                  [3]float64
	kind                       string
}

var fixtureTakes = []fixtureTake{
	{"Leaning", "Leaning", "reference", "", -21.4, -3.1, 0, 0, -61.2, -8, [3]string{"3 o'clock", "noon", "11 o'clock"}, [3]float64{0.8, 0.5, 0.4}, "clock"},
	{"Splitting", "Splitting", "", "", -14.6, -2.2, -4.5, 2.5, -48.9, 6, [3]string{"2", "7", "5"}, [3]float64{0.2, 0.7, 0.5}, "scale"},
	{"Lanternfish", "Lanternfish", "", "", -18.9, -3.9, 3.8, -3, -66.3, -4, [3]string{"10", "3.5", "6"}, [3]float64{1, 0.35, 0.6}, "scale"},
	{"Quarry", "Quarry", "", "", -16.2, -2.7, 1.2, 5.5, -55.1, 1, [3]string{"max", "", "1.10"}, [3]float64{1, nan, 0.11}, "scale"},
	{"Leaning again", "Leaning", "", "Leaning", -21.3, -3.1, 0.05, 0.04, -61.0, -8, [3]string{"3 o'clock", "noon", "11 o'clock"}, [3]float64{0.8, 0.5, 0.4}, "clock"},
	{"No fuzz", "Straight cable", "bypass", "", -27.8, -4.6, -1, -1.5, -78.4, -12, [3]string{"", "", ""}, [3]float64{nan, nan, nan}, "unset"},
}

func fixtureBands(per int) []result.Band {
	labels := strings.Fields("25 31.5 40 50 63 80 100 125 160 200 250 315 400 500 630 800 1k 1.25k 1.6k 2k 2.5k 3.15k 4k 5k 6.3k 8k 10k 12.5k 16k 20k")
	g := math.Pow(10, 0.3)
	out := []result.Band{}
	for i := range 30 * per / 3 {
		x := (float64(i)-float64(16*per/3))/float64(per) + 0 // octaves from 1 kHz
		if per > 3 {
			x = (float64(i) - float64(16*per/3) + 0.5) / float64(per)
		}
		f := 1000 * math.Pow(g, x)
		half := math.Pow(g, 0.5/float64(per))
		b := result.Band{Centre: unit.Hertz(f), Low: unit.Hertz(f / half), High: unit.Hertz(f * half)}
		if per == 3 {
			b.Label = labels[i]
		}
		out = append(out, b)
	}
	return out
}

// fixtureLevel is a plausible band level: open strings from 62 Hz, a
// loudspeaker's fall above 5 kHz, the take's own tilt, hump and bass.
func fixtureLevel(t fixtureTake, f float64, span int) float64 {
	o := math.Log2(f / 250)
	v := -24 + t.tilt*math.Abs(o)*0.7
	v += t.hump*math.Exp(-math.Pow(math.Log2(f/700), 2)/0.8) + t.bass/(1+math.Pow(f/120, 2))
	v -= 10 * math.Log10(1+math.Pow(58/f, 8)) // nothing below the lowest string
	v -= 10 * math.Log10(1+math.Pow(f/5200, 6))
	return v + 1.1*math.Sin(f/130+float64(span)) - 0.4*float64(span)
}

func fixtureDB(t fixtureTake, bands []result.Band, span int) []unit.DB {
	out := []unit.DB{}
	for _, b := range bands {
		out = append(out, unit.DB(fixtureLevel(t, float64(b.Centre), span)))
	}
	return out
}

func fixtureHash(s string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(s))) }

func slug(s string) string { return strings.ReplaceAll(strings.ToLower(s), " ", "-") }

func fixtureDiff(t, ref fixtureTake, bands []result.Band, span int) result.BandDifferences {
	d := result.BandDifferences{Difference: []unit.DB{}, HalfWidth: []unit.DB{}, Resolved: []bool{}}
	for _, b := range bands {
		f := float64(b.Centre)
		v := fixtureLevel(t, f, span) - fixtureLevel(ref, f, span)
		w := 0.35 + 3/math.Sqrt(f/20) + 2.5*math.Pow(f/20000, 2)
		d.Difference, d.HalfWidth = append(d.Difference, unit.DB(v)), append(d.HalfWidth, unit.DB(w))
		d.Resolved = append(d.Resolved, math.Abs(v) > w && f < 8000)
	}
	return d
}

func fixtureParameters() result.Parameters {
	return result.Parameters{
		Loudness:  result.LoudnessParameters{Standard: "ITU-R BS.1770-5", GatingBlock: 0.4, GatingHop: 0.1, AbsoluteGate: -70, RelativeGate: -10, MomentaryHop: 0.1, ShortTermHop: 0.1, RangeHop: 0.1, MonoConvention: "counted once", TruePeakFactor: 4},
		Spectrum:  result.SpectrumParameters{Method: "Welch", Window: "periodic Hann", Length: 16384, Hop: 8192, Resolution: 2.9297, ENBW: 4.3945, Detrend: "none", BandStandard: "IEC 61260-1:2014, base 10", Confidence: 0.95, LowMid: 250, MidHigh: 2000, HeardWithin: 45, OverFloor: 10, LowestString: 61.735, From: 22.4, To: 22390},
		Noise:     result.NoiseParameters{MinimumPause: 0.5, Guard: 0.15, Threshold: -50, Bandwidth: "20 Hz to 20 kHz", Harmonics: 20, Mains: 50, MainsSource: "stated"},
		Alignment: result.AlignmentParameters{CoarseBlock: 0.001, MaxLag: 2, FineBand: [2]unit.Hertz{100, 6000}, FineWindow: 131072, FineWindows: 16},
		Match:     result.MatchParameters{Ceiling: -1, TargetSource: "highest under the ceiling", Tolerance: 0.05, Dither: "none: 24-bit"},
	}
}

func fixtureSpans() []result.Span {
	spans := []result.Span{{Name: "Whole", From: 0, To: 48}, {Name: "Low riff", From: 0, To: 11.5}, {Name: "Open chords", From: 13, To: 24}, {Name: "Lead line", From: 25.5, To: 36}, {Name: "Last chord", From: 37.5, To: 48}}
	for i := range spans {
		spans[i].FirstFrame = unit.Frames(spans[i].From * 48000)
		spans[i].Frames = unit.Frames((spans[i].To - spans[i].From) * 48000)
	}
	return spans
}

// fixture returns the whole invented session.
func fixture() *result.Result { return fixtureOf(fixtureTakes) }

func fixtureOf(takes []fixtureTake) *result.Result {
	third, sixth, twelfth := fixtureBands(3), fixtureBands(6), fixtureBands(12)
	r := &result.Result{
		Format: result.Format, Tool: result.Tool{Name: "evenhand", Version: "0.0.0-test"},
		Comparison: result.Comparison{Title: "Four fuzz circuits, one baritone riff", By: "Fern Street Recording", Date: "2026-03-14", Varies: "fuzz", Slot: "fuzz", Reference: "Leaning",
			SetBy: "by ear", MayDiffer: []string{"amp.volume"}, Disclosure: "The Splitting was lent by its manufacturer; nobody paid for this.", FullScale: "+12 dBu",
			Instrument: "Baritone guitar, 27.7 in scale", Tuning: "B1 E2 A2 D3 F#3 B3", Pickup: "bridge humbucker",
			About: "# How it was done\n\nEvery take came from **one** dry recording, see [our page](https://studio.example/notes).\n\n| Step | Gain |\n| :-- | --: |\n| reamp | 0 dB |\n"},
		Parameters: fixtureParameters(),
		Timeline:   result.Timeline{SourceIs: result.SourceDry, Source: "dry", SampleRate: 48000, Spans: fixtureSpans(), SectionsSource: "manifest", Pauses: []result.Span{{Name: "Pause 1", From: 11.7, To: 12.9}}, Overview: []unit.Number{}},
		Match:      result.Match{Target: -19.2, LimitedBy: takes[0].name, Highest: -19.2, Alternatives: []result.Alternative{}, WorstDeviation: 0.004},
		Resolution: result.Resolution{Source: "repeat", Repeats: []result.Repeat{}, Level: 0.11, Third: []unit.DB{}, Sixth: []unit.DB{}, Twelfth: []unit.DB{}},
		Spectrum:   result.Spectrum{Third: third, Sixth: sixth, Twelfth: twelfth, Against: takes[0].name, Differences: []result.Difference{}},
		Likeness:   []result.Likeness{}, Checks: []result.Check{}, Exclusions: []result.Exclusion{}, Warnings: []result.Warning{},
	}
	for i := range 600 {
		s := float64(i) / 600 * 48
		v := 0.0
		for _, sp := range r.Timeline.Spans[1:] {
			if s >= float64(sp.From) && s < float64(sp.To) {
				v = 0.75 * math.Exp(-math.Mod(s-float64(sp.From), 2.75)/2.2) * (0.8 + 0.2*math.Sin(s*9))
			}
		}
		r.Timeline.Overview = append(r.Timeline.Overview, unit.Number(v))
	}
	for range third {
		r.Resolution.Third = append(r.Resolution.Third, 0.4)
	}
	r.Files = append(r.Files, result.File{Path: "fuzz.yaml", Use: "manifest", SHA256: fixtureHash("manifest"), Bytes: 3120, Redistribute: true},
		result.File{Path: "audio/dry.wav", Use: "dry", SHA256: fixtureHash("dry"), Bytes: 7000244, Redistribute: true, Audio: &result.AudioFormat{Container: "WAV", Encoding: "24-bit integer", SampleRate: 48000, Channels: 1, Frames: 2333333, Duration: 48.61}},
		result.File{Path: "ir/openback.wav", Use: "impulse response", SHA256: fixtureHash("ir"), Bytes: 96044})
	for i, t := range takes {
		r.Takes = append(r.Takes, fixtureTakeResult(i, t, r))
		r.Files = append(r.Files, result.File{Path: "audio/" + slug(t.name) + ".wav", Use: "take", SHA256: fixtureHash(t.name), Bytes: 7000244, Redistribute: true, Audio: &result.AudioFormat{Container: "WAV", Encoding: "24-bit integer", SampleRate: 48000, Channels: 1, Frames: 2333333, Duration: 48.61}})
		for s, sp := range r.Timeline.Spans {
			r.Spectrum.Differences = append(r.Spectrum.Differences, result.Difference{Span: sp.Name, Take: t.name, Third: fixtureDiff(t, takes[0], third, s), Sixth: fixtureDiff(t, takes[0], sixth, s), Twelfth: fixtureDiff(t, takes[0], twelfth, s)})
			a := result.Alternative{Span: sp.Name, Take: t.name, Loudness: unit.DB(0.3 * float64(s) * math.Sin(float64(i))), Unweighted: unit.DB(-0.35 * t.bass), AWeighted: unit.DB(-0.6 * (t.tilt + 3.1)), Weighted468: unit.DB(-1.4 * (t.tilt + 3.1))}
			lo, hi := min(a.Loudness, a.Unweighted, a.AWeighted, a.Weighted468), max(a.Loudness, a.Unweighted, a.AWeighted, a.Weighted468)
			a.Spread = hi - lo
			r.Match.Alternatives = append(r.Match.Alternatives, a)
		}
		for k, o := range takes[:i] {
			d := float64(r.AudibleBetween(k, i, 0).Distance())
			r.Likeness = append(r.Likeness, result.Likeness{A: o.name, B: t.name, Spectral: unit.DB(d), Residual: unit.DB(-2 - 20/(1+d*d)), Coherence: unit.Number(0.25 + 0.7/(1+d*d)), Resolved: d > 0.5})
		}
		if t.repeat != "" {
			r.Resolution.Repeats = append(r.Resolution.Repeats, result.Repeat{Take: t.name, Of: t.repeat, Level: 0.1, Third: r.Resolution.Third})
		}
	}
	r.Settings = fixtureSettings(takes)
	fixtureChecks(r, takes)
	if len(r.Resolution.Repeats) == 0 {
		r.Resolution.Source, r.Resolution.Level = "statistics", unit.DB(nan)
	}
	return r
}

func fixtureTakeResult(i int, t fixtureTake, r *result.Result) result.Take {
	gain := -19.2 - t.level
	out := result.Take{Name: t.name, Slug: slug(t.name), File: "audio/" + slug(t.name) + ".wav", Device: t.device, Role: t.role, RepeatOf: t.repeat, Signal: "mono", Mics: []result.Mic{}, Gain: unit.DB(gain),
		Alignment: result.Alignment{Lag: unit.Samples(37.25 + 3.1*float64(i)), LagToReference: unit.Samples(3.1 * float64(i)), Polarity: "same", PolarityToReference: "same", Confidence: 5.2, Certain: true, Drift: 0.02, DriftError: 0.03, Applied: unit.Samples(37.25 + 3.1*float64(i)), PlacedBy: "phase", BesideBy: "phase"},
		Published: &result.Published{Path: "audio/" + slug(t.name) + ".flac", SHA256: fixtureHash(t.name + ".flac"), Bytes: 3876543, Encoding: "FLAC, 24-bit", Channels: 1, SampleRate: 48000, Frames: 2304000, Integrated: -19.204, TruePeak: unit.DBTP(-1 - 0.6*float64(i)), SamplePeak: -1.3, Deviation: -0.004},
		Noise: result.Noise{Measured: true, Duration: 4.4, Mains: 50, Third: []unit.DB{}, Warnings: []result.Cause{},
			AsRecorded: result.NoiseLevels{Unweighted: unit.DBFS(t.noise + 6), AWeighted: unit.DBFS(t.noise), Weighted468: unit.DBFS(t.noise + 9), Hum: unit.DBFS(t.noise + t.hum/2), Hiss: unit.DBFS(t.noise - t.hum/2), HumAWeighted: unit.DBFS(t.noise + t.hum/2 - 20)},
			CarriedIn:  unit.DBFS(t.noise - 9), Added: unit.DBFS(t.noise - 0.6)}}
	n := out.Noise.AsRecorded
	g := unit.DBFS(gain)
	out.Noise.AsMatched = result.NoiseLevels{Unweighted: n.Unweighted + g, AWeighted: n.AWeighted + g, Weighted468: n.Weighted468 + g, Hum: n.Hum + g, Hiss: n.Hiss + g, HumAWeighted: n.HumAWeighted + g}
	for _, b := range r.Spectrum.Third {
		f := float64(b.Centre)
		v := t.noise + gain - 14 + 10*math.Log10(f/1000)*0.6 - 10*math.Log10(1+math.Pow(f/5200, 5)) + (t.hum+12)*math.Exp(-math.Pow(math.Log2(f/100)*1.6, 2))
		out.Noise.Third = append(out.Noise.Third, unit.DB(v))
	}
	out.Floor = slices.Clone(out.Noise.Third)
	switch t.name {
	case "Lanternfish":
		out.Noise.Gated, out.Noise.AsRecorded.AWeighted, out.Noise.AsMatched.AWeighted = true, -96.4, -96.7
		out.Noise.Warnings = append(out.Noise.Warnings, result.Cause{Text: result.Say("gate.closes", "closing", 3, "pauses", 4, "by_db", 30, "within_s", 0.02)})
	case "No fuzz":
		out.Noise.CarriedIn, out.Noise.Added, out.Noise.SplitReason = unit.DBFS(nan), unit.DBFS(nan), result.Cause{Words: "the dry recording’s own noise is not above its quantisation"}
	case "Quarry":
		out.Alignment.Certain, out.Alignment.Polarity, out.Alignment.Reason = false, "uncertain", result.Cause{Text: result.Say("place.apart", "apart_samples", 41)}
		out.Alignment.PlacedBy, out.Alignment.BesideBy = "", ""
	}
	for s, sp := range r.Timeline.Spans {
		m := result.Measures{Warnings: []result.Cause{{Text: result.Say("loudness.range-unstable")}}, EffectiveAverages: 143}
		m.Span, m.Integrated, m.Range = sp.Name, unit.LUFS(t.level-0.4*float64(s)*math.Sin(float64(i+s))), 6.1
		m.TruePeak, m.RMS = unit.DBTP(t.level+17.5-1.1*float64(i)), unit.DBFS(t.level-1.2)
		m.MaxMomentary, m.MaxShortTerm = m.Integrated+4.1, m.Integrated+2.2
		m.SamplePeak = unit.DBFS(m.TruePeak - 0.2)
		m.Crest, m.PeakToLoudness = unit.DB(float64(m.TruePeak)-float64(m.RMS)), unit.LU(float64(m.TruePeak)-float64(m.Integrated))
		m.Unweighted, m.AWeighted, m.Weighted468 = unit.DB(m.RMS), unit.DB(m.RMS-3), unit.DB(m.RMS+4)
		m.Third, m.Sixth, m.Twelfth = fixtureDB(t, r.Spectrum.Third, s), fixtureDB(t, r.Spectrum.Sixth, s), fixtureDB(t, r.Spectrum.Twelfth, s)
		m.Descriptors = result.Descriptors{Centroid: unit.Hertz(900 + 220*(t.tilt+3.1)), Tilt: unit.DB(t.tilt), Low: unit.DB(-4.2 + t.bass/3), Mid: -2.6, High: unit.DB(-13 + 2*(t.tilt+3.1))}
		if s == 0 {
			m.Series = &result.Series{Step: 0.5, Momentary: []unit.LUFS{}, ShortTerm: []unit.LUFS{}}
			for k := range 96 {
				at := float64(k) * 0.5
				v := t.level + 1.5*math.Sin(at/3.1+float64(i)/4) - 0.05*at
				for _, p := range []float64{12.2, 24.8, 36.8} {
					v -= 14 * math.Exp(-math.Pow((at-p)/1.1, 2))
				}
				m.Series.ShortTerm = append(m.Series.ShortTerm, unit.LUFS(v))
				m.Series.Momentary = append(m.Series.Momentary, unit.LUFS(v+1.8))
			}
			m.Series.ShortTerm[0], m.Series.ShortTerm[1] = unit.LUFS(math.Inf(-1)), unit.LUFS(math.Inf(-1))
		}
		out.Measures = append(out.Measures, m)
	}
	return out
}

func fixtureSettings(takes []fixtureTake) result.Settings {
	same := func(v, kind string, f float64, stated bool) []result.SettingValue {
		out := []result.SettingValue{}
		for range takes {
			out = append(out, result.SettingValue{Written: v, Kind: kind, Fraction: unit.Number(f), Stated: stated})
		}
		return out
	}
	each := func(f func(fixtureTake) result.SettingValue) []result.SettingValue {
		out := []result.SettingValue{}
		for _, t := range takes {
			out = append(out, f(t))
		}
		return out
	}
	fuzz := result.SlotSettings{Slot: "fuzz", Kind: "fuzz", Rows: []result.SettingRow{{Name: "device", Differs: true, Varied: true, Values: each(func(t fixtureTake) result.SettingValue {
		return result.SettingValue{Written: t.device, Kind: "text", Fraction: unit.Number(nan), Stated: true}
	})}}}
	for k, name := range []string{"sustain", "tone", "level"} {
		fuzz.Rows = append(fuzz.Rows, result.SettingRow{Name: name, Control: true, Differs: true, Varied: true, Values: each(func(t fixtureTake) result.SettingValue {
			return result.SettingValue{Written: t.knobs[k], Kind: t.kind, Fraction: unit.Number(t.fractions[k]), Stated: t.knobs[k] != "", Absent: t.role == "bypass"}
		})})
	}
	volume := same("noon", "clock", 0.5, true)
	volume[len(volume)-1] = result.SettingValue{Written: "2 o'clock", Kind: "clock", Fraction: 0.7, Stated: true}
	return result.Settings{Slots: []result.SlotSettings{
		{Slot: "reamp", Kind: "", Rows: []result.SettingRow{{Name: "device", Values: same("Passive reamp box", "text", nan, true)}, {Name: "level", Control: true, Values: same("3 o'clock", "clock", 0.8, true)}}},
		fuzz,
		{Slot: "amp", Kind: "valve power amp", Rows: []result.SettingRow{{Name: "device", Values: same("Kestrel", "text", nan, true)}, {Name: "volume", Control: true, Allowed: true, Differs: true, Values: volume}, {Name: "bass", Control: true, Values: same("11 o'clock", "clock", 0.4, true)}, {Name: "bright", Control: true, Values: same("off", "switch", 0, true)}}},
		{Slot: "load", Kind: "load", Rows: []result.SettingRow{{Name: "device", Values: same("Reactive load box", "text", nan, true)}, {Name: "impedance", Values: same("8 ohm", "text", nan, true)}}},
		{Slot: "cabinet", Kind: "cabinet", Rows: []result.SettingRow{{Name: "device", Values: same("Open-back 2x12, impulse response", "text", nan, true)}, {Name: "file", Values: same("ir/openback.wav", "text", nan, true)}}},
	}}
}

func fixtureChecks(r *result.Result, takes []fixtureTake) {
	for i, t := range takes {
		lag := result.Check{ID: "lag", Name: "Constant lag", Group: "sound", Subject: t.name, Outcome: result.Passed, Value: unit.Samples(37.25 + 3.1*float64(i)).String(), Limit: "±0.5 sample over the take", LimitSource: "common practice, no source", Why: "A lag that stays constant shows that the same recording was played.", Measured: 0.1, Unit: "samples"}
		pol := result.Check{ID: "polarity", Name: "Polarity", Group: "sound", Subject: t.name, Outcome: result.Passed, Value: "same", Limit: "same in all takes", LimitSource: "common practice, no source", Why: "Inverted takes sound thinner where they are mixed."}
		head := result.Check{ID: "headroom", Name: "Headroom", Group: "sound", Subject: t.name, Outcome: result.Passed, Value: "−8.1 dBFS", Limit: "−6 dBFS peak", LimitSource: "common practice, no source", Why: "A clipped recording is no longer what the gear did."}
		switch t.name {
		case "Quarry":
			pol.Outcome, pol.Value, pol.Reason = result.NotMeasured, "", "two ways of estimating disagree"
		case "Splitting":
			head.Outcome, head.Value, head.Do = result.Caution, "−3.2 dBFS", "turn the interface’s input down by 3 dB and record again"
		}
		r.Checks = append(r.Checks, lag, pol, head)
	}
	r.Checks = append(r.Checks,
		result.Check{ID: "match", Name: "Level match reached", Group: "sound", Outcome: result.Passed, Value: "0.004 LU", Limit: "0.05 LU", LimitSource: "own limit", Why: "Louder sounds better: a match must be closer than can be heard."},
		result.Check{ID: "varied", Name: "Only the fuzz differs", Group: "settings", Outcome: result.Failed, Value: "1 other control moved", Limit: "none", LimitSource: "stated in the manifest", Reason: "amp volume stands at 2 o'clock in No fuzz", Why: "Whatever else moved may be what is heard.", Do: "set the amp’s volume back to noon, or list amp.volume under may_differ"},
		result.Check{ID: "load", Name: "Load after the valve amplifier", Group: "safety", Outcome: result.Passed, Value: "Reactive load box, 8 ohm", Limit: "a load or cabinet", LimitSource: "common practice, no source", Why: "Valve power amplifiers need the load they are made for; the manufacturer’s manual decides."})
	r.Exclusions = append(r.Exclusions,
		result.Exclusion{Accusation: "Another performance was played.", Standing: "excluded by measurement", Because: "the lag of every take is constant within 0.1 sample", Checks: []string{"lag"}},
		result.Exclusion{Accusation: "A knob was moved between takes.", Standing: "rests on the author's word", Because: "positions are written down, not measured", Checks: []string{}},
		result.Exclusion{Accusation: "One take was made louder.", Standing: "excluded by the published files", Because: "they can be measured by anyone", Checks: []string{"match"}})
	r.Warnings = append(r.Warnings, result.Warning{Where: "Splitting", Message: "the file is 0.2 s shorter than the dry recording"}, result.Warning{Message: "no loopback was recorded: the reamp level is not known"})
}

// rowsOf returns the lines of a table of a result, without the headings.
func rowsOf(t *testing.T, res *result.Result, path string) [][]string {
	t.Helper()
	for _, f := range tables.Of(res) {
		if f.Path == path {
			return f.Rows(res)[1:]
		}
	}
	t.Fatal("no table ", path)
	return nil
}
