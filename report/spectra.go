package report

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
)

// spectraView is tone: spectra and their differences.
type spectraView struct {
	Third       figure
	Twelfth     figure
	Against     string
	Resolution  string
	Strips      []stripView
	StripTable  table
	Sections    []sectionWords
	Descriptors table
	Corners     string
}

type stripView struct {
	Label label
	SVG   template.HTML
}

// sectionWords are a section's sentences.
type sectionWords struct {
	Name  string
	Words []string
}

func (b *builder) spectra() spectraView {
	res := b.res
	v := spectraView{Against: b.againstWords(), Resolution: resolutionWords(res.Resolution), Strips: []stripView{}, Sections: []sectionWords{}}
	v.Third = b.spectrumFigure("third", "Third-octave spectra", 1, res.Spectrum.Third, func(m result.Measures) []unit.DB { return m.Third })
	v.Twelfth = b.spectrumFigure("twelfth", "Twelfth-octave spectra", 4, res.Spectrum.Twelfth, func(m result.Measures) []unit.DB { return m.Twelfth })
	v.Third.CSV, v.Twelfth.CSV = "data/spectrum-third-octave.csv", "data/spectrum-twelfth-octave.csv"

	if w := b.brightness(); w != "" {
		v.Third.Words = append(v.Third.Words, w)
	}
	wholeName := b.wholeName()
	against := b.againstWords()
	reach := b.reach(wholeName)
	lo, hi := bandRange(res.Spectrum.Third)
	strips := chart.NewStrips(lo, hi, reach)
	shown := []result.Difference{}
	for _, d := range b.differences(wholeName) {
		i := b.index(d.Take)
		if d.Take == res.Comparison.Reference || i < 0 {
			continue
		}
		shown = append(shown, d)
		heard := res.AudibleIn(d)
		words := b.toneWords(d, heard)
		v.Third.Words = append(v.Third.Words, words)
		band := counts(d.Third)
		v.Strips = append(v.Strips, stripView{b.labels[i], svg(strips.Strip(
			chart.Text{Title: d.Take + " minus " + against, By: v.Third.WordsID(len(v.Third.Words) - 1)},
			chart.Curve{Name: d.Take, Take: i, X: centres(res.Spectrum.Third), Y: floats(d.Third.Difference)},
			band, emphasised(d.Third, heard)))})
	}
	v.StripTable = b.differenceTable(shown)
	if w := b.leftOut(); w != "" && res.Comparison.Reference == "" && len(v.Strips) > 0 {
		v.Third.Words = append(v.Third.Words, strings.Replace(w, "The sentences here leave", "The median leaves", 1))
	}
	if len(v.Strips) > 0 {
		v.Third.Words = append(v.Third.Words, "These sentences begin with what is heard most, and leave out what is too faint or in the noise to be heard beside the rest. A figure is the mean where the energy is. The words mean: "+regionsWords()+".")
	}
	if len(v.Third.Words) == 0 {
		v.Third.Words = []string{"There is nothing to compare with."}
	}
	for _, s := range b.sections() {
		w := sectionWords{Name: s.Name, Words: []string{}}
		for _, d := range b.differences(s.Name) {
			if d.Take != res.Comparison.Reference {
				w.Words = append(w.Words, b.toneWords(d, res.AudibleIn(d)))
			}
		}
		if len(w.Words) > 0 {
			v.Sections = append(v.Sections, w)
		}
	}
	p := res.Parameters.Spectrum
	v.Corners = fmt.Sprintf("All are of the third octaves that are heard. Low is the part of the power below %s, high the part above %s, mid the rest.", p.LowMid, p.MidHigh)
	rows := []row{}
	for i, t := range res.Takes {
		m, ok := whole(t)
		if !ok {
			continue
		}
		rows = append(rows, row{Cells: append([]cell{markedCell(b.labels[i])}, figureCells(m.Descriptors, 0)...)})
	}
	v.Descriptors = newTable("Spectrum in five figures, whole performance", append(heads("Take"), figureHeads(result.Descriptors{})...), rows)
	return v
}

// brightness ranks the contestants.
func (b *builder) brightness() string {
	high := map[string]float64{}
	points, repeats := []levelPoint{}, 0.0
	for _, t := range b.res.Takes {
		if m, ok := whole(t); ok {
			high[t.Name] = float64(m.Descriptors.High)
			if t.Contestant() {
				points = append(points, levelPoint{t.Name, high[t.Name]})
			}
		}
	}
	for _, t := range b.res.Takes {
		if of, ok := high[t.RepeatOf]; ok {
			repeats = math.Max(repeats, math.Abs(high[t.Name]-of))
		}
	}
	return brightnessWords(points, repeats, b.res.Parameters.Spectrum.MidHigh)
}

// toneWords are the sentences about a difference.
func (b *builder) toneWords(d result.Difference, heard result.Audibility) string {
	most := mostRuns
	if b.spanOf(d) > 0 {
		most = mostSectionRuns
	}
	return spectrumWords(d.Take, b.againstWords(), b.res.Spectrum.Third, d.Third, heard, b.balance(d), most)
}

// toneLine is one sentence on how a take differs over the whole; "" for a take that is
// compared with none.
func (b *builder) toneLine(take string) string {
	if take == b.res.Comparison.Reference {
		if len(b.res.Takes) < 2 {
			return ""
		}
		return "The other takes are compared with this one."
	}
	for _, d := range b.differences(b.wholeName()) {
		if d.Take == take {
			s, _ := toneLead(d.Take, b.againstWords(), b.res.Spectrum.Third, d.Third, b.res.AudibleIn(d), b.balance(d))
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
	case b.leftOut() != "":
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

// bandReference says what a band level is the level of.
const bandReference = "The level is that of the power of all channels: a full-scale sine in one channel is −3.01 dBFS."

// emphasised are the bands of a difference that are resolved and heard.
func emphasised(d result.BandDifferences, heard result.Audibility) []bool {
	out := make([]bool, len(d.Resolved))
	for i := range out {
		out[i] = d.Resolved[i] && i < len(heard.Weight) && heard.Weight[i] > 0
	}
	return out
}

// reach is the range in dB that all difference strips share: the greatest difference
// that is resolved and heard, so that an outlier does not flatten them.
func (b *builder) reach(span string) float64 {
	r := 6.0
	for _, d := range b.differences(span) {
		for i, is := range emphasised(d.Third, b.res.AudibleIn(d)) {
			if v := float64(d.Third.Difference[i]); is && chart.Finite(v) {
				r = math.Max(r, math.Abs(v))
			}
		}
	}
	return math.Min(r, 40)
}

func centres(bands []result.Band) []float64 {
	out := make([]float64, len(bands))
	for i, b := range bands {
		out[i] = float64(b.Centre)
	}
	return out
}

func bandRange(bands []result.Band) (lo, hi float64) {
	if len(bands) == 0 {
		return 20, 20000
	}
	return float64(bands[0].Low), float64(bands[len(bands)-1].High)
}

// spectrumFigure draws every take's level in each band. Its table holds every
// nth band.
func (b *builder) spectrumFigure(id, title string, every int, bands []result.Band, pick func(result.Measures) []unit.DB) figure {
	curves := []chart.Curve{}
	f := figure{ID: "spectrum-" + id, Title: title, Axes: "Band level in dBFS after level matching, over frequency in Hz. " + bandReference + " Whole performance.", Legend: b.labels, Words: []string{}, Download: "CSV, all sections"}
	head := heads("Band")
	levels := [][]float64{}
	finite := false
	for i, t := range b.res.Takes {
		m, ok := whole(t)
		if !ok {
			continue
		}
		y := floats(pick(m))
		levels = append(levels, y)
		finite = finite || slices.ContainsFunc(y, chart.Finite)
		curves = append(curves, chart.Curve{Name: t.Name, Take: i, X: centres(bands), Y: y})
		head = append(head, cell{Text: t.Name, Head: true})
	}
	rows := []row{}
	for k := 0; k < len(bands); k += every {
		line, some := []cell{{Text: bandName(bands[k]), Head: true}}, false
		for _, y := range levels {
			line = append(line, cell{Text: at(y, k, 1)})
			some = some || k < len(y) && chart.Finite(y[k])
		}
		if some {
			rows = append(rows, row{Cells: line})
		}
	}
	caption := title + ", dBFS"
	if every > 1 {
		caption += ": every " + ordinal(every) + " band"
		f.Download = fmt.Sprintf("CSV, all %d bands, all sections", len(bands))
	}
	f.Table = newTable(caption, head, rows)
	f.Table.Class = "bands"
	tuned := []chart.Pitch{}
	for _, p := range manifest.Pitches(b.res.Comparison.Tuning) {
		tuned = append(tuned, chart.Pitch{Name: p.Name, Hz: float64(p.Frequency)})
	}
	if len(tuned) > 0 {
		f.Axes += " The marks above are the open strings, " + b.res.Comparison.Tuning + "."
	}
	lo, hi := bandRange(bands)
	if !finite {
		return f
	}
	f.SVG = svg(chart.Spectrum(chart.Text{Title: title + " of " + plural(len(curves), "take", "takes"), By: f.AxesID()}, curves, tuned, lo, hi))
	return f
}

// at prints y[k], or an en dash where there is no such value.
func at(y []float64, k, decimals int) string {
	if k >= len(y) {
		return "–"
	}
	return unit.Format(y[k], decimals)
}

// differenceTable lists every take's difference in each band. The least that
// counts has a column of its own where it is the same for all takes.
func (b *builder) differenceTable(ds []result.Difference) table {
	head := heads("Band", "Counts from")
	least, shown := [][]float64{}, [][]bool{}
	for _, d := range ds {
		head = append(head, cell{Text: d.Take, Head: true})
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
