package report

import (
	"fmt"
	"html/template"
	"math"
	"slices"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
	"evenhand/report/words"
)

// differsView is how each take differs in tone from what takes are compared with.
type differsView struct {
	Against    string
	Brightest  string
	First      takeTone // whose difference the wide plot shows until a reader chooses
	Wide       template.HTML
	Axes       []string
	Lines      []takeTone
	Words      []string
	Table      table
	Resolution string
	Sections   []sectionTone
}

// takeTone is what is said of one take.
type takeTone struct {
	Label label
	Words string
	SVG   template.HTML
}

// ID is the id of the words about the whole performance.
func (l takeTone) ID() string { return "differs-" + l.Label.Slug }

// sectionTone is what is said of the takes in one section.
type sectionTone struct {
	Name  string
	Lines []takeTone
}

// differs is nil where there is nothing to compare with.
func (b *builder) differs() *differsView {
	compared := b.compared(b.wholeName())
	if len(compared) == 0 {
		return nil
	}
	res := b.res
	v := &differsView{Against: b.againstWords(), Brightest: b.brightnessWords(), Resolution: words.Resolution(res.Resolution),
		Lines: []takeTone{}, Words: []string{}, Sections: []sectionTone{}}
	shown, plotted := []result.Difference{}, []chart.Difference{}
	farthest := b.farthest()
	first := 0
	for _, d := range compared {
		i, heard := b.index(d.Take), res.AudibleIn(d)
		if i == farthest {
			first = len(shown)
		}
		shown = append(shown, d)
		v.Lines = append(v.Lines, takeTone{Label: b.labels[i], Words: b.tone(d, heard)})
		plotted = append(plotted, chart.Difference{
			Curve: chart.Curve{Name: d.Take, Take: i, X: centres(res.Spectrum.Third), Y: floats(d.Third.Difference)},
			Slug:  b.labels[i].Slug, Least: counts(d.Third), Counts: emphasised(d.Third, heard)})
	}
	b.plotDifferences(v, plotted, first)
	v.Table = b.differenceTable(shown)
	if names := b.notRanked(); names != "" && res.Comparison.Reference == "" {
		v.Words = append(v.Words, "The median leaves out "+names+".")
	}
	v.Words = append(v.Words, "Each sentence begins with what is heard most. What is too faint or in the noise is left out. A figure is the mean where the energy is.")
	for _, s := range b.sections() {
		w := sectionTone{Name: s.Name}
		for _, d := range b.compared(s.Name) {
			w.Lines = append(w.Lines, takeTone{Label: b.labels[b.index(d.Take)], Words: b.tone(d, res.AudibleIn(d))})
		}
		if len(w.Lines) > 0 {
			v.Sections = append(v.Sections, w)
		}
	}
	return v
}

// plotDifferences draws what has been said: the first wide, all small.
func (b *builder) plotDifferences(v *differsView, plotted []chart.Difference, first int) {
	p := b.differencePlots()
	v.First = v.Lines[first]
	v.Wide = svg(p.Wide(chart.Text{Named: "difference-who " + v.First.ID(), By: "difference-axes"}, plotted, first))
	for i := range plotted {
		l := &v.Lines[i]
		l.SVG = svg(p.Small(chart.Text{Named: "who-" + l.Label.Slug + " " + l.ID()}, plotted[i]))
	}
	v.Axes = []string{
		"In dB over frequency in Hz: third octaves of the whole performance, after matching.",
		"The line fades where a difference is not resolved or not heard. In the grey band nothing is resolved.",
		"Arrows with figures mark what is beyond ±" + number(chart.Reach) + " dB.",
		"The words mean: " + regionsWords() + ".",
	}
	if lowest := b.res.Parameters.Spectrum.LowestString; lowest > 0 {
		v.Axes = append(v.Axes, "The shading begins at the lowest string, "+lowest.String()+".")
	}
}

// differencePlots are the plots of differences, with nothing drawn yet.
func (b *builder) differencePlots() *chart.Differences {
	lo, hi := bandRange(b.res.Spectrum.Third)
	named := make([]chart.Region, 0, len(regions))
	for _, r := range regions {
		named = append(named, chart.Region{Name: r.name, To: float64(r.to)})
	}
	return chart.NewDifferences(lo, hi, named, float64(b.res.Parameters.Spectrum.LowestString))
}

// besideView is the plot of the chosen take's difference next to its panel.
type besideView struct {
	First   label // the take that it shows until a reader chooses
	Against string
	SVG     template.HTML
}

// beside shows the wide plot of differences again; nil where there is none.
func (b *builder) beside() *besideView {
	i := b.farthest()
	if i < 0 {
		return nil
	}
	return &besideView{b.labels[i], b.againstWords(), svg(b.differencePlots().Again())}
}

// brightness is the part of the power of each contestant that is high, in dB, and the
// largest difference of that between a take and its repeat.
func (b *builder) brightness() ([]words.Point, float64) {
	high := map[string]float64{}
	points, repeats := []words.Point{}, 0.0
	for _, t := range b.res.Takes {
		if m, ok := t.Whole(); ok {
			high[t.Name] = float64(m.Descriptors.High)
			if t.Contestant() {
				points = append(points, words.Point{Name: t.Name, Value: high[t.Name]})
			}
		}
	}
	for _, t := range b.res.Takes {
		if of, ok := high[t.RepeatOf]; ok {
			repeats = math.Max(repeats, math.Abs(high[t.Name]-of))
		}
	}
	return points, repeats
}

func (b *builder) brightnessWords() string {
	points, repeats := b.brightness()
	return brightnessWords(points, repeats, b.res.Parameters.Spectrum.MidHigh)
}

// tone says how a take differs in a span.
func (b *builder) tone(d result.Difference, heard result.Audibility) string {
	most := mostRuns
	if b.spanOf(d) > 0 {
		most = mostSectionRuns
	}
	return toneWords(b.againstWords(), b.res.Spectrum.Third, d.Third, heard, b.balance(d), most)
}

// toneLine is one sentence on how a take differs over the whole; "" for a take that is
// compared with none.
func (b *builder) toneLine(take string) string {
	if take == b.res.Comparison.Reference && len(b.res.Takes) > 1 {
		switch lo, hi := brightest(b.brightness()); {
		case lo != nil && hi != nil:
			return fmt.Sprintf("The reference. Brightest: %s; darkest: %s.", hi.Name, lo.Name)
		case hi != nil:
			return fmt.Sprintf("The reference. Brightest: %s.", hi.Name)
		case lo != nil:
			return fmt.Sprintf("The reference. Darkest: %s.", lo.Name)
		}
		return "The reference."
	}
	for _, d := range b.compared(b.wholeName()) {
		if d.Take == take {
			s, _ := toneLead(b.againstWords(), b.res.Spectrum.Third, d.Third, b.res.AudibleIn(d), b.balance(d))
			return s
		}
	}
	return ""
}

// spanOf is the number of a difference's span, −1 for none.
func (b *builder) spanOf(d result.Difference) int {
	return slices.IndexFunc(b.res.Timeline.Spans, func(s result.Span) bool { return s.Name == d.Span })
}

// balance is by how many dB the part of a take's power above brightFrom is greater than
// in what it is compared with.
func (b *builder) balance(d result.Difference) float64 {
	res, span := b.res, b.spanOf(d)
	own, others := math.NaN(), []float64{}
	for i := range res.Takes {
		t := &res.Takes[i]
		if span < 0 || span >= len(t.Measures) {
			continue
		}
		high := float64(t.Measures[span].Descriptors.High)
		if t.Name == d.Take {
			own = high
		}
		if t.Name == res.Comparison.Reference || res.Comparison.Reference == "" && t.Contestant() {
			others = append(others, high)
		}
	}
	return own - middle(others)
}

// middle is the median of values, NaN for none.
func middle(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return (v[(len(v)-1)/2] + v[len(v)/2]) / 2
}

// againstWords names what takes are compared with inside a sentence.
func (b *builder) againstWords() string {
	switch r := b.res.Comparison.Reference; {
	case r != "":
		return r
	case b.notRanked() != "":
		return "the median"
	}
	return "the median of all"
}

// differences returns the entries of one span.
func (b *builder) differences(span string) []result.Difference {
	out := []result.Difference{}
	for _, d := range b.res.Spectrum.Differences {
		if d.Span == span {
			out = append(out, d)
		}
	}
	return out
}

// compared returns the entries of one span but for that of what takes are compared with;
// none where one take is alone.
func (b *builder) compared(span string) []result.Difference {
	if len(b.res.Takes) < 2 {
		return nil
	}
	return slices.DeleteFunc(b.differences(span), func(d result.Difference) bool {
		return d.Take == b.res.Comparison.Reference || b.index(d.Take) < 0
	})
}

// farthest is the take that the wide plot shows until a reader chooses: the contestant
// that is heard to differ most, or the first take that is compared; −1 for none.
func (b *builder) farthest() int {
	take, most := -1, math.Inf(-1)
	for _, d := range b.compared(b.wholeName()) {
		i := b.index(d.Take)
		if take < 0 {
			take = i
		}
		if far := float64(b.res.AudibleIn(d).Distance()); far > most && b.res.Takes[i].Contestant() {
			take, most = i, far
		}
	}
	return take
}

// counts is the least difference that counts per band, by which Resolved was
// decided; NaN where none does.
func counts(d result.BandDifferences) []float64 {
	out := floats(d.HalfWidth)
	for i := range out {
		if math.IsInf(out[i], 0) {
			out[i] = math.NaN()
		}
	}
	return out
}

// emphasised are the bands of a difference that are resolved and heard.
func emphasised(d result.BandDifferences, heard result.Audibility) []bool {
	out := make([]bool, len(d.Resolved))
	for i := range out {
		out[i] = d.Resolved[i] && i < len(heard.Weight) && heard.Weight[i] > 0
	}
	return out
}

// differenceTable lists every take's difference in each band. The least that
// counts has a column of its own where it is the same for all takes.
func (b *builder) differenceTable(ds []result.Difference) table {
	head := heads("Band", "Counts from")
	least, shown := [][]float64{}, [][]bool{}
	for _, d := range ds {
		head = append(head, takeCell(b.labels[b.index(d.Take)]))
		least, shown = append(least, counts(d.Third)), append(shown, emphasised(d.Third, b.res.AudibleIn(d)))
	}
	rows := []row{}
	for k, band := range b.res.Spectrum.Third {
		common := leastWords(least, k)
		line := []cell{{Text: bandName(band), Head: true}, {Text: orElse(common, "±")}}
		for i, d := range ds {
			c := cell{Text: "–"}
			if k < len(d.Third.Difference) {
				c.Text = unit.Signed(float64(d.Third.Difference[k]), 1)
				if common == "" {
					c.Text += " ±" + countsFrom(least[i], k)
				}
				c.Soft = k >= len(shown[i]) || !shown[i][k]
			}
			line = append(line, c)
		}
		rows = append(rows, row{Cells: line})
	}
	t := newTable("Differences in dB from "+b.againstWords()+"; grey: not resolved or not heard", head, rows)
	t.Class = "bands"
	return t
}

// beyond is the greatest least difference in dB that is printed: where no less
// counts, the band says nothing.
const beyond = 40

// countsFrom prints from which difference on band k counts.
func countsFrom(counts []float64, k int) string {
	switch {
	case k >= len(counts) || !chart.Finite(counts[k]):
		return "–"
	case counts[k] > beyond:
		return "over " + number(beyond)
	}
	return unit.Format(counts[k], 1)
}

// leastWords prints the same for all takes, "" when they are not alike.
func leastWords(counts [][]float64, k int) string {
	out := ""
	for i, c := range counts {
		s := countsFrom(c, k)
		if i > 0 && s != out {
			return ""
		}
		out = s
	}
	return orElse(out, "–")
}
