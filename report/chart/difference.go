package chart

import (
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg/draw"
)

// Reach is how far a plot of differences goes either way, in dB. What is beyond is
// drawn at the edge, marked and numbered.
const Reach = 12

// Region is a part of the range with its name; To, in Hz, is where the next begins.
type Region struct {
	Name string
	To   float64
}

// Difference is one take's difference from what takes are compared with.
type Difference struct {
	Curve            // in dB over Hz
	Slug   string    // makes the ids of its parts
	Least  []float64 // within which nothing is claimed; not finite where nothing is
	Counts []bool    // false: the line fades
}

// Differences draws several takes' differences on the same axes: one wide, chosen by
// class, and each one small. Both must be on one page, the wide plot first: it holds the
// lines, and the small plots refer to them. The zero value is not usable.
type Differences struct {
	frame   frame
	regions []Region
	lowest  float64
	bands   *shared
}

// NewDifferences returns plots over lo to hi Hz with regions, whose range is shaded from
// the lowest pitch of the instrument up; lowest is 0 where that is not known.
func NewDifferences(lo, hi float64, regions []Region, lowest float64) *Differences {
	y := axis{min: -Reach - 0.5, max: Reach + 0.5}
	for v := -Reach; v <= Reach; v += Reach / 2 {
		y.ticks = append(y.ticks, tick{at: float64(v), label: signed(v)})
	}
	return &Differences{regions: regions, lowest: lowest,
		bands: &shared{prefix: "band", known: map[string]string{}},
		frame: frame{width: 600, height: 300, left: 52, right: 18, top: 42, bottom: 48, x: frequencyAxis(lo, hi), y: y, unit: "dB", class: "wide one", group: `id="wide-plot" class="alone"`}}
}

func signed(v int) string {
	s := decibels(float64(v), 1)
	if v > 0 {
		s = "+" + s
	}
	return s
}

// Wide draws all takes into one plot, of which the style sheet shows the one of class
// shown: that in place shown.
func (d *Differences) Wide(t Text, takes []Difference, shown int) string {
	f := d.frame
	for i, k := range takes {
		f.over = append(f.over, differenceLayer{d, k, i == shown})
	}
	return f.render(t, []plot.Plotter{regionShade{d}}, nil)
}

// Again shows the wide plot once more, with whatever take it shows. It is hidden from
// those who do not see it: they have the wide plot.
func (d *Differences) Again() string {
	f := d.frame
	return fmt.Sprintf(`<svg class="plot wide" viewBox="0 -%g %g %g" aria-hidden="true"><use href="#wide-plot"/></svg>`, f.height, f.width, f.height)
}

// Small draws one of the takes of the wide plot.
func (d *Differences) Small(t Text, k Difference) string {
	f := d.frame
	const width, height = 180, 72
	c := newCanvas()
	fmt.Fprintf(c, `<svg class="plot small %s" viewBox="0 0 %d %d" role="img"%s><svg width="%d" height="%d" viewBox="%g %g %g %g" preserveAspectRatio="none"><use href="#plot-regions"/><use href="#line-%s"/></svg></svg>`,
		Class(k.Take), width, height, t.attributes(), width, height, f.left, f.top-f.height, f.innerWidth(), f.innerHeight(), k.Slug)
	return c.String()
}

// regionShade shades the instrument's range, parts the regions and names them.
type regionShade struct{ *Differences }

func (r regionShade) Plot(dc draw.Canvas, p *plot.Plot) {
	c := unwrap(dc)
	tx, _ := p.Transforms(&dc)
	from := math.Max(p.X.Min, math.Min(r.lowest, p.X.Max))
	var shade [2]pathWriter
	names := []word{}
	top, bottom := grid(r.frame.top-r.frame.height), grid(-r.frame.bottom)
	for i, g := range r.regions {
		to := math.Min(g.To, p.X.Max)
		if !(to > from) {
			continue
		}
		x0, x1 := float64(tx(from)), float64(tx(to))
		shade[i%2].box(grid(x0), top, grid(x1), bottom)
		names = append(names, word{(x0 + x1) / 2, g.Name})
		from = to
	}
	c.WriteString(`<g id="plot-regions">`)
	c.shades(shade)
	c.WriteString("</g>")
	c.row("sn", r.frame.height-16, names)
}

// differenceLayer is one take's part of the wide plot.
type differenceLayer struct {
	*Differences
	take  Difference
	shown bool
}

func (l differenceLayer) Plot(dc draw.Canvas, p *plot.Plot) {
	c, k := unwrap(dc), l.take
	class := Class(k.Take)
	if l.shown {
		class += " shown"
	}
	fmt.Fprintf(c, `<g class="%s" data-pick="%d"><g id="line-%s">`, class, k.Take, k.Slug)
	least := make([]float64, len(k.Least))
	under := make([]float64, len(k.Least))
	for i, b := range k.Least {
		if least[i] = math.Min(math.Abs(b), p.Y.Max); math.IsNaN(b) {
			least[i] = p.Y.Max // nothing at all is claimed
		}
		under[i] = -least[i]
	}
	inner := newCanvas()
	area{"band", k.X, under, least, true}.Plot(draw.Canvas{Canvas: inner, Rectangle: dc.Rectangle}, p)
	_, ty := p.Transforms(&dc)
	fmt.Fprintf(inner, `<path class="zero" d="M%s %sh%s"/>`, tenths(grid(l.frame.left)), tenths(grid(-float64(ty(0)))), tenths(grid(l.frame.innerWidth())))
	c.WriteString(l.bands.group(inner.String()))
	held := make([]float64, len(k.Y))
	for i, v := range k.Y {
		if held[i] = math.Max(-Reach, math.Min(Reach, v)); !Finite(v) {
			held[i] = math.NaN()
		}
	}
	parted{Curve{k.Name, k.Take, k.X, held}, k.Counts}.Plot(dc, p)
	c.WriteString("</g>")
	l.clipped(c, dc, p)
	c.WriteString("</g>")
}

// overrun is a run of values beyond the edge.
type overrun struct {
	at    int // of the greatest that counts; of all, where none counts
	sign  float64
	count bool
}

// overruns finds the runs of values beyond the edges.
func (k Difference) overruns() []overrun {
	var out []overrun
	open := false
	for i := range k.X {
		if i >= len(k.Y) || !(k.X[i] > 0) || !Finite(k.Y[i]) || math.Abs(k.Y[i]) <= Reach {
			open = false
			continue
		}
		count, sign := i < len(k.Counts) && k.Counts[i], math.Copysign(1, k.Y[i])
		if n := len(out) - 1; open && out[n].sign == sign {
			if o := &out[n]; count && !o.count || count == o.count && math.Abs(k.Y[i]) > math.Abs(k.Y[o.at]) {
				o.at, o.count = i, count
			}
			continue
		}
		out, open = append(out, overrun{i, sign, count}), true
	}
	return out
}

// clipped marks the ends that are cut off and numbers them, the faded ones in grey.
func (l differenceLayer) clipped(c *canvas, dc draw.Canvas, p *plot.Plot) {
	tx, ty := p.Transforms(&dc)
	for _, counts := range []bool{true, false} {
		var w pathWriter
		var words [2][]word
		for _, e := range l.take.overruns() {
			if e.count != counts {
				continue
			}
			x, y, above := float64(tx(l.take.X[e.at])), float64(ty(e.sign*Reach)), 0
			w.step(grid(x-4), grid(-y-3*e.sign))
			w.line(grid(x), grid(-y-8*e.sign))
			w.line(grid(x+4), grid(-y-3*e.sign))
			if e.sign < 0 {
				above = 1
			}
			words[above] = append(words[above], word{x, signed(int(math.Round(l.take.Y[e.at])))})
		}
		if w.b.Len() == 0 {
			continue
		}
		class := "clip"
		if !counts {
			class += " fades"
		}
		fmt.Fprintf(c, `<g class="%s"><path class="ln" d="%s"/>`, class, w.b.String())
		c.row("cn", l.frame.height-l.frame.top+6, words[0])
		c.row("cn", l.frame.bottom-17, words[1])
		c.WriteString("</g>")
	}
}

// parted is a curve of which some points count; the others are drawn faint.
type parted struct {
	Curve
	counts []bool
}

func (l parted) Plot(dc draw.Canvas, p *plot.Plot) {
	c := unwrap(dc)
	x, y := drawable(l.X, l.Y, p, true)
	sure := func(i int) bool {
		return i >= 0 && i < len(y) && i < len(l.counts) && l.counts[i] && Finite(x[i]) && Finite(y[i])
	}
	// Each line has the points that belong to it; the others are gaps.
	with := func(belongs func(i int) bool) []float64 {
		out := make([]float64, len(y))
		for i := range y {
			if out[i] = y[i]; !belongs(i) {
				out[i] = math.NaN()
			}
		}
		return out
	}
	grey := with(func(i int) bool { return !sure(i-1) || !sure(i) || !sure(i+1) })
	c.together("un", func() { strokes(dc, p, x, grey) })
	c.together("ln", func() { strokes(dc, p, x, with(sure)) })
	tx, ty := p.Transforms(&dc)
	var w pathWriter
	for i := range y {
		if sure(i) && !sure(i-1) && !sure(i+1) {
			marker(&w, markOf(l.Take).shape, float64(tx(x[i])), -float64(ty(y[i])))
		}
	}
	c.marks(&w)
}
