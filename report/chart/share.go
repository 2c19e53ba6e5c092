package chart

import (
	"fmt"
	"html"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg/draw"
)

// ShareRow is one line of a plot of shares: a take with a share from 0 to 1
// and its interval, any of which may be missing.
type ShareRow struct {
	Name             string
	Take             int
	Value, Low, High float64
	Soft             bool // shown in grey: not to be compared
}

// Shares draws a row for each take with its share and interval on an axis from
// 0 to 100 %, with a line at even, which is a share from 0 to 1.
func Shares(t Text, rows []ShareRow, even float64) string {
	const pitch = 30
	x := axis{min: 0, max: 100}
	for v := 0; v <= 100; v += 10 {
		k := tick{at: float64(v), minor: v%20 != 0}
		if !k.minor {
			k.label = strconv.Itoa(v)
		}
		x.ticks = append(x.ticks, k)
	}
	f := frame{width: 600, height: float64(len(rows)*pitch) + 44, left: 160, right: 22, top: 10, bottom: 36,
		x: x, y: axis{min: 0, max: float64(max(1, len(rows)))}, class: "wide"}
	return f.render(t, nil, []plot.Plotter{upright{f, 100 * even}, shareRows{rows, f}})
}

// upright draws a line from the bottom to the top of the frame.
type upright struct {
	f  frame
	at float64
}

func (u upright) Plot(dc draw.Canvas, p *plot.Plot) {
	tx, _ := p.Transforms(&dc)
	if Finite(u.at) && u.at >= p.X.Min && u.at <= p.X.Max {
		fmt.Fprintf(unwrap(dc), `<path class="zero" d="M%s %sv%s"/>`, tenths(grid(float64(tx(u.at)))), tenths(grid(-(u.f.height - u.f.top))), tenths(grid(u.f.innerHeight())))
	}
}

type shareRows struct {
	rows []ShareRow
	f    frame
}

func (s shareRows) Plot(dc draw.Canvas, p *plot.Plot) {
	c := unwrap(dc)
	tx, ty := p.Transforms(&dc)
	names := []string{}
	for _, r := range s.rows {
		names = append(names, r.Name)
	}
	c.rowNames(names, s.f, ty)
	in := func(v float64) bool { return v >= 0 && v <= 1 }
	x := func(v float64) float64 { return float64(tx(100 * v)) }
	for i, r := range s.rows {
		y := -float64(ty(float64(len(s.rows)-i) - 0.5))
		class := Class(r.Take)
		if r.Soft {
			class = "grey"
		}
		fmt.Fprintf(c, `<g class="%s"><title>%s</title>`, class, html.EscapeString(r.Name))
		if in(r.Low) && in(r.High) {
			fmt.Fprintf(c, `<path class="join" d="M%[1]s %[2]sv8M%[1]s %[3]sH%[4]sM%[4]s %[2]sv8"/>`,
				tenths(grid(x(r.Low))), tenths(grid(y-4)), tenths(grid(y)), tenths(grid(x(r.High))))
		}
		if in(r.Value) {
			fmt.Fprintf(c, `<path class="mk" d="%s"/>`, markerPath(markOf(r.Take).shape, x(r.Value), y))
		}
		c.WriteString("</g>")
	}
}
