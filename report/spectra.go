package report

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"evenhand/analyze"
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
	v.Third = b.spectrumFigure("third", "Third-octave spectra", 1, res.Spectrum.Third, func(m analyze.Measures) []unit.DB { return m.Third })
	v.Twelfth = b.spectrumFigure("twelfth", "Twelfth-octave spectra", 4, res.Spectrum.Twelfth, func(m analyze.Measures) []unit.DB { return m.Twelfth })
	v.Third.CSV, v.Twelfth.CSV = "data/spectrum-third-octave.csv", "data/spectrum-twelfth-octave.csv"

	wholeName := b.wholeName()
	against := b.againstWords()
	reach := b.reach(wholeName)
	lo, hi := bandRange(res.Spectrum.Third)
	strips := chart.NewStrips(lo, hi, reach)
	shown := []analyze.Difference{}
	for _, d := range b.differences(wholeName) {
		i := b.index(d.Take)
		if d.Take == res.Spectrum.Against || i < 0 {
			continue
		}
		shown = append(shown, d)
		words := spectrumWords(d.Take, against, res.Spectrum.Third, d.Third, b.thirds(i, 0), b.floors(i))
		v.Third.Words = append(v.Third.Words, words)
		band := counts(d.Third)
		v.Strips = append(v.Strips, stripView{b.labels[i], svg(strips.Strip(
			chart.Text{Title: d.Take + " minus " + against, By: v.Third.WordsID(len(v.Third.Words) - 1)},
			chart.Curve{Name: d.Take, Take: i, X: centres(res.Spectrum.Third), Y: floats(d.Third.Difference)},
			band, d.Third.Resolved))})
	}
	v.StripTable = b.differenceTable(shown)
	if w := b.leftOut(); w != "" && b.index(res.Spectrum.Against) < 0 && len(v.Strips) > 0 {
		v.Third.Words = append(v.Third.Words, strings.Replace(w, "These sentences leave", "The median leaves", 1))
	}
	if len(v.Strips) > 0 {
		v.Third.Words = append(v.Third.Words, "Bands more than "+number(faintest)+" dB below the strongest are left out of these sentences. Where half of the louder level or more is the noise of its pauses, what differs is called noise.")
	}
	if len(v.Third.Words) == 0 {
		v.Third.Words = []string{"There is nothing to compare with."}
	}
	for k, s := range b.sections() {
		w := sectionWords{Name: s.Name, Words: []string{}}
		for _, d := range b.differences(s.Name) {
			if d.Take != res.Spectrum.Against {
				w.Words = append(w.Words, spectrumWords(d.Take, against, res.Spectrum.Third, d.Third, b.thirds(b.index(d.Take), k+1), b.floors(b.index(d.Take))))
			}
		}
		if len(w.Words) > 0 {
			v.Sections = append(v.Sections, w)
		}
	}
	p := res.Parameters.Spectrum
	v.Corners = fmt.Sprintf("Low is the part of the power below %s, high the part above %s, mid the rest.", p.LowMid, p.MidHigh)
	rows := []row{}
	for i, t := range res.Takes {
		m, ok := whole(t)
		if !ok {
			continue
		}
		d := m.Descriptors
		rows = append(rows, row{Cells: append([]cell{markedCell(b.labels[i])}, cells(
			d.Centroid.String(), unit.Signed(float64(d.Tilt), 2), unit.Format(float64(d.Low), 1), unit.Format(float64(d.Mid), 1), unit.Format(float64(d.High), 1))...)})
	}
	v.Descriptors = newTable("Spectrum in five figures, whole performance", heads("Take", "Centroid", "Tilt, dB per octave", "Low, dB of the whole", "Mid, dB of the whole", "High, dB of the whole"), rows)
	return v
}

// thirds are a take's third-octave levels in one span; empty when there are
// none.
func (b *builder) thirds(take, span int) []unit.DB {
	if take < 0 || span >= len(b.res.Takes[take].Measures) {
		return []unit.DB{}
	}
	return b.res.Takes[take].Measures[span].Third
}

// floors are the noise in the pauses of a take and of what it is compared with.
func (b *builder) floors(take int) floors {
	of := func(i int) []unit.DB {
		if i < 0 || !b.res.Takes[i].Noise.Measured || b.res.Takes[i].Noise.Gated {
			return nil
		}
		return b.res.Takes[i].Noise.Third
	}
	return floors{of(take), of(b.index(b.res.Spectrum.Against))}
}

// againstWords names what takes are compared with inside a sentence.
func (b *builder) againstWords() string {
	if a := b.res.Spectrum.Against; b.index(a) >= 0 || a == "" {
		return orElse(a, "the others")
	}
	if b.leftOut() != "" {
		return "the median"
	}
	return "the " + strings.TrimPrefix(b.res.Spectrum.Against, "the ")
}

// differences returns the entries of one span.
func (b *builder) differences(span string) []analyze.Difference {
	out := []analyze.Difference{}
	for _, d := range b.res.Spectrum.Differences {
		if d.Span == span {
			out = append(out, d)
		}
	}
	return out
}

// counts is the least difference that counts per band, by which Resolved was
// decided; NaN where none does.
func counts(d analyze.BandDifferences) []float64 {
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

// reach is the range in dB that all difference strips share: the greatest
// resolved difference, so that an unresolved outlier does not flatten them.
func (b *builder) reach(span string) float64 {
	r := 6.0
	for _, d := range b.differences(span) {
		heard := heardBands(d.Third, b.thirds(b.index(d.Take), 0))
		for i, v := range floats(d.Third.Difference) {
			if i < len(heard.Resolved) && heard.Resolved[i] && chart.Finite(v) {
				r = math.Max(r, math.Abs(v))
			}
		}
	}
	return math.Min(r, 40)
}

func centres(bands []analyze.Band) []float64 {
	out := make([]float64, len(bands))
	for i, b := range bands {
		out[i] = float64(b.Centre)
	}
	return out
}

func bandRange(bands []analyze.Band) (lo, hi float64) {
	if len(bands) == 0 {
		return 20, 20000
	}
	return float64(bands[0].Low), float64(bands[len(bands)-1].High)
}

// spectrumFigure draws every take's level in each band. Its table holds every
// nth band.
func (b *builder) spectrumFigure(id, title string, every int, bands []analyze.Band, pick func(analyze.Measures) []unit.DB) figure {
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
	tuned := pitches(b.res.Comparison.Tuning)
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
func (b *builder) differenceTable(ds []analyze.Difference) table {
	head := heads("Band", "Counts from")
	least := [][]float64{}
	for _, d := range ds {
		head = append(head, cell{Text: d.Take, Head: true})
		least = append(least, counts(d.Third))
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
				c.Soft = k >= len(d.Third.Resolved) || !d.Third.Resolved[k]
			}
			line = append(line, c)
		}
		rows = append(rows, row{Cells: line})
	}
	t := newTable("Differences in dB from "+b.againstWords()+"; grey: not resolved", head, rows)
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

// pitches reads note names such as "B1" or "F#3" from a tuning, lowest first.
// A4 is 440 Hz in equal temperament. Source: ISO 16:1975.
func pitches(tuning string) []chart.Pitch {
	steps := map[byte]int{'C': 0, 'D': 2, 'E': 4, 'F': 5, 'G': 7, 'A': 9, 'B': 11}
	out := []chart.Pitch{}
	for _, w := range strings.Fields(strings.ReplaceAll(tuning, ",", " ")) {
		n, ok := steps[w[0]]
		rest := w[1:]
		if !ok || len(rest) == 0 {
			continue
		}
		switch {
		case strings.HasPrefix(rest, "#"):
			n, rest = n+1, rest[1:]
		case strings.HasPrefix(rest, "♯"):
			n, rest = n+1, strings.TrimPrefix(rest, "♯")
		case strings.HasPrefix(rest, "b"):
			n, rest = n-1, rest[1:]
		case strings.HasPrefix(rest, "♭"):
			n, rest = n-1, strings.TrimPrefix(rest, "♭")
		}
		if len(rest) != 1 || rest[0] < '0' || rest[0] > '9' {
			continue
		}
		midi := 12*(int(rest[0]-'0')+1) + n
		out = append(out, chart.Pitch{Name: w, Hz: 440 * math.Pow(2, float64(midi-69)/12)})
	}
	return out
}
