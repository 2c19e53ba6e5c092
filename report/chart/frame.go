package chart

import (
	"fmt"
	"html"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// Text is what a plot says to those who do not see it. By is the id of an
// element of the page that describes the plot; "" for none. Named are the ids of
// elements that name it, in place of Title and Desc; "" for none.
type Text struct{ Title, Desc, By, Named string }

// attributes writes it.
func (t Text) attributes() string {
	name, value := "label", strings.TrimSpace(t.Title+". "+t.Desc)
	if t.Named != "" {
		name, value = "labelledby", t.Named
	}
	out := fmt.Sprintf(` aria-%s="%s"`, name, html.EscapeString(value))
	if t.By != "" {
		out += fmt.Sprintf(` aria-describedby="%s"`, html.EscapeString(t.By))
	}
	return out
}

// frame is the drawing area with its axes, in units of the viewBox.
type frame struct {
	width, height            float64
	left, right, top, bottom float64
	x, y                     axis
	unit                     string // of y, written above its ticks
	inside                   bool   // the labels of y are in the frame
	class                    string
	stretch                  bool           // to the box that the page gives it
	group                    string         // attributes of a group of all that is drawn; "" for no group
	over                     []plot.Plotter // layers that are not clipped
}

// render draws the layers into the frame. Layers are clipped to its inside.
func (f frame) render(t Text, behind, layers []plot.Plotter) string {
	c := newCanvas()
	stretch := ""
	if f.stretch {
		stretch = ` preserveAspectRatio="none"`
	}
	fmt.Fprintf(c, `<svg class="plot %s" viewBox="0 -%g %g %g" role="img"%s%s%s>`,
		f.class, f.height, f.width, f.height, stretch, f.place(), t.attributes())
	if f.group != "" {
		fmt.Fprintf(c, "<g %s>", f.group)
	}
	p := plot.New()
	p.BackgroundColor = nil
	p.HideAxes()
	p.X.Padding, p.Y.Padding = 0, 0
	if f.x.log {
		p.X.Scale = plot.LogScale{}
	}
	p.Add(behind...)
	p.Add(gridLines{f})
	p.Add(raw(fmt.Sprintf(`<svg x="%g" y="-%g" width="%g" height="%g" viewBox="%g -%g %g %g">`,
		f.left, f.height-f.top, f.innerWidth(), f.innerHeight(), f.left, f.height-f.top, f.innerWidth(), f.innerHeight())))
	p.Add(layers...)
	p.Add(raw("</svg>"))
	p.Add(f.over...)
	if f.inside {
		p.Add(insideLabels{f})
	}
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = f.x.min, f.x.max, f.y.min, f.y.max
	dc := draw.NewCanvas(c, vg.Length(f.width), vg.Length(f.height))
	p.Draw(draw.Crop(dc, vg.Length(f.left), vg.Length(-f.right), vg.Length(f.bottom), vg.Length(-f.top)))
	if f.group != "" {
		c.WriteString("</g>")
	}
	c.WriteString("</svg>")
	return c.String()
}

// place says where the x axis is, for plots.js: its ends in units of the viewBox, what
// they stand for, "log" for a logarithmic one, and the unit of y; "" where x has no ticks.
func (f frame) place() string {
	if len(f.x.ticks) == 0 {
		return ""
	}
	log := ""
	if f.x.log {
		log = " log"
	}
	return fmt.Sprintf(` data-x="%g %g %.6g %.6g%s" data-unit="%s"`, f.left, f.width-f.right, f.x.min, f.x.max, log, f.unit)
}

func (f frame) innerWidth() float64  { return f.width - f.left - f.right }
func (f frame) innerHeight() float64 { return f.height - f.top - f.bottom }

// raw is a plotter that writes markup.
type raw string

func (r raw) Plot(dc draw.Canvas, _ *plot.Plot) { unwrap(dc).WriteString(string(r)) }

// gridLines draws the ticks as lines through the frame and their labels.
type gridLines struct{ f frame }

func (g gridLines) Plot(dc draw.Canvas, p *plot.Plot) {
	c, f := unwrap(dc), g.f
	tx, ty := p.Transforms(&dc)
	var thin, thick, zero pathWriter
	x0, x1 := grid(f.left), grid(f.width-f.right)
	y0, y1 := grid(-f.bottom), grid(f.top-f.height)
	below, beside := []word{}, []word{}
	for _, t := range f.x.ticks {
		w, x := &thick, float64(tx(t.at))
		if t.minor {
			w = &thin
		}
		w.move(grid(x), y0)
		w.line(grid(x), y1)
		if t.label != "" {
			const half = 22 // of the widest time, on narrow screens
			below = append(below, word{math.Max(half, math.Min(f.width-half, x)), t.label})
		}
	}
	for _, t := range f.y.ticks {
		y := float64(ty(t.at))
		w := &thick
		if t.at == 0 {
			w = &zero
		}
		w.move(x0, grid(-y))
		w.line(x1, grid(-y))
		if t.label != "" {
			beside = append(beside, word{y - 4, t.label})
		}
	}
	for _, k := range []struct {
		class string
		w     *pathWriter
	}{{"gm", &thin}, {"gr", &thick}, {"zero", &zero}} {
		if k.w.b.Len() > 0 {
			fmt.Fprintf(c, `<path class="%s" d="%s"/>`, k.class, k.w.b.String())
		}
	}
	if n := len(below) - 1; n >= 0 && f.x.log {
		if f.right > 40 { // room for the unit by itself
			below = append(below, word{f.width - f.right + 20, "Hz"})
		} else {
			below[n].text += " Hz"
		}
	}
	c.row("tx", 13, below)
	if f.inside {
		return
	}
	if f.unit != "" {
		c.text("tx tu", 2, f.height-f.top+16, f.unit)
	}
	c.column("ty", f.left-7, beside)
}

// insideLabels are the labels of an upright axis in the frame, each over its line, the
// uppermost of them with the unit. The uppermost line has no room for one.
type insideLabels struct{ f frame }

func (l insideLabels) Plot(dc draw.Canvas, p *plot.Plot) {
	_, ty := p.Transforms(&dc)
	labels := []word{}
	for _, t := range l.f.y.ticks[:max(0, len(l.f.y.ticks)-1)] {
		labels = append(labels, word{float64(ty(t.at)) + 3, t.label})
	}
	if n := len(labels) - 1; n >= 0 {
		labels[n].text += " " + l.f.unit
	}
	unwrap(dc).column("ti", l.f.left+5, labels)
}

// shared keeps parts of drawings that several plots of one page have in
// common: the first that needs a part holds it, the others refer to it.
type shared struct {
	prefix string
	known  map[string]string // id by content
}

// group returns the part, or a reference to where it stands already.
func (s *shared) group(part string) string {
	if part == "" {
		return ""
	}
	if id, ok := s.known[part]; ok {
		return fmt.Sprintf(`<use href="#%s"/>`, id)
	}
	id := fmt.Sprintf("%s%d", s.prefix, len(s.known))
	s.known[part] = id
	return fmt.Sprintf(`<g id="%s">%s</g>`, id, part)
}

// Curve is one take's line. Values that are not finite leave a gap.
type Curve struct {
	Name string
	Take int // index that gives colour, dash and marker
	X, Y []float64
}

// line is a curve as a layer: its runs of finite values drawn by gonum, and
// its markers every nth point.
type line struct {
	Curve
	every, offset int // markers; every 0 for none
	log           bool
}

func (l line) Plot(dc draw.Canvas, p *plot.Plot) {
	c := unwrap(dc)
	fmt.Fprintf(c, `<g class="%s" data-pick="%d"><title>%s</title>`, Class(l.Take), l.Take, html.EscapeString(l.Name))
	x, y := drawable(l.X, l.Y, p, l.log)
	c.together("ln", func() { strokes(dc, p, x, y) })
	if l.every > 0 {
		tx, ty := p.Transforms(&dc)
		var w pathWriter
		for i := range x {
			if Finite(y[i]) && Finite(x[i]) && i%l.every == l.offset%l.every && y[i] >= p.Y.Min && y[i] <= p.Y.Max {
				marker(&w, markOf(l.Take).shape, float64(tx(x[i])), -float64(ty(y[i])))
			}
		}
		c.marks(&w)
	}
	c.WriteString("</g>")
}

// marks writes markers, if there are any.
func (c *canvas) marks(w *pathWriter) {
	if w.b.Len() > 0 {
		fmt.Fprintf(c, `<path class="mk" d="%s"/>`, w.b.String())
	}
}

// strokes draws the runs of finite values.
func strokes(dc draw.Canvas, p *plot.Plot, x, y []float64) {
	for _, run := range runs(x, y) {
		if len(run) < 2 {
			continue
		}
		if g, err := plotter.NewLine(run); err == nil {
			g.Plot(dc, p)
		}
	}
}

// drawable returns copies of a curve's coordinates, of one length, with what
// a logarithmic axis cannot hold taken out and far values brought near: the
// frame cuts them off anyway.
func drawable(x, y []float64, p *plot.Plot, log bool) (xs, ys []float64) {
	n := min(len(x), len(y))
	xs, ys = append([]float64{}, x[:n]...), append([]float64{}, y[:n]...)
	reach := 20 * (p.Y.Max - p.Y.Min)
	for i := range n {
		if log && xs[i] <= 0 {
			xs[i] = math.NaN()
		}
		if Finite(ys[i]) {
			ys[i] = math.Max(p.Y.Min-reach, math.Min(p.Y.Max+reach, ys[i]))
		}
	}
	return xs, ys
}

// runs splits a curve where a value cannot be drawn.
func runs(x, y []float64) []plotter.XYs {
	var out []plotter.XYs
	var run plotter.XYs
	for i := 0; i < min(len(x), len(y)); i++ {
		if Finite(x[i]) && Finite(y[i]) {
			run = append(run, plotter.XY{X: x[i], Y: y[i]})
			continue
		}
		if len(run) > 0 {
			out, run = append(out, run), nil
		}
	}
	if len(run) > 0 {
		out = append(out, run)
	}
	return out
}

// area fills between two curves over the same x.
type area struct {
	class     string
	x, lo, hi []float64
	log       bool
}

func (a area) Plot(dc draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&dc)
	x, hi := drawable(a.x, a.hi, p, a.log)
	x, lo := drawable(x, a.lo, p, a.log)
	a.x, a.hi, a.lo = x, hi, lo
	start := 0
	flush := func(end int) {
		if end-start < 2 {
			return
		}
		var path vg.Path
		for i := start; i < end; i++ {
			pt := vg.Point{X: tx(a.x[i]), Y: ty(a.hi[i])}
			if i == start {
				path.Move(pt)
			} else {
				path.Line(pt)
			}
		}
		for i := end - 1; i >= start; i-- {
			path.Line(vg.Point{X: tx(a.x[i]), Y: ty(a.lo[i])})
		}
		path.Close()
		unwrap(dc).path(a.class, path)
	}
	n := min(len(a.x), len(a.lo), len(a.hi))
	for i := 0; i < n; i++ {
		if !Finite(a.x[i]) || !Finite(a.lo[i]) || !Finite(a.hi[i]) {
			flush(i)
			start = i + 1
		}
	}
	flush(n)
}

// Section is a named stretch of time in seconds.
type Section struct {
	Name     string
	From, To float64
}

// sectionBands shades the sections and writes their names on top, where they have one.
type sectionBands struct {
	sections []Section
	f        frame
}

func (s sectionBands) Plot(dc draw.Canvas, p *plot.Plot) {
	c := unwrap(dc)
	tx, _ := p.Transforms(&dc)
	var shade [2]pathWriter
	var always, roomy, tight []word
	top, bottom := grid(s.f.top-s.f.height), grid(-s.f.bottom)
	for i, sec := range s.sections {
		if !Finite(sec.From) || !Finite(sec.To) {
			continue
		}
		x0 := float64(tx(math.Max(sec.From, p.X.Min)))
		x1 := float64(tx(math.Min(sec.To, p.X.Max)))
		if x1 <= x0 {
			continue
		}
		shade[i%2].box(grid(x0), top, grid(x1), bottom)
		if sec.Name == "" {
			continue
		}
		room := int((x1 - x0) / 10.5) // units per letter at the size used on narrow screens
		mid, short, full := (x0+x1)/2, shorten(sec.Name, room), shorten(sec.Name, int((x1-x0)/5.5))
		if full == short { // else one for wide screens, the other for narrow ones
			always = append(always, word{mid, full})
			continue
		}
		roomy = append(roomy, word{mid, full})
		tight = append(tight, word{mid, short})
	}
	c.shades(shade)
	y := s.f.height - s.f.top + 7
	c.row("sn", y, always)
	c.row("sn roomy", y, roomy)
	c.row("sn tight", y, tight)
}

// shades writes two tones of ground.
func (c *canvas) shades(tones [2]pathWriter) {
	for i := range tones {
		if tones[i].b.Len() > 0 {
			fmt.Fprintf(c, `<path class="s%d" d="%s"/>`, i, tones[i].b.String())
		}
	}
}

// shortenEach cuts each of names to at most n letters, at its end, or in the
// middle where another would look the same, or at what all that then look the same
// begin with.
func shortenEach(names []string, n int) []string {
	out := make([]string, len(names))
	for i, s := range names {
		out[i] = shorten(s, n)
	}
	tail := 2 * (n - 1) / 3
	for _, cut := range []func(r []rune, begins int) string{
		func(r []rune, _ int) string {
			return strings.TrimRight(string(r[:n-1-tail]), " ") + "…" + strings.TrimLeft(string(r[len(r)-tail:]), " ")
		},
		func(r []rune, begins int) string { return shorten("…"+string(r[begins:]), n) },
	} {
		like := map[string][][]rune{}
		for i, s := range names {
			like[out[i]] = append(like[out[i]], []rune(s))
		}
		for i, s := range names {
			if r := []rune(s); len(like[out[i]]) > 1 && len(r) > n && n >= 4 {
				out[i] = cut(r, min(beginAlike(like[out[i]]), len(r)-1)) // of one that another begins with, its last letter
			}
		}
	}
	return out
}

// beginAlike is with how many letters all names begin.
func beginAlike(names [][]rune) int {
	n := 0
	for n < len(names[0]) && !slices.ContainsFunc(names, func(r []rune) bool { return n >= len(r) || r[n] != names[0][n] }) {
		n++
	}
	return n
}

// shorten cuts s to at most n letters, with an ellipsis; "" when fewer than
// three would be left.
func shorten(s string, n int) string {
	r := []rune(s)
	if len(r) <= n {
		return s
	}
	if n < 4 {
		return ""
	}
	return strings.TrimRight(string(r[:n-1]), " ") + "…"
}
