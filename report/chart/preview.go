package chart

import (
	"bytes"
	"cmp"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"maps"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// The size of a preview in pixels, of the shape in which a link shows a picture: common
// practice, no source.
const (
	PreviewWidth  = 1200
	PreviewHeight = 630
)

// Preview is the picture that a link to a report is shown with. It has the light
// colours of the page. A link often shows it at a quarter of its size, so its letters
// are large. The font is the one that the plot library brings along; it has Latin,
// Greek and Cyrillic letters, and shows an empty box for others.
type Preview struct {
	Title string
	// Verdict and Brief say what the checks came to; Brief is drawn where Verdict does
	// not fit in two lines. Class gives them their colour: that of an outcome in the
	// style sheet.
	Verdict, Brief, Class string
	Axes                  []string // lines on what the curves show, in which unit
	Curves                []Curve  // the first PreviewCurves are drawn
	// Sure says for each point of each curve whether it is drawn in the colour of its
	// take, and not in grey; nil where all are.
	Sure [][]bool
	// Log says that X is a frequency in Hz and Y a difference in dB. Otherwise X is a
	// time in seconds and Y a level in dB.
	Log bool
}

// PreviewCurves is how many curves a preview draws and names: more could not be told
// apart at a quarter of its size.
const PreviewCurves = 6

// Places and sizes in pixels, y from the bottom.
const (
	previewEdge   = 48
	previewTitle  = 58
	previewText   = 38
	previewNames  = 38
	previewSmall  = 27
	previewLegend = 360 // width of the names beside the plot
)

func rgb(hex string) color.Color {
	c := color.RGBA{A: 255}
	_, _ = fmt.Sscanf(hex, "#%02x%02x%02x", &c.R, &c.G, &c.B) // the constants of this package
	return c
}

// Outcome returns the colour of an outcome by its class, as in the style sheet.
func Outcome(class string) string {
	switch class {
	case "passed":
		return "#23613b"
	case "caution":
		return "#805200"
	case "failed":
		return "#a3201c"
	}
	return Dim
}

// letters is a style of text.
func letters(size vg.Length, bold bool, c color.Color) text.Style {
	f := font.Font{Typeface: "Liberation", Variant: "Sans", Size: size}
	if bold {
		f.Weight = 3 // the bold face: 700 in CSS
	}
	return text.Style{Color: c, Font: f, Handler: plot.DefaultTextHandler, YAlign: text.YBottom}
}

// PNG draws the preview. The same preview gives the same bytes.
func (p Preview) PNG() ([]byte, error) {
	img := vgimg.NewWith(vgimg.UseWH(PreviewWidth, PreviewHeight), vgimg.UseDPI(72)) // a point is a pixel
	dc := draw.New(img)
	ink, dim := rgb(Ink), rgb(Dim)

	y := vg.Length(PreviewHeight - previewEdge)
	write := func(sty text.Style, lines []string) {
		for _, l := range lines {
			y -= sty.Font.Size
			dc.FillText(sty, vg.Point{X: previewEdge, Y: y}, l)
			y -= sty.Font.Size / 5
		}
	}
	wide := vg.Length(PreviewWidth - 2*previewEdge)
	title := letters(previewTitle, true, ink)
	lines, _ := wrap(title, p.Title, wide, 2)
	write(title, lines)
	y -= 14
	verdict := letters(previewText, true, rgb(Outcome(p.Class)))
	lines, whole := wrap(verdict, p.Verdict, wide-28, 2)
	if !whole && p.Brief != "" {
		lines, _ = wrap(verdict, p.Brief, wide-28, 2)
	}
	top := y
	for i := range lines {
		y -= verdict.Font.Size
		dc.FillText(verdict, vg.Point{X: previewEdge + 28, Y: y}, lines[i])
		y -= verdict.Font.Size / 5
	}
	if len(lines) > 0 {
		dc.FillPolygon(verdict.Color, box(previewEdge, y-4, previewEdge+10, top+2))
	}
	y -= 26
	curves := p.Curves[:min(len(p.Curves), PreviewCurves)]
	if len(curves) > 0 {
		p.names(dc, curves, y, ink)
		small := letters(previewSmall, false, dim)
		for _, a := range p.Axes {
			lines, _ = wrap(small, a, wide-previewLegend-40, 1)
			write(small, lines)
		}
		p.plot(dc, curves, y-14, small)
	}
	return encode(img.Image().(*image.RGBA)) // which vgimg makes
}

func box(x0, y0, x1, y1 vg.Length) []vg.Point {
	return []vg.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}}
}

// names writes the names of takes with their colours, from y down.
func (p Preview) names(dc draw.Canvas, curves []Curve, y vg.Length, ink color.Color) {
	const x = PreviewWidth - previewEdge - previewLegend
	sty := letters(previewNames, false, ink)
	pitch := min(sty.Font.Size*1.35, (y-previewEdge)/vg.Length(max(1, len(curves)+min(1, len(p.Curves)-len(curves)))))
	sty.Font.Size = min(sty.Font.Size, pitch/1.15)
	put := func(name string) {
		y -= pitch
		lines, _ := wrap(sty, name, previewLegend-64, 1)
		for _, l := range lines {
			dc.FillText(sty, vg.Point{X: x + 64, Y: y + pitch/5}, l)
		}
	}
	for _, c := range curves {
		put(c.Name)
		dc.StrokeLine2(lineOf(c.Take, 8), x, y+pitch/2, x+48, y+pitch/2)
	}
	if more := len(p.Curves) - len(curves); more > 0 {
		put(fmt.Sprintf("and %d more", more))
	}
}

// lineOf is a take's line: its colour, and the dash that it has in every plot.
func lineOf(take int, width vg.Length) draw.LineStyle {
	m := markOf(take)
	dash := [dashes][]vg.Length{nil, {21, 9}, {6, 9}, {27, 9, 6, 9}}[m.dash]
	return draw.LineStyle{Color: rgb(light()[m.colour]), Width: width, Dashes: dash}
}

// plot draws the curves below top, left of the names.
func (p Preview) plot(dc draw.Canvas, curves []Curve, top vg.Length, small text.Style) {
	ys := [][]float64{}
	lo, hi := math.Inf(1), math.Inf(-1)
	for i, c := range curves {
		ys = append(ys, p.sure(i, true))
		for _, v := range c.X {
			if Finite(v) {
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
		}
	}
	x, y := timeAxis(lo, hi), levelAxis(30, ys...)
	if p.Log {
		x, y = frequencyAxis(lo, hi), symmetricAxis(3, ys...)
	}
	const left, bottom = previewEdge + 70, previewEdge + 34
	right := vg.Length(PreviewWidth - previewEdge - previewLegend - 40)
	r := vg.Rectangle{Min: vg.Point{X: left, Y: bottom}, Max: vg.Point{X: right, Y: top}}
	stroke := axesOn(dc, r, x, y, p.Log, small)
	for i, c := range curves {
		stroke(draw.LineStyle{Color: rgb(Rule), Width: 3}, c.X, p.sure(i, false))
	}
	for i, c := range curves {
		stroke(lineOf(c.Take, 6), c.X, p.sure(i, true))
	}
}

// sure returns the values of the ith curve, those that are sure or, with a point to
// join them, those that are not; the others are not numbers.
func (p Preview) sure(i int, want bool) []float64 {
	is := func(k int) bool {
		return p.Sure == nil || i < len(p.Sure) && k >= 0 && k < len(p.Sure[i]) && p.Sure[i][k]
	}
	out := append([]float64{}, p.Curves[i].Y...)
	for k := range out {
		if want && !is(k) || !want && is(k) && is(k-1) && is(k+1) {
			out[k] = math.NaN()
		}
	}
	return out
}

// wrap breaks s into at most most lines that are no wider than wide, and reports
// whether all of s is in them. What does not fit ends with an ellipsis.
func wrap(sty text.Style, s string, wide vg.Length, most int) (lines []string, whole bool) {
	words := strings.Fields(s)
	for len(words) > 0 {
		n := 1
		for n < len(words) && sty.Width(strings.Join(words[:n+1], " ")) <= wide {
			n++
		}
		line := strings.Join(words[:n], " ")
		last := len(lines) == most-1 && n < len(words)
		if last {
			line = strings.Join(words[:min(n+1, len(words))], " ")
		}
		if cut := fit(sty, line, wide); cut != line {
			return append(lines, cut), false
		}
		lines, words = append(lines, line), words[n:]
	}
	return lines, true
}

// fit cuts s to a width, with an ellipsis.
func fit(sty text.Style, s string, wide vg.Length) string {
	r := []rune(s)
	if len(r) > 400 { // wider than any line
		r = r[:400]
	}
	if len(r) == len([]rune(s)) && sty.Width(s) <= wide {
		return s
	}
	for len(r) > 0 && sty.Width(string(r)+"…") > wide {
		r = r[:len(r)-1]
	}
	return strings.TrimRight(string(r), " ,;:") + "…"
}

// encode writes the picture with a palette, which makes a file a fraction as long: the
// shades that most points have, and for the others, at the edges of letters and lines,
// the nearest of these. A point is opaque or, where nothing was drawn, transparent.
func encode(img *image.RGBA) ([]byte, error) {
	shade := func(i int) color.RGBA {
		if img.Pix[i+3] == 0 {
			return color.RGBA{}
		}
		return color.RGBA{img.Pix[i], img.Pix[i+1], img.Pix[i+2], 255}
	}
	points := map[color.RGBA]int{}
	for i := 0; i < len(img.Pix); {
		c, run := shade(i), 1
		for i += 4; i < len(img.Pix) && shade(i) == c; i += 4 {
			run++
		}
		points[c] += run
	}
	value := func(c color.RGBA) int { return int(c.A)<<24 | int(c.R)<<16 | int(c.G)<<8 | int(c.B) }
	shades := slices.SortedFunc(maps.Keys(points), func(a, b color.RGBA) int {
		return cmp.Or(points[b]-points[a], value(a)-value(b))
	})
	out := image.NewPaletted(img.Bounds(), nil)
	for _, c := range shades[:min(256, len(shades))] {
		out.Palette = append(out.Palette, c)
	}
	place := map[color.RGBA]uint8{}
	for _, c := range shades {
		place[c] = uint8(out.Palette.Index(c))
	}
	last, at := shade(0), place[shade(0)]
	for i := range out.Pix {
		if c := shade(4 * i); c != last {
			last, at = c, place[c]
		}
		out.Pix[i] = at
	}
	var b bytes.Buffer
	err := png.Encode(&b, out)
	return b.Bytes(), err
}
