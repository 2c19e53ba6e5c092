package analyze

import (
	"context"
	"math"
	"slices"

	"evenhand/analyze/result"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

// pageConfidence is the confidence that no band of the whole page is shown as
// different by chance.
const pageConfidence = 0.95

// scales are the three band resolutions in one order: third, sixth, twelfth.
func (b bandSets) scales() [3][]spectrum.Band { return [3][]spectrum.Band{b.third, b.sixth, b.twelfth} }

// finishSpectra fills in band levels after matching, what the session resolves,
// and every take's differences to the reference or to the median of all.
func (s *Session) finishSpectra(context.Context) error {
	res := s.Result
	sp := &res.Spectrum
	sp.Third, sp.Sixth, sp.Twelfth = bandsOf(s.bands.third), bandsOf(s.bands.sixth), bandsOf(s.bands.twelfth)
	for i := range res.Takes {
		t := &res.Takes[i]
		t.Floor = make([]unit.DB, len(s.Takes[i].Floor))
		for b, v := range s.Takes[i].Floor {
			t.Floor[b] = v + t.Gain
		}
		for k := range t.Measures {
			m := &t.Measures[k]
			m.Third, m.Sixth, m.Twelfth = s.levels(i, k, 0), s.levels(i, k, 1), s.levels(i, k, 2)
		}
	}

	perBand := 0
	for _, bands := range s.bands.scales() {
		perBand += len(bands)
	}
	s.confidence = spectrum.FamilyConfidence(pageConfidence, max(len(res.Takes), s.pageTakes)*len(res.Timeline.Spans)*perBand)
	s.Result.Parameters.Spectrum.BandConfidence = unit.Number(s.confidence)
	s.findResolution()

	sp.Against = "median of all"
	if res.Comparison.Reference != "" {
		sp.Against = res.Comparison.Reference
	}
	sp.Differences = []result.Difference{}
	for k, span := range res.Timeline.Spans {
		var typical [3]medianBands
		if res.Comparison.Reference == "" {
			for r := range typical {
				typical[r] = s.medianOf(k, r)
			}
		}
		for i := range res.Takes {
			if res.Comparison.Reference != "" && i == s.Anchor {
				continue
			}
			d := result.Difference{Span: span.Name, Take: res.Takes[i].Name}
			for r, out := range []*result.BandDifferences{&d.Third, &d.Sixth, &d.Twelfth} {
				if res.Comparison.Reference != "" {
					*out = s.difference(i, s.Anchor, k, r)
				} else {
					*out = s.toMedian(i, k, r, typical[r])
				}
			}
			sp.Differences = append(sp.Differences, d)
		}
	}
	return nil
}

func bandsOf(in []spectrum.Band) []result.Band {
	out := make([]result.Band, len(in))
	for i, b := range in {
		out[i] = result.Band{Label: b.Label, Centre: b.Centre, Low: b.Low, High: b.High}
	}
	return out
}

// levels returns a take's band levels after matching in one span, at the
// resolution that scale counts: third, sixth, twelfth octaves.
func (s *Session) levels(take, span, scale int) []unit.DB {
	return spectrum.Levels(s.Takes[take].Powers[span][scale].Power, s.Result.Takes[take].Gain)
}

// difference compares take a with take b in one span at one of the resolutions.
func (s *Session) difference(a, b, span, scale int) result.BandDifferences {
	ga, gb := s.Result.Takes[a].Gain, s.Result.Takes[b].Gain
	c := spectrum.CompareBands(s.Takes[a].Powers[span][scale], s.Takes[b].Powers[span][scale], ga, gb, s.confidence)
	return s.resolve(c.Difference, c.HalfWidth, span, scale)
}

// medianBands are the median of the takes that count for it: in each band its level,
// NaN where no take has one, and its degrees of freedom. The median of several varies
// no more than the one of them that varies most, so that take's stand for it.
type medianBands struct {
	level   []unit.DB
	freedom []float64
}

// medianOf returns the median of the takes in one span at one of the resolutions.
func (s *Session) medianOf(span, scale int) medianBands {
	n := len(s.bands.scales()[scale])
	m := medianBands{make([]unit.DB, n), make([]float64, n)}
	values := make([][]unit.DB, n)
	for b := range m.freedom {
		m.freedom[b] = math.Inf(1)
	}
	for i := range s.Result.Takes {
		if !s.countsForMedian(i) {
			continue
		}
		freedom := s.Takes[i].Powers[span][scale].Freedom
		for b, v := range s.levels(i, span, scale) {
			if !math.IsNaN(float64(v)) {
				values[b] = append(values[b], v)
			}
			m.freedom[b] = math.Min(m.freedom[b], freedom[b])
		}
	}
	for b := range values {
		m.level[b] = result.Median(values[b])
	}
	return m
}

// toMedian compares a take with the median of all in one span.
func (s *Session) toMedian(take, span, scale int, typical medianBands) result.BandDifferences {
	diff := s.levels(take, span, scale)
	half := make([]unit.DB, len(diff))
	freedom := s.Takes[take].Powers[span][scale].Freedom
	for b := range diff {
		diff[b] -= typical.level[b]
		half[b] = max(spectrum.SmallestDifference, spectrum.DifferenceHalfWidth(freedom[b], typical.freedom[b], s.confidence))
		if math.IsInf(float64(diff[b]), 0) {
			diff[b] = unit.DB(nan())
		}
	}
	return s.resolve(diff, half, span, scale)
}

// countsForMedian leaves out what is not one of the things compared: a repeat would
// count a take twice.
func (s *Session) countsForMedian(i int) bool { return s.Result.Takes[i].Contestant() }

// resolve marks the differences that exceed both what chance and what the
// session's own repeat allow.
func (s *Session) resolve(diff, half []unit.DB, span, scale int) result.BandDifferences {
	out := result.BandDifferences{Difference: diff, HalfWidth: half, Resolved: make([]bool, len(diff))}
	for b := range diff {
		if s.repeatSpread != nil {
			half[b] = max(half[b], s.repeatSpread[span][scale][b])
		}
		out.Resolved[b] = math.Abs(float64(diff[b])) > float64(half[b])
	}
	return out
}

// findResolution compares every repeat with the take that it repeats. Where one of
// the two changed while it was recorded, the repeat does not tell how well the session
// repeats, and is left out.
func (s *Session) findResolution() {
	res := s.Result
	r := result.Resolution{Source: "statistics", Repeats: []result.Repeat{}, Level: unit.DB(nan())}
	index := map[string]int{}
	for i := range res.Takes {
		index[res.Takes[i].Name] = i
	}
	spread := make([][3][]unit.DB, len(res.Timeline.Spans))
	for i := range res.Takes {
		t := &res.Takes[i]
		if t.RepeatOf == "" {
			continue
		}
		if k := slices.IndexFunc(res.Resolution.LeftOut, func(u result.Unsteady) bool { return u.Take == t.Name }); k >= 0 {
			r.LeftOut = append(r.LeftOut, res.Resolution.LeftOut[k])
			continue
		}
		of := index[t.RepeatOf]
		rep := result.Repeat{Take: t.Name, Of: t.RepeatOf,
			Level: unit.LU(t.Measures[0].Integrated - res.Takes[of].Measures[0].Integrated)}
		for k := range res.Timeline.Spans {
			for scale, bands := range s.bands.scales() {
				a, b := s.levels(i, k, scale), s.levels(of, k, scale)
				d := make([]unit.DB, len(bands))
				for n := range d {
					d[n] = a[n] - b[n]
				}
				if k == 0 && scale == 0 {
					rep.Third = slices.Clone(d)
				}
				spread[k][scale] = widest(spread[k][scale], neighbours(d))
			}
		}
		r.Repeats = append(r.Repeats, rep)
		if level := unit.DB(math.Abs(float64(rep.Level))); math.IsNaN(float64(r.Level)) || level > r.Level {
			r.Level = level
		}
	}
	if len(r.Repeats) > 0 {
		r.Source = "repeat"
		s.repeatSpread = spread
	}
	// What the session resolves in each band: the largest half width of any take
	// against the one that they are aligned to, the reference where there is one.
	out := [3]*[]unit.DB{&r.Third, &r.Sixth, &r.Twelfth}
	for scale, bands := range s.bands.scales() {
		*out[scale] = make([]unit.DB, len(bands))
		for i := range res.Takes {
			if i == s.Anchor && len(res.Takes) > 1 {
				continue
			}
			for n, h := range s.difference(i, s.Anchor, 0, scale).HalfWidth {
				if h > (*out[scale])[n] || math.IsNaN(float64(h)) {
					(*out[scale])[n] = h
				}
			}
		}
	}
	res.Resolution = r
}

// neighbours returns the greatest magnitude among each band and the two beside
// it: one repeat gives one difference per band, and a band in which it happens
// to be zero is not resolved better than those beside it.
func neighbours(d []unit.DB) []unit.DB {
	out := make([]unit.DB, len(d))
	for i := range d {
		for k := max(0, i-1); k <= min(len(d)-1, i+1); k++ {
			if v := unit.DB(math.Abs(float64(d[k]))); v > out[i] && !math.IsInf(float64(v), 0) {
				out[i] = v
			}
		}
	}
	return out
}

func widest(a, b []unit.DB) []unit.DB {
	for i := range a {
		b[i] = max(a[i], b[i])
	}
	return b
}

// spectralDistance returns how far two takes are apart over the whole span, and whether
// any third octave that counts is resolved.
func (s *Session) spectralDistance(a, b int) (unit.DB, bool) {
	heard := s.Result.AudibleBetween(a, b, 0)
	resolved := false
	for i, is := range s.difference(a, b, 0, 0).Resolved {
		resolved = resolved || is && heard.Weight[i] > 0
	}
	return heard.Distance(), resolved
}
