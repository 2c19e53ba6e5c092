package report

import (
	"bytes"
	"encoding/csv"
	"math"
	"strconv"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/csvtext"
)

// csvFile is one table of numbers. Columns carry their unit in the heading;
// numbers have a point and a plain minus; an unmeasured value is empty and
// silence is -inf.
type csvFile struct {
	path  string
	words string
	fill  func(*result.Result) [][]string
}

// csvFiles returns the tables that a report with this result has.
func csvFiles(r *result.Result) []csvFile {
	return append([]csvFile{
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
	}, audienceCSVFiles(r)...)
}

func (f csvFile) bytes(res *result.Result) ([]byte, error) {
	var out bytes.Buffer
	w := csv.NewWriter(&out)
	if err := w.WriteAll(f.fill(res)); err != nil {
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
	out := [][]string{{"span", "take", "integrated (LUFS)", "gain (dB)", "max momentary (LUFS)", "max short-term (LUFS)", "range (LU)", "true peak (dBTP)", "sample peak (dBFS)", "rms (dBFS)", "crest factor (dB)", "peak to loudness (LU)", "unweighted (dBFS)", "A-weighted (dBFS)", "468-weighted (dBFS)", "centroid (Hz)", "tilt (dB/octave)", "low (dB of the whole)", "mid (dB of the whole)", "high (dB of the whole)", "effective averages"}}
	for _, t := range r.Takes {
		for _, m := range t.Measures {
			d := m.Descriptors
			out = append(out, []string{csvtext.Cell(m.Span), csvtext.Cell(t.Name), num(m.Integrated), num(t.Gain), num(m.MaxMomentary), num(m.MaxShortTerm), num(m.Range), num(m.TruePeak), num(m.SamplePeak), num(m.RMS), num(m.Crest), num(m.PeakToLoudness), num(m.Unweighted), num(m.AWeighted), num(m.Weighted468), num(d.Centroid), num(d.Tilt), num(d.Low), num(d.Mid), num(d.High), num(m.EffectiveAverages)})
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
		m, ok := whole(t)
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
	out := [][]string{{"span", "take", "loudness of the span (dB)", "unweighted (dB)", "A-weighted (dB)", "468-weighted (dB)", "spread (dB)"}}
	for _, a := range r.Match.Alternatives {
		out = append(out, []string{csvtext.Cell(a.Span), csvtext.Cell(a.Take), num(a.Loudness), num(a.Unweighted), num(a.AWeighted), num(a.Weighted468), num(a.Spread)})
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
	out := [][]string{{"take", "measured", "gated", "state", "unweighted (dBFS)", "A-weighted (dBFS)", "468-weighted rms (dBFS)", "hum (dBFS)", "hiss (dBFS)", "carried in (dBFS)", "added (dBFS)", "pauses (s)"}}
	for _, t := range r.Takes {
		n := t.Noise
		for i, l := range []result.NoiseLevels{n.AsRecorded, n.AsMatched} {
			state := [...]string{"as recorded", "as matched"}[i]
			if !n.Measured {
				out = append(out, []string{csvtext.Cell(t.Name), "no", "", state, "", "", "", "", "", "", "", ""})
				continue
			}
			line := []string{csvtext.Cell(t.Name), "yes", yes(n.Gated), state, num(l.Unweighted), num(l.AWeighted), num(l.Weighted468), num(l.Hum), num(l.Hiss), "", "", num(n.Duration)}
			if i == 0 {
				line[9], line[10] = num(n.CarriedIn), num(n.Added)
			}
			out = append(out, line)
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
	out := [][]string{{"take", "other take", "spectral distance (dB)", "null residual (dB)", "coherence", "resolved"}}
	for _, l := range r.Likeness {
		out = append(out, []string{csvtext.Cell(l.A), csvtext.Cell(l.B), num(l.Spectral), num(l.Residual), num(l.Coherence), yes(l.Resolved)})
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
