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
// nothing to refuse. Paths are written as relative steps on a grid of a tenth
// of a unit. The y axis is negated on writing; the viewBox begins at −height.
type canvas struct {
	strings.Builder
	open  []int // groups opened by transforms since each Push
	width vg.Length
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
	c.text("", float64(p.X), float64(p.Y), "start", s)
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
	if c.width > 0 {
		c.path("ln", p)
	}
}

func (c *canvas) group(transform string, a ...any) {
	fmt.Fprintf(c, `<g transform="`+transform+`">`, a...)
	c.open[len(c.open)-1]++
}

// text writes s with its baseline at (x, y); anchor is start, middle or end.
func (c *canvas) text(class string, x, y float64, anchor, s string) {
	c.WriteString("<text")
	if class != "" {
		fmt.Fprintf(c, ` class="%s"`, class)
	}
	fmt.Fprintf(c, ` x="%s" y="%s"`, tenths(grid(x)), tenths(grid(-y)))
	if anchor != "start" {
		fmt.Fprintf(c, ` text-anchor="%s"`, anchor)
	}
	fmt.Fprintf(c, ">%s</text>", html.EscapeString(s))
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
	b    strings.Builder
	x, y int  // current point in tenths
	cmd  byte // last command
	dot  bool // the last number had a decimal point
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
	w.x, w.y, w.cmd = x, y, 'M'
}

func (w *pathWriter) line(x, y int) {
	dx, dy := x-w.x, y-w.y
	if dx == 0 && dy == 0 {
		return
	}
	first := w.cmd != 'l'
	if first {
		w.b.WriteByte('l')
		w.cmd = 'l'
	}
	w.number(dx, first)
	w.number(dy, false)
	w.x, w.y = x, y
}

func (w *pathWriter) shut() { w.b.WriteByte('z'); w.cmd = 'z' }

func pathData(p vg.Path) string {
	var w pathWriter
	for _, s := range p {
		x, y := grid(float64(s.Pos.X)), grid(-float64(s.Pos.Y))
		switch s.Type {
		case vg.MoveComp:
			w.move(x, y)
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
