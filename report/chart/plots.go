package chart

import (
	"cmp"
	"fmt"
	"html"
	"math"
	"slices"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Pitch is a named frequency, such as an open string's.
type Pitch struct {
	Name string
	Hz   float64
}

// MostNamed is how many lines have their names at their ends; the names of more have
// no room there, and the page needs a legend.
const MostNamed = 6

// Spectrum draws level curves in dBFS over frequency in Hz. It returns an svg
// element. Values more than 72 dB under the greatest are cut off.
func Spectrum(t Text, curves []Curve, pitches []Pitch, lo, hi float64) string {
	return overFrequency(t, curves, pitches, lo, hi, "dBFS")
}

// Gains draws curves of gain in dB as Spectrum does levels.
func Gains(t Text, curves []Curve, lo, hi float64) string {
	return overFrequency(t, curves, nil, lo, hi, "dB")
}

func overFrequency(t Text, curves []Curve, pitches []Pitch, lo, hi float64, unit string) string {
	ys := make([][]float64, 0, len(curves))
	for _, c := range curves {
		ys = append(ys, c.Y)
	}
	y := levelAxis(72, ys...)
	f := frame{width: 600, height: 390, left: y.room(), right: 18, top: 30, bottom: 36, x: frequencyAxis(lo, hi), y: y, unit: unit, class: "wide"}
	if len(curves) <= MostNamed {
		f.right = 100
		f.over = append(f.over, endNames{curves, f})
	}
	layers := []plot.Plotter{}
	for i, c := range curves {
		every := max(1, len(c.X)/10)
		layers = append(layers, line{Curve: c, every: every, offset: i, log: true})
	}
	return f.render(t, []plot.Plotter{pitchMarks{f, pitches}}, layers)
}

// endNames names the lines right of the frame, each with its marker, as near to the end
// of its line as the others allow, and joined to it where it had to move. Lines that
// leave the frame at the bottom are named there, the one that leaves last on top.
type endNames struct {
	curves []Curve
	f      frame
}

func (e endNames) Plot(dc draw.Canvas, p *plot.Plot) {
	type end struct {
		take        int
		full, short string  // the name on wide and on narrow screens
		from, at    float64 // where the line ends, and its name
		x           float64 // of the line's end
		last        int     // its last point in the frame
		leaves      bool    // it goes on below
	}
	tx, ty := p.Transforms(&dc)
	ends := []end{}
	names := []string{}
	for _, k := range e.curves {
		n := end{take: k.Take, last: -1}
		xs, y := drawable(k.X, k.Y, p, e.f.x.log)
		for i, v := range y {
			if n.leaves = v < p.Y.Min; v >= p.Y.Min && Finite(xs[i]) {
				n.x, n.from, n.last = float64(tx(xs[i])), float64(ty(v)), i
			}
		}
		if n.last >= 0 {
			if n.leaves {
				n.from = e.f.bottom
			}
			ends, names = append(ends, n), append(names, k.Name)
		}
	}
	full, short := shortenEach(names, 12), shortenEach(names, 7) // letters right of the frame, on wide and narrow screens
	for i := range ends {
		ends[i].full, ends[i].short = full[i], short[i]
	}
	slices.SortStableFunc(ends, func(a, b end) int { return cmp.Or(cmp.Compare(a.from, b.from), cmp.Compare(a.last, b.last)) })
	// From the lowest up, each at least a line over the one before; then, where that is
	// too high, down again.
	const pitch = 21
	for i := range ends {
		if ends[i].at = math.Max(ends[i].from, e.f.bottom+6); i > 0 {
			ends[i].at = math.Max(ends[i].at, ends[i-1].at+pitch)
		}
	}
	for i, top := len(ends)-1, e.f.height-e.f.top-4; i >= 0; i, top = i-1, ends[i].at-pitch {
		ends[i].at = math.Min(ends[i].at, top)
	}
	c := unwrap(dc)
	x := e.f.width - e.f.right
	for _, n := range ends {
		fmt.Fprintf(c, `<g class="en %s" data-pick="%d">`, Class(n.take), n.take)
		if !n.leaves {
			fmt.Fprintf(c, `<path class="join" d="M%s %sL%s %s"/>`, tenths(grid(n.x)), tenths(grid(-n.from)), tenths(grid(x+7)), tenths(grid(-n.at)))
		}
		fmt.Fprintf(c, `<path class="mk" d="%s"/>`, markerPath(markOf(n.take).shape, x+10, -n.at))
		if n.full == n.short {
			c.text("", x+17, n.at-4, n.full)
		} else {
			c.text("roomy", x+17, n.at-4, n.full)
			c.text("tight", x+17, n.at-4, n.short)
		}
		c.WriteString("</g>")
	}
}

// pitchMarks draws short ticks above the frame and names the lowest and the
// highest pitch.
type pitchMarks struct {
	f       frame
	pitches []Pitch
}

func (m pitchMarks) Plot(dc draw.Canvas, p *plot.Plot) {
	c := unwrap(dc)
	tx, _ := p.Transforms(&dc)
	y := m.f.height - m.f.top
	var w pathWriter
	names := []word{}
	for i, s := range m.pitches {
		if !(s.Hz >= p.X.Min && s.Hz <= p.X.Max) {
			continue
		}
		x := float64(tx(s.Hz))
		w.move(grid(x), grid(-y))
		w.line(grid(x), grid(-y-6))
		if i == 0 || i == len(m.pitches)-1 {
			names = append(names, word{x, s.Name})
		}
	}
	if w.b.Len() > 0 {
		fmt.Fprintf(c, `<path class="pitch" d="%s"/>`, w.b.String())
	}
	c.row("sn", y+9, names)
}

// Loudness draws loudness over time in seconds with the sections behind. Like Overview
// it has no margins at its sides, so that both have one time axis; the levels are within
// the frame.
func Loudness(t Text, curves []Curve, sections []Section, from, to float64) string {
	ys := make([][]float64, 0, len(curves))
	for _, c := range curves {
		ys = append(ys, c.Y)
	}
	y := levelAxis(30, ys...)
	f := frame{width: 600, height: 290, top: 28, bottom: 36, x: timeAxis(from, to), y: y, unit: "LUFS", inside: true, class: "wide in"}
	layers := []plot.Plotter{}
	for i, c := range curves {
		every := max(1, len(c.X)/8)
		layers = append(layers, line{Curve: c, every: every, offset: i * max(1, every/max(1, len(curves)))})
	}
	return f.render(t, []plot.Plotter{sectionBands{sections, f}}, layers)
}

// Overview draws the peak level over time, linear 0 to 1, as a filled shape
// with the sections behind. It has neither axes nor names, and the page may stretch
// it to any width and height.
func Overview(t Text, peaks []float64, sections []Section, from, to float64) string {
	const columns = 300
	n := min(columns, len(peaks))
	x, hi, lo := make([]float64, n), make([]float64, n), make([]float64, n)
	top := 0.0
	for i := range n {
		for _, v := range peaks[i*len(peaks)/n : (i+1)*len(peaks)/n] {
			if Finite(v) {
				hi[i] = math.Max(hi[i], v)
			}
		}
		x[i] = from + (float64(i)+0.5)/float64(n)*(to-from)
		lo[i] = -0.01
		top = math.Max(top, hi[i])
	}
	if top == 0 {
		top = 1
	}
	f := frame{width: 600, height: 80, x: axis{min: from, max: to}, y: axis{min: 0, max: top * 1.05}, class: "contour", stretch: true}
	shades := slices.Clone(sections)
	for i := range shades {
		shades[i].Name = ""
	}
	return f.render(t, []plot.Plotter{sectionBands{shades, f}}, []plot.Plotter{area{"wave", x, lo, hi, false}})
}

// Row is one line of a level plot: a take with two values in dB, either of
// which may be missing.
type Row struct {
	Name           string
	Take           int
	Hollow, Filled float64
	Soft           bool // shown in grey: not to be compared
}

// Levels draws a row for each take with a hollow and a filled marker on a
// common dB axis, joined by a line.
func Levels(t Text, rows []Row) string {
	all := []float64{}
	for _, r := range rows {
		all = append(all, r.Hollow, r.Filled)
	}
	const pitch = 30
	h := float64(len(rows)*pitch) + 44
	f := frame{width: 600, height: h, left: 160, right: 22, top: 10, bottom: 36, x: levelAxis(80, all), y: axis{min: 0, max: float64(max(1, len(rows)))}, class: "wide"}
	return f.render(t, nil, []plot.Plotter{levelRows{rows, f}})
}

func rowClass(r Row) string {
	if r.Soft {
		return "grey"
	}
	return Class(r.Take)
}

type levelRows struct {
	rows []Row
	f    frame
}

// rowNames writes the names of rows left of the plot, the first on top: outside
// the clipped area, which begins again behind them.
func (c *canvas) rowNames(names []string, f frame, ty func(float64) vg.Length) {
	c.WriteString("</svg>")
	const most, narrow = 26, 14 // letters that f.left has room for, on narrow screens
	full, short := shortenEach(names, most), shortenEach(names, narrow)
	var always, roomy, tight []word
	for i := range names {
		at := float64(ty(float64(len(names)-i)-0.5)) - 4
		if full[i] == short[i] {
			always = append(always, word{at, full[i]})
			continue
		}
		roomy, tight = append(roomy, word{at, full[i]}), append(tight, word{at, short[i]})
	}
	c.column("tn", f.left-10, always)
	c.column("tn roomy", f.left-10, roomy)
	c.column("tn tight", f.left-10, tight)
	c.WriteString("<svg overflow=\"visible\">")
}

func (l levelRows) Plot(dc draw.Canvas, p *plot.Plot) {
	c := unwrap(dc)
	tx, ty := p.Transforms(&dc)
	names := []string{}
	for _, r := range l.rows {
		names = append(names, r.Name)
	}
	c.rowNames(names, l.f, ty)
	for i, r := range l.rows {
		y := -float64(ty(float64(len(l.rows)-i) - 0.5))
		fmt.Fprintf(c, `<g class="%s" data-pick="%d"><title>%s</title>`, rowClass(r), r.Take, html.EscapeString(r.Name))
		in := func(v float64) bool { return Finite(v) && v >= p.X.Min && v <= p.X.Max }
		if in(r.Hollow) && in(r.Filled) {
			fmt.Fprintf(c, `<path class="join" d="M%s %sH%s"/>`, tenths(grid(float64(tx(r.Hollow)))), tenths(grid(y)), tenths(grid(float64(tx(r.Filled)))))
		}
		if in(r.Hollow) {
			fmt.Fprintf(c, `<path class="hm" d="%s"/>`, markerPath(markOf(r.Take).shape, float64(tx(r.Hollow)), y))
		}
		if in(r.Filled) {
			fmt.Fprintf(c, `<path class="mk" d="%s"/>`, markerPath(markOf(r.Take).shape, float64(tx(r.Filled)), y))
		}
		c.WriteString("</g>")
	}
}
