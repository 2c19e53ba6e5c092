package chart

import (
	"fmt"
	"math"
	"strings"
)

// The usual knob turns 300° from 7 o'clock: common practice, no source.
const (
	usualFrom   = -150.0
	usualTravel = 300.0
)

// Knob is a rotary control for drawing.
type Knob struct {
	Fraction float64 // 0 to 1 of the travel; NaN when the position is not known
	From     float64 // where the travel begins, degrees clockwise from 12 o'clock
	Travel   float64 // degrees, up to 360
	Steps    int     // positions of a stepped control, drawn as dots; 0 for none
}

// UsualKnob is a knob that turns the usual way, at fraction of its travel.
func UsualKnob(fraction float64) Knob {
	return Knob{Fraction: fraction, From: usualFrom, Travel: usualTravel}
}

// Dial returns a small SVG picture of a knob, to be shown at any size: its
// travel as an arc, the steps on it as dots and where its pointer stands, or
// an empty ring when the position is not known. It is decoration: the written
// value must stand beside it. The page must hold Symbols once.
func (k Knob) Dial() string {
	return `<svg class="dial" viewBox="0 0 24 24" aria-hidden="true">` + k.body() + `</svg>`
}

func (k Knob) body() string {
	if !Finite(k.Fraction) {
		return `<use href="#knob-unset"/>`
	}
	var b strings.Builder
	travel := math.Max(0, math.Min(360, k.Travel))
	if k.From == usualFrom && travel == usualTravel {
		b.WriteString(`<use href="#knob"/>`)
	} else {
		fmt.Fprintf(&b, `<path class="ring" d="%s"/><circle class="kb" cx="12" cy="12" r="7"/>`, arc(k.From, travel))
	}
	f := math.Max(0, math.Min(1, k.Fraction))
	if f > 0.003 && travel > 0 {
		fmt.Fprintf(&b, `<path class="on" d="%s"/>`, arc(k.From, travel*f))
	}
	if n := min(k.Steps, mostDots); n > 1 {
		for i := range n {
			x, y := polar(k.From+travel*float64(i)/float64(n-1), 10.5)
			fmt.Fprintf(&b, `<circle class="st" cx="%s" cy="%s" r="1"/>`, tenths(grid(x)), tenths(grid(y)))
		}
	}
	fmt.Fprintf(&b, `<path class="pt" d="M%sL%s"/>`, spot(k.From+travel*f, 2), spot(k.From+travel*f, 7))
	return b.String()
}

// mostDots is how many steps are drawn; more would run together.
const mostDots = 24

// Toggle returns a small SVG picture of a switch that is on or off. It is
// decoration: the written value must stand beside it.
func Toggle(on bool) string {
	x := 8
	if on {
		x = 16
	}
	return fmt.Sprintf(`<svg class="dial" viewBox="0 0 24 24" aria-hidden="true"><rect class="kb" x="3" y="7" width="18" height="10" rx="5"/><circle class="tg" cx="%d" cy="12" r="3"/></svg>`, x)
}

// arc is the part of a knob's rim that begins at from and is travel long, both
// in degrees. A whole turn is two arcs: one would end where it begins.
func arc(from, travel float64) string {
	const r = 10.5
	if travel > 359 {
		return "M" + spot(from, r) + "A10.5 10.5 0 0 1 " + spot(from+180, r) + "A10.5 10.5 0 0 1 " + spot(from, r)
	}
	large := "0"
	if travel > 180 {
		large = "1"
	}
	return "M" + spot(from, r) + "A10.5 10.5 0 " + large + " 1 " + spot(from+travel, r)
}

// spot is the point at deg, r from the centre, as path coordinates.
func spot(deg, r float64) string {
	x, y := polar(deg, r)
	return tenths(grid(x)) + " " + tenths(grid(y))
}

// dialArc is the part of the usual knob's travel from its beginning to
// fraction f.
func dialArc(f float64) string { return arc(usualFrom, usualTravel*f) }

// polar returns the point at deg clockwise from 12 o'clock, r from the centre
// of a 24-unit square.
func polar(deg, r float64) (x, y float64) {
	s, c := math.Sincos(deg * math.Pi / 180)
	return 12 + r*s, 12 - r*c
}
