package clock

import (
	"math"

	"evenhand/analyze/align"
	"evenhand/analyze/unit"
)

// findTimeline returns the strength of s over n ticks, the ticks at which
// something begins, and those at which it is a note.
func findTimeline(s align.Source, n int) (strength [bands][]float32, all, notes []int, err error) {
	level, err := bandLevels(s, 0, n)
	if err != nil {
		return strength, nil, nil, err
	}
	var means [bands]float64
	for band, x := range level {
		strength[band] = make([]float32, n)
		flux(strength[band], x)
		for _, v := range x {
			means[band] += float64(v) / float64(n)
		}
	}
	reach := int(onsetReach / tick)
	self := &rises{a: strength, b: strength}
	curve := make([]float64, 2*reach+1)
	inside := func(at int) bool { return at >= reach && at+reach < n }
	all = onsets(strength, inside)
	notes = onsets(strength, func(at int) bool {
		if !inside(at) || !begins(level, means, at) {
			return false
		}
		self.curve(curve, at, 0)
		_, next := peaks(curve, reach)
		return next < mostAlike
	})
	return strength, all, notes, nil
}

// begins reports whether a note begins at a tick: whether the level from 5 to
// 25 ms behind it is higher than from 25 to 5 ms before it by leastRise on the
// mean of the bands. The beating of a chord that dies away, and the periods of a
// low note, rise and fall without.
func begins(p [bands][]float32, means [bands]float64, at int) bool {
	const near, far = 5, 25
	rise := 0.0
	for b, x := range p {
		floor := (far - near) * bandFloor * means[b]
		before, behind := floor, floor
		for i := near; i < far; i++ {
			if at-i >= 0 && at+i < len(x) {
				before += float64(x[at-i])
				behind += float64(x[at+i])
			}
		}
		if before > 0 {
			rise += unit.FromPower(behind/before) / float64(bands)
		}
	}
	return rise > leastRise
}

// onsets returns the ticks at which something begins in the strength, where
// keep agrees: peaks of the bands' sum above twice and a half its mean, the
// strongest first within each spacing.
func onsets(s [bands][]float32, keep func(at int) bool) []int {
	n := len(s[0])
	sum := make([]float64, n)
	for _, b := range s {
		sq := 0.0
		for _, v := range b {
			sq += float64(v) * float64(v)
		}
		if sq == 0 {
			continue
		}
		g := 1 / math.Sqrt(sq/float64(n))
		for i, v := range b {
			sum[i] += g * float64(v)
		}
	}
	mean := 0.0
	for _, v := range sum {
		mean += v / float64(n)
	}
	top := func(i, reach int, of func(j int) bool) bool {
		for j := max(0, i-reach); j <= min(n-1, i+reach); j++ {
			if of(j) && (sum[j] > sum[i] || sum[j] == sum[i] && j < i) {
				return false
			}
		}
		return true
	}
	kept := make([]bool, n)
	for i, v := range sum {
		if v >= 2.5*mean && v > 0 && top(i, rise, func(int) bool { return true }) {
			kept[i] = keep(i)
		}
	}
	var out []int
	for i, ok := range kept {
		if ok && top(i, int(onsetSpacing/tick), func(j int) bool { return kept[j] }) {
			out = append(out, i)
		}
	}
	return out
}
