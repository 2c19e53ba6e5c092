package align

import (
	"math"
	"slices"
	"sort"

	"evenhand/analyze/unit"
)

// WindowLag is the lag in one window of the fine search.
type WindowLag struct {
	Time   unit.Seconds // middle of the window on the timeline
	Lag    unit.Samples // of b relative to a; NaN where one of the two is silent
	Weight unit.Number  // height of the correlation's peak, 0 to 1
}

func (w *WindowLag) fill(t float64) {
	w.Time, w.Lag, w.Weight = unit.Seconds(t), unit.Samples(math.NaN()), 0
}

func (w *WindowLag) set(lag, weight float64) {
	w.Lag, w.Weight = unit.Samples(lag), unit.Number(weight)
}

// line is a lag in frames as a function of the time in seconds.
type line struct {
	mid, lag, slope float64 // lag at mid, frames per second
	slopeError      float64 // one standard error; NaN when unknown
	spread          float64 // robust standard deviation of the points about it
	points          int
}

func (l line) at(t float64) float64 { return l.lag + l.slope*(t-l.mid) }

// fit puts a line through the windows' lags, level when they span less than
// leastDriftSpan seconds: the weighted median of the slopes
// of all pairs (Theil and Sen), then weighted least squares over the points
// within three robust deviations of it.
//
// Source: P. K. Sen, Estimates of the regression coefficient based on
// Kendall's tau, J. Am. Stat. Assoc. 63, 1968 (from memory).
func fit(ws []WindowLag) line {
	var t, y, w []float64
	for _, x := range ws {
		if x.Weight > 0 && finite(float64(x.Lag)) {
			t, y, w = append(t, float64(x.Time)), append(y, float64(x.Lag)), append(w, float64(x.Weight))
		}
	}
	l := line{slopeError: math.NaN(), spread: math.NaN(), points: len(t)}
	if len(t) == 0 {
		return l
	}
	l.mid = mean(t, w)
	if len(t) < 3 {
		l.lag = mean(y, w)
		return l
	}
	level := slices.Max(t)-slices.Min(t) < leastDriftSpan
	var slopes, sw []float64
	for i := range t {
		for j := range i {
			if d := math.Abs(t[i] - t[j]); d > 0 && !level {
				slopes = append(slopes, (y[i]-y[j])/(t[i]-t[j]))
				sw = append(sw, w[i]*w[j]*d)
			}
		}
	}
	if !level {
		l.slope = median(slopes, sw)
	}
	res := make([]float64, len(t))
	for i := range t {
		res[i] = y[i] - l.slope*(t[i]-l.mid)
	}
	l.lag = median(res, w)
	dev := make([]float64, len(t))
	for i := range res {
		dev[i] = math.Abs(res[i] - l.lag)
	}
	l.spread = 1.4826 * median(dev, w)
	limit := max(3*l.spread, 0.1)
	var st, sy, sww []float64
	for i := range t {
		if dev[i] <= limit {
			st, sy, sww = append(st, t[i]), append(sy, y[i]), append(sww, w[i])
		}
	}
	if level || len(st) < 3 {
		return l
	}
	mt, my := mean(st, sww), mean(sy, sww)
	stt, sty, sw1 := 0.0, 0.0, 0.0
	for i := range st {
		stt += sww[i] * (st[i] - mt) * (st[i] - mt)
		sty += sww[i] * (st[i] - mt) * (sy[i] - my)
		sw1 += sww[i]
	}
	l.slope = sty / stt
	l.lag = my + l.slope*(l.mid-mt)
	rss := 0.0
	for i := range st {
		e := sy[i] - l.at(st[i])
		rss += sww[i] * e * e
	}
	// Weighted residual variance per unit weight of the mean.
	s2 := rss / sw1 * float64(len(st)) / float64(len(st)-2)
	l.slopeError = math.Sqrt(s2 / (stt / sw1 * float64(len(st))))
	return l
}

// middleLag returns the weighted median of the windows' lags.
func middleLag(ws []WindowLag) float64 {
	var y, w []float64
	for _, x := range ws {
		if x.Weight > 0 {
			y, w = append(y, float64(x.Lag)), append(w, float64(x.Weight))
		}
	}
	return median(y, w)
}

// mean returns the weighted mean.
func mean(x, w []float64) float64 {
	s, sw := 0.0, 0.0
	for i := range x {
		s += w[i] * x[i]
		sw += w[i]
	}
	return s / sw
}

// median returns the weighted median: the least value at which half of the
// weight is reached, halfway to the next where it is met exactly.
func median(x, w []float64) float64 {
	order := make([]int, len(x))
	total := 0.0
	for i := range x {
		order[i] = i
		total += w[i]
	}
	sort.SliceStable(order, func(i, j int) bool { return x[order[i]] < x[order[j]] })
	sum := 0.0
	for k, i := range order {
		sum += w[i]
		if sum > total/2*(1+1e-12) || k == len(order)-1 {
			return x[i]
		}
		if sum >= total/2*(1-1e-12) {
			return (x[i] + x[order[k+1]]) / 2
		}
	}
	return math.NaN()
}
