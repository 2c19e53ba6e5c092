package report

import (
	"math"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
	"evenhand/report/words"
)

// loudnessView is loudness and dynamics.
type loudnessView struct {
	Words        []string
	Levels       table
	Dynamics     table
	Time         figure
	Sections     table
	Alternatives table
	AltWords     string
	AltSections  bool // there are other ways for the sections, on details.html
}

func (b *builder) loudness() loudnessView {
	v := loudnessView{Words: []string{}}
	var integrated, crest []words.Point
	attacks := map[string]float64{}
	levels, dynamics := []row{}, []row{}
	for i, t := range b.res.Takes {
		m, ok := t.Whole()
		if !ok {
			continue
		}
		if t.Contestant() {
			integrated = append(integrated, words.Point{Name: t.Name, Value: float64(m.Integrated)})
			crest = append(crest, words.Point{Name: t.Name, Value: float64(m.Crest)})
			if c := t.Compressor; c != nil && c.Attack >= leastAttack {
				attacks[t.Name] = float64(c.Attack)
			}
		}
		again, peak := "–", "–"
		if p := t.Published; p != nil {
			again, peak = unit.Format(float64(p.Integrated), 2), unit.Format(float64(p.TruePeak), 1)
		} else if t.Withheld != nil {
			again = "not published"
		}
		levels = append(levels, row{Cells: append([]cell{notedCell(b.labels[i])}, cells(
			unit.Format(float64(m.Integrated), 1), unit.Format(float64(m.TruePeak), 1), unit.Signed(float64(t.Gain), 2), again, peak)...)})
		dynamics = append(dynamics, row{Cells: append([]cell{takeCell(b.labels[i])}, figureCells(m.AudioMeasures, t.Gain)...)})
	}
	v.Levels = newTable("Loudness and the match", heads("Take", "As recorded, LUFS", "True peak, dBTP", "Gain, dB", "Published, measured again, LUFS", "True peak, dBTP"), levels).Alike()
	v.Dynamics = newTable("Dynamics", append(heads("Take"), figureHeads(result.AudioMeasures{})...), dynamics).Alike()
	if len(integrated) > 0 || len(levels) == 0 {
		v.Words = append(v.Words, words.Loudness(integrated, float64(b.res.Resolution.Level)))
	}
	for _, w := range []string{words.Crest(crest, attacks), b.leftOut()} {
		if w != "" {
			v.Words = append(v.Words, w)
		}
	}
	v.Time = b.timeFigure()
	v.Sections = b.sectionTable()
	v.Alternatives, v.AltWords = b.alternatives(b.wholeName(), "Gains that other ways of matching would add, whole performance")
	v.AltSections = len(b.alternativeSections().Rows) > 0
	return v
}

// timeFigure is short-term loudness over time, after matching.
func (b *builder) timeFigure() figure {
	f := figure{ID: "time", Title: "Loudness over time", Axes: "Short-term loudness (3 s) in LUFS after matching, over time in minutes and seconds.", Legend: b.labels, Words: []string{}, CSV: "data/loudness-over-time.csv", Download: "CSV, every step"}
	from, to := b.span()
	curves := []chart.Curve{}
	const lines = 27
	head := heads("From")
	var tables []series
	for i, t := range b.res.Takes {
		m, ok := t.Whole()
		if !ok || m.Series == nil || !(m.Series.Step > 0) {
			continue
		}
		all, step := matchedLoudness(m.Series, t.Gain), float64(m.Series.Step)
		curves = append(curves, loudnessCurve(t.Name, i, all, step, from))
		head = append(head, takeCell(b.labels[i]))
		tables = append(tables, thin(all, step, int(math.Round(roundStep(float64(len(all))*step/lines)/step))))
	}
	rows := []row{}
	if len(tables) > 0 {
		for k := range tables[0].values {
			line := []cell{{Text: unit.Seconds(from + float64(k)*tables[0].step).String(), Head: true}}
			for _, s := range tables {
				line = append(line, cell{Text: at(s.values, k, 1)})
			}
			rows = append(rows, row{Cells: line})
		}
		f.Axes += " Greatest value in each step."
	}
	f.Table = newTable("Greatest short-term loudness in each step, LUFS after matching", head, rows)
	f.Table.Class = "bands"
	if len(curves) > 0 {
		f.SVG = svg(chart.Loudness(chart.Text{Title: "Loudness over time of " + plural(len(curves), "take", "takes"), By: f.AxesID()}, curves, b.chartSections(), from, to))
	}
	return f
}

// matchedLoudness is short-term loudness after matching, step by step.
func matchedLoudness(s *result.Series, gain unit.DB) []float64 {
	out := floats(s.ShortTerm)
	for k := range out {
		out[k] += float64(gain)
	}
	return out
}

// loudnessCurve is the ith take's loudness in at most 300 steps.
func loudnessCurve(name string, i int, all []float64, step, from float64) chart.Curve {
	const points = 300
	s := thin(all, step, (len(all)+points-1)/points)
	return chart.Curve{Name: name, Take: i, X: s.times(from), Y: s.values}
}

// series is a thinned series: the greatest value of each step.
type series struct {
	step   float64
	values []float64
}

func (s series) times(from float64) []float64 {
	out := make([]float64, len(s.values))
	for i := range out {
		out[i] = from + (float64(i)+0.5)*s.step
	}
	return out
}

// thin joins n neighbouring steps, keeping the greatest value of each; values
// that are not numbers do not count.
func thin(v []float64, step float64, n int) series {
	n = max(1, n)
	out := series{step: step * float64(n), values: []float64{}}
	for i := 0; i < len(v); i += n {
		top := math.NaN()
		for _, x := range v[i:min(i+n, len(v))] {
			if !math.IsNaN(x) && (math.IsNaN(top) || x > top) {
				top = x
			}
		}
		out.values = append(out.values, top)
	}
	return out
}

// roundStep is the next round time, in seconds, that is not shorter.
func roundStep(least float64) float64 {
	for _, s := range [...]float64{1, 2, 5, 10, 15, 20, 30, 60, 120, 300, 600} {
		if s >= least {
			return s
		}
	}
	return 1800 * math.Ceil(least/1800)
}

// sectionTable is the loudness after matching in each section.
func (b *builder) sectionTable() table {
	head := heads("Take")
	for _, s := range b.sections() {
		head = append(head, cell{Text: s.Name, Head: true})
	}
	rows := []row{}
	for i, t := range b.res.Takes {
		line := []cell{takeCell(b.labels[i])}
		for k := range b.sections() {
			c := cell{Text: "–"}
			if k+1 < len(t.Measures) {
				c.Text = unit.Format(float64(t.Measures[k+1].Integrated)+float64(t.Gain), 1)
			}
			line = append(line, c)
		}
		rows = append(rows, row{Cells: line})
	}
	return newTable("Integrated loudness of each section after matching, LUFS", head, rows)
}

func (b *builder) alternativesOf(span string) []result.Alternative {
	out := []result.Alternative{}
	for _, a := range b.res.Match.Alternatives {
		if a.Span == span {
			out = append(out, a)
		}
	}
	return out
}

func (b *builder) alternatives(span, caption string) (table, string) {
	alts := b.alternativesOf(span)
	rows, ranked := []row{}, []result.Alternative{}
	for _, a := range alts {
		rows = append(rows, b.alternativeRow(a))
		if b.ranked(a.Take) {
			ranked = append(ranked, a)
		}
	}
	said := ""
	if len(ranked) > 0 || len(alts) == 0 {
		said = words.Alternatives(ranked)
	}
	return newTable(caption, alternativeHeads(), rows), said
}

func alternativeHeads() []cell {
	return append(heads("Take"), figureHeads(result.Alternative{})...)
}

func (b *builder) alternativeRow(a result.Alternative) row {
	first := cell{Text: a.Take, Head: true}
	if i := b.index(a.Take); i >= 0 {
		first = takeCell(b.labels[i])
	}
	return row{Cells: append([]cell{first}, figureCells(a, 0)...)}
}

// alternativeSections lists the same for every section.
func (b *builder) alternativeSections() table {
	rows := []row{}
	for _, s := range b.sections() {
		for i, a := range b.alternativesOf(s.Name) {
			r := b.alternativeRow(a)
			if i == 0 {
				r.Group = s.Name
			}
			rows = append(rows, r)
		}
	}
	return newTable("Gains that other ways of matching would add, section by section", alternativeHeads(), rows)
}
