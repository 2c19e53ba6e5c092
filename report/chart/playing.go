package chart

import (
	"fmt"
	"html"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg/draw"
)

// Range is a value with what it is known within, any of which may be missing.
type Range struct{ Value, Low, High float64 }

// Point is a take's place on a map. One without a value either way is left out.
type Point struct {
	Name string
	Take int
	X, Y Range
}

// Map draws takes by two values, y in unit, each with its range. Both axes have 0 on
// them, and x has 1; that of y has not if it is a level.
func Map(t Text, points []Point, unit string) string {
	xs, ys := []float64{0, 1}, []float64{}
	for _, p := range points {
		xs = append(xs, p.X.Value, p.X.Low, p.X.High)
		ys = append(ys, p.Y.Value, p.Y.Low, p.Y.High)
	}
	from0 := func(vs []float64) axis {
		vs = slices.DeleteFunc(vs, func(v float64) bool { return !(math.Abs(v) <= farthest) })
		return roundAxis(slices.Min(vs), slices.Max(vs))
	}
	room := func(a axis) axis { // for half a mark
		by := (a.max - a.min) / 30
		a.min, a.max = a.min-by, a.max+by
		return a
	}
	y := levelAxis(farthest, ys)
	if unit == "%" {
		y = from0(append(ys, 0, 1))
	}
	y = room(y)
	f := frame{width: 600, height: 240, left: y.room(), right: 22, top: 28, bottom: 36, x: room(from0(xs)), y: y, unit: unit, class: "wide"}
	return f.render(t, nil, []plot.Plotter{pointMarks{points}})
}

type pointMarks struct{ points []Point }

func (m pointMarks) Plot(dc draw.Canvas, p *plot.Plot) {
	c := unwrap(dc)
	tx, ty := p.Transforms(&dc)
	x := func(v float64) string { return tenths(grid(float64(tx(v)))) }
	y := func(v float64) string { return tenths(grid(-float64(ty(v)))) }
	within := func(r Range, a plot.Axis) bool {
		return r.Low >= a.Min && r.Low <= a.Max && r.High >= a.Min && r.High <= a.Max
	}
	for _, k := range m.points {
		if !within(Range{Low: k.X.Value, High: k.X.Value}, p.X) || !within(Range{Low: k.Y.Value, High: k.Y.Value}, p.Y) {
			continue
		}
		fmt.Fprintf(c, `<g class="%s" data-pick="%d"><title>%s</title>`, Class(k.Take), k.Take, html.EscapeString(k.Name))
		if within(k.X, p.X) && within(k.Y, p.Y) {
			fmt.Fprintf(c, `<path class="join" d="M%s %sH%sM%s %sV%s"/>`, x(k.X.Low), y(k.Y.Value), x(k.X.High), x(k.X.Value), y(k.Y.Low), y(k.Y.High))
		}
		fmt.Fprintf(c, `<path class="mk" d="%s"/>`, markerPath(markOf(k.Take).shape, float64(tx(k.X.Value)), -float64(ty(k.Y.Value))))
		c.WriteString("</g>")
	}
}

// Response is how a take answers to level: Y in dB over X in dB, with the quartiles of Y.
type Response struct {
	Curve
	Lower, Upper []float64
}

// Responses draws the level that comes out over the level that goes in.
func Responses(t Text, takes []Response) string {
	var xs, ys [][]float64
	for _, r := range takes {
		xs, ys = append(xs, r.X), append(ys, r.Y, r.Lower, r.Upper)
	}
	y := levelAxis(farthest, ys...)
	f := frame{width: 600, height: 390, left: y.room(), right: 18, top: 30, bottom: 36, x: levelAxis(farthest, xs...), y: y, unit: "dB", class: "wide"}
	layers := []plot.Plotter{}
	for i, r := range takes {
		// Beside each other, since most takes have the same levels going in.
		aside := 4 * (float64(i) - float64(len(takes)-1)/2)
		layers = append(layers, quartiles{r, math.Max(-12, math.Min(12, aside))}, line{Curve: r.Curve, every: 1})
	}
	return f.render(t, nil, layers)
}

// quartiles draws an upright bar at each point of a curve, some units aside.
type quartiles struct {
	Response
	aside float64
}

func (q quartiles) Plot(dc draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&dc)
	x, low := drawable(q.X, q.Lower, p, false)
	x, high := drawable(x, q.Upper, p, false)
	var w pathWriter
	for i := range min(len(low), len(high)) {
		if Finite(x[i]) && Finite(low[i]) && Finite(high[i]) {
			at := grid(float64(tx(x[i])) + q.aside)
			w.move(at, grid(-float64(ty(low[i]))))
			w.line(at, grid(-float64(ty(high[i]))))
		}
	}
	if w.b.Len() > 0 {
		fmt.Fprintf(unwrap(dc), `<g class="%s" data-pick="%d"><path class="join" d="%s"/></g>`, Class(q.Take), q.Take, w.b.String())
	}
}
