package chart

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/plot/vg"
)

// Every point left out must lie within unseen of the line drawn, and the line
// must keep its ends: computed here point by point, not from the algorithm.
func TestSimplifiedLinesPassEveryPoint(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 1))
	for trial := range 50 {
		var p vg.Path
		y := 0.0
		for i := range 300 {
			y += rng.NormFloat64() * float64(trial) / 20
			c := vg.PathComp{Type: vg.LineComp, Pos: vg.Point{X: vg.Length(i) * 2, Y: vg.Length(y)}}
			if i == 0 {
				c.Type = vg.MoveComp
			}
			p = append(p, c)
		}
		q := simplify(p)
		if q[0].Pos != p[0].Pos || q[len(q)-1].Pos != p[len(p)-1].Pos {
			t.Fatalf("trial %d: the ends moved", trial)
		}
		for _, c := range p {
			least := math.Inf(1)
			for k := 1; k < len(q); k++ {
				least = math.Min(least, distance(c.Pos, q[k-1].Pos, q[k].Pos))
			}
			if least > unseen {
				t.Errorf("trial %d: a point lies %.3f from the line", trial, least)
			}
		}
		if trial == 0 && len(q) != 2 {
			t.Errorf("a straight line keeps %d points", len(q))
		}
	}
}

func TestSimplifyKeepsParts(t *testing.T) {
	var p vg.Path
	for part := range 2 {
		x := vg.Length(100 * part)
		p.Move(vg.Point{X: x})
		for i := range 10 {
			p.Line(vg.Point{X: x + vg.Length(i+1)})
		}
		p.Line(vg.Point{X: x + 10, Y: 5})
		p.Close()
	}
	if got, want := pathData(p), "M0 0h10v-5zm100 0h10v-5z"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
}

// Distances by hand: beside the stretch, and beyond its end.
func TestDistance(t *testing.T) {
	a, b := vg.Point{}, vg.Point{X: 10}
	for _, c := range []struct {
		p    vg.Point
		want float64
	}{{vg.Point{X: 5, Y: 3}, 3}, {vg.Point{X: 13, Y: 4}, 5}, {vg.Point{X: -3, Y: -4}, 5}} {
		if got := distance(c.p, a, b); math.Abs(got-c.want) > 1e-12 {
			t.Errorf("%v lies %v away, want %v", c.p, got, c.want)
		}
	}
	if got := distance(vg.Point{X: 3, Y: 4}, a, a); got != 5 {
		t.Errorf("%v from a point, want 5", got)
	}
}
