package chart

import (
	"fmt"
	"math"
	"strings"
)

// Colours is how many colours takes have, before they begin again.
const Colours = colours

// Eight colours, four dashes and eight marker shapes: two takes never share
// all three before the 33rd take, and no two share colour and dash.
const (
	colours = 8
	dashes  = 4
	shapes  = 8
)

// mark is how a take looks in every plot.
type mark struct{ colour, dash, shape int }

func markOf(take int) mark {
	round := take / colours
	return mark{take % colours, (take + round) % dashes, (take + 3*round) % shapes}
}

// Class returns the classes that give the take with the given index its
// colour and dash.
func Class(take int) string {
	m := markOf(take)
	return fmt.Sprintf("c%d d%d", m.colour, m.dash)
}

// Swatch returns a small SVG picture of the take's line and marker, for
// legends and table heads. It is decoration: the name must stand beside it.
// The page must hold Symbols once.
func Swatch(take int) string {
	return fmt.Sprintf(`<svg class="sw %s" aria-hidden="true"><use href="#m%d"/></svg>`, Class(take), markOf(take).shape)
}

// Symbols returns the drawings that swatches and dials refer to.
func Symbols() string {
	var b strings.Builder
	b.WriteString(`<svg class="symbols" width="0" height="0" aria-hidden="true">`)
	for s := range shapes {
		fmt.Fprintf(&b, `<symbol id="m%d"><path class="ln" d="M1 7h32"/><path class="mk" d="%s"/></symbol>`, s, markerPath(s, 17, 7))
	}
	fmt.Fprintf(&b, `<symbol id="knob"><path class="ring" d="%s"/><circle class="kb" cx="12" cy="12" r="7"/></symbol>`, dialArc(1))
	b.WriteString(`<symbol id="knob-unset"><circle class="kb unset" cx="12" cy="12" r="7"/></symbol></svg>`)
	return b.String()
}

// marker adds the shape around (x, y), in SVG coordinates, to a path.
func marker(w *pathWriter, shape int, x, y float64) {
	at, draw := point{-3.4, 0}, "a3.4 3.4 0 106.8 0 3.4 3.4 0 10-6.8 0z" // disc
	switch shape {
	case 0:
	case 1: // square
		at, draw = point{-3.5, -3.5}, "h7v7h-7z"
	case 2: // triangle, up
		at, draw = point{0, -4.2}, "l4 7.2h-8z"
	case 3: // diamond
		at, draw = point{0, -5}, "l5 5-5 5-5-5z"
	case 4: // triangle, down
		at, draw = point{0, 4.2}, "l4-7.2h-8z"
	case 5: // upright bar
		at, draw = point{-1.6, -4.4}, "h3.2v8.8h-3.2z"
	case 6: // plus
		at, draw = point{-1.4, -4.4}, "h2.8v3h3v2.8h-3v3h-2.8v-3h-3v-2.8h3z"
	default: // hourglass
		at, draw = point{-3.6, -4}, "h7.2l-7.2 8h7.2z"
	}
	w.step(grid(x+at.x), grid(y+at.y))
	w.b.WriteString(draw) // it ends where it began
}

type point struct{ x, y float64 }

// markerPath is one such shape as a path of its own.
func markerPath(shape int, x, y float64) string {
	var w pathWriter
	marker(&w, shape, x, y)
	return w.b.String()
}

// Palette returns the style sheet rules for colours and dashes of takes, in
// light and dark. The colours are the result of a search in OKLab for the
// greatest least difference between any two under normal vision and under
// simulated protanopia, deuteranopia and tritanopia, at 3:1 contrast or more
// against every ground of a plot and with one hue in light and dark; a test
// computes what they reach.
func Palette() string {
	var b strings.Builder
	set := func(cs [colours]string) {
		for i, c := range cs {
			fmt.Fprintf(&b, "--p%d:%s;", i, c)
		}
	}
	b.WriteString(":root{")
	set(light())
	b.WriteString("}\n@media(prefers-color-scheme:dark){:root{")
	set(dark())
	b.WriteString("}}\n@media print{:root{")
	set(light())
	b.WriteString("}}\n")
	for i := range colours {
		fmt.Fprintf(&b, ".c%d{--c:var(--p%d)}", i, i)
	}
	for i, d := range [dashes]string{"none", "7 3", "2 3", "9 3 2 3"} {
		fmt.Fprintf(&b, ".d%d{--d:%s}", i, d)
	}
	b.WriteByte('\n')
	return b.String()
}

// Finite reports whether v can be placed on a plot.
func Finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
