package chart

import (
	"math"

	"gonum.org/v1/plot/vg"
)

// unseen is how far, in units of the viewBox, a drawn line may pass from a
// point that is left out of it. The widest plot shows a unit as 1.44 pixels,
// so this is little more than a third of a pixel.
const unseen = 0.25

// simplify leaves out the points of straight-line paths that lie within unseen
// of the line drawn without them. First and last points of every part stay, and
// so do parts with curves. p is not changed.
// Source: D. H. Douglas, T. K. Peucker, "Algorithms for the reduction of the
// number of points required to represent a digitized line", 1973.
func simplify(p vg.Path) vg.Path {
	out := make(vg.Path, 0, len(p))
	for i := 0; i < len(p); {
		j := i + 1
		for j < len(p) && p[j].Type == vg.LineComp {
			j++
		}
		if p[i].Type == vg.MoveComp || p[i].Type == vg.LineComp {
			out = append(out, thinned(p[i:j])...)
		} else {
			out = append(out, p[i:j]...)
		}
		i = j
	}
	return out
}

// thinned does so for one run of points.
func thinned(p vg.Path) vg.Path {
	if len(p) < 3 {
		return p
	}
	keep := make([]bool, len(p))
	keep[0], keep[len(p)-1] = true, true
	todo := [][2]int{{0, len(p) - 1}}
	for len(todo) > 0 {
		a, b := todo[len(todo)-1][0], todo[len(todo)-1][1]
		todo = todo[:len(todo)-1]
		far, most := a, unseen
		for k := a + 1; k < b; k++ {
			if d := distance(p[k].Pos, p[a].Pos, p[b].Pos); d > most {
				far, most = k, d
			}
		}
		if far > a {
			keep[far] = true
			todo = append(todo, [2]int{a, far}, [2]int{far, b})
		}
	}
	out := make(vg.Path, 0, len(p))
	for k, c := range p {
		if keep[k] {
			out = append(out, c)
		}
	}
	return out
}

// distance is that of p from the stretch between a and b.
func distance(p, a, b vg.Point) float64 {
	dx, dy := float64(b.X-a.X), float64(b.Y-a.Y)
	px, py := float64(p.X-a.X), float64(p.Y-a.Y)
	t := 0.0
	if l := dx*dx + dy*dy; l > 0 {
		t = math.Max(0, math.Min(1, (px*dx+py*dy)/l))
	}
	return math.Hypot(px-t*dx, py-t*dy)
}
