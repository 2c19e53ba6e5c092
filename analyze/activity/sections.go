package activity

import (
	"math"

	"evenhand/analyze/unit"
)

// Rules of Sections. Common practice, no source.
const (
	minSection  = 2.0 // s; shorter stretches join their nearer neighbour
	leadPadding = 0.1 // s before the start
	tailPadding = 0.5 // s after the end: gear rings longer than the dry string
)

// Sections returns the parts of a performance: stretches of playing that gaps
// of minGap or more separate (0.8 s is usual), with 0.1 s of the gap before
// and 0.5 s after each, but never more than half a gap. A part shorter than
// 2 s joins the nearer neighbour. They are in order, do not overlap and lie
// within the recording; none when nothing plays.
func Sections(r Result, rate int, minGap unit.Seconds) []Stretch {
	frames := func(s float64) int64 { return int64(math.Round(s * float64(rate))) }
	parts := mergedAcross(append([]Stretch(nil), r.Playing...), frames(float64(minGap)))
	for len(parts) > 1 {
		small := -1
		for i, p := range parts {
			if p.Frames < frames(minSection) && (small < 0 || p.Frames < parts[small].Frames) {
				small = i
			}
		}
		if small < 0 {
			break
		}
		i := small // joins with the part after i
		if i == len(parts)-1 || i > 0 && parts[i].First-parts[i-1].End() <= parts[i+1].First-parts[i].End() {
			i--
		}
		parts[i].Frames = parts[i+1].End() - parts[i].First
		parts = append(parts[:i+1], parts[i+2:]...)
	}
	out := make([]Stretch, len(parts))
	for i, p := range parts {
		before, after := p.First, r.Frames-p.End()
		if i > 0 {
			before = (p.First - parts[i-1].End()) / 2
		}
		if i < len(parts)-1 {
			after = (parts[i+1].First - p.End()) / 2
		}
		lead, tail := min(before, frames(leadPadding)), min(after, frames(tailPadding))
		out[i] = Stretch{p.First - lead, p.Frames + lead + tail}
	}
	return out
}
