package listening

import (
	"math"
	"sort"
)

// Tail returns P(X ≥ k) for a binomial X of n trials with success probability
// p, summed exactly term by term: the one-sided p-value of k right answers of
// n when p is 1/2. It is 1 for k ≤ 0 and 0 for k > n. The relative error is
// below 1e-12 for n up to 1000; NaN for n < 0 or p
// outside 0 to 1.
//
// Source: the binomial distribution; abridged tables in any handbook.
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
	case float64(k) > float64(n)*p:
		return upper(k, n, p, q)
	}
	return 1 - upper(n-k+1, n, q, p)
}

// upper sums the terms from k upward; k lies above the mean, so they fall.
func upper(k, n int, p, q float64) float64 {
	term := mass(k, n, p, q)
	sum := term
	for i := k; i < n && term > sum*1e-17; i++ {
		term *= float64(n-i) / float64(i+1) * p / q
		sum += term
	}
	return min(1, sum)
}

// mass is P(X = k), without the cancellation of great logarithms.
//
// Source: C. Loader, Fast and accurate computation of binomial probabilities,
// 2000, from memory; checked against rational sums.
func mass(k, n int, p, q float64) float64 {
	switch k {
	case 0:
		return math.Exp(float64(n) * math.Log1p(-p))
	case n:
		return math.Exp(float64(n) * math.Log1p(-q))
	}
	x, y, m := float64(k), float64(n-k), float64(n)
	e := stirling(n) - stirling(k) - stirling(n-k) - deviance(x, m*p) - deviance(y, m*q)
	return math.Exp(e) * math.Sqrt(m/(2*math.Pi*x*y))
}

// stirling is what Stirling's formula leaves of log n!.
func stirling(n int) float64 {
	x := float64(n)
	if n < 16 {
		factorial := 1.0
		for i := 2; i <= n; i++ {
			factorial *= float64(i)
		}
		return math.Log(factorial) - (x+0.5)*math.Log(x) + x - 0.5*math.Log(2*math.Pi)
	}
	r := 1 / (x * x)
	return (1.0/12 - r*(1.0/360-r*(1.0/1260-r/1680))) / x
}

// deviance is x·log(x/m) + m − x, also where the two are close.
func deviance(x, m float64) float64 {
	if math.Abs(x-m) >= 0.1*(x+m) {
		return x*math.Log(x/m) + m - x
	}
	v := (x - m) / (x + m)
	sum, term := (x-m)*v, 2*x*v
	for j := 1; j < 100; j++ {
		term *= v * v
		next := sum + term/float64(2*j+1)
		if next == sum {
			break
		}
		sum = next
	}
	return sum
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
		low = solve(func(p float64) bool { return tail(k, n, p, 1-p) < half })
	}
	if k < n {
		high = 1 - solve(func(q float64) bool { return tail(n-k, n, q, 1-q) < half })
	}
	return low, high
}

// solve returns where below changes from true to false between 0 and 1.
func solve(below func(float64) bool) float64 {
	low, high := 0.0, 1.0
	for range 200 {
		mid := low + (high-low)/2
		if mid == low || mid == high {
			break
		}
		if below(mid) {
			low = mid
		} else {
			high = mid
		}
	}
	return low + (high-low)/2
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
