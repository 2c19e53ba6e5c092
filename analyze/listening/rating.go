package listening

import (
	"math"
	"slices"
)

// ScreenBelow is the rating of the hidden reference below which a reader's
// ratings are left out. ITU-R BS.1534-3 leaves out an assessor who rates the
// hidden reference below 90 for more than 15 % of the items; one answer code
// is one item, so one such rating is enough.
//
// Source: ITU-R BS.1534-3 (10/2015), section 4.1.2, from memory.
const ScreenBelow = 90

// Median returns the median of the values, which it sorts, and the interval
// between two of them that covers the true median with at least the
// confidence, whatever the distribution, with the exact coverage in covers.
// With too few values for the confidence the interval and covers are NaN; so
// is the median of none.
//
// Source: the sign test inverted; W. J. Conover, Practical Nonparametric
// Statistics, confidence interval for a quantile, from memory.
func Median(values []float64, confidence float64) (median, low, high, covers float64) {
	nan := math.NaN()
	n := len(values)
	if n == 0 {
		return nan, nan, nan, nan
	}
	slices.Sort(values)
	median = (values[(n-1)/2] + values[n/2]) / 2
	// The interval from the d-th least to the d-th greatest misses the median
	// with the probability of fewer than d successes on either side.
	d := 0
	for 2*(d+1) <= n && 2*Tail(n-d, n, 0.5) <= 1-confidence {
		d++
	}
	if d == 0 {
		return median, nan, nan, nan
	}
	return median, values[d-1], values[n-d], 1 - 2*Tail(n-d+1, n, 0.5)
}
