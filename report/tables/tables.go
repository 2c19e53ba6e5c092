// Package tables turns a result into the tables of a report's data folder.
package tables

import (
	"bytes"
	"encoding/csv"
	"math"
	"slices"
	"strconv"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/csvtext"
)

// File is one table of numbers. Columns carry their unit in the heading;
// numbers have a point and a plain minus; an unmeasured value is empty and
// silence is -inf.
type File struct {
	Path  string                          // in the report
	Words string                          // what it has
	Rows  func(*result.Result) [][]string // the headings, then the lines
}

// Of returns the tables that a report with this result has.
func Of(r *result.Result) []File {
	files := []File{
		{"data/settings.csv", "settings of every take", settingsCSV},
		{"data/levels.csv", "levels and dynamics, every section", levelsCSV},
		{"data/loudness-over-time.csv", "loudness over time", timeCSV},
		{"data/match-alternatives.csv", "gains by other ways of matching", alternativesCSV},
		{"data/spectrum-third-octave.csv", "third-octave spectra and differences", func(r *result.Result) [][]string {
			return spectrumCSV(r, r.Spectrum.Third, func(m result.Measures) []unit.DB { return m.Third }, func(d result.Difference) result.BandDifferences { return d.Third })
		}},
		{"data/spectrum-sixth-octave.csv", "sixth-octave spectra and differences", func(r *result.Result) [][]string {
			return spectrumCSV(r, r.Spectrum.Sixth, func(m result.Measures) []unit.DB { return m.Sixth }, func(d result.Difference) result.BandDifferences { return d.Sixth })
		}},
		{"data/spectrum-twelfth-octave.csv", "twelfth-octave spectra and differences", func(r *result.Result) [][]string {
			return spectrumCSV(r, r.Spectrum.Twelfth, func(m result.Measures) []unit.DB { return m.Twelfth }, func(d result.Difference) result.BandDifferences { return d.Twelfth })
		}},
		{"data/noise.csv", "noise levels", noiseCSV},
		{"data/noise-spectrum.csv", "noise in third octaves", noiseSpectrumCSV},
		{"data/likeness.csv", "how alike the takes are", likenessCSV},
		{"data/checks.csv", "every check", checksCSV},
		{"data/overview.csv", "peak level of the performance", overviewCSV},
	}
	if r.Parameters.Gear != nil {
		files = append(files, File{"data/gear.csv", "touch and drive of every take", gearCSV}, File{"data/touch-curves.csv", "gain over level", touchCurvesCSV}, File{"data/leftover.csv", "what is left between takes after EQ", leftoverCSV},
			File{"data/leftover-third-octave.csv", "equalisers and what a filter leaves, in third octaves", leftoverBandsCSV}, File{"data/leftover-sections.csv", "what a filter leaves in each section", leftoverSectionsCSV})
	}
	return append(files, audienceFiles(r)...)
}

// Bytes returns the table as CSV.
func (f File) Bytes(res *result.Result) ([]byte, error) {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	if err := w.WriteAll(f.Rows(res)); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// num prints a number for a CSV file.
func num[T ~float64](v T) string {
	f := float64(v)
	switch {
	case math.IsNaN(f):
		return ""
	case math.IsInf(f, -1):
		return "-inf"
	case math.IsInf(f, 1):
		return "inf"
	}
	r := math.Round(f*1e4) / 1e4
	if r == 0 {
		r = 0
	}
	return strconv.FormatFloat(r, 'f', -1, 64)
}

func yes(b bool) string {
	if b {
		return "yes"
	}
	return "no"
}

// headings are the headings of figures in CSV files.
func headings(figures []result.Figure) []string {
	out := []string{}
	for _, f := range figures {
		if f.CSV {
			out = append(out, f.Words)
		}
	}
	return out
}

// numbers are the figures themselves, in that order.
func numbers(figures []result.Figure) []string {
	out := []string{}
	for _, f := range figures {
		if f.CSV {
			out = append(out, num(f.Value))
		}
	}
	return out
}

func settingsCSV(r *result.Result) [][]string {
	head := []string{"slot", "kind", "setting", "differs", "under test", "may differ"}
	for _, t := range r.Takes {
		head = append(head, csvtext.Cell(t.Name))
	}
	out := [][]string{head}
	for _, s := range r.Settings.Slots {
		for _, row := range s.Rows {
			line := []string{csvtext.Cell(s.Slot), csvtext.Cell(s.Kind), csvtext.Cell(row.Name), yes(row.Differs), yes(row.Varied), yes(row.Allowed)}
			for i := range r.Takes {
				v := ""
				if i < len(row.Values) && row.Values[i].Stated {
					v = csvtext.Cell(row.Values[i].Written)
				}
				line = append(line, v)
			}
			out = append(out, line)
		}
	}
	return out
}

func levelsCSV(r *result.Result) [][]string {
	// The gain follows the integrated loudness, which it follows from.
	out := [][]string{append([]string{"span", "take"}, slices.Insert(headings(result.AllFigures(result.Measures{})), 1, "gain (dB)")...)}
	for _, t := range r.Takes {
		for _, m := range t.Measures {
			out = append(out, append([]string{csvtext.Cell(m.Span), csvtext.Cell(t.Name)}, slices.Insert(numbers(result.AllFigures(m)), 1, num(t.Gain))...))
		}
	}
	return out
}

func timeCSV(r *result.Result) [][]string {
	out := [][]string{{"take", "from (s)", "momentary as recorded (LUFS)", "short-term as recorded (LUFS)", "gain (dB)"}}
	from := unit.Seconds(0)
	if len(r.Timeline.Spans) > 0 {
		from = r.Timeline.Spans[0].From
	}
	for _, t := range r.Takes {
		m, ok := t.Whole()
		if !ok || m.Series == nil {
			continue
		}
		s := m.Series
		for k := range max(len(s.Momentary), len(s.ShortTerm)) {
			line := []string{csvtext.Cell(t.Name), num(from + unit.Seconds(k)*s.Step), "", "", num(t.Gain)}
			if k < len(s.Momentary) {
				line[2] = num(s.Momentary[k])
			}
			if k < len(s.ShortTerm) {
				line[3] = num(s.ShortTerm[k])
			}
			out = append(out, line)
		}
	}
	return out
}

func alternativesCSV(r *result.Result) [][]string {
	out := [][]string{append([]string{"span", "take"}, headings(result.Figures(result.Alternative{}))...)}
	for _, a := range r.Match.Alternatives {
		out = append(out, append([]string{csvtext.Cell(a.Span), csvtext.Cell(a.Take)}, numbers(result.Figures(a))...))
	}
	return out
}

func spectrumCSV(r *result.Result, bands []result.Band, level func(result.Measures) []unit.DB, diff func(result.Difference) result.BandDifferences) [][]string {
	out := [][]string{{"span", "take", "band", "centre (Hz)", "level after matching (dBFS)", "difference from " + r.Spectrum.Against + " (dB)", "half width (dB)", "resolved"}}
	found := map[[2]string]result.BandDifferences{}
	for _, d := range r.Spectrum.Differences {
		found[[2]string{d.Span, d.Take}] = diff(d)
	}
	for _, t := range r.Takes {
		for _, m := range t.Measures {
			d, ok := found[[2]string{m.Span, t.Name}]
			levels := level(m)
			for k, b := range bands {
				line := []string{csvtext.Cell(m.Span), csvtext.Cell(t.Name), b.Label, num(b.Centre), "", "", "", ""}
				if k < len(levels) {
					line[4] = num(levels[k])
				}
				if ok && k < len(d.Difference) {
					line[5] = num(d.Difference[k])
				}
				if ok && k < len(d.HalfWidth) {
					line[6] = num(d.HalfWidth[k])
				}
				if ok && k < len(d.Resolved) {
					line[7] = yes(d.Resolved[k])
				}
				out = append(out, line)
			}
		}
	}
	return out
}

func noiseCSV(r *result.Result) [][]string {
	out := [][]string{append([]string{"take", "measured", "gated", "state"}, slices.Concat(headings(result.Figures(result.NoiseLevels{})), headings(result.Figures(result.Noise{})))...)}
	for _, t := range r.Takes {
		n := t.Noise
		levels := func(l result.NoiseLevels, n result.Noise) []string {
			return append(numbers(result.Figures(l)), numbers(result.Figures(n))...)
		}
		matched := result.Noise{CarriedIn: unit.DBFS(math.NaN()), Added: unit.DBFS(math.NaN()), Duration: n.Duration}
		for i, figures := range [][]string{levels(n.AsRecorded, n), levels(n.AsMatched, matched)} {
			line := []string{csvtext.Cell(t.Name), yes(n.Measured), yes(n.Gated), [...]string{"as recorded", "as matched"}[i]}
			if !n.Measured {
				line[2], figures = "", make([]string, len(figures))
			}
			out = append(out, append(line, figures...))
		}
	}
	return out
}

func noiseSpectrumCSV(r *result.Result) [][]string {
	out := [][]string{{"take", "band", "centre (Hz)", "level after matching (dBFS)"}}
	for _, t := range r.Takes {
		for k, b := range r.Spectrum.Third {
			if t.Noise.Measured && k < len(t.Noise.Third) {
				out = append(out, []string{csvtext.Cell(t.Name), b.Label, num(b.Centre), num(t.Noise.Third[k])})
			}
		}
	}
	return out
}

func likenessCSV(r *result.Result) [][]string {
	out := [][]string{append(append([]string{"take", "other take"}, headings(result.Figures(result.Likeness{}))...), "resolved", "left after an equaliser (dB)", "left after a filter (dB)")}
	for _, l := range r.Likeness {
		left := result.Leftover{Equaliser: unit.DB(math.NaN()), Filter: unit.DB(math.NaN())}
		if m := r.LeftoverOf(l.A, l.B); m != nil && m.Reason.Words == "" {
			left = *m
		}
		out = append(out, append(append([]string{csvtext.Cell(l.A), csvtext.Cell(l.B)}, numbers(result.Figures(l))...), yes(l.Resolved), num(left.Equaliser), num(left.Filter)))
	}
	return out
}

func checksCSV(r *result.Result) [][]string {
	out := [][]string{{"check", "group", "subject", "outcome", "value", "limit", "source of the limit", "reason", "why", "what to do"}}
	for _, k := range r.Checks {
		out = append(out, []string{csvtext.Cell(k.Name), csvtext.Cell(string(k.Group)), csvtext.Cell(k.Subject), string(k.Outcome), csvtext.Cell(k.Value), csvtext.Cell(k.Limit), csvtext.Cell(k.LimitSource), csvtext.Cell(k.Reason), csvtext.Cell(k.Why), csvtext.Cell(k.Do)})
	}
	return out
}

func overviewCSV(r *result.Result) [][]string {
	out := [][]string{{"from (s)", "peak (linear, full scale 1)"}}
	if len(r.Timeline.Spans) == 0 {
		return out
	}
	s, n := r.Timeline.Spans[0], len(r.Timeline.Overview)
	for i, v := range r.Timeline.Overview {
		out = append(out, []string{num(s.From + (s.To-s.From)*unit.Seconds(i)/unit.Seconds(n)), num(v)})
	}
	return out
}

func gearCSV(r *result.Result) [][]string {
	out := [][]string{append([]string{"take"}, slices.Concat(headings(result.Figures(result.Touch{})), headings(result.Figures(result.Drive{})))...)}
	// Columns that few comparisons have.
	of := headings(result.Figures(result.Compressor{}))
	compressors := slices.ContainsFunc(r.Takes, func(t result.Take) bool { return t.Compressor != nil })
	if compressors {
		out[0] = append(append(out[0], of...), "compressor detector")
	}
	for _, t := range r.Takes {
		if t.Touch == nil || t.Drive == nil {
			continue
		}
		line := append([]string{csvtext.Cell(t.Name)}, slices.Concat(numbers(result.Figures(*t.Touch)), numbers(result.Figures(*t.Drive)))...)
		switch c := t.Compressor; {
		case c != nil:
			line = append(append(line, numbers(result.Figures(*c))...), c.Detector)
		case compressors:
			line = append(line, make([]string, len(of)+1)...)
		}
		out = append(out, line)
	}
	return out
}

// touchCurvesCSV has the gain at each level, relative to that at the loudest one.
func touchCurvesCSV(r *result.Result) [][]string {
	out := [][]string{{"take", "level in (dBFS)", "gain (dB)", "gain, lower quartile (dB)", "gain, upper quartile (dB)"}}
	for _, t := range r.Takes {
		if t.Touch == nil {
			continue
		}
		for k, in := range t.Touch.In {
			out = append(out, []string{csvtext.Cell(t.Name), num(in), num(t.Touch.Gain[k]), num(t.Touch.Lower[k]), num(t.Touch.Upper[k])})
		}
	}
	return out
}

func leftoverCSV(r *result.Result) [][]string {
	out := [][]string{append(append([]string{"take", "other take"}, headings(result.Figures(result.Leftover{}))...), "resolved", "not measured because")}
	for _, l := range r.Leftover {
		out = append(out, append(append([]string{csvtext.Cell(l.A), csvtext.Cell(l.B)}, numbers(result.Figures(l))...), yes(l.Resolved), csvtext.Cell(l.Reason.Words)))
	}
	return out
}

// eachWay calls each with both ways of all pairs that were measured: what remains of one
// take after the other was equalised to it.
func eachWay(r *result.Result, each func(from, of string, w result.LeftoverWays)) {
	for _, l := range r.Leftover {
		for _, w := range l.Ways {
			from := l.A
			if w.Of == l.A {
				from = l.B
			}
			each(csvtext.Cell(from), csvtext.Cell(w.Of), w)
		}
	}
}

func leftoverBandsCSV(r *result.Result) [][]string {
	out := [][]string{{"take", "equalised to", "band", "centre (Hz)", "equaliser (dB)", "left after a filter (dB)"}}
	eachWay(r, func(from, of string, w result.LeftoverWays) {
		for k, b := range r.Spectrum.Third {
			if k < len(w.Curve) && k < len(w.Third) {
				out = append(out, []string{from, of, b.Label, num(b.Centre), num(w.Curve[k]), num(w.Third[k])})
			}
		}
	})
	return out
}

func leftoverSectionsCSV(r *result.Result) [][]string {
	out := [][]string{{"take", "equalised to", "section", "left after a filter (dB)"}}
	eachWay(r, func(from, of string, w result.LeftoverWays) {
		for k, v := range w.Sections {
			if k+1 < len(r.Timeline.Spans) {
				out = append(out, []string{from, of, csvtext.Cell(r.Timeline.Spans[k+1].Name), num(v)})
			}
		}
	})
	return out
}
