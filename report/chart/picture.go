package chart

import (
	"image"
	"image/color"
	"math"
	"slices"
	"strconv"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// Colours of the page that pictures share: its paper, its letters and what stands back.
const (
	Paper = "#ffffff"
	Ink   = "#17222b"
	Dim   = "#55636c"
	Rule  = "#c6d0d3"
)

// Lettering is how a text of a picture looks. Size is in pixels.
type Lettering struct {
	Size   float64
	Bold   bool
	Colour string // "#rrggbb"
	Centre bool   // about x
}

// Picture is a picture in pixels, counted from the top left corner. The font is the one
// that the plot library brings along; see Unknown for the letters that it does not have.
type Picture struct {
	img           *vgimg.Canvas
	dc            draw.Canvas
	width, height float64
	shortened     []string
}

// NewPicture returns a picture on Paper, or on nothing if it is to be transparent.
func NewPicture(width, height int, transparent bool) *Picture {
	background := rgb(Paper)
	if transparent {
		background = color.Transparent
	}
	img := vgimg.NewWith(vgimg.UseWH(vg.Length(width), vg.Length(height)), vgimg.UseDPI(72), vgimg.UseBackgroundColor(background)) // a point is a pixel
	return &Picture{img: img, dc: draw.New(img), width: float64(width), height: float64(height)}
}

// Unknown returns the letters of s that the font of pictures does not have, each once.
func Unknown(s string) []rune {
	var out []rune
	face := letters(10, false, color.Black)
	font := face.Handler.Cache().Lookup(face.Font, face.Font.Size).Face
	for _, r := range s {
		if i, err := font.GlyphIndex(nil, r); (err != nil || i == 0) && !slices.Contains(out, r) {
			out = append(out, r)
		}
	}
	return out
}

// Hue returns the colour of a take on light paper, as on the page.
func Hue(take int) string { return light()[markOf(take).colour] }

// Shortened returns the texts that did not fit, whole.
func (p *Picture) Shortened() []string { return p.shortened }

// PNG returns the picture. The same picture gives the same bytes.
func (p *Picture) PNG() ([]byte, error) { return encode(p.img.Image().(*image.RGBA)) } // which vgimg makes

func (l Lettering) style() text.Style {
	s := letters(vg.Length(l.Size), l.Bold, rgb(l.Colour))
	if l.Centre {
		s.XAlign = text.XCenter
	}
	return s
}

// Line is the distance of two lines of a text.
func (l Lettering) Line() float64 { return math.Round(l.Size * 1.22) }

// Fit returns the lettering in the greatest size, from its own down to least, at which s
// fits into at most most lines no wider than wide; in least if it fits in none.
func (l Lettering) Fit(least, wide float64, most int, s string) Lettering {
	for l.Size > least && !l.Fits(wide, most, s) {
		l.Size = max(least, l.Size-2)
	}
	return l
}

// Fits reports whether s fits into at most most lines no wider than wide.
func (l Lettering) Fits(wide float64, most int, s string) bool {
	_, whole := wrap(l.style(), s, vg.Length(wide), most)
	return whole
}

// Text writes s below y in at most most lines no wider than wide, and returns where it
// ends. What does not fit is shortened.
func (p *Picture) Text(l Lettering, x, y, wide float64, most int, s string) float64 {
	lines, whole := wrap(l.style(), s, vg.Length(wide), most)
	if !whole {
		p.shortened = append(p.shortened, s)
	}
	for _, line := range lines {
		y += l.Line()
		// Letters stand on a line that leaves room for their tails.
		p.dc.FillText(l.style(), vg.Point{X: vg.Length(x), Y: vg.Length(p.height - y + l.Line() - l.Size)}, line)
	}
	return y
}

// Width returns how wide a text is in one line.
func (l Lettering) Width(s string) float64 { return float64(l.style().Width(s)) }

// Fill fills a rectangle.
func (p *Picture) Fill(x, y, wide, high float64, colour string) {
	p.dc.FillPolygon(rgb(colour), box(vg.Length(x), vg.Length(p.height-y-high), vg.Length(x+wide), vg.Length(p.height-y)))
}

// Mark draws the line and the marker of a take about y, in its hue.
func (p *Picture) Mark(take int, x, y, wide float64) {
	line := lineOf(take, vg.Length(wide/9))
	// Dashes that end with a whole one.
	if d := line.Dashes; d != nil {
		period := vg.Length(0)
		for _, v := range d {
			period += v
		}
		whole := d[0] + period*vg.Length(math.Round(float64((81-d[0])/period)))
		line.Dashes = slices.Clone(d)
		for i := range d {
			line.Dashes[i] *= vg.Length(wide) / whole
		}
	}
	p.dc.StrokeLine2(line, vg.Length(x), vg.Length(p.height-y), vg.Length(x+wide), vg.Length(p.height-y))
	scale := wide / 34 // of a swatch
	p.dc.SetColor(line.Color)
	p.dc.Fill(p.path(markerPath(markOf(take).shape, 0, 0), x+wide/2, y, 1.3*scale))
}

// path is a path of SVG in the few commands that this package writes, at a place and
// in a size.
func (p *Picture) path(d string, x, y, scale float64) vg.Path {
	var out vg.Path
	var at, start point
	to := func(q point) vg.Point {
		return vg.Point{X: vg.Length(x + scale*q.x), Y: vg.Length(p.height - (y + scale*q.y))}
	}
	for len(d) > 0 {
		command := d[0]
		end := strings.IndexAny(d[1:], "Mmhvlaz")
		if end < 0 {
			end = len(d) - 1
		}
		v := numbers(d[1 : 1+end])
		d = d[1+end:]
		line := func(dx, dy float64) {
			at = point{at.x + dx, at.y + dy}
			out.Line(to(at))
		}
		switch command {
		case 'M':
			at = point{v[0], v[1]}
			start = at
			out.Move(to(at))
		case 'h':
			line(v[0], 0)
		case 'v':
			line(0, v[0])
		case 'l':
			for i := 0; i+1 < len(v); i += 2 {
				line(v[i], v[i+1])
			}
		case 'a': // the disc alone: a whole turn from its left
			r := v[0]
			out.Arc(to(point{at.x + r, at.y}), vg.Length(scale*r), math.Pi, 2*math.Pi)
		case 'z':
			at = start
			out.Close()
		}
	}
	return out
}

// numbers reads numbers as SVG's grammar separates them.
func numbers(s string) []float64 {
	var out []float64
	for s = strings.TrimLeft(s, " "); s != ""; s = strings.TrimLeft(s, " ") {
		n := 1
		for n < len(s) && (s[n] >= '0' && s[n] <= '9' || s[n] == '.' && !strings.Contains(s[:n], ".")) {
			n++
		}
		v, _ := strconv.ParseFloat(s[:n], 64) // what this package has written
		out = append(out, v)
		s = s[n:]
	}
	return out
}

// Dial draws a knob within a square from its top left corner: its travel, where its
// pointer stands, or a dashed ring when the position is not known.
func (p *Picture) Dial(k Knob, x, y, size float64) {
	unit := size / 24
	centre := vg.Point{X: vg.Length(x + size/2), Y: vg.Length(p.height - y - size/2)}
	arc := func(style draw.LineStyle, r, from, travel float64) {
		var path vg.Path
		start := (90 - from) * math.Pi / 180
		path.Move(vg.Point{X: centre.X + vg.Length(r*unit*math.Cos(start)), Y: centre.Y + vg.Length(r*unit*math.Sin(start))})
		path.Arc(centre, vg.Length(r*unit), start, -travel*math.Pi/180)
		p.dc.SetLineStyle(style)
		p.dc.Stroke(path)
	}
	ink, rule := draw.LineStyle{Color: rgb(Ink), Width: vg.Length(2 * unit)}, draw.LineStyle{Color: rgb(Rule), Width: vg.Length(2 * unit)}
	knob := draw.LineStyle{Color: rgb(Ink), Width: vg.Length(1.2 * unit)}
	if !Finite(k.Fraction) {
		knob.Color = rgb(Dim)
		knob.Dashes = []vg.Length{vg.Length(2 * unit), vg.Length(2 * unit)}
		arc(knob, 7, 0, 360)
		return
	}
	travel := math.Max(0, math.Min(360, k.Travel))
	f := math.Max(0, math.Min(1, k.Fraction))
	arc(rule, 10.5, k.From, travel)
	if f > 0.003 && travel > 0 {
		arc(ink, 10.5, k.From, travel*f)
	}
	arc(knob, 7, 0, 360)
	dx, dy := polar(k.From+travel*f, 1)
	dx, dy = dx-12, 12-dy
	tip := func(r float64) vg.Point {
		return vg.Point{X: centre.X + vg.Length(r*unit*dx), Y: centre.Y + vg.Length(r*unit*dy)}
	}
	p.dc.StrokeLines(draw.LineStyle{Color: rgb(Ink), Width: vg.Length(1.8 * unit)}, []vg.Point{tip(2), tip(7)})
}

// Switch draws a switch that is on or off within a square from its top left corner.
func (p *Picture) Switch(on bool, x, y, size float64) {
	unit := size / 24
	at := func(cx, cy float64) vg.Point {
		return vg.Point{X: vg.Length(x + cx*unit), Y: vg.Length(p.height - y - cy*unit)}
	}
	var body vg.Path
	body.Move(at(8, 7))
	body.Line(at(16, 7))
	body.Arc(at(16, 12), vg.Length(5*unit), math.Pi/2, -math.Pi)
	body.Line(at(8, 17))
	body.Arc(at(8, 12), vg.Length(5*unit), -math.Pi/2, -math.Pi)
	body.Close()
	p.dc.SetLineStyle(draw.LineStyle{Color: rgb(Ink), Width: vg.Length(1.2 * unit)})
	p.dc.Stroke(body)
	var tip vg.Path
	centre := at(8, 12)
	if on {
		centre = at(16, 12)
	}
	tip.Move(vg.Point{X: centre.X + vg.Length(3*unit), Y: centre.Y})
	tip.Arc(centre, vg.Length(3*unit), 0, 2*math.Pi)
	tip.Close()
	p.dc.SetColor(rgb(Ink))
	p.dc.Fill(tip)
}

// Highlight is a plot of differences with one curve drawn out.
type Highlight struct {
	Curves []Curve
	Sure   [][]bool // as in Preview
	Drawn  int      // the place in Curves of the one drawn out; −1 for the zero line, which is Take
	Take   int
}

// Differences draws differences in dB over frequency in Hz within a rectangle: the drawn
// out curve in its take's hue, grey where it is not sure, the others thin and grey.
func (p *Picture) Differences(h Highlight, x, y, wide, high, size float64) {
	lo, hi := math.Inf(1), math.Inf(-1)
	ys := [][]float64{}
	view := Preview{Curves: h.Curves, Sure: h.Sure, Log: true}
	for i, c := range h.Curves {
		ys = append(ys, view.sure(i, true))
		for _, v := range c.X {
			if Finite(v) {
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
		}
	}
	small := letters(vg.Length(size), false, rgb(Dim))
	r := vg.Rectangle{
		Min: vg.Point{X: vg.Length(x + 3*size), Y: vg.Length(p.height - y - high + 1.4*size)},
		Max: vg.Point{X: vg.Length(x + wide - 1.2*size), Y: vg.Length(p.height - y)}, // room for half a label
	}
	stroke := axesOn(p.dc, r, frequencyAxis(lo, hi), symmetricAxis(3, ys...), true, small)
	width := vg.Length(size / 5)
	other := draw.LineStyle{Color: rgb(Rule), Width: width / 2}
	for i, c := range h.Curves {
		if i != h.Drawn {
			stroke(other, c.X, c.Y)
		}
	}
	if h.Drawn < 0 {
		stroke(lineOf(h.Take, width), []float64{lo, hi}, []float64{0, 0})
		return
	}
	c := h.Curves[h.Drawn]
	stroke(draw.LineStyle{Color: rgb(Dim), Width: width / 2}, c.X, view.sure(h.Drawn, false))
	stroke(lineOf(c.Take, width), c.X, view.sure(h.Drawn, true))
}

// axesOn draws the grid and the labels of axes within a rectangle and returns what draws
// curves in it.
func axesOn(dc draw.Canvas, r vg.Rectangle, x, y axis, log bool, small text.Style) (stroke func(style draw.LineStyle, xs, values []float64)) {
	inside := draw.Canvas{Canvas: dc.Canvas, Rectangle: r}
	area := plot.New()
	area.BackgroundColor = nil
	area.HideAxes()
	area.X.Padding, area.Y.Padding = 0, 0
	if log {
		area.X.Scale = plot.LogScale{}
	}
	area.X.Min, area.X.Max, area.Y.Min, area.Y.Max = x.min, x.max, y.min, y.max
	tx, ty := area.Transforms(&inside)
	grid, zero := rgb("#dde5e8"), rgb(Ink)
	// Every nth label, so that there are five at most, from the middle, which is zero
	// among differences.
	labels := func(ticks []tick) []tick {
		named := slices.DeleteFunc(slices.Clone(ticks), func(t tick) bool { return t.label == "" })
		every, out := (len(named)+4)/5, []tick{}
		for i := range named {
			if (i-len(named)/2)%every == 0 {
				out = append(out, named[i])
			}
		}
		return out
	}
	below := small
	below.XAlign, below.YAlign = text.XCenter, text.YTop
	for _, t := range labels(x.ticks) {
		dc.StrokeLine2(draw.LineStyle{Color: grid, Width: 2}, tx(t.at), r.Min.Y, tx(t.at), r.Max.Y)
		dc.FillText(below, vg.Point{X: tx(t.at), Y: r.Min.Y - 6}, t.label)
	}
	beside := small
	beside.XAlign, beside.YAlign = text.XRight, text.YCenter
	for _, t := range labels(y.ticks) {
		c := grid
		if t.at == 0 && log {
			c = zero
		}
		dc.StrokeLine2(draw.LineStyle{Color: c, Width: 2}, r.Min.X, ty(t.at), r.Max.X, ty(t.at))
		dc.FillText(beside, vg.Point{X: r.Min.X - 10, Y: ty(t.at) + 3}, t.label)
	}
	return func(style draw.LineStyle, xs, values []float64) {
		xs, values = drawable(xs, values, area, log)
		for _, run := range runs(xs, values) {
			points := make([]vg.Point, len(run))
			for k, v := range run {
				points[k] = vg.Point{X: tx(v.X), Y: ty(v.Y)}
			}
			inside.StrokeLines(style, inside.ClipLinesXY(points)...)
		}
	}
}
