package parts

import "math"

// prices are what a path pays for changing its state, in nats.
type prices struct {
	leave float64 // for any other state
	back  float64 // for the main state
	creep float64 // for the next lag
}

// likeliest returns the likeliest path through rows of states: row writes, for each, the
// logarithm of how probable what is seen is in each state. The first n states
// are lags in order, between neighbours of which the path may creep; main is
// the state in which it begins at no price and to which it comes back more cheaply,
// −1 for none. total is the sum along the path, less its prices.
//
// Source: A. J. Viterbi, Error bounds for convolutional codes and an asymptotically
// optimum decoding algorithm, IEEE Trans. IT-13(2), 1967 (from memory).
func likeliest(rows, states, n, main int, p prices, row func(dst []float64, i int)) (path []int, total float64) {
	if rows == 0 {
		return nil, 0
	}
	sum, next, seen := make([]float64, states), make([]float64, states), make([]float64, states)
	row(sum, 0)
	for j := range sum {
		if j != main && main >= 0 {
			sum[j] -= p.leave - p.back // so that a part at the beginning costs what one at the end does
		}
	}
	from := make([][]int16, rows)
	for i := 1; i < rows; i++ {
		row(seen, i)
		top := argmax(sum)
		away := sum[top] - p.leave
		back := make([]int16, states)
		before := math.Inf(-1) // the lag before
		for j, here := range sum {
			best, at := here, j
			if j < n {
				if v := before - p.creep; v > best {
					best, at = v, j-1
				}
				if j+1 < n {
					if v := sum[j+1] - p.creep; v > best {
						best, at = v, j+1
					}
				}
				before = here
			}
			if away > best {
				best, at = away, top
			}
			if j == main && sum[top]-p.back > best {
				best, at = sum[top]-p.back, top
			}
			next[j], back[j] = best+seen[j], int16(at)
		}
		from[i] = back
		sum, next = next, sum
	}
	path = make([]int, rows)
	at := argmax(sum)
	total = sum[at]
	for i := rows - 1; i >= 0; i-- {
		path[i] = at
		if i > 0 {
			at = int(from[i][at])
		}
	}
	return path, total
}

// argmax returns the index of the first greatest value.
func argmax[T float32 | float64](x []T) int {
	top := 0
	for i, v := range x {
		if v > x[top] {
			top = i
		}
	}
	return top
}

// negligible is a chance that changes none that counts: those of all lags that are as small
// add up to a fiftieth of leastMiss at most.
const negligible = 1e-6

// blur adds x, spread by a normal distribution of sigma places and times a weight, to
// dst; what would fall off an end is lost, and so is what is negligible.
func blur(dst, x []float32, sigma, weight float64) {
	r := int(math.Ceil(4 * sigma))
	g := make([]float64, 2*r+1)
	sum := 0.0
	for i := range g {
		u := float64(i-r) / sigma
		g[i] = math.Exp(-u * u / 2)
		sum += g[i]
	}
	for j := range g {
		g[j] *= weight / sum
	}
	for i, v := range x {
		if v < negligible {
			continue
		}
		part := dst[max(0, i-r):min(len(dst), i+r+1)]
		taps := g[max(0, r-i):][:len(part)]
		one := float64(v)
		for k := range part { // so written it is four times faster than with a range over taps
			part[k] += float32(one * taps[k])
		}
	}
}

// firstMiss is the share of notes or windows that may be anywhere while the lag of most is
// looked for: so many, that those which are elsewhere hardly count. missRate fits their
// own share to that lag.
const firstMiss = 0.4

// missRate fits the share of rows, at least least and at most 0.97, that are
// anything, where likely is how much more probable each is in its state than by
// chance.
//
// Source: A. P. Dempster, N. M. Laird, D. B. Rubin, Maximum likelihood from
// incomplete data via the EM algorithm, J. R. Stat. Soc. B 39(1), 1977 (from memory).
func missRate(likely []float64, least float64) float64 {
	e := 0.3
	for range 30 {
		sum := 0.0
		for _, h := range likely {
			sum += (1 - e) * h / ((1-e)*h + e)
		}
		e = 1 - sum/float64(len(likely))
	}
	return min(max(e, least), 0.97)
}
