package report

import (
	"fmt"
	"slices"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
	"evenhand/report/words"
)

// spectraView is the spectra themselves.
type spectraView struct {
	Third       figure
	Descriptors table
	Corners     string
}

func (b *builder) spectra() spectraView {
	res := b.res
	v := spectraView{}
	v.Third = b.spectrumFigure("third", "Third-octave spectra", 1, res.Spectrum.Third, func(m result.Measures) []unit.DB { return m.Third })
	v.Third.CSV = "data/spectrum-third-octave.csv"
	p := res.Parameters.Spectrum
	v.Corners = fmt.Sprintf("All are of the third octaves that are heard. Low is the part of the power below %s, high the part above %s, mid the rest.", p.LowMid, p.MidHigh)
	rows := []row{}
	for i, t := range res.Takes {
		m, ok := t.Whole()
		if !ok {
			continue
		}
		rows = append(rows, row{Cells: append([]cell{markedCell(b.labels[i])}, figureCells(m.Descriptors, 0)...)})
	}
	v.Descriptors = newTable("Spectrum in five figures, whole performance", append(heads("Take"), figureHeads(result.Descriptors{})...), rows)
	return v
}

// finerView is figures that few readers ask for.
type finerView struct {
	Twelfth     figure
	Touch       *figure // nil where no take has one
	Equalisers  *figure // the same
	Compressors table
	Noise       *figure // nil for fewer than two compressors
	AltSections table
}

func (b *builder) finer() finerView {
	v := finerView{AltSections: b.alternativeSections(), Compressors: b.compressors(), Noise: b.noiseMap()}
	v.Twelfth = b.spectrumFigure("twelfth", "Twelfth-octave spectra", 4, b.res.Spectrum.Twelfth, func(m result.Measures) []unit.DB { return m.Twelfth })
	v.Twelfth.CSV = "data/spectrum-twelfth-octave.csv"
	if touch := b.touchFigure(); touch.SVG != "" {
		v.Touch = &touch
	}
	if curves := b.equaliserFigure(); curves.SVG != "" {
		v.Equalisers = &curves
	}
	return v
}

// bandReference says what a band level is the level of.
const bandReference = "The level is that of the power of all channels: a full-scale sine in one channel is −3.01 dBFS."

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
	f := figure{ID: "spectrum-" + id, Title: title, Axes: "Band level in dBFS after level matching, over frequency in Hz. " + bandReference + " Whole performance.", Legend: b.legend(), Words: []string{}, Download: "CSV, all sections"}
	head := heads("Band")
	levels := [][]float64{}
	finite := false
	for i, t := range b.res.Takes {
		m, ok := t.Whole()
		if !ok {
			continue
		}
		y := floats(pick(m))
		levels = append(levels, y)
		finite = finite || slices.ContainsFunc(y, chart.Finite)
		curves = append(curves, chart.Curve{Name: t.Name, Take: i, X: centres(bands), Y: y})
		head = append(head, takeCell(b.labels[i]))
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
		caption += ": every " + words.Ordinal(every) + " band"
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
	f.SVG = svg(chart.Spectrum(chart.Text{Title: title + " of " + plural(len(curves), "take", "takes"), Desc: b.brightnessWords(), By: f.AxesID()}, curves, tuned, lo, hi))
	return f
}

// legend is that of a plot which has no room for names at the ends of its lines.
func (b *builder) legend() []label {
	if len(b.labels) <= chart.MostNamed {
		return []label{}
	}
	return b.labels
}

// at prints y[k], or an en dash where there is no such value.
func at(y []float64, k, decimals int) string {
	if k >= len(y) {
		return "–"
	}
	return unit.Format(y[k], decimals)
}
