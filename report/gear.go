package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
)

// gearView is what the gear does to the playing.
type gearView struct {
	Lines []gearLine
	// Heard are the pairs that can be heard and have no line, HeardWords what one hears;
	// none and "" where nothing can be heard.
	Heard      []hearView
	HeardWords string
	Means      string
	Map        figure // its table is there without a plot too
	Left       figure // the same
	Curves     bool   // the details have the equalisers' curves
}

// gearLine is a sentence, with what can be heard of it.
type gearLine struct {
	Text string
	Hear *hearView

	of string // the take that it is about, and no other but that they are compared with
}

// hearView is a pair that can be heard, one take equalised to the other; or Why not.
type hearView struct {
	Take, Of string
	Left     string // by how many dB what is left is down
	Pair     string // the numbers of the two in the player, and the highest sample in dBFS
	Why      string
}

// heardWords says what one hears.
const heardWords = "You hear the best filter of any kind, fitted on all of the music. What is left plays at its true level. That can be further down than the sentences say, which judge a filter on music that it was not fitted on."

// hear adds what can be heard to the sentences about it.
func (b *builder) hear(v *gearView) {
	all := b.res.Equalised
	if len(all) > 1 && all[0].Reason.Words != "" && !slices.ContainsFunc(all, func(e result.Equalised) bool { return e.Reason.Words != all[0].Reason.Words || e.Of != all[0].Of }) {
		v.HeardWords = fmt.Sprintf("No take can be heard equalised to %s: %s.", all[0].Of, all[0].Reason.Words)
		return
	}
	heard := b.res.Heard()
	for _, e := range all {
		h := hearView{Take: e.Take, Of: e.Of}
		x, y := slices.Index(heard, e.Take), slices.Index(heard, e.Of)
		switch {
		case e.Reason.Words != "":
			h.Why = fmt.Sprintf("%s, equalised to %s, cannot be heard: %s.", e.Take, e.Of, e.Reason.Words)
		case b.player == nil || x < 0 || y < 0 || !chart.Finite(float64(e.Left)):
			continue
		default:
			h.Left, h.Pair = unit.Format(-float64(e.Left), 1), fmt.Sprintf("%d %d %.1f", x, y, math.Ceil(10*float64(e.Peak))/10)
			v.HeardWords = heardWords
		}
		if i := slices.IndexFunc(v.Lines, func(l gearLine) bool { return l.of == e.Take }); i >= 0 {
			v.Lines[i].Hear = &h
		} else {
			v.Heard = append(v.Heard, h)
		}
	}
}

// against is the take that the others are compared with here.
func (b *builder) against() string {
	return orElse(b.res.Comparison.Reference, b.res.Parameters.Alignment.Anchor)
}

func (b *builder) gear() *gearView {
	res := b.res
	if res.Parameters.Gear == nil {
		return nil
	}
	v := gearView{Lines: b.gearWords(), Means: fmt.Sprintf(gearMeans, seconds(res.Parameters.Gear.TouchFrame))}
	b.hear(&v)
	curves, _ := b.equaliserCurves()
	v.Curves = len(curves) > 0
	v.Map, v.Left = b.reactionMap(), b.leftoverFigure()
	return &v
}

// reactionMap draws drive over touch, a point for each take.
func (b *builder) reactionMap() figure {
	f := figure{ID: "gear-map", Title: "Drive and touch", Axes: "Drive in %, over touch in dB for each dB you play harder. Right is clean, left is flat; further up has more new frequencies. The lines show the range of the two halves of the music.",
		Legend: []label{}, Words: []string{}, CSV: "data/gear.csv", Download: "Touch and drive as CSV"}
	rows, points, whys := []row{}, []chart.Point{}, []string{}
	for i, t := range b.res.Takes {
		touch, drive, linear, why := "–", "–", "–", []string{}
		x, y := t.Touch, t.Drive
		if x != nil && x.Measured {
			touch = unit.Format(float64(x.Slope), touchDigits) + spread(x.Low, x.High, touchDigits)
		} else if x != nil {
			why = append(why, x.Reason.Words)
		}
		if y != nil && y.Measured {
			drive = unit.Format(float64(y.Drive), driveDigits) + spread(y.Low, y.High, driveDigits)
			linear = unit.Format(float64(y.NotLinear), 1)
		} else if y != nil && !slices.Contains(why, y.Reason.Words) {
			why = append(why, y.Reason.Words)
		}
		if x != nil && y != nil && x.Measured && y.Measured {
			points = append(points, chart.Point{Name: t.Name, Take: i, X: chart.Range{Value: float64(x.Slope), Low: float64(x.Low), High: float64(x.High)}, Y: chart.Range{Value: float64(y.Drive), Low: float64(y.Low), High: float64(y.High)}})
			f.Legend = append(f.Legend, b.labels[i])
		}
		rows = append(rows, row{Cells: append([]cell{markedCell(b.labels[i])}, cells(touch, drive, linear)...)})
		whys = append(whys, strings.Join(why, "; "))
	}
	head := heads("Take", "Touch, dB for each dB", "Drive, %", "Not linear, %")
	if slices.ContainsFunc(whys, func(s string) bool { return s != "" }) {
		head = append(head, heads("<Not measured because")...)
		for i := range rows {
			rows[i].Cells = append(rows[i].Cells, cell{Text: whys[i], Class: "t"})
		}
	}
	f.Table = newTable("Touch and drive", head, rows)
	if len(points) > 0 {
		f.SVG = svg(chart.Map(chart.Text{Title: "Drive over touch of " + plural(len(points), "take", "takes"), Desc: b.reachWords(), By: f.AxesID()}, points, "%"))
	}
	return f
}

// leftoverFigure draws what is left between the take that others are compared with and
// each of them. Its table has all pairs.
func (b *builder) leftoverFigure() figure {
	with := b.against()
	f := figure{ID: "gear-left", Title: "What is left after EQ", Axes: "In dB below the take, each with " + with + ". Hollow marks: after the best equaliser; filled marks: after the best filter of any kind. Further left is more alike. Grey: no more than between a take and its repeat, or than can be measured.",
		Legend: []label{}, Words: []string{}, CSV: "data/leftover.csv", Download: "Every pair as CSV"}
	shown := []chart.Row{}
	for i, t := range b.res.Takes {
		if l := b.res.LeftoverOf(t.Name, with); l != nil && l.Reason.Words == "" {
			shown = append(shown, chart.Row{Name: t.Name, Take: i, Hollow: float64(l.Equaliser), Filled: float64(l.Filter), Soft: !l.Resolved || b.leavesNothing(l)})
		}
	}
	pairs := []row{}
	for _, l := range b.res.Leftover {
		line := []cell{{Text: l.A, Head: true}, {Text: l.B, Class: "t"}}
		if l.Reason.Words != "" {
			line = append(line, append(cells("–", "–", "–"), cell{Text: l.Reason.Words, Class: "t"})...)
		} else {
			said := ""
			switch {
			case b.leavesNothing(&l):
				said = "nothing that can be measured"
			case !l.Resolved:
				said = "no more than between a take and its repeat"
			}
			line = append(line, append(cells(unit.Within(float64(l.Equaliser), 2*float64(l.EqualiserError)), unit.Within(float64(l.Filter), 2*float64(l.FilterError)), unit.Format(float64(l.Bound), 1)), cell{Text: said, Class: "t"})...)
		}
		pairs = append(pairs, row{Cells: line})
	}
	f.Table = newTable("What is left between two takes, dB", heads("Take", "<Other take", "After an equaliser", "After any filter", "No filter leaves less than", "<Note"), pairs)
	if len(shown) > 0 {
		f.SVG = svg(chart.Levels(chart.Text{Title: "What is left between " + with + " and " + plural(len(shown), "take", "takes"), By: f.AxesID()}, shown))
	}
	return f
}

// equaliserCurves are the equalisers from each contestant to the take that the others are
// compared with, in the bands in which one of the two is heard, and the takes' labels.
func (b *builder) equaliserCurves() (curves []chart.Curve, takes []label) {
	with, bands := b.index(b.against()), b.res.Spectrum.Third
	for i := range b.res.Takes {
		t := &b.res.Takes[i]
		if i == with || with < 0 || !t.Contestant() || len(t.Measures) == 0 || len(b.res.Takes[with].Measures) == 0 {
			continue
		}
		l := b.res.LeftoverOf(t.Name, b.against())
		if l == nil {
			continue
		}
		for _, w := range l.Ways {
			if w.Of != b.against() || len(w.Curve) != len(bands) {
				continue
			}
			y, heard := floats(w.Curve), b.res.AudibleBetween(i, with, 0)
			for k := range y {
				if !(heard.Weight[k] > 0) {
					y[k] = math.NaN()
				}
			}
			curves, takes = append(curves, chart.Curve{Name: t.Name, Take: i, X: centres(bands), Y: y}), append(takes, b.labels[i])
		}
	}
	return curves, takes
}

// equaliserFigure draws the equalisers.
func (b *builder) equaliserFigure() figure {
	bands := b.res.Spectrum.Third
	f := figure{ID: "gear-curves", Title: "The best equalisers", Axes: "Gain in dB, in third octaves, that brings each take closest to " + b.against() + ", over frequency in Hz. Bands in which neither of the two is heard are left out.",
		Legend: []label{}, Words: []string{}, CSV: "data/leftover-third-octave.csv", Download: "Every pair as CSV"}
	curves, takes := b.equaliserCurves()
	if len(curves) == 0 {
		return f
	}
	if len(curves) > chart.MostNamed {
		f.Legend = takes
	}
	head := heads("Band")
	for _, t := range takes {
		head = append(head, takeCell(t))
	}
	rows := []row{}
	for k, band := range bands {
		line := []cell{{Text: bandName(band), Head: true}}
		for _, c := range curves {
			line = append(line, cell{Text: at(c.Y, k, 1)})
		}
		rows = append(rows, row{Cells: line})
	}
	f.Table = newTable("Gain of the best equaliser, dB", head, rows)
	f.Table.Class = "bands"
	lo, hi := bandRange(bands)
	f.SVG = svg(chart.Gains(chart.Text{Title: "Equalisers of " + plural(len(curves), "take", "takes") + " to " + b.against(), By: f.AxesID()}, curves, lo, hi))
	return f
}

// touchFigure draws the level that comes out of each take over the level that goes in.
func (b *builder) touchFigure() figure {
	f := figure{ID: "touch", Title: "Touch: level out against level in", Axes: "Level out in dB, apart from what a filter does and from the gain at the loudest step, over the level of the dry recording in dBFS, rms of 50 ms. Lines: the median of each step; upright lines: the quartiles. From a clean device comes one dB more for each dB that goes in.",
		Legend: []label{}, Words: []string{}, CSV: "data/touch-curves.csv", Download: "Touch curves as CSV"}
	curves, levels, texts := []chart.Response{}, []float64{}, map[[2]float64]string{}
	head := heads("Level in, dBFS")
	for i, t := range b.res.Takes {
		if t.Touch == nil || !t.Touch.Measured {
			continue
		}
		c := chart.Response{Curve: chart.Curve{Name: t.Name, Take: i, X: floats(t.Touch.In)}}
		for k, in := range c.X {
			out := func(gain []unit.DB) float64 { return in + float64(gain[k]) }
			c.Y, c.Lower, c.Upper = append(c.Y, out(t.Touch.Gain)), append(c.Lower, out(t.Touch.Lower)), append(c.Upper, out(t.Touch.Upper))
			texts[[2]float64{float64(i), in}] = fmt.Sprintf("%s (%s to %s)", unit.Format(c.Y[k], 1), unit.Format(c.Lower[k], 1), unit.Format(c.Upper[k], 1))
		}
		curves, levels, head = append(curves, c), append(levels, c.X...), append(head, takeCell(b.labels[i]))
		f.Legend = append(f.Legend, b.labels[i])
	}
	slices.Sort(levels)
	rows := []row{}
	for _, in := range slices.Compact(levels) {
		line := []cell{{Text: unit.Format(in, 0), Head: true}}
		for _, c := range curves {
			line = append(line, cell{Text: orElse(texts[[2]float64{float64(c.Take), in}], "–")})
		}
		rows = append(rows, row{Cells: line})
	}
	f.Table = newTable("Level out, dB: median and quartiles", head, rows)
	if len(curves) > 0 {
		f.SVG = svg(chart.Responses(chart.Text{Title: "Level out over level in of " + plural(len(curves), "take", "takes"), By: f.AxesID()}, curves))
	}
	return f
}

// spread is the range of a figure; "" where it is too small to show.
func spread(low, high unit.Number, digits int) string {
	a, b := unit.Format(float64(low), digits), unit.Format(float64(high), digits)
	if a == b {
		return ""
	}
	return " (" + a + " to " + b + ")"
}

// equalisedMethod says what is heard equalised; "" where nothing is.
func equalisedMethod(all []result.Equalised) string {
	for _, e := range all {
		if e.Reason.Words == "" {
			return fmt.Sprintf("A filter of %s leads from one published file to the other, each channel for itself. It is estimated on all of the music as above, twice, and judged on the same music, from 20 Hz to 20 kHz, K-weighted. The page makes the equalised take by convolution with it, with its delay taken off. What is left is the other take less that. A pair has no filter if the clock of one take drifts, which its published file keeps, or if a file in the chain of one may not be passed on. Every filter is in the folder filters; its hash and figures are in results.json.", plural(e.Taps, "tap", "taps"))
		}
	}
	return ""
}

// gearMethod says how it was measured; "" where it was not.
func gearMethod(p *result.GearParameters) string {
	if p == nil {
		return ""
	}
	return fmt.Sprintf("Measured on %s of %s, the same of every take, spread over the playing. Only EQ: a filter from one take to the other is estimated on every second block (Welch’s method, Hann windows of %d samples) and judged on the others; what is left is K-weighted, of the better of both directions, with two standard errors. The equaliser has a curve in third octaves of minimum phase, a gain, a polarity and a delay. Less than %s dB is not resolved; a tail of more than an eighth of a second is left over. Touch: the slope (Theil–Sen) of the gain in frames of %s over the level of the dry recording, after a filter that is fitted with a gain of its own in each frame; from the 10th to the 90th percentile of the level. Drive: what no filter explains of the take once each frame of the dry recording has its gain, less the noise of the pauses, K-weighted. Gain that changes within a frame counts as drive. The exception is a compressor that was measured: the dry recording then has the gain of its model too, so that the harmonics that a fast gain makes of low notes do not count either. A sentence gives a take more drive only where it is over a third of what is not linear: less may be gain that changes within a frame. Not linear: the same without the gains. Gear whose phase turns with time, or whose sound trails later than its filter reaches, both by more than distortion explains, has neither figure. Ranges are those of the two halves of the blocks.",
		plural(p.Blocks, "block", "blocks"), seconds(p.Block), p.Window, unit.Format(float64(p.LeastFilter), 0), seconds(p.TouchFrame))
}
