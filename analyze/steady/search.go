package steady

import (
	"math"
	"slices"

	"evenhand/analyze/unit"
)

// found is a Change whose stretch is still in places of the series.
type found struct {
	Change
	first, end int
}

// search looks for the greatest change of a series.
func search(x []float64) found {
	step, line := stretchOf(x), lineOf(x)
	best := step
	if line.left < step.left {
		best = line
	}
	moment := scatter(best.rest, block)
	wavering := moment
	if len(x) >= longBlock*leastBlocks {
		wavering = max(moment, scatter(best.rest, longBlock))
	}
	size := math.Abs(best.size)
	hidden := max(clearOf*wavering, likely*moment*best.spread)
	c := found{Change: Change{Size: unit.DB(best.size), Creeps: best.creeps, Hidden: unit.DB(hidden)}, first: best.first, end: best.end}
	c.Found = size > hidden
	return c
}

// model is one explanation of a series.
type model struct {
	size       float64
	first, end int
	creeps     bool
	left       float64   // sum of squares that it leaves
	rest       []float64 // what it leaves
	spread     float64   // standard error of size for moments that scatter by 1
}

// stretchOf returns the stretch whose mean differs most from the mean of the rest,
// for its length: the one that leaves the least squares.
func stretchOf(x []float64) model {
	n := len(x)
	sums := make([]float64, n+1)
	for i, v := range x {
		sums[i+1] = sums[i] + v
	}
	total := sums[n]
	m := model{end: n}
	best := -1.0
	for i := 0; i < n; i++ {
		for j := i + leastStretch; j <= n; j++ {
			in, out := float64(j-i), float64(n-j+i)
			if out < leastStretch {
				break
			}
			inside := sums[j] - sums[i]
			d := inside/in - (total-inside)/out
			if gain := d * d * in * out / float64(n); gain > best {
				best = gain
				m.first, m.end, m.size = i, j, d
				m.spread = math.Sqrt(block * (1/in + 1/out))
			}
		}
	}
	// Of a stretch at one end either part is the one that changed: the shorter.
	if m.end == n && m.end-m.first > n/2 {
		m.first, m.end, m.size = 0, m.first, -m.size
	} else if m.first == 0 && m.end > n/2 {
		m.first, m.end, m.size = m.end, n, -m.size
	}
	in := float64(m.end - m.first)
	inside := (sums[m.end] - sums[m.first]) / in
	outside := (total - inside*in) / (float64(n) - in)
	for i, v := range x {
		mean := outside
		if i >= m.first && i < m.end {
			mean = inside
		}
		m.rest = append(m.rest, v-mean)
		m.left += (v - mean) * (v - mean)
	}
	return m
}

// lineOf returns the straight line that fits best.
func lineOf(x []float64) model {
	n := float64(len(x))
	var sum, slope, spread float64
	for i, v := range x {
		d := float64(i) - (n-1)/2
		sum, slope, spread = sum+v, slope+d*v, spread+d*d
	}
	slope /= spread
	m := model{size: slope * (n - 1), end: len(x), creeps: true, spread: (n - 1) * math.Sqrt(block/spread)}
	for i, v := range x {
		d := v - sum/n - slope*(float64(i)-(n-1)/2)
		m.rest = append(m.rest, d)
		m.left += d * d
	}
	return m
}

// scatter returns by how much the mean of so many windows differs from that of the
// next, as a standard deviation of one; from the median, so that few steps more do
// not count.
func scatter(x []float64, windows int) float64 {
	var means []float64
	for i := 0; i+windows <= len(x); i += windows {
		sum := 0.0
		for _, v := range x[i : i+windows] {
			sum += v
		}
		means = append(means, sum/float64(windows))
	}
	var steps []float64
	for i := 1; i < len(means); i++ {
		steps = append(steps, math.Abs(means[i]-means[i-1]))
	}
	slices.Sort(steps)
	// The median of a normal magnitude is 0.6745 standard deviations, and a
	// difference of two scatters √2 times as much as one.
	return steps[len(steps)/2] / 0.6745 / math.Sqrt2
}
