// Package picture draws the pictures of a video: one for each take of an edit, a title
// and a closing card, and a lower third to lay over other pictures. Everything that is
// shortened in a picture is returned, so that the description of the video can have it
// in full, and every picture has a text alternative.
//
// Letters and lines keep out of the edges: 5 % of each side as in EBU R 95 (from memory),
// and in upright pictures more, since sites lay their own controls over the lower
// end and the right side (common practice, no source). All pictures have one background, so
// that no cut between them flashes. The mark and the hue of a take are those of the page.
package picture

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
	"evenhand/report/verdict"
)

// Shape is a size of pictures and what is in them.
type Shape string

// The shapes.
const (
	Landscape  Shape = "landscape"   // 1920×1080
	Portrait   Shape = "portrait"    // 1080×1920
	LowerThird Shape = "lower-third" // 1920×1080, transparent but for its panel
)

// Shapes returns the shapes in which takes are drawn.
func Shapes() []Shape { return []Shape{Landscape, Portrait, LowerThird} }

// Cards returns the shapes in which the title and the closing card are drawn.
func Cards() []Shape { return []Shape{Landscape, Portrait} }

// Size returns the width and the height in pixels.
func (s Shape) Size() (wide, high int) {
	if s == Portrait {
		return 1080, 1920
	}
	return 1920, 1080
}

// safe returns the area that letters and lines stay in.
func (s Shape) safe() (x0, y0, x1, y1 float64) {
	if s == Portrait {
		return 80, 160, 960, 1560
	}
	return 96, 54, 1824, 1026
}

// Image is a picture.
type Image struct {
	PNG       []byte
	Alt       string   // what it shows, for those who do not see it
	Shortened []string // texts that are in it in part, whole
	Unknown   []string // those that have letters which the font does not have
}

// Source is what the pictures are about.
type Source struct {
	Res     *result.Result
	Takes   []int    // places in the manifest, in the order in which they are numbered
	Names   []string // of these, as shown
	Heard   []int    // places in Takes of those that the title names
	Guess   bool     // letters stand for names: nothing may tell the takes apart
	What    string   // what is compared, in a sentence
	Address string   // of the report; "" for none
	// Checks are those of the verdict.
	Checks []result.Check
}

// page is a picture being drawn.
type page struct {
	*chart.Picture
	shape          Shape
	x0, y0, x1, y1 float64
	unknown        []string
	names          []string // those that are shortened
}

func newPage(s Shape) *page {
	wide, high := s.Size()
	p := &page{Picture: chart.NewPicture(wide, high, s == LowerThird), shape: s}
	p.x0, p.y0, p.x1, p.y1 = s.safe()
	return p
}

func (p *page) wide() float64 { return p.x1 - p.x0 }

// known replaces letters that the font does not have by question marks.
func (p *page) known(s string) string {
	unknown := chart.Unknown(s)
	if unknown == nil {
		return s
	}
	p.unknown = append(p.unknown, s)
	return strings.Map(func(r rune) rune {
		if slices.Contains(unknown, r) {
			return '?'
		}
		return r
	}, s)
}

// write is Text of what the font has.
func (p *page) write(l chart.Lettering, least, x, y, wide float64, most int, s string) float64 {
	s = p.known(s)
	return p.Text(l.Fit(least, wide, most, s), x, y, wide, most, s)
}

// writeName is write of a name. One that does not fit loses its middle, since names often differ at
// their ends.
func (p *page) writeName(l chart.Lettering, x, y, wide float64, most int, name string) float64 {
	r := []rune(name)
	for n := len(r); !l.Fits(wide, most, name) && n > 8; n-- {
		head := (n - 1) / 2
		name = strings.TrimRight(string(r[:head]), " ") + "…" + strings.TrimLeft(string(r[len(r)-(n-1-head):]), " ")
	}
	if name != string(r) {
		p.names = append(p.names, string(r))
	}
	return p.Text(l, x, y, wide, most, name)
}

// image finishes the picture.
func (p *page) image(alt ...string) (Image, error) {
	data, err := p.PNG()
	short := slices.Concat(p.Shortened(), p.names, p.unknown)
	return Image{PNG: data, Alt: strings.Join(nonEmpty(alt), " ") + "\n", Shortened: short, Unknown: p.unknown}, err
}

// name returns the name that a picture shows of the ith take: its number where the font
// has none of the letters that tell it from others.
func (s Source) name(p *page, i int) string {
	if chart.Unknown(s.Names[i]) == nil {
		return s.Names[i]
	}
	p.unknown = append(p.unknown, s.Names[i])
	return fmt.Sprintf("Take %d", i+1)
}

// Take draws the ith take.
func (s Source) Take(shape Shape, i int) (Image, error) {
	p := newPage(shape)
	name := s.name(p, i)
	if shape == LowerThird {
		return s.lowerThird(p, i, name)
	}
	big := chart.Lettering{Size: 104, Bold: true, Colour: chart.Ink}
	y := p.y0
	if s.Guess {
		// A letter alone, as large as it can be told from afar.
		l := chart.Lettering{Size: 420, Bold: true, Colour: chart.Ink, Centre: true}
		mid := (p.x0 + p.x1) / 2
		y = p.write(l, 200, mid, (p.y0+p.y1)/2-340, p.wide(), 1, name)
		p.write(chart.Lettering{Size: 48, Colour: chart.Dim, Centre: true}, 36, mid, y+20, p.wide(), 2, "Guess which: "+s.What)
		return p.image("Take "+name+".", "Guess which: "+s.What)
	}
	const mark = 110.0
	lines := 2
	if shape == Portrait {
		lines = 3
	}
	big = big.Fit(60, p.wide()-mark-34, lines, name)
	p.Mark(s.Takes[i], p.x0, y+0.62*big.Size, mark)
	y = p.writeName(big, p.x0+mark+34, y, p.wide()-mark-34, lines, name) + 34
	settings := s.settings(i)
	bottom := p.footer()
	plot, about := s.plot(p, i)
	alt := []string{name + ".", s.settingsText(i)}
	if shape == Landscape {
		const column = 800
		p.dials(settings, p.x0, y, column-60, bottom)
		if plot != nil {
			p.plot(*plot, p.x0+column, y, p.wide()-column, bottom-y, about)
			alt = append(alt, about.all()...)
		}
		return p.image(alt...)
	}
	high := bottom - y
	end := p.dials(settings, p.x0, y, p.wide(), y+high*0.5)
	if plot != nil {
		p.plot(*plot, p.x0, end+30, p.wide(), bottom-end-30, about)
		alt = append(alt, about.all()...)
	}
	return p.image(alt...)
}

// footer says that levels are matched, and returns where what is above must end.
func (p *page) footer() float64 {
	l := chart.Lettering{Size: 32, Colour: chart.Dim}
	y := p.y1 - l.Line()
	p.write(l, 26, p.x0, y, p.wide(), 1, "Level-matched. Settings in full in the description.")
	return y - 24
}

// about says what a plot shows.
type about struct{ what, key, most string }

func (a about) all() []string { return nonEmpty([]string{a.what, a.key, a.most}) }

// plot draws a plot with its words above it.
func (p *page) plot(h chart.Highlight, x, y, wide, high float64, a about) {
	l := chart.Lettering{Size: 34, Colour: chart.Ink}
	end := p.write(l, 28, x, y, wide, 2, a.what)
	end = p.write(chart.Lettering{Size: 30, Colour: chart.Dim}, 26, x, end, wide, 2, a.key)
	p.Differences(h, x, end+18, wide, y+high-end-18, 30)
}

// plot returns the plot of the ith take and what it shows, nil where there is nothing to
// show.
func (s Source) plot(p *page, i int) (*chart.Highlight, about) {
	res := s.Res
	if len(res.Timeline.Spans) == 0 {
		return nil, about{}
	}
	whole := res.Timeline.Spans[0].Name
	h := chart.Highlight{Drawn: -1, Take: s.Takes[i]}
	own := res.Takes[s.Takes[i]].Name
	most, at := 0.0, unit.Hertz(0)
	for _, d := range res.Spectrum.Differences {
		k := slices.IndexFunc(res.Takes, func(t result.Take) bool { return t.Name == d.Take })
		if d.Span != whole || k < 0 || d.Take == res.Comparison.Reference || !res.Takes[k].Contestant() && d.Take != own {
			continue
		}
		c := chart.Curve{Name: d.Take, Take: k}
		for b := range d.Third.Difference {
			if b < len(res.Spectrum.Third) {
				c.X, c.Y = append(c.X, float64(res.Spectrum.Third[b].Centre)), append(c.Y, float64(d.Third.Difference[b]))
			}
		}
		heard := res.AudibleIn(d)
		sure := make([]bool, len(c.Y))
		for b := range sure {
			sure[b] = b < len(d.Third.Resolved) && d.Third.Resolved[b] && b < len(heard.Weight) && heard.Weight[b] > 0
			if d.Take == own && sure[b] && math.Abs(c.Y[b]) > math.Abs(most) {
				most, at = c.Y[b], res.Spectrum.Third[b].Centre
			}
		}
		if d.Take == own {
			h.Drawn = len(h.Curves)
		}
		h.Curves, h.Sure = append(h.Curves, c), append(h.Sure, sure)
	}
	if len(h.Curves) == 0 || h.Drawn < 0 && own != res.Comparison.Reference {
		return nil, about{}
	}
	against := "the median of the takes"
	if k := slices.IndexFunc(s.Takes, func(t int) bool { return res.Takes[t].Name == res.Comparison.Reference }); k >= 0 {
		against = s.name(p, k)
	}
	if h.Drawn < 0 {
		return &h, about{"Differences from this take in dB, by frequency in Hz.", "The line at 0 is this take, the others are grey.", ""}
	}
	a := about{"Difference from " + against + " in dB, by frequency in Hz.", "Dark grey: not resolved or not heard. Light grey: other takes.", ""}
	a.most = "No difference is resolved and heard."
	if most != 0 {
		a.most = fmt.Sprintf("The greatest difference that is resolved and heard is %s dB near %s.", unit.Signed(most, 1), at)
	}
	return &h, a
}

// setting is a control with its picture.
type setting struct {
	name, value string
	knob        chart.Knob
	kind        manifest.ValueKind
}

// settings returns the controls of the slot under test, and others that differ between takes.
func (s Source) settings(i int) []setting {
	var out []setting
	take := s.Takes[i]
	for _, slot := range s.Res.Settings.Slots {
		for _, r := range slot.Rows {
			if !r.Control || !r.Differs && !r.Varied || take >= len(r.Values) || r.Values[take].Absent {
				continue
			}
			v := r.Values[take]
			k := chart.UsualKnob(float64(v.Fraction))
			if v.Travel != 0 {
				k.From, k.Travel = v.From, v.Travel
			}
			x := setting{r.Name, v.Written, k, manifest.ValueKind(v.Kind)}
			if !v.Stated {
				x.kind, x.value, x.knob.Fraction = manifest.Unset, "not stated", math.NaN()
			}
			if slot.Slot != s.Res.Comparison.Slot {
				x.name = slot.Slot + " " + r.Name
			}
			out = append(out, x)
		}
	}
	return out
}

// settingsText says the settings in words.
func (s Source) settingsText(i int) string {
	var words []string
	for _, x := range s.settings(i) {
		words = append(words, x.name+" "+x.value)
	}
	if words == nil {
		return ""
	}
	return "Settings: " + strings.Join(words, ", ") + "."
}

// Sizes of a control's picture in pixels.
const (
	leastDial = 120.0
	mostDial  = 200.0
)

// dials draws controls in rows from y to at most bottom, as large as all have room, and
// returns where they end.
func (p *page) dials(settings []setting, x, y, wide, bottom float64) float64 {
	value := chart.Lettering{Size: 38, Bold: true, Colour: chart.Ink, Centre: true}
	label := chart.Lettering{Size: 34, Colour: chart.Dim, Centre: true}
	const space = 26.0
	words := value.Line() + label.Line() + space
	inRow := 3
	if n := len(settings); n == 2 || n == 4 {
		inRow = 2
	}
	cell := wide / float64(inRow)
	room := bottom - y
	rows := max(1, (len(settings)+inRow-1)/inRow)
	size := math.Min(mostDial, math.Floor(room/float64(rows)-words))
	shown := len(settings)
	if size < leastDial {
		size = leastDial
		rows = max(0, int((room-label.Line())/(size+words)))
		shown = min(shown, rows*inRow)
	}
	end := y
	for k, c := range settings[:shown] {
		mid, top := x+cell*(float64(k%inRow)+0.5), y+(size+words)*float64(k/inRow)
		below := top + size
		switch c.kind {
		case manifest.Physics, manifest.Text: // no position: the value takes the place of the picture
			large := value
			large.Size = 54
			large = large.Fit(30, cell-16, 2, p.known(c.value))
			p.write(large, large.Size, mid, top+size/2-large.Line()/2, cell-16, 2, c.value)
			below += value.Line()
		case manifest.Switch:
			p.Switch(c.knob.Fraction > 0.5, mid-size/2, top, size)
			below = p.write(value, 28, mid, below, cell-16, 1, c.value)
		default:
			p.Dial(c.knob, mid-size/2, top, size)
			below = p.write(value, 28, mid, below, cell-16, 1, c.value)
		}
		end = math.Max(end, p.write(label, 28, mid, below, cell-16, 1, c.name)+space)
	}
	if more := len(settings) - shown; more > 0 {
		label.Centre = false
		end = p.write(label, 28, x, end-space/2, wide, 1, fmt.Sprintf("and %d more, see the description", more))
	}
	return end
}

// lowerThird is a panel with the name and the settings in a line.
func (s Source) lowerThird(p *page, i int, name string) (Image, error) {
	const pad = 36.0
	words := s.settingsText(i)
	settings := strings.TrimSuffix(strings.TrimPrefix(words, "Settings: "), ".")
	if s.Guess {
		words = "Guess which: " + s.What
		settings = words
	}
	title := chart.Lettering{Size: 68, Bold: true, Colour: chart.Ink}
	line := chart.Lettering{Size: 38, Colour: chart.Ink}
	const mark = 90.0
	left := pad
	if !s.Guess {
		left += mark + 24
	}
	most := p.wide() * 0.8
	high := math.Round(title.Line() + line.Line() + 44)
	need := math.Max(title.Width(p.known(name)), line.Width(p.known(settings))) + left + pad
	p.unknown = nil // both are written below
	wide := math.Round(math.Min(most, math.Max(need, 420)))
	top := p.y1 - high
	p.Fill(p.x0, top, wide, high, chart.Paper)
	title = title.Fit(40, wide-left-pad, 1, name)
	if !s.Guess {
		p.Fill(p.x0, top, 12, high, chart.Hue(s.Takes[i]))
		p.Mark(s.Takes[i], p.x0+pad, top+18+0.62*title.Size, mark)
	}
	y := p.writeName(title, p.x0+left, top+18, wide-left-pad, 1, name)
	p.write(line, 32, p.x0+left, y+4, wide-left-pad, 1, settings)
	if name != s.Names[i] {
		p.unknown = append(p.unknown, s.Names[i])
	}
	return p.image(name+".", words)
}

// centred draws what a layout writes from y on, in the middle of the height.
func centred(shape Shape, layout func(p *page, y float64) (end float64)) *page {
	p := newPage(shape)
	end := layout(p, p.y0)
	if shift := math.Floor((p.y1 - end) / 2); shift > 0 {
		p = newPage(shape)
		layout(p, p.y0+shift)
	}
	return p
}

// Title draws the title card.
func (s Source) Title(shape Shape) (Image, error) {
	c := s.Res.Comparison
	title, by := c.Heading(), oneLine(strings.Join(nonEmpty([]string{c.By, c.Date}), ", "))
	var names []string
	for _, i := range s.Heard {
		names = append(names, s.Names[i])
	}
	p := centred(shape, func(p *page, y float64) float64 {
		y = p.write(chart.Lettering{Size: 104, Bold: true, Colour: chart.Ink}, 64, p.x0, y, p.wide(), 3, title) + 16
		y = p.write(chart.Lettering{Size: 42, Colour: chart.Dim}, 32, p.x0, y, p.wide(), 1, by) + 26
		y = p.write(chart.Lettering{Size: 46, Colour: chart.Ink}, 34, p.x0, y, p.wide(), 3, s.What) + 40
		// Names in columns, as large as all have room.
		columns := 2
		if shape == Portrait {
			columns = 1
		}
		rows := max(1, (len(names)+columns-1)/columns)
		pitch := math.Min(78, math.Floor((p.y1-y)/float64(rows)))
		cell := p.wide() / float64(columns)
		l := chart.Lettering{Size: math.Min(50, math.Floor(pitch/1.22)), Colour: chart.Ink}
		small := math.Min(l.Size, 28)
		lines := max(1, int(pitch/(1.22*small)))
		for k, i := range s.Heard {
			x, at := p.x0+cell*float64(k/rows), y+pitch*float64(k%rows)
			left := 0.0
			name := s.name(p, i)
			own := l
			if !s.Guess {
				left = 90
				own = l.Fit(small, cell-left-30, 1, name)
				p.Mark(s.Takes[i], x, at+0.62*own.Size, 64)
			}
			p.writeName(own, x+left, at, cell-left-30, lines, name)
		}
		return y + pitch*float64(rows)
	})
	return p.image(title+".", by, s.What, "Takes: "+manifest.List(names)+".")
}

// Closing draws the closing card: the verdict and the address of the report.
func (s Source) Closing(shape Shape) (Image, error) {
	v := verdict.Of(s.Checks)
	text := oneLine(v.Text)
	if s.Guess {
		text = oneLine(v.Brief()) // the causes name takes
	}
	colour := chart.Outcome(strings.ReplaceAll(string(v.Outcome), "not measured", "unmeasured"))
	counts, where := "", ""
	if len(s.Checks) > 0 {
		counts = "The checks: " + verdict.Counts(s.Checks) + "."
	}
	if s.Address != "" {
		where = "Measurements, settings and the audio to check it all:"
	}
	p := centred(shape, func(p *page, y float64) float64 {
		y = p.write(chart.Lettering{Size: 56, Bold: true, Colour: chart.Ink}, 40, p.x0, y, p.wide(), 2, s.Res.Comparison.Heading()) + 60
		top := y
		y = p.write(chart.Lettering{Size: 60, Bold: true, Colour: colour}, 40, p.x0+44, y, p.wide()-44, 7, text)
		p.Fill(p.x0, math.Round(top+14), 14, math.Round(y-top-8), colour)
		y = p.write(chart.Lettering{Size: 40, Colour: chart.Dim}, 32, p.x0+44, y+18, p.wide()-44, 2, counts)
		if where == "" {
			return y
		}
		y = p.write(chart.Lettering{Size: 42, Colour: chart.Ink}, 34, p.x0, y+60, p.wide(), 2, where)
		return p.write(chart.Lettering{Size: 60, Bold: true, Colour: chart.Ink}, 28, p.x0, y, p.wide(), 1, s.Address)
	})
	return p.image(text, counts, where, s.Address)
}

func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

func nonEmpty(in []string) []string {
	var out []string
	for _, s := range in {
		if strings.TrimSpace(s) != "" {
			out = append(out, s)
		}
	}
	return out
}
