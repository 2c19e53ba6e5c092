package again

import (
	"context"
	"math"
	"slices"

	"evenhand/analyze"
	"evenhand/analyze/fairness"
	"evenhand/analyze/match"
	"evenhand/analyze/publish"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// Published is what a report's published audio gives again of its results
// without the recordings. The JSON has the fields of Result. Values that cannot
// be told from the file's own rounding are NaN.
type Published struct {
	Takes      []PublishedTake `json:"takes"`
	Match      fromMatch       `json:"match"`
	Resolution *fromResolution `json:"resolution,omitempty"`
	Spectrum   *fromSpectrum   `json:"spectrum,omitempty"`
	Likeness   []fromLikeness  `json:"likeness"`

	// NotMeasured are parts of the results that the published audio does not
	// give, and why. Rounding counts the values that are NaN since the rounding of the
	// files reaches them, which have Bits bits or more; Uncertain those that are too
	// uncertain to be compared.
	NotMeasured []string `json:"-"`
	Rounding    int      `json:"-"`
	Bits        int      `json:"-"`
	Uncertain   int      `json:"-"`
}

// PublishedTake is one take's part: its figures as recorded, and its levels
// after matching.
type PublishedTake struct {
	Name     string                 `json:"name"`
	Measures []result.AudioMeasures `json:"measures"`
	Noise    publishedNoise         `json:"noise"`
}

type publishedNoise struct {
	AsRecorded result.NoiseLevels `json:"as_recorded"`
	AsMatched  result.NoiseLevels `json:"as_matched"`
}

type fromMatch struct {
	Alternatives []result.Alternative `json:"alternatives"`
}

type fromResolution struct {
	Level   unit.DB      `json:"level_db"`
	Third   []unit.DB    `json:"third_octave_db"`
	Sixth   []unit.DB    `json:"sixth_octave_db"`
	Twelfth []unit.DB    `json:"twelfth_octave_db"`
	Repeats []fromRepeat `json:"repeats"`
}

type fromRepeat struct {
	Take  string    `json:"take"`
	Of    string    `json:"of"`
	Level unit.LU   `json:"level_lu"`
	Third []unit.DB `json:"third_octave_db"`
}

type fromSpectrum struct {
	Differences []fromDifference `json:"differences"`
}

type fromDifference struct {
	Span    string    `json:"span"`
	Take    string    `json:"take"`
	Third   fromBands `json:"third_octave"`
	Sixth   fromBands `json:"sixth_octave"`
	Twelfth fromBands `json:"twelfth_octave"`
}

// fromBands leaves out which differences are resolved: that follows from the
// other two, and turns over where they meet.
type fromBands struct {
	Difference []unit.DB `json:"difference_db"`
	HalfWidth  []unit.DB `json:"half_width_db"`
}

type fromLikeness struct {
	A         string      `json:"a"`
	B         string      `json:"b"`
	Spectral  unit.DB     `json:"spectral_db"`
	Residual  unit.DB     `json:"residual_db"`
	Coherence unit.Number `json:"coherence"`
}

// FromPublished decodes a report's published audio in dir, takes its
// gain back and measures it as the recordings were measured, section by
// section: loudness, peaks, spectra and their differences, the noise in the
// pauses, how alike the takes are. The timeline, the gains and the lags are
// taken from the results; a take whose file cannot be decoded is left out.
// Decoded audio is kept in tmp meanwhile, an existing folder.
//
// Errors: *mistake.Error when the results' timeline does not fit the audio, and
// those of files, and ctx's.
func FromPublished(ctx context.Context, dir, tmp string, earlier *result.Result, opts analyze.Options) (*Published, error) {
	g, err := decode(ctx, dir, tmp, earlier, opts)
	if err != nil {
		return nil, err
	}
	out := &Published{Takes: []PublishedTake{}, Match: fromMatch{[]result.Alternative{}}, Likeness: []fromLikeness{}}
	if len(g.Recordings.Takes) == 0 {
		out.NotMeasured = append(out.NotMeasured, "everything that is measured: no audio is published that can be decoded")
		return out, nil
	}
	g.RoundedAt = func(i int, gate unit.LUFS) unit.DB {
		return gateMargin(float64(gate)+float64(g.Result.Takes[i].Gain), roundingFloor(g, i))
	}
	if err := g.Compare(ctx, opts); err != nil {
		return nil, err
	}
	out.fill(g, earlier)
	return out, nil
}

// How far levels must lie above what rounding adds to be compared, in dB. At 20
// a level is 0.04 dB more with it. A band that is averaged over a few segments
// only also varies with it by chance, with a standard deviation of
// √(2/(averages·ratio)) of its power: at 40 and five averages by 0.03 dB.
const (
	levelClear = 20.0
	bandClear  = 40.0
)

// gateMargin returns by how many dB rounding moves a window of 0.4 s at most whose
// loudness after matching is given: three standard deviations of what the product
// of signal and rounding adds to its power, 2/√(n·ratio) of it with at least n = 400
// independent samples, and the power of the rounding itself. K-weighting lifts white
// noise by some 3 dB, a second channel by 3 more; the gain is known to 0.0001 dB.
func gateMargin(loudness, floor float64) unit.DB {
	ratio := unit.ToPower(loudness - floor - 6)
	return unit.DB(0.0001 + unit.FromPower(1+3*2/math.Sqrt(400*ratio)+1/ratio))
}

// fill takes over what was measured. Levels that the file's rounding reaches
// become NaN.
func (out *Published) fill(g *analyze.Given, earlier *result.Result) {
	floors := map[string]float64{} // of each take, in dB of full scale
	out.Bits = g.Recordings.Takes[0].Info.Bits
	for i, t := range g.Result.Takes {
		out.Bits = min(out.Bits, g.Recordings.Takes[i].Info.Bits)
		floors[t.Name] = roundingFloor(g, i)
		take := PublishedTake{Name: t.Name, Measures: []result.AudioMeasures{}}
		for k, m := range t.Measures {
			out.hideGated(&m.AudioMeasures, g.Takes[i].NearGate[k])
			out.hideBands(m.AudioMeasures, g, floors[t.Name])
			out.hideSeries(m.Series, t.Gain, floors[t.Name])
			take.Measures = append(take.Measures, m.AudioMeasures)
		}
		take.Noise = out.noise(t.Noise.AsRecorded, t.Noise.AsMatched, floors[t.Name])
		out.Takes = append(out.Takes, take)
	}
	for _, l := range g.Result.Likeness {
		out.Likeness = append(out.Likeness, out.likeness(l, earlier, floors))
	}
	out.comparisons(g, earlier)
}

// hide makes values NaN that rounding reaches, and counts those that are not yet.
func hide[T ~float64](out *Published, values ...*T) {
	for _, v := range values {
		if !math.IsNaN(float64(*v)) {
			*v = T(math.NaN())
			out.Rounding++
		}
	}
}

// roundingFloor is the power that rounding added to a take's published file, in dB
// of full scale.
func roundingFloor(g *analyze.Given, i int) float64 {
	return unit.FromPower(publish.Rounding(g.Recordings.Takes[i].Info.Bits))
}

// hideGated makes what rests on a gate NaN where rounding decides what passes it.
func (out *Published) hideGated(m *result.AudioMeasures, near fairness.NearGate) {
	if near.Integrated {
		hide(out, &m.Integrated)
		hide(out, &m.PeakToLoudness)
	}
	if near.LoudnessRange {
		hide(out, &m.Range)
	}
}

// alternatives returns the other ways of matching, NaN where rounding decides what
// passes a gate: those of the whole are in all of them.
func (out *Published) alternatives(g *analyze.Given) []result.Alternative {
	list := match.Alternatives(g.Result)
	near := func(span int) bool {
		return slices.ContainsFunc(g.Takes, func(t fairness.TakeEvidence) bool { return t.NearGate[span].Integrated })
	}
	for i := range list {
		x := &list[i]
		span := i / len(g.Recordings.Takes)
		if near(0) {
			hide(out, &x.Unweighted, &x.AWeighted, &x.Weighted468)
		}
		if near(0) || near(span) {
			hide(out, &x.Loudness, &x.Spread)
		}
	}
	return list
}

// hideBands makes the band levels NaN that rounding reaches or that lie above
// half the sample rate.
func (out *Published) hideBands(m result.AudioMeasures, g *analyze.Given, floor float64) {
	nyquist := float64(g.Result.Timeline.SampleRate) / 2
	for scale, levels := range [][]unit.DB{m.Third, m.Sixth, m.Twelfth} {
		for b, band := range [][]result.Band{g.Result.Spectrum.Third, g.Result.Spectrum.Sixth, g.Result.Spectrum.Twelfth}[scale] {
			width := math.Min(float64(band.High), nyquist) - float64(band.Low)
			if width <= 0 {
				levels[b] = unit.DB(math.NaN())
			} else if float64(levels[b]) < floor+unit.FromPower(width/nyquist)+bandClear {
				hide(out, &levels[b])
			}
		}
	}
}

// hideSeries makes the loudness NaN that rounding reaches. A span without a
// series has nil.
func (out *Published) hideSeries(series *result.Series, gain unit.DB, floor float64) {
	if series == nil {
		return
	}
	for _, list := range [][]unit.LUFS{series.Momentary, series.ShortTerm} {
		for k := range list {
			// K-weighting lifts white noise by some 3 dB, a second channel by
			// 3 more.
			if float64(list[k])+float64(gain) < floor+6+levelClear {
				hide(out, &list[k])
			}
		}
	}
}

// noise returns the noise levels, NaN where rounding reaches them.
func (out *Published) noise(recorded, matched result.NoiseLevels, floor float64) publishedNoise {
	x := publishedNoise{recorded, matched}
	asRecorded, asMatched := x.AsRecorded.All(), x.AsMatched.All()
	for k := range asMatched {
		// 468-weighting lifts white noise by up to 9 dB.
		if float64(*asMatched[k]) < floor+9+levelClear {
			hide(out, asMatched[k], asRecorded[k])
		}
	}
	return x
}

// likeness returns how alike two takes are, NaN where rounding reaches what it
// comes from. The takes' own measures must have been taken over before.
func (out *Published) likeness(l result.Likeness, earlier *result.Result, floors map[string]float64) fromLikeness {
	x := fromLikeness{l.A, l.B, l.Spectral, l.Residual, l.Coherence}
	for _, t := range out.Takes {
		if (t.Name == l.A || t.Name == l.B) && hears(earlier, t.Name, t.Measures[0].Third) {
			hide(out, &x.Spectral)
		}
	}
	// What two files differ by holds the rounding of both.
	if matchedLevel(earlier, l.A)+float64(l.Residual) < floors[l.A]+3+levelClear {
		hide(out, &x.Residual)
	}
	return x
}

// comparisons takes over what rests on several takes, as far as they are there.
func (out *Published) comparisons(g *analyze.Given, earlier *result.Result) {
	all := len(g.Recordings.Takes) == len(earlier.Takes)
	if all {
		out.Match.Alternatives = out.alternatives(g)
	} else {
		out.NotMeasured = append(out.NotMeasured, "match.alternatives: not every take's audio is here")
	}
	// Differences rest on the reference, or else on all takes, and on every repeat.
	rests := g.Result.Comparison.Reference == ""
	for _, x := range earlier.Resolution.Repeats {
		rests = rests || !has(g.Result, x.Take) || !has(g.Result, x.Of)
	}
	if !all && rests {
		out.NotMeasured = append(out.NotMeasured, "spectrum.differences, resolution: not every take's audio is here")
		return
	}
	out.differences(g, all)
}

// mostUncertain is the widest statistical band that says anything: beyond, it
// stands for fewer than a few independent averages, and rests on their estimate.
const mostUncertain = unit.DB(20)

// uncertain makes a half width that says nothing NaN.
func (out *Published) uncertain(v *unit.DB) {
	if *v > mostUncertain {
		*v = unit.DB(math.NaN())
		out.Uncertain++
	}
}

// hears reports whether a take is heard in a third octave of the whole whose level is
// not told here.
func hears(r *result.Result, take string, levels []unit.DB) bool {
	for i, t := range r.Takes {
		if t.Name != take || len(t.Measures) == 0 || len(t.Measures[0].Third) != len(r.Spectrum.Third) {
			continue
		}
		for b, w := range r.ThirdOctaves(i, 0).Weights(r.Spectrum.Third) {
			if w > 0 && (b >= len(levels) || notFinite(levels[b])) {
				return true
			}
		}
	}
	return false
}

func notFinite(v unit.DB) bool { return math.IsNaN(float64(v)) || math.IsInf(float64(v), 0) }

// matchedLevel is a take's unweighted level after matching, in dB.
func matchedLevel(r *result.Result, take string) float64 {
	for _, t := range r.Takes {
		if t.Name == take && len(t.Measures) > 0 {
			return float64(t.Measures[0].Unweighted + t.Gain)
		}
	}
	return math.NaN()
}

// wholeNearGate reports whether rounding decides what counts for the loudness of
// the whole of a take.
func wholeNearGate(g *analyze.Given, take string) bool {
	i := slices.IndexFunc(g.Result.Takes, func(t result.Take) bool { return t.Name == take })
	return i >= 0 && g.Takes[i].NearGate[0].Integrated
}

// differences takes over the spectral differences and the resolution where all
// levels that they come from are clear of rounding: a difference those of its two
// takes, a half width also those of every repeat in the band and beside it (see
// neighbours).
func (out *Published) differences(g *analyze.Given, all bool) {
	levels := map[string]result.AudioMeasures{}
	for _, t := range out.Takes {
		for _, m := range t.Measures {
			levels[t.Name+"\n"+m.Span] = m
		}
	}
	reached := func(take, span string, scale, b int) bool {
		m := levels[take+"\n"+span]
		list := [][]unit.DB{m.Third, m.Sixth, m.Twelfth}[scale]
		return b >= 0 && b < len(list) && math.IsNaN(float64(list[b]))
	}
	repeats := g.Result.Resolution.Repeats
	repeatsReached := func(span string, scale, b int) bool {
		return slices.ContainsFunc(repeats, func(x result.Repeat) bool {
			for k := b - 1; k <= b+1; k++ {
				if reached(x.Take, span, scale, k) || reached(x.Of, span, scale, k) {
					return true
				}
			}
			return false
		})
	}
	// The median of all rests on every take.
	against := func(take string) bool {
		ref := g.Result.Comparison.Reference
		return ref == "" || take == ref
	}
	out.Spectrum = &fromSpectrum{[]fromDifference{}}
	for _, d := range g.Result.Spectrum.Differences {
		x := fromDifference{Span: d.Span, Take: d.Take}
		for k, bands := range []result.BandDifferences{d.Third, d.Sixth, d.Twelfth} {
			to := []*fromBands{&x.Third, &x.Sixth, &x.Twelfth}[k]
			*to = fromBands{bands.Difference, bands.HalfWidth}
			for b := range bands.Difference {
				out.uncertain(&to.HalfWidth[b])
				for _, t := range g.Result.Takes {
					if (t.Name == d.Take || against(t.Name)) && reached(t.Name, d.Span, k, b) {
						hide(out, &to.Difference[b], &to.HalfWidth[b])
					}
				}
				if repeatsReached(d.Span, k, b) {
					hide(out, &to.HalfWidth[b])
				}
			}
		}
		out.Spectrum.Differences = append(out.Spectrum.Differences, x)
	}
	if !all {
		out.NotMeasured = append(out.NotMeasured, "resolution: not every take's audio is here")
		return
	}
	whole := g.Result.Timeline.Spans[0].Name
	r := g.Result.Resolution
	out.Resolution = &fromResolution{Level: r.Level, Third: r.Third, Sixth: r.Sixth, Twelfth: r.Twelfth, Repeats: []fromRepeat{}}
	for _, x := range repeats {
		if wholeNearGate(g, x.Take) || wholeNearGate(g, x.Of) {
			hide(out, &x.Level)
			hide(out, &out.Resolution.Level)
		}
		for b := range x.Third {
			if reached(x.Take, whole, 0, b) || reached(x.Of, whole, 0, b) {
				hide(out, &x.Third[b])
			}
		}
		out.Resolution.Repeats = append(out.Resolution.Repeats, fromRepeat(x))
	}
	for k, list := range [][]unit.DB{r.Third, r.Sixth, r.Twelfth} {
		for b := range list {
			out.uncertain(&list[b])
			for _, t := range out.Takes {
				if reached(t.Name, whole, k, b) || repeatsReached(whole, k, b) {
					hide(out, &list[b])
				}
			}
		}
	}
}
