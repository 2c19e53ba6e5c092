package align

import (
	"math"
	"math/cmplx"
	"slices"

	"evenhand/analyze/internal/dsp"
)

// method is a way of weighting the cross-spectrum.
type method int

const (
	plain    method = iota // as it is
	whitened               // divided by the smoothed magnitudes
	methods
)

const smoothHertz = 60 // half width over which the magnitudes are smoothed

// pair compares the windows of two features of one plan.
type pair struct {
	p      *plan
	narrow *dsp.Narrow // of the length that samples the correlation at least 1.5 times as densely as its band needs
	rng    int         // range of the search on the correlation's grid, either way
	step   float64     // grid spacing in frames
	cross  [methods][][]complex128
	norm   [methods][]float64   // per window: the largest value its correlation can have
	corr   [methods][][]float64 // per window: −rng … rng on the grid
	time   []float64            // per window: seconds on the timeline
	base   []float64            // per window: difference of the offsets read
	use    []bool
}

// newPair forms the cross-spectra and their correlations. b later than a gives
// a peak at a positive lag.
func newPair(p *plan, a, b [][]complex128, offA, offB []int64) *pair {
	n := dsp.NextPow2(3 * p.hi)
	q := &pair{p: p, step: float64(p.size) / float64(n)}
	q.rng = min(n/2-1, int(fineSeconds*float64(p.rate)/q.step))
	q.narrow = dsp.NewNarrow(n, p.lo, p.hi-p.lo, q.rng)
	nw := len(p.windows)
	ea, eb := make([]float64, nw), make([]float64, nw)
	ma, mb := 0.0, 0.0
	for i := range nw {
		if a[i] == nil || b[i] == nil {
			continue
		}
		for k := range a[i] {
			ea[i] += abs2(a[i][k])
			eb[i] += abs2(b[i][k])
		}
		ma, mb = max(ma, ea[i]), max(mb, eb[i])
	}
	half := int(smoothHertz * float64(p.size) / float64(p.rate))
	for i, w := range p.windows {
		q.time = append(q.time, p.centre(w.first))
		q.base = append(q.base, float64(offB[i]-offA[i]))
		ok := ea[i] > 1e-6*ma && eb[i] > 1e-6*mb // not where one is nil
		q.use = append(q.use, ok)
		if !ok {
			for m := range methods {
				q.cross[m], q.corr[m], q.norm[m] = append(q.cross[m], nil), append(q.corr[m], nil), append(q.norm[m], 0)
			}
			continue
		}
		x := make([]complex128, len(a[i]))
		for k := range x {
			x[k] = cmplx.Conj(a[i][k]) * b[i][k]
		}
		y := whiten(a[i], b[i], half)
		bound := 0.0
		for k := range y {
			if m := abs2(x[k]); m > 0 {
				bound += math.Sqrt(abs2(y[k]))
			}
		}
		var both [methods][]float64
		both[plain], both[whitened] = q.correlate(x, y)
		for m, c := range [methods][]complex128{plain: x, whitened: y} {
			q.cross[m], q.corr[m] = append(q.cross[m], c), append(q.corr[m], both[m])
		}
		q.norm[plain] = append(q.norm[plain], math.Sqrt(ea[i]*eb[i]))
		q.norm[whitened] = append(q.norm[whitened], bound)
	}
	return q
}

// correlate returns the correlations, −rng … rng on the grid, whose cross-spectra
// in the band are x and y: the real part of Σ x[k]·exp(…). y may be nil.
func (q *pair) correlate(x, y []complex128) (rx, ry []float64) {
	rx, ry = q.narrow.Lags(x, y)
	return slices.Clone(rx), slices.Clone(ry)
}

func abs2(c complex128) float64 { return real(c)*real(c) + imag(c)*imag(c) }

// whiten returns the cross-spectrum of a and b divided by their magnitudes,
// which are smoothed over 2·half+1 bins (in power); half 0 is the phase
// transform, whose every bin has magnitude 1. Bins without energy are zero.
//
// Source: C. H. Knapp, G. C. Carter, The generalized correlation method for
// estimation of time delay, IEEE Trans. ASSP-24(4), 1976 (phase transform and
// smoothed coherence transform, from memory).
func whiten(a, b []complex128, half int) []complex128 {
	out := make([]complex128, len(a))
	pa, pb := make([]float64, len(a)+1), make([]float64, len(a)+1)
	for k := range a {
		pa[k+1] = pa[k] + abs2(a[k])
		pb[k+1] = pb[k] + abs2(b[k])
	}
	for k := range a {
		x := cmplx.Conj(a[k]) * b[k]
		d := math.Sqrt(abs2(a[k]) * abs2(b[k]))
		if half > 0 {
			from, to := max(0, k-half), min(len(a), k+half+1)
			w := float64(to - from)
			d = math.Sqrt((pa[to] - pa[from]) / w * (pb[to] - pb[from]) / w)
		}
		if d > 0 { // a division of complex numbers would take several times as long
			out[k] = complex(real(x)/d, imag(x)/d)
		}
	}
	return out
}

// evaluate returns the real part of Σ c[k]·exp(iθ(k+lo)τ), θ = 2π/size, and its
// first two derivatives by τ (frames).
func (p *plan) evaluate(c []complex128, tau float64) (r, r1, r2 float64) {
	theta := 2 * math.Pi / float64(p.size)
	step := cmplx.Rect(1, theta*tau)
	z := cmplx.Rect(1, theta*tau*float64(p.lo))
	w := theta * float64(p.lo)
	for _, v := range c {
		re := real(v)*real(z) - imag(v)*imag(z)
		im := real(v)*imag(z) + imag(v)*real(z)
		r += re
		r1 -= w * im
		r2 -= w * w * re
		w += theta
		z *= step
	}
	return r, r1, r2
}

// refine returns the place and value of the extremum of c's correlation near
// tau, which is within half a grid step of it.
func (q *pair) refine(c []complex128, tau float64) (float64, float64) {
	start := tau
	var r float64
	for range 6 {
		v, d1, d2 := q.p.evaluate(c, tau)
		r = v
		if d2 == 0 || v*d2 > 0 {
			return tau, r
		}
		move := -d1 / d2
		if math.Abs(tau+move-start) > q.step {
			return tau, r
		}
		tau += move
		if math.Abs(move) < 1e-4 {
			r, _, _ = q.p.evaluate(c, tau)
			break
		}
	}
	return tau, r
}

// top returns the index of the largest |r| (sign 0) or the largest sign·r.
func top(r []float64, sign int) int {
	at := 0
	val := func(v float64) float64 {
		if sign == 0 {
			return math.Abs(v)
		}
		return float64(sign) * v
	}
	for i, v := range r {
		if val(v) > val(r[at]) {
			at = i
		}
	}
	return at
}

// parabola returns the offset of the extremum of three equally spaced values
// from the middle one, −0.5 … 0.5 steps.
func parabola(before, at, after float64) float64 {
	d := before - 2*at + after
	if d == 0 {
		return 0
	}
	return max(-0.5, min(0.5, 0.5*(before-after)/d))
}

// lags returns each window's lag by method m. With sign 0 the largest absolute
// value counts, else the largest of that sign. Sharp makes them exact rather
// than to about a tenth of a frame.
func (q *pair) lags(m method, sign int, sharp bool) []WindowLag {
	out := make([]WindowLag, len(q.time))
	for i := range out {
		out[i].fill(q.time[i])
		if !q.use[i] {
			continue
		}
		r := q.corr[m][i]
		at := top(r, sign)
		tau := float64(at-q.rng) * q.step
		value := r[at]
		if at > 0 && at < len(r)-1 {
			tau += q.step * parabola(r[at-1], r[at], r[at+1])
			if sharp {
				tau, value = q.refine(q.cross[m][i], tau)
			}
		}
		out[i].set(q.base[i]+tau, math.Abs(value)/q.norm[m][i])
	}
	return out
}

// vote returns the sign of most of the windows' largest peaks, each counted by
// its height.
func (q *pair) vote(m method) int {
	sum := 0.0
	for i, r := range q.corr[m] {
		if q.use[i] {
			sum += r[top(r, 0)] / q.norm[m][i]
		}
	}
	if sum < 0 {
		return -1
	}
	return 1
}

// together returns the lag, relative to the model line, of the largest
// absolute value of all windows' correlations added along that line, and that
// value over the largest possible.
func (q *pair) together(m method, model line) (lag, peak float64) {
	sum := make([]complex128, q.p.hi-q.p.lo)
	norm := 0.0
	theta := 2 * math.Pi / float64(q.p.size)
	for i, c := range q.cross[m] {
		if !q.use[i] {
			continue
		}
		norm += q.norm[m][i]
		move := model.at(q.time[i]) - q.base[i]
		step := cmplx.Rect(1, theta*move)
		z := cmplx.Rect(1, theta*move*float64(q.p.lo))
		for k, v := range c {
			sum[k] += v * z
			z *= step
		}
	}
	if norm == 0 {
		return 0, 0
	}
	r, _ := q.correlate(sum, nil)
	// The grid is little denser than needed, so the true extremum may belong
	// to a slightly lower neighbour: refine the best three.
	best, value := 0.0, 0.0
	for range 3 {
		at := top(r, 0)
		if r[at] == 0 {
			break
		}
		lo, hi := max(0, at-1), min(len(r)-1, at+1)
		tau := float64(at-q.rng)*q.step + q.step*parabola(r[lo], r[at], r[hi])
		t, v := q.refine(sum, tau)
		if math.Abs(v) > math.Abs(value) {
			best, value = t, v
		}
		for i := max(0, at-2); i <= min(len(r)-1, at+2); i++ {
			r[i] = 0
		}
	}
	return best, value / norm
}
