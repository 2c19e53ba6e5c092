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

// Dial returns a small SVG picture of a knob: where its pointer stands for a
// fraction 0 to 1 of the usual 300° of travel (common practice, no source),
// or an empty ring when the position is not known. It is decoration: the
// written value must stand beside it. The page must hold Symbols once.
func Dial(fraction float64) string {
	return `<svg class="dial" aria-hidden="true">` + Knob{Fraction: fraction, From: usualFrom, Travel: usualTravel}.body() + `</svg>`
}

// Dial returns the same picture for a knob with its own travel, to be shown at
// any size. The page must hold Symbols once.
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
			fmt.Fprintf(&b, `<circle class="st" cx="%.1f" cy="%.1f" r="1"/>`, x, y)
		}
	}
	x0, y0 := polar(k.From+travel*f, 2)
	x1, y1 := polar(k.From+travel*f, 7)
	fmt.Fprintf(&b, `<path class="pt" d="M%.1f %.1fL%.1f %.1f"/>`, x0, y0, x1, y1)
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
	x0, y0 := polar(from, 10.5)
	if travel > 359 {
		xm, ym := polar(from+180, 10.5)
		return fmt.Sprintf("M%.1f %.1fA10.5 10.5 0 0 1 %.1f %.1fA10.5 10.5 0 0 1 %.1f %.1f", x0, y0, xm, ym, x0, y0)
	}
	x1, y1 := polar(from+travel, 10.5)
	large := 0
	if travel > 180 {
		large = 1
	}
	return fmt.Sprintf("M%.1f %.1fA10.5 10.5 0 %d 1 %.1f %.1f", x0, y0, large, x1, y1)
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
