package chart

import (
	"bytes"
	"fmt"
	"image"
	"image/color"
	"image/png"
	"math"
	"strings"
	"testing"
)

// aPreview has as many curves as asked for, two thirds of each sure.
func aPreview(curves int) Preview {
	p := Preview{Title: "Circuits", Verdict: "Fair.", Brief: "Fair.", Class: "passed", Axes: []string{"Difference in dB"}, Log: true}
	for i := range curves {
		c, sure := Curve{Name: fmt.Sprintf("Take %d", i), Take: i}, []bool{}
		for k := range 30 {
			c.X, c.Y = append(c.X, 25*math.Pow(2, float64(k)/3)), append(c.Y, 8*math.Sin(float64(k+i*7)/6))
			sure = append(sure, k > 4 && k < 26)
		}
		p.Curves, p.Sure = append(p.Curves, c), append(p.Sure, sure)
	}
	return p
}

func drawn(t *testing.T, p Preview) (image.Image, []byte) {
	t.Helper()
	data, err := p.PNG()
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if img.Bounds() != image.Rect(0, 0, PreviewWidth, PreviewHeight) || len(data) >= 60_000 {
		t.Errorf("%v, %d bytes", img.Bounds(), len(data))
	}
	return img, data
}

// points counts the points of exactly one colour within an area.
func points(img image.Image, in image.Rectangle, c color.Color) int {
	n := 0
	r, g, b, _ := c.RGBA()
	for y := in.Min.Y; y < in.Max.Y; y++ {
		for x := in.Min.X; x < in.Max.X; x++ {
			if pr, pg, pb, _ := img.At(x, y).RGBA(); pr == r && pg == g && pb == b {
				n++
			}
		}
	}
	return n
}

func TestPreview(t *testing.T) {
	all := image.Rect(0, 0, PreviewWidth, PreviewHeight)
	colour := func(take int) color.Color { return rgb(light()[take]) }
	p := aPreview(3)
	img, data := drawn(t, p)
	if _, again := drawn(t, p); !bytes.Equal(data, again) {
		t.Error("two pictures of one preview")
	}
	for take := range 3 {
		if n := points(img, all, colour(take)); n < 500 { // its line in the names and parts of its curve, without their edges
			t.Errorf("take %d has %d points", take, n)
		}
	}
	// The margins stay free: some that show a preview cut its edges.
	const edge = 24
	inner := all.Inset(edge)
	if n, of := points(img, inner, color.White), points(img, all, color.White); of-n != all.Dx()*all.Dy()-inner.Dx()*inner.Dy() {
		t.Errorf("%d points are drawn at the edge", all.Dx()*all.Dy()-inner.Dx()*inner.Dy()-of+n)
	}

	// What is not sure has no colour but in the names.
	none := aPreview(3)
	for i := range none.Sure {
		clear(none.Sure[i])
	}
	img, _ = drawn(t, none)
	plot := image.Rect(0, 0, PreviewWidth-previewEdge-previewLegend, PreviewHeight)
	for take := range 3 {
		if n := points(img, plot, colour(take)); n > 0 {
			t.Errorf("take %d has %d points in its colour that are not sure", take, n)
		}
	}

	// No more than the first few are drawn.
	img, _ = drawn(t, aPreview(8))
	for take := range 8 {
		if n := points(img, all, colour(take)); (n > 0) != (take < PreviewCurves) {
			t.Errorf("of eight, take %d has %d points", take, n)
		}
	}
}

// Whatever is missing or out of all measure gives a picture all the same.
func TestPreviewOfAnything(t *testing.T) {
	nan, inf := math.NaN(), math.Inf(1)
	odd := aPreview(1)
	odd.Curves = append(odd.Curves, Curve{}, Curve{Take: 40, X: []float64{nan, inf, -5, 0}, Y: []float64{nan, -inf, 1e300, 3}}, Curve{X: []float64{100}, Y: []float64{1, 2}})
	overTime := aPreview(2)
	overTime.Log, overTime.Sure = false, nil
	long := aPreview(6)
	long.Title, long.Verdict, long.Brief = strings.Repeat("Unbroken", 1000), strings.Repeat("no end ", 10000), strings.Repeat("long ", 100)
	long.Axes = []string{strings.Repeat("axis ", 100), "", "\x00\u202e"}
	for i := range long.Curves {
		long.Curves[i].Name = strings.Repeat("名前 ", 50)
	}
	for _, p := range []Preview{{}, {Title: "\n\t"}, odd, overTime, long, {Curves: []Curve{{}}}} {
		drawn(t, p)
	}
}

func TestWrap(t *testing.T) {
	sty := letters(40, true, color.Black)
	for _, c := range []struct {
		text  string
		most  int
		whole bool
		lines []string
	}{
		{"one two", 2, true, []string{"one two"}},
		{"", 2, true, nil},
		{"the first line is full and the second", 2, true, []string{"the first line is full", "and the second"}},
		{"the first line is full and the second, which has no room", 2, false, []string{"the first line is full", "and the second, wh…"}},
		{"Unbrokenunbrokenunbrokenunbroken", 2, false, []string{"Unbrokenunbroken…"}},
	} {
		lines, whole := wrap(sty, c.text, 420, c.most)
		if whole != c.whole || strings.Join(lines, "|") != strings.Join(c.lines, "|") {
			t.Errorf("%q: %q, %v", c.text, lines, whole)
		}
		for _, l := range lines {
			if sty.Width(l) > 420 {
				t.Errorf("%q is %v wide", l, sty.Width(l))
			}
		}
	}
	if letters(40, true, color.Black).Width("mmm") <= letters(40, false, color.Black).Width("iii") || sty.Width("Title") == letters(40, false, color.Black).Width("Title") {
		t.Error("the bold face is not bold")
	}
}
