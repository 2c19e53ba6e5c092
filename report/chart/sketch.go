package chart

import (
	"fmt"
	"html"
	"math"
	"strings"
)

// Sketch returns a small drawing, to scale and with a bar for it, of a
// microphone before the plane that its distance is measured from, seen from
// above: at distance in unit, and at angle degrees off axis, aimed at the point
// on the axis. NaN stands for not stated: without an angle it is drawn on the
// axis, without a distance without a scale. It is decoration: the figures must
// stand beside it.
func Sketch(distance float64, unit string, angle float64) string {
	const (
		wide, high    = 220.0, 130.0
		far, up, back = 150.0, 30.0, 27.0 // room along the axis, beside it, and for the microphone itself
		barMost       = 70.0
	)
	a := 0.0
	if Finite(angle) {
		a = math.Mod(angle, 360) * math.Pi / 180
	}
	cos, sin := math.Cos(a), math.Sin(a)
	x0, y0 := 20.0, high/2
	if cos < -1e-9 { // behind the plane
		x0 = wide - 20
	}
	room := math.Min(far/math.Max(math.Abs(cos), 0.01), up/math.Max(math.Abs(sin), 0.01))
	r, bar, mark := room*0.7, 0.0, 0.0
	if Finite(distance) && distance >= 0 {
		extent := niceAbove(distance)
		r = room * distance / extent
		bar, mark = niceBelow(barMost*extent/room), room/extent
	}
	x, y := x0+r*cos, y0-r*sin
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="sketch" viewBox="0 0 %.0f %.0f" aria-hidden="true">`, wide, high)
	fmt.Fprintf(&b, `<path class="axis" d="M%.1f %.1fH%.0f"/>`, x0, y0, wide-x0+math.Copysign(10, wide/2-x0))
	fmt.Fprintf(&b, `<path class="plane" d="M%.1f 12V%.0f"/>`, x0, high-24)
	fmt.Fprintf(&b, `<path class="way" d="M%.1f %.1fL%.1f %.1f"/>`, x0, y0, x, y)
	if math.Abs(sin) > 0.02 {
		side, sweep := math.Min(r*0.6, 34), 0
		if sin < 0 != (cos < -1e-9) {
			sweep = 1
		}
		ax := x0 + math.Copysign(side, wide/2-x0)
		fmt.Fprintf(&b, `<path class="angle" d="M%.1f %.1fA%.1f %.1f 0 0 %d %.1f %.1f"/>`, ax, y0, side, side, sweep, x0+side*cos, y0-side*sin)
	}
	fmt.Fprintf(&b, `<g class="mic" transform="translate(%.1f %.1f) rotate(%.1f)"><path d="M0-4H20V4H0z"/><path d="M0-6a6 6 0 0 0 0 12z"/></g>`, x, y, -a*180/math.Pi)
	if bar > 0 {
		fmt.Fprintf(&b, `<path class="bar" d="M%.1f %.0fv6M%.1f %.0fh%.1fm0-3v6"/>`, 20.0, high-12, 20.0, high-9, bar*mark)
		fmt.Fprintf(&b, `<text x="%.1f" y="%.0f">%s %s</text>`, 20+bar*mark+6, high-5, short(bar), html.EscapeString(unit))
	}
	b.WriteString("</svg>")
	return b.String()
}

// niceAbove is the least of 1, 2 and 5 times a power of ten that is at least v.
func niceAbove(v float64) float64 {
	if v <= 0 {
		return 1
	}
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{1, 2, 5, 10} {
		if m*p >= v*(1-1e-9) {
			return m * p
		}
	}
	return 10 * p
}

// niceBelow is the greatest of 1, 2 and 5 times a power of ten that is at most
// v, which is positive.
func niceBelow(v float64) float64 {
	p := math.Pow(10, math.Floor(math.Log10(v)))
	for _, m := range []float64{5, 2} {
		if m*p <= v {
			return m * p
		}
	}
	return p
}

// short prints a number of a scale bar.
func short(v float64) string {
	return strings.TrimRight(strings.TrimRight(fmt.Sprintf("%.6f", v), "0"), ".")
}
