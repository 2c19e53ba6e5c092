package chart

import (
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

// Spectrum draws level curves in dB over frequency in Hz. It returns an svg
// element. Values below depth under the greatest are cut off.
func Spectrum(t Text, curves []Curve, pitches []Pitch, lo, hi float64) string {
	ys := make([][]float64, 0, len(curves))
	for _, c := range curves {
		ys = append(ys, c.Y)
	}
	y := levelAxis(72, ys...)
	f := frame{width: 600, height: 390, left: y.room(), right: 16, top: 26, bottom: 36, x: frequencyAxis(lo, hi), y: y, class: "wide"}
	layers := []plot.Plotter{}
	for i, c := range curves {
		every := max(1, len(c.X)/10)
		layers = append(layers, line{Curve: c, every: every, offset: i, log: true})
	}
	return f.render(t, []plot.Plotter{pitchMarks{f, pitches}}, layers)
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

// Strips draws several takes' differences on axes that they share: each plot
// but the first refers to the first for what they have in common, so that all
// must stand on one page. The zero value is not usable.
type Strips struct {
	frame frame
	reach float64
	bands *shared
}

// NewStrips returns plots over lo to hi Hz. reach is the least range of the y
// axis in dB.
func NewStrips(lo, hi, reach float64) *Strips {
	s := &Strips{reach: reach, bands: &shared{prefix: "band", known: map[string]string{}}}
	s.frame = frame{width: 360, height: 176, left: 36, right: 10, top: 8, bottom: 26,
		x: frequencyAxis(lo, hi), y: symmetricAxis(reach), class: "strip",
		axes: &shared{prefix: "axes", known: map[string]string{}}}
	// Every second octave is labelled: the strip is narrow.
	k := 0
	for i := range s.frame.x.ticks {
		t := &s.frame.x.ticks[i]
		if t.label != "" {
			if k%2 == 0 {
				t.label = ""
			}
			k++
		}
	}
	return s
}

// Strip draws one take's differences in dB over frequency with the band
// within which nothing is claimed. Resolved parts are drawn in the take's
// colour, the rest grey; a single resolved point is marked.
func (s *Strips) Strip(t Text, c Curve, band []float64, resolved []bool) string {
	under, over := make([]float64, len(band)), make([]float64, len(band))
	for i, b := range band {
		if !Finite(b) || b > s.reach*2 {
			b = s.reach * 2 // nothing at all is claimed
		}
		under[i], over[i] = -b, b
	}
	return s.frame.render(t, nil, []plot.Plotter{
		sharedLayer{s.bands, area{"band", c.X, under, over, true}},
		parted{c, resolved},
	})
}

// sharedLayer draws a layer once for several plots.
type sharedLayer struct {
	with  *shared
	layer plot.Plotter
}

func (l sharedLayer) Plot(dc draw.Canvas, p *plot.Plot) {
	inner := newCanvas()
	l.layer.Plot(draw.Canvas{Canvas: inner, Rectangle: dc.Rectangle}, p)
	unwrap(dc).WriteString(l.with.group(inner.String()))
}

// parted is a curve of which some points are resolved.
type parted struct {
	Curve
	resolved []bool
}

func (l parted) Plot(dc draw.Canvas, p *plot.Plot) {
	c := unwrap(dc)
	x, y := drawable(l.X, l.Y, p, true)
	sure := func(i int) bool {
		return i >= 0 && i < len(y) && i < len(l.resolved) && l.resolved[i] && Finite(x[i]) && Finite(y[i])
	}
	// Each line has the points that belong to it; the others are gaps.
	with := func(belongs func(i int) bool) []float64 {
		out := make([]float64, len(y))
		for i := range y {
			if out[i] = y[i]; !belongs(i) {
				out[i] = math.NaN()
			}
		}
		return out
	}
	grey := with(func(i int) bool { return !sure(i-1) || !sure(i) || !sure(i+1) })
	c.together("un", func() { strokes(dc, p, x, grey) })
	fmt.Fprintf(c, `<g class="%s"><title>%s</title>`, Class(l.Take), html.EscapeString(l.Name))
	c.together("ln", func() { strokes(dc, p, x, with(sure)) })
	tx, ty := p.Transforms(&dc)
	var w pathWriter
	for i := range y {
		if sure(i) && !sure(i-1) && !sure(i+1) {
			marker(&w, markOf(l.Take).shape, float64(tx(x[i])), -float64(ty(y[i])))
		}
	}
	c.marks(&w)
	c.WriteString("</g>")
}

// Loudness draws loudness over time in seconds with the sections behind.
func Loudness(t Text, curves []Curve, sections []Section, from, to float64) string {
	ys := make([][]float64, 0, len(curves))
	for _, c := range curves {
		ys = append(ys, c.Y)
	}
	y := levelAxis(30, ys...)
	f := frame{width: 600, height: 330, left: y.room(), right: 16, top: 28, bottom: 36, x: timeAxis(from, to), y: y, class: "wide"}
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
		fmt.Fprintf(c, `<g class="%s"><title>%s</title>`, rowClass(r), html.EscapeString(r.Name))
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
