package report

import (
	"slices"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
	"evenhand/report/words"
)

// noiseView is noise in the pauses.
type noiseView struct {
	Words    []string
	Levels   figure
	Spectrum figure
	Table    table
	Split    table
	Measured bool
}

func (b *builder) noise() noiseView {
	v := noiseView{Words: words.Noise(b.res.Takes)}
	if w := b.leftOut(); w != "" {
		v.Words = append(v.Words, w)
	}
	shown := []chart.Row{}
	curves := []chart.Curve{}
	legend := []label{}
	rows, split := []row{}, []row{}
	matched := figureHeads(result.NoiseLevels{})
	for i := range matched {
		matched[i].Text += ", as matched"
	}
	for i, t := range b.res.Takes {
		n := t.Noise
		if !n.Measured {
			line := []cell{notedCell(b.labels[i])}
			for range len(matched) + 1 {
				line = append(line, cell{Text: "–", Soft: true})
			}
			rows = append(rows, row{Cells: append(line, cell{Text: "not measured: " + orElse(n.Reason.Words, "no reason given"), Class: "t"})})
			continue
		}
		v.Measured = true
		state := "in " + unit.Format(float64(n.Duration), 1) + " s of pauses"
		if n.Gated {
			state = "gated: describes the gate"
		}
		a, m := n.AsRecorded, n.AsMatched
		line := []cell{notedCell(b.labels[i])}
		for _, c := range append(cells(unit.Format(float64(a.AWeighted), 1)), figureCells(m, 0)...) {
			c.Soft = n.Gated
			line = append(line, c)
		}
		rows = append(rows, row{Cells: append(line, cell{Text: state, Class: "t"})})
		shown = append(shown, chart.Row{Name: t.Name, Take: i, Hollow: float64(a.AWeighted), Filled: float64(m.AWeighted), Soft: n.Gated})
		if len(n.Third) > 0 {
			curves = append(curves, chart.Curve{Name: t.Name, Take: i, X: centres(b.res.Spectrum.Third), Y: floats(n.Third)})
			legend = append(legend, b.labels[i])
		}
		mains := "not found"
		if n.Mains > 0 {
			mains = n.Mains.String()
		}
		why := n.SplitReason.Words
		split = append(split, row{Cells: append([]cell{takeCell(b.labels[i])}, append(cells(
			unit.Format(float64(n.CarriedIn), 1), unit.Format(float64(n.Added), 1), mains, unit.Format(float64(a.Hum), 1), unit.Format(float64(a.Hiss), 1)),
			cell{Text: why, Class: "t"})...)})
	}
	v.Table = newTable("Noise in the pauses, dBFS", slices.Concat(heads("Take", "A-weighted, as recorded"), matched, heads("<Pauses")), rows)
	v.Split = newTable("Where the noise comes from, dBFS as recorded", heads("Take", "Carried in by the dry recording", "Added by the chain", "Mains", "Hum", "Hiss", "<Not told apart because"), split).Alike()
	if v.Measured {
		v.Levels = figure{ID: "noise-levels", Title: "Noise in the pauses", Axes: "A-weighted noise in dBFS. Hollow marks: as recorded; filled marks: as matched, which is what is heard here; grey: closed by a gate.",
			SVG:    svg(chart.Levels(chart.Text{Title: "Noise in the pauses of " + plural(len(shown), "take", "takes"), By: figure{ID: "noise-levels"}.AxesID()}, shown)),
			Legend: []label{}, Words: v.Words, Table: v.Table, CSV: "data/noise.csv", Download: "Noise as CSV"}
	}
	v.Spectrum = b.noiseSpectrum(curves, legend)
	return v
}

func (b *builder) noiseSpectrum(curves []chart.Curve, legend []label) figure {
	f := figure{ID: "noise-spectrum", Title: "Noise spectra", Axes: "Third-octave level in dBFS after matching, over frequency in Hz, in the pauses. The level is that of the mean power of the channels: a full-scale sine in all of them is −3.01 dBFS.", Legend: legend, Words: []string{}, CSV: "data/noise-spectrum.csv", Download: "Noise spectra as CSV"}
	head := heads("Band")
	for _, c := range curves {
		head = append(head, takeCell(b.labels[c.Take]))
	}
	rows := []row{}
	for k, band := range b.res.Spectrum.Third {
		line := []cell{{Text: bandName(band), Head: true}}
		for _, c := range curves {
			line = append(line, cell{Text: at(c.Y, k, 1)})
		}
		rows = append(rows, row{Cells: line})
	}
	f.Table = newTable("Noise in third octaves, dBFS after matching", head, rows)
	f.Table.Class = "bands"
	if len(curves) > 0 {
		lo, hi := bandRange(b.res.Spectrum.Third)
		f.SVG = svg(chart.Spectrum(chart.Text{Title: "Noise spectra of " + plural(len(curves), "take", "takes"), By: f.AxesID()}, curves, nil, lo, hi))
	}
	return f
}
