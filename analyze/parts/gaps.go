package parts

import (
	"math"
	"slices"
)

const (
	gapTop     = 0.95 // quantile of the levels that counts as loud
	gapQuiet   = 50   // dB below it, from which on the first recording pauses
	gapPause   = 0.3  // s of pauses from which the floor is known
	gapFloor   = 0.90 // quantile of the pauses' levels that is the floor
	gapNear    = 3    // dB above the floor that are still the floor
	gapExpect  = 9    // dB above the floor that the sound usually is, at this level of the first
	gapPlays   = 10   // dB above the first recording's own floor from which it plays
	gapUsual   = 0.25 // quantile of what is usual
	gapStep    = 3    // dB: width of a class of levels
	gapClasses = 26
	gapCount   = 40   // values of a class from which something is usual
	gapBridge  = 4    // values that are not at the floor, and do not end a gap
	leastGap   = 0.25 // s of the gap in which the sound should be heard
	gapSpan    = 0.5  // s from the first of these to the last
)

// gap is a time on the timeline of the first recording, in seconds.
type gap struct{ from, to float64 }

// gaps returns when b, later by off(i) ticks at tick i, lies at its floor
// while a plays what usually is heard. It uses levels alone, which a gap leaves
// at the floor whatever the gear is.
func gaps(a, b *sound, off func(tick int) int) []gap {
	n := len(a.loud)
	level := make([]float64, n) // of b; NaN where it does not reach
	var all, quiet []float64
	top := quantile(a.loud, gapTop)
	for i := range level {
		at := i*loudHop + off(i*loudHop)
		j := int(math.Round(float64(at) / loudHop))
		if at < 0 || j >= len(b.loud) {
			level[i] = math.NaN()
			continue
		}
		level[i] = b.loud[j]
		all = append(all, level[i])
		if a.loud[i] < top-gapQuiet {
			quiet = append(quiet, level[i])
		}
	}
	if len(all) == 0 {
		return nil
	}
	lowest := quantile(all, 0.01)
	floor := lowest
	if float64(len(quiet)*loudHop)*tick > gapPause {
		floor = quantile(quiet, gapFloor)
	}
	floor = max(lowest, min(floor, quantile(all, 0.5)-10))
	class := func(i int) int {
		return min(gapClasses-1, max(0, int(math.Round((a.loud[i]-(top-60))/gapStep))))
	}
	var classes [gapClasses][]float64
	for i, v := range level {
		if !math.IsNaN(v) {
			classes[class(i)] = append(classes[class(i)], v)
		}
	}
	var usual [gapClasses]float64
	plays := quantile(a.loud, 0.02) + gapPlays
	for k, v := range classes {
		usual[k] = math.Inf(-1)
		if k > 0 {
			usual[k] = usual[k-1]
		}
		if len(v) >= gapCount {
			usual[k] = quantile(v, gapUsual)
		}
	}
	var out []gap
	first, last, heard, end := -1, -1, 0, -1
	flush := func() {
		seconds := func(n int) float64 { return float64(n*loudHop) * tick }
		if first >= 0 && seconds(heard) >= leastGap && seconds(last-first) >= gapSpan {
			out = append(out, gap{seconds(first), seconds(last)})
		}
		first, last, heard = -1, -1, 0
	}
	for i, v := range level {
		if !(v < floor+gapNear) {
			continue
		}
		if end >= 0 && i-end > gapBridge {
			flush()
		}
		end = i
		if usual[class(i)] > floor+gapExpect && a.loud[i] > plays {
			if first < 0 {
				first = i
			}
			last = i
			heard++
		}
	}
	flush()
	return out
}

// quantile returns the q-th quantile of x by the nearest rank; x is not changed.
func quantile(x []float64, q float64) float64 {
	s := slices.Clone(x)
	slices.Sort(s)
	return s[min(len(s)-1, int(q*float64(len(s))))]
}
