package parts

import (
	"math"
	"slices"

	"evenhand/analyze/align"
	"evenhand/analyze/unit"
)

const (
	noteSpacing = 75   // ticks on either side within which a beginning is the strongest
	noteSmooth  = 5    // ticks over which the rises are averaged
	noteShare   = 0.15 // of the stronger beginnings, that one must reach
	noteEnds    = 300  // ticks at either end in which none is looked for
	noteFrom    = 8    // ticks behind a beginning, from which its level counts
	noteTo      = 70   // and to which
	noteBefore  = 62   // ticks before it that its level must exceed
	noteRise    = 1.2  // dB: by which it must, in sum
	noteBand    = 3.0  // dB: or in one band
	noteFloor   = 1e-4 // of a band's mean power, added to levels

	half  = 20  // ticks of rises on either side of a beginning that are compared
	reach = 210 // ticks by which it is looked for, either way
	lags  = 2*reach + 1

	sharpness = 25 // by how much the logarithm of a lag's odds grows with the likeness there
)

// sound is what the notes of one recording are found and compared in.
type sound struct {
	n     int              // ticks
	rises [bands][]float32 // one value a tick
	loud  []float64        // dB, mean power over 80 ms, one value each 10 ms
}

const (
	loudHop  = 10 // ticks
	loudOver = 80 // ticks
	silence  = 1e-14
)

// hear reads n ticks of s from a time in seconds on. found, where not nil, is
// called with the bands' mean squares and rises.
func hear(s align.Source, from float64, n int, found func(levels, rises [bands][]float32)) (*sound, error) {
	p, err := bandLevels(s, from, n)
	if err != nil {
		return nil, err
	}
	out := &sound{n: n}
	sums := make([]float64, n+1)
	for i := range n {
		sums[i+1] = sums[i]
		for b := range p {
			sums[i+1] += float64(p[b][i])
		}
	}
	for i := 0; i < n; i += loudHop {
		a, z := max(0, i-loudOver/2), min(n, i+loudOver/2)
		out.loud = append(out.loud, 10*math.Log10((sums[z]-sums[a])/float64(z-a)+silence))
	}
	if found == nil { // in place
		out.rises = p
	}
	for b := range p {
		if found != nil {
			out.rises[b] = make([]float32, n)
		}
		flux(out.rises[b], p[b])
	}
	if found != nil {
		found(p, out.rises)
	}
	return out, nil
}

// beginnings returns the ticks at which notes begin: where the rises of all
// bands are strongest for a while, and the level stays higher behind. The
// beating of a chord that dies away, and the periods of a low string, rise and
// fall.
func beginnings(p, rises [bands][]float32) []int {
	n := len(p[0])
	if n == 0 {
		return nil
	}
	sum := make([]float64, n)
	for i := range sum {
		for j := max(0, i-noteSmooth/2); j <= min(n-1, i+noteSmooth/2); j++ {
			for b := range rises {
				sum[i] += float64(rises[b][j]) / noteSmooth
			}
		}
	}
	var tops []int
	var heights []float64
	for i, v := range sum {
		if v > 0 && strongest(sum, i) {
			tops, heights = append(tops, i), append(heights, v)
		}
	}
	if len(tops) == 0 {
		return nil
	}
	slices.Sort(heights)
	least := noteShare * heights[len(heights)*9/10]
	var sums [bands][]float64
	for b := range p {
		sums[b] = make([]float64, n+1)
		for i, v := range p[b] {
			sums[b][i+1] = sums[b][i] + float64(v)
		}
	}
	var out []int
	for _, at := range tops {
		if sum[at] > least && at > noteEnds && at < n-noteEnds && lasts(&sums, at) {
			out = append(out, at)
		}
	}
	return out
}

// strongest reports whether x is nowhere greater near at, nor equal before.
func strongest(x []float64, at int) bool {
	for j := max(0, at-noteSpacing); j <= min(len(x)-1, at+noteSpacing); j++ {
		if x[j] > x[at] || x[j] == x[at] && j < at {
			return false
		}
	}
	return true
}

// lasts reports whether the level behind a tick is higher than before it.
func lasts(sums *[bands][]float64, at int) bool {
	mean := func(b, from, to int) float64 { return (sums[b][to] - sums[b][from]) / float64(to-from) }
	n := len(sums[0]) - 1
	before, behind, floors := 0.0, 0.0, 0.0
	for b := range sums {
		floor := noteFloor * sums[b][n] / float64(n)
		p, q := mean(b, at-noteBefore, at), mean(b, at+noteFrom, at+noteTo)
		if q+floor > 0 && unit.FromPower((q+floor)/(p+floor)) >= noteBand {
			return true
		}
		before, behind, floors = before+p, behind+q, floors+floor
	}
	return behind+floors > 0 && unit.FromPower((behind+floors)/(before+floors)) >= noteRise
}

// alike writes how alike the rises about tick at of a are to those about each tick
// of b within half the length of dst from to, band by band: 0 to 1.
func alike(dst []float64, a, b *sound, at, to int) {
	r := len(dst) / 2
	for band := range bands {
		x, y := a.rises[band][at-half:at+half+1], b.rises[band]
		xx, _ := products(x, x)
		if !(xx > 0) {
			continue
		}
		for l := -r; l <= r; l++ {
			first := to - half + l
			if first < 0 || first+len(x) > len(y) {
				continue
			}
			if xy, yy := products(x, y[first:first+len(x)]); yy > 0 {
				dst[l+r] += xy / math.Sqrt(xx*yy) / float64(bands)
			}
		}
	}
}

// soften turns how alike each lag is into chances that add up to 1.
func soften(p []float64) {
	top, sum := slices.Max(p), 0.0
	for i, v := range p {
		p[i] = math.Exp(sharpness * (v - top))
		sum += p[i]
	}
	for i := range p {
		p[i] /= sum
	}
}

// products returns the sum of the products of x and y, of the same length, and
// that of y's squares. Additions wait for each other, so they are few in a row.
func products(x, y []float32) (xy, yy float64) {
	y = y[:len(x)]
	whole := len(x) &^ 1
	for i := 0; i < whole; i += 2 {
		u, v := x[i:i+2:i+2], y[i:i+2:i+2]
		v0, v1 := float64(v[0]), float64(v[1])
		xy += float64(u[0])*v0 + float64(u[1])*v1
		yy += v0*v0 + v1*v1
	}
	if whole < len(x) {
		v := float64(y[whole])
		xy += float64(x[whole]) * v
		yy += v * v
	}
	return xy, yy
}
