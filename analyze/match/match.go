// Package match finds the gains that make takes equally loud, and what other ways of
// matching would have asked for.
package match

import (
	"fmt"
	"math"

	"evenhand/analyze/fairness"
	"evenhand/analyze/loudness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// CeilingError says that a stated target loudness would take a take's true
// peak above the ceiling.
type CeilingError struct {
	Take    string
	Target  unit.LUFS // as stated
	Peak    unit.DBTP // where the take would peak
	Ceiling unit.DBTP
	Highest unit.LUFS // the highest target that every take allows
}

// Unwrap says that the stated target is to be changed.
func (e *CeilingError) Unwrap() error { return mistake.Err }

func (e *CeilingError) Error() string {
	return fmt.Sprintf("match: a target of %s LUFS would take the true peak of %q to %s dBTP, above the ceiling of %s dBTP; the highest target that every take allows is %s LUFS: state that or a lower one, or leave the target out",
		unit.Format(float64(e.Target), 1), e.Take, unit.Format(float64(e.Peak), 1), unit.Format(float64(e.Ceiling), 1), unit.Format(float64(e.Highest), 1))
}

// Takes sets every take's gain so that all have the same integrated
// loudness over the whole span, and fills res.Match. Without a stated target
// it is the highest, in steps of 0.1 LU, at which no take's true peak passes
// the ceiling. whole holds each take's measurement of the whole span. A take
// without any loudness is an error; with withoutSilent it gets no gain (NaN)
// instead, as long as another take has a loudness.
//
// The gain is not simply target less loudness: the absolute gate does not move
// with it (see loudness.Measurement.IntegratedAt).
func Takes(res *result.Result, spec manifest.Match, whole []loudness.Measurement, withoutSilent bool) error {
	ceiling := result.DefaultCeiling
	if spec.Ceiling != nil {
		ceiling = *spec.Ceiling
	}
	m := result.Match{Highest: unit.LUFS(math.Inf(1)), Alternatives: []result.Alternative{}}
	limit, silent := -1, -1
	for _, i := range res.ByName() {
		w := whole[i]
		if fairness.Unmatched(w) {
			silent = i
			continue
		}
		if top := w.IntegratedAt(unit.DB(ceiling - w.TruePeak)); top < m.Highest {
			m.Highest, limit = top, i
		}
	}
	if silent >= 0 && (!withoutSilent || limit < 0) {
		return mistake.Errorf("match: take %q (%s) has %s; check that it is the right file", res.Takes[silent].Name, res.Takes[silent].File, fairness.WhyUnmatched)
	}
	// Down to a tenth, so that the stated figure is the one used. The small
	// offset keeps a value that is a tenth already from losing one to rounding.
	m.Highest = unit.LUFS(math.Floor(float64(m.Highest)*10+1e-9) / 10)
	if over, _ := overCeiling(res, whole, m.Highest, ceiling); over >= 0 {
		// A gate that opens on the last tenth of a dB.
		m.Highest = unit.LUFS(math.Round(float64(m.Highest)*10-1) / 10)
		limit = over
	}
	m.Target, m.LimitedBy = m.Highest, res.Takes[limit].Name
	source := "highest under the ceiling"
	if spec.Target != nil {
		m.Target, m.LimitedBy, source = *spec.Target, "", "stated"
		if over, peak := overCeiling(res, whole, m.Target, ceiling); over >= 0 {
			return &CeilingError{Take: res.Takes[over].Name, Target: m.Target, Peak: peak, Ceiling: ceiling, Highest: m.Highest}
		}
	}
	for i := range res.Takes {
		if res.Takes[i].Gain = unit.DB(math.NaN()); !fairness.Unmatched(whole[i]) {
			res.Takes[i].Gain = GainTo(whole[i], m.Target)
		}
	}
	m.Alternatives = Alternatives(res)
	res.Match = m
	res.Parameters.Match = result.MatchParameters{
		Ceiling:      ceiling,
		TargetSource: source,
		Tolerance:    result.MatchTolerance,
	}
	return nil
}

// GainTo returns the gain that brings a measured stretch to a loudness, with
// the absolute gate in place (see loudness.Measurement.IntegratedAt).
func GainTo(m loudness.Measurement, target unit.LUFS) unit.DB {
	gain, best := unit.DB(target-m.Integrated), math.Inf(1)
	for g, n := gain, 0; n < 20; n++ {
		miss := float64(target - m.IntegratedAt(g))
		if math.Abs(miss) < best {
			gain, best = g, math.Abs(miss)
		}
		g += unit.DB(miss)
	}
	return gain
}

// overCeiling returns the take whose true peak lies highest above the ceiling
// at a target, and that peak; −1 when none does.
func overCeiling(res *result.Result, whole []loudness.Measurement, target unit.LUFS, ceiling unit.DBTP) (take int, peak unit.DBTP) {
	take, peak = -1, ceiling+1e-9
	for _, i := range res.ByName() {
		w := whole[i]
		if fairness.Unmatched(w) {
			continue
		}
		if p := w.TruePeak + unit.DBTP(GainTo(w, target)); p > peak {
			take, peak = i, p
		}
	}
	return take, peak
}

// Alternatives returns, span by span and take by take, what matching by other
// weightings, or by this span alone, would have asked for beyond the gain that
// was applied. Each convention is normalised to its own mean over the takes, so
// that only differences between takes are compared.
func Alternatives(res *result.Result) []result.Alternative {
	conventions := []func(result.Measures) float64{
		func(m result.Measures) float64 { return float64(m.Integrated) },
		func(m result.Measures) float64 { return float64(m.Unweighted) },
		func(m result.Measures) float64 { return float64(m.AWeighted) },
		func(m result.Measures) float64 { return float64(m.Weighted468) },
	}
	applied := relative(res, 0, conventions[0])
	out := []result.Alternative{}
	for s := range res.Timeline.Spans {
		asks := make([][]float64, len(conventions))
		for c, level := range conventions {
			asks[c] = relative(res, s, level)
		}
		for t := range res.Takes {
			lo, hi := math.Inf(1), math.Inf(-1)
			var v [4]float64
			for c := range asks {
				// A louder take asks for less gain.
				v[c] = applied[t] - asks[c][t]
				lo, hi = math.Min(lo, v[c]), math.Max(hi, v[c])
			}
			out = append(out, result.Alternative{
				Span: res.Timeline.Spans[s].Name, Take: res.Takes[t].Name,
				Loudness: unit.DB(v[0]), Unweighted: unit.DB(v[1]), AWeighted: unit.DB(v[2]), Weighted468: unit.DB(v[3]),
				Spread: unit.DB(hi - lo),
			})
		}
	}
	return out
}

// relative returns each take's level in a span less the mean over the takes
// whose level is finite; NaN for a take that is silent there.
func relative(res *result.Result, span int, level func(result.Measures) float64) []float64 {
	v := make([]float64, len(res.Takes))
	var sum float64
	var n int
	for t := range res.Takes {
		v[t] = level(res.Takes[t].Measures[span])
		if math.IsInf(v[t], 0) || math.IsNaN(v[t]) {
			v[t] = math.NaN()
			continue
		}
		sum += v[t]
		n++
	}
	for t := range v {
		v[t] -= sum / float64(n)
	}
	return v
}
