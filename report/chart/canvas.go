package chart

import (
	"fmt"
	"html"
	"image"
	"image/color"
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// canvas is a vg.Canvas that writes SVG with classes in place of colours, so
// that the style sheet decides the look and a strict content policy has
// nothing to refuse. Paths lose the points that cannot be seen and are written
// as relative steps on a grid of a tenth of a unit. The y axis is negated on
// writing; the viewBox begins at −height.
type canvas struct {
	strings.Builder
	open  []int // groups opened by transforms since each Push
	width vg.Length
	held  *vg.Path // strokes that become one path; nil outside together
}

func newCanvas() *canvas { return &canvas{open: []int{0}} }

// The methods of vg.Canvas.

func (c *canvas) SetLineWidth(w vg.Length)            { c.width = w }
func (c *canvas) SetLineDash([]vg.Length, vg.Length)  {}
func (c *canvas) SetColor(color.Color)                {}
func (c *canvas) DrawImage(vg.Rectangle, image.Image) {}
func (c *canvas) Rotate(r float64)                    { c.group("rotate(%.4g)", -r*180/math.Pi) }
func (c *canvas) Scale(x, y float64)                  { c.group("scale(%g %g)", x, y) }
func (c *canvas) Push()                               { c.open = append(c.open, 0) }
func (c *canvas) Fill(p vg.Path)                      { c.path("fl", p) }
func (c *canvas) FillString(_ font.Face, p vg.Point, s string) {
	c.text("", float64(p.X), float64(p.Y), s)
}

func (c *canvas) Translate(p vg.Point) {
	c.group("translate(%.1f %.1f)", float64(p.X), -float64(p.Y))
}

func (c *canvas) Pop() {
	n := len(c.open) - 1
	c.WriteString(strings.Repeat("</g>", c.open[n]))
	c.open = c.open[:n]
}

func (c *canvas) Stroke(p vg.Path) {
	switch {
	case c.width <= 0:
	case c.held != nil:
		*c.held = append(*c.held, p...)
	default:
		c.path("ln", p)
	}
}

// together writes all that draw strokes as one path.
func (c *canvas) together(class string, draw func()) {
	c.held = &vg.Path{}
	draw()
	p := *c.held
	if c.held = nil; len(p) > 0 {
		c.path(class, p)
	}
}

func (c *canvas) group(transform string, a ...any) {
	fmt.Fprintf(c, `<g transform="`+transform+`">`, a...)
	c.open[len(c.open)-1]++
}

// text writes s with its baseline at (x, y). The class says how it is aligned.
func (c *canvas) text(class string, x, y float64, s string) {
	c.WriteString("<text")
	if class != "" {
		fmt.Fprintf(c, ` class="%s"`, class)
	}
	fmt.Fprintf(c, ` x="%s" y="%s">%s</text>`, tenths(grid(x)), tenths(grid(-y)), html.EscapeString(s))
}

// word is a text with its place along a line of texts.
type word struct {
	at   float64
	text string
}

// row writes texts that share a baseline at y.
func (c *canvas) row(class string, y float64, words []word) {
	c.line(class, "0", tenths(grid(-y)), "x", words)
}

// column writes texts that share their x.
func (c *canvas) column(class string, x float64, words []word) {
	for i := range words {
		words[i].at = -words[i].at
	}
	c.line(class, tenths(grid(x)), "0", "y", words)
}

func (c *canvas) line(class, dx, dy, along string, words []word) {
	if len(words) == 0 {
		return
	}
	fmt.Fprintf(c, `<g class="%s" transform="translate(%s,%s)">`, class, dx, dy)
	for _, w := range words {
		if w.text == "" {
			continue
		}
		fmt.Fprintf(c, `<text %s="%s">%s</text>`, along, tenths(grid(w.at)), html.EscapeString(w.text))
	}
	c.WriteString("</g>")
}

func (c *canvas) path(class string, p vg.Path) {
	fmt.Fprintf(c, `<path class="%s" d="%s"/>`, class, pathData(p))
}

// grid returns v in whole tenths of a unit.
func grid(v float64) int { return int(math.Round(v * 10)) }

// tenths prints t tenths in the shortest form that SVG reads: 12, −.5, 3.4.
func tenths(t int) string {
	s := ""
	if t < 0 {
		s, t = "-", -t
	}
	if t/10 > 0 || t%10 == 0 {
		s += strconv.Itoa(t / 10)
	}
	if t%10 > 0 {
		s += "." + strconv.Itoa(t%10)
	}
	return s
}

// pathWriter writes path commands as compactly as SVG's grammar allows.
type pathWriter struct {
	b      strings.Builder
	x, y   int  // current point in tenths
	x0, y0 int  // where the current part began
	cmd    byte // last command
	dot    bool // the last number had a decimal point

	fresh bool // a command letter was just written
}

func (w *pathWriter) number(t int, first bool) {
	s := tenths(t)
	if !first && s[0] != '-' && (s[0] != '.' || !w.dot) {
		w.b.WriteByte(' ')
	}
	w.b.WriteString(s)
	w.dot = strings.Contains(s, ".")
}

func (w *pathWriter) move(x, y int) {
	w.b.WriteByte('M')
	w.number(x, true)
	w.number(y, false)
	w.begin(x, y, 'M')
}

// step moves by a distance from the current point, which is shorter where the
// next part of a path is near; the first part is placed absolutely.
func (w *pathWriter) step(x, y int) {
	if w.b.Len() == 0 {
		w.move(x, y)
		return
	}
	w.b.WriteByte('m')
	w.number(x-w.x, true)
	w.number(y-w.y, false)
	w.begin(x, y, 'm')
}

func (w *pathWriter) begin(x, y int, cmd byte) {
	w.x, w.y, w.x0, w.y0, w.cmd = x, y, x, y, cmd
}

func (w *pathWriter) line(x, y int) {
	dx, dy := x-w.x, y-w.y
	if dx == 0 && dy == 0 {
		return
	}
	switch {
	case dy == 0:
		w.command('h')
		w.number(dx, w.fresh)
	case dx == 0:
		w.command('v')
		w.number(dy, w.fresh)
	default:
		w.command('l')
		w.number(dx, w.fresh)
		w.number(dy, false)
	}
	w.x, w.y = x, y
}

// command writes a letter where the one before does not go on.
func (w *pathWriter) command(c byte) {
	if w.fresh = w.cmd != c; w.fresh {
		w.b.WriteByte(c)
		w.cmd = c
	}
}

func (w *pathWriter) shut() {
	w.b.WriteByte('z')
	w.x, w.y, w.cmd = w.x0, w.y0, 'z'
}

// box draws a rectangle.
func (w *pathWriter) box(x0, y0, x1, y1 int) {
	w.move(x0, y0)
	w.line(x1, y0)
	w.line(x1, y1)
	w.line(x0, y1)
	w.shut()
}

func pathData(p vg.Path) string {
	var w pathWriter
	for _, s := range simplify(p) {
		x, y := grid(float64(s.Pos.X)), grid(-float64(s.Pos.Y))
		switch s.Type {
		case vg.MoveComp:
			w.step(x, y)
		case vg.LineComp:
			w.line(x, y)
		case vg.CloseComp:
			w.shut()
		}
	}
	return w.b.String()
}

// unwrap finds our canvas inside the nested canvases that gonum/plot passes.
func unwrap(dc draw.Canvas) *canvas {
	var v vg.Canvas = dc
	for {
		switch t := v.(type) {
		case *canvas:
			return t
		case draw.Canvas:
			v = t.Canvas
		case *draw.Canvas:
			v = t.Canvas
		default:
			return newCanvas()
		}
	}
}
