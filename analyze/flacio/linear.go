package flacio

import "math"

// linear finds a linear predictor for x by the autocorrelation method. It
// returns its coefficients in units of 2^-shift, which hold until the next call;
// none where there is no predictor.
//
// Every product is converted to float64 before it is added: that forbids the
// compiler to fuse the two, which some processors can and others cannot, so
// that all find the same coefficients.
//
// Source: Levinson-Durbin recursion, e.g. Makhoul, Linear Prediction: A
// Tutorial Review, Proc. IEEE 63(4), 1975 (from memory).
func (a *analysis) linear(x []int32) (coeffs []int32, shift int32) {
	r := a.autocorrelation(x)
	if r[0] <= 0 {
		return nil, 0
	}
	var lpc, best [maxOrder]float64
	order := 0
	n := float64(len(x))
	err := float64(r[0] * (1 + 1e-12)) // a little noise keeps pure tones stable
	least := err
	for m := range maxOrder {
		acc := r[m+1]
		for j := range m {
			acc -= float64(lpc[j] * r[m-j])
		}
		k := acc / err
		prev := lpc
		lpc[m] = k
		for j := range m {
			lpc[j] = prev[j] - float64(k*prev[m-1-j])
		}
		err = float64(err * (1 - float64(k*k)))
		if !(err > 0) {
			break
		}
		// One more coefficient costs about 38 bits for itself and its first
		// sample; a gain g in error power saves n·log2(g)/2 bits.
		if cost := float64(2 * 38 * math.Ln2 / n * float64(m+1-order)); err < float64(least*(1-cost)) {
			order, best, least = m+1, lpc, err
		}
	}
	if order == 0 {
		return nil, 0
	}
	largest := 0.0
	for _, v := range best[:order] {
		largest = max(largest, math.Abs(v))
	}
	_, exp := math.Frexp(largest) // largest < 2^exp
	s := precision - 1 - exp
	if s < 0 || largest == 0 {
		return nil, 0
	}
	s = min(s, 15)
	// The rounding error of each coefficient is passed on to the next.
	coeffs = a.coeffs[:order]
	carry := 0.0
	const limit = 1<<(precision-1) - 1
	for i, v := range best[:order] {
		carry += math.Ldexp(v, s)
		q := min(max(math.RoundToEven(carry), -limit-1), limit)
		coeffs[i] = int32(q)
		carry -= q
	}
	return coeffs, int32(s)
}

// autocorrelation returns lags 0 to maxOrder of x under a Welch window, whose
// parabola needs no function that machines round differently.
func (a *analysis) autocorrelation(x []int32) (r [maxOrder + 1]float64) {
	n := len(x)
	if a.length != n {
		for i := range n {
			t := (2*float64(i) - float64(n-1)) / float64(n+1)
			a.window[i] = 1 - float64(t*t)
		}
		a.length = n
	}
	w := a.windowed[:maxOrder+n]
	for i, v := range x {
		w[maxOrder+i] = float64(float64(v) * a.window[i])
	}
	var r0, r1, r2, r3, r4, r5, r6, r7, r8 float64
	for i := maxOrder; i < len(w); i++ {
		h := w[i-maxOrder : i+1 : i+1]
		v := h[8]
		r0 += float64(v * v)
		r1 += float64(v * h[7])
		r2 += float64(v * h[6])
		r3 += float64(v * h[5])
		r4 += float64(v * h[4])
		r5 += float64(v * h[3])
		r6 += float64(v * h[2])
		r7 += float64(v * h[1])
		r8 += float64(v * h[0])
	}
	return [maxOrder + 1]float64{r0, r1, r2, r3, r4, r5, r6, r7, r8}
}
