package clock

import (
	"math"

	"evenhand/analyze/unit"
)

const (
	shortSeconds = 0.03 // a short window is the power of two from here
	shortHop     = 0.0025
	placeReach   = 0.3
)

// place returns the time at which the lag steps: where short windows, compared
// with what all of them on both sides have in common, change from the lag
// before to the lag behind. It lies near that of s.
func (t *tracker) place(s Slip, slips []Slip) (unit.Seconds, error) {
	reach := placeReach
	lag := float64(s.Lag)
	before, behind := float64(s.At)-reach, float64(s.At)+reach
	size := 1
	for float64(size) < shortSeconds*float64(t.rate) {
		size <<= 1
	}
	w := newSpectra(size, t.rate, t.p)
	// What the gear does: the mean of the short windows' cross-spectra over
	// two seconds on each side, each along its own lag.
	model := make([]complex128, w.hi-w.lo)
	hop := size / 2
	span := 2 * float64(t.rate)
	for _, side := range []float64{-1, 1} {
		extra, from := 0.0, before*float64(t.rate)-span
		if side > 0 {
			extra, from = lag, behind*float64(t.rate)
		}
		for f := from; f < from+span; f += float64(hop) {
			if f < 0 || f+float64(size) > float64(t.a.Len()) {
				continue
			}
			at := t.lag(f/float64(t.rate), slips) + extra
			pa, _, err := w.load(t.a, t.b, int64(f), at)
			if err != nil {
				return 0, err
			}
			if pa < 1e-4*t.loudA {
				continue
			}
			for k, v := range w.cross(at) {
				model[k] += v
			}
		}
	}
	from, to := before*float64(t.rate), behind*float64(t.rate)
	best, most, sum := (before+behind)/2, math.Inf(-1), 0.0
	first := true
	for f := from; f <= to; f += shortHop * float64(t.rate) {
		base := t.lag((f+float64(size)/2)/float64(t.rate), slips)
		var score [2]float64
		for i := range score {
			at := base + float64(i)*lag
			pa, _, err := w.load(t.a, t.b, int64(f), at)
			if err != nil {
				return 0, err
			}
			if pa < 1e-5*t.loudA {
				continue
			}
			for k, v := range w.cross(at) {
				m := model[k]
				score[i] += real(m)*real(v) + imag(m)*imag(v)
			}
		}
		sum += score[0] - score[1]
		if first || sum > most {
			most, best, first = sum, (f+float64(size)/2+shortHop/2*float64(t.rate))/float64(t.rate), false
		}
	}
	return unit.Seconds(best), nil
}
