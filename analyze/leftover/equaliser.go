package leftover

import (
	"math"
	"math/cmplx"

	"evenhand/analyze/unit"
)

// rounds is how often the curve of an equaliser is fitted again to the phase that
// follows from it: by the fourth it moves what remains by less than 0.01 dB.
const rounds = 4

// equaliser is a third-octave curve of minimum phase with a polarity and a delay, as a
// spectrum.
type equaliser struct {
	gains []float64 // of each band
	curve []complex128
}

// equalisers measures what equalisers leave, each fitted on one half of the blocks and
// judged on the other one, and the curve of one that is fitted on all.
func (w *work) equalisers(r *Result, train [2]sums, all sums, turned bool) {
	if len(w.Bands) == 0 {
		return
	}
	fits := [2]equaliser{w.equaliser(train[0]), w.equaliser(train[1])}
	left, whole := make([][]float64, len(w.sums)), make([][]float64, len(w.sums))
	for i, s := range w.sums {
		if turned {
			s = s.turned()
		}
		left[i], whole[i] = after(s, fits[1-i%2].curve), s.yy
	}
	r.Equaliser = w.figure(left, whole)
	for _, g := range w.equaliser(all).gains {
		r.Curve = append(r.Curve, unit.DB(unit.FromAmplitude(g)))
	}
}

// after returns the power that a filter leaves in each bin.
func after(s sums, h []complex128) []float64 {
	out := make([]float64, len(h))
	for k, v := range h {
		c := complex(real(v), -imag(v)) * s.xy[k]
		out[k] = math.Max(0, s.yy[k]-2*real(c)+abs2(v)*s.xx[k])
	}
	return out
}

// equaliser fits one to what leads from x to y.
func (w *work) equaliser(s sums) equaliser {
	gains := make([]float64, len(w.Bands))
	from, to := make([]int, len(gains)), make([]int, len(gains))
	for b, band := range w.Bands {
		from[b], to[b] = bandRange(w.Length, w.rate, float64(band.Low), float64(band.High))
		var xx, yy float64
		for k := from[b]; k < to[b]; k++ {
			xx, yy = xx+s.xx[k], yy+s.yy[k]
		}
		if xx > 0 {
			gains[b] = math.Sqrt(yy / xx)
		}
	}
	best, least := equaliser{}, math.Inf(1)
	for range rounds {
		curve := w.minimumPhase(gains)
		w.delay(curve, s)
		sum := 0.0
		for k, v := range after(s, curve) {
			if k >= w.lo && k < w.hi {
				sum += v
			}
		}
		if sum < least {
			best, least = equaliser{append([]float64{}, gains...), append([]complex128{}, curve...)}, sum
		}
		for b := range gains {
			var does, want float64
			for k := from[b]; k < to[b]; k++ {
				want += real(complex(real(curve[k]), -imag(curve[k])) * s.xy[k])
				does += abs2(curve[k]) * s.xx[k]
			}
			if does > 0 {
				// A band that does not follow is turned down, not off.
				gains[b] *= math.Min(2, math.Max(0.3, want/does))
			}
		}
	}
	return best
}

// minimumPhase returns the filter of least delay with these gains, straight between the
// bands' centres in dB over the logarithm of frequency, flat beyond them.
//
// Source: the real cepstrum, folded; A. V. Oppenheim and R. W. Schafer, Discrete-Time
// Signal Processing (from memory).
func (w *work) minimumPhase(gains []float64) []complex128 {
	top := 0.0
	for _, g := range gains {
		top = math.Max(top, g)
	}
	logs := make([]float64, len(gains))
	for b, g := range gains {
		logs[b] = math.Log(math.Max(g, 1e-4*top))
	}
	h := make([]complex128, w.h+1)
	b := 0
	for k := range h {
		f := float64(k) * float64(w.rate) / float64(w.Length)
		for b+1 < len(logs) && f > float64(w.Bands[b+1].Centre) {
			b++
		}
		v := logs[b]
		if low := float64(w.Bands[b].Centre); f > low && b+1 < len(logs) {
			u := math.Log(f/low) / math.Log(float64(w.Bands[b+1].Centre)/low)
			v += u * (logs[b+1] - logs[b])
		}
		h[k] = complex(v, 0)
	}
	c := w.fft.Inverse(w.time, h)
	for i := 1; i < w.h; i++ {
		c[i] *= 2
		c[w.Length-i] = 0
	}
	w.fft.Forward(h, c)
	for k, v := range h {
		h[k] = cmplx.Exp(v)
	}
	return h
}

// delay moves a filter to where it leaves least of y, and turns its polarity if that
// helps.
func (w *work) delay(h []complex128, s sums) {
	cross := make([]complex128, len(h))
	for k := w.lo; k < w.hi; k++ {
		cross[k] = complex(real(h[k]), -imag(h[k])) * s.xy[k]
	}
	t := w.fft.Inverse(w.time, cross)
	n := w.Length
	best := 0
	for d := -w.pre; d <= w.pre; d++ {
		if math.Abs(t[(d+n)%n]) > math.Abs(t[(best+n)%n]) {
			best = d
		}
	}
	at := func(d float64) float64 {
		turn, step, sum := cmplx.Rect(1, 2*math.Pi*d*float64(w.lo)/float64(n)), cmplx.Rect(1, 2*math.Pi*d/float64(n)), 0.0
		for _, c := range cross[w.lo:w.hi] {
			sum += real(c)*real(turn) - imag(c)*imag(turn)
			turn *= step
		}
		return sum
	}
	lag := float64(best)
	value := at(lag)
	for step := 0.5; step > 0.01; step /= 2 {
		for _, d := range [...]float64{lag - step, lag + step} {
			if v := at(d); math.Abs(v) > math.Abs(value) {
				lag, value = d, v
			}
		}
	}
	sign := 1.0
	if value < 0 {
		sign = -1
	}
	for k := range h {
		h[k] *= cmplx.Rect(sign, -2*math.Pi*float64(k)*lag/float64(n))
	}
}
