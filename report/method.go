package report

import (
	"fmt"
	"strings"

	"evenhand/analyze"
	"evenhand/analyze/unit"
	"evenhand/report/record"
)

// methodView is how everything was measured.
type methodView struct {
	Paragraphs []paragraph
	Lags       table
	Footnotes  []footnote
}

type paragraph struct{ Title, Text string }

// seconds prints a short time with the digits it has.
func seconds(s unit.Seconds) string {
	return strings.TrimSuffix(strings.TrimRight(unit.Format(float64(s), 4), "0"), ".") + " s"
}

func (b *builder) method() methodView {
	p := b.res.Parameters
	v := methodView{Paragraphs: []paragraph{}, Footnotes: b.notes}
	if v.Footnotes == nil {
		v.Footnotes = []footnote{}
	}
	add := func(title, text string) { v.Paragraphs = append(v.Paragraphs, paragraph{title, text}) }
	add("Time", b.timelineWords())
	a := p.Alignment
	add("Alignment", fmt.Sprintf("Each take is placed on that timeline in two steps: the correlation of the level in blocks of %s, searched within ±%s; then %d windows of %d samples, correlated between %s and %s, to a fraction of a sample. A lag contains the gear’s own delay. Where two ways of estimating disagree, the answer is “uncertain”.",
		seconds(a.CoarseBlock), seconds(a.MaxLag), a.FineWindows, a.FineWindow, a.FineBand[0], a.FineBand[1]))
	if a.Clocks != "" {
		add("Clocks", "How much slower a take’s clock runs, and where samples were lost or inserted, is told by "+a.Clocks+". The range of a drift is two standard errors.")
	}
	l := p.Loudness
	add("Loudness", fmt.Sprintf("%s: K-weighting designed for the files’ own rate, blocks of %s every %s, absolute gate %s, relative gate %s. Momentary loudness every %s, short-term every %s; loudness range from short-term values every %s. True peak by interpolation to %d times the rate. One-channel signals: %s. RMS: a full-scale sine is −3.01 dBFS. Crest factor: sample peak minus RMS; peak to loudness: true peak minus integrated loudness.",
		orElse(l.Standard, "Loudness"), seconds(l.GatingBlock), seconds(l.GatingHop), l.AbsoluteGate, unit.Signed(float64(l.RelativeGate), 1)+" LU", seconds(l.MomentaryHop), seconds(l.ShortTermHop), seconds(l.RangeHop), l.TruePeakFactor, orElse(l.MonoConvention, "not stated")))
	m := p.Match
	add("Level match", fmt.Sprintf("One gain for each take brings its integrated loudness over the whole span to %s (%s), with no true peak above %s; it is solved for, since the absolute gate does not move with the gain. The written files were measured again; the tolerance is %s LU. Dither: %s.",
		b.res.Match.Target, orElse(m.TargetSource, "no source given"), m.Ceiling, unit.Format(float64(m.Tolerance), 2), orElse(m.Dither, "none")))
	if x := b.res.Loopback; x != nil && x.Certain {
		add("Reamp level", reampWords(x))
	}
	s := p.Spectrum
	add("Spectra", fmt.Sprintf("%s, %s window of %d samples, hop %d, bins %s Hz wide (noise bandwidth %s Hz), detrend: %s. Bands: %s, from %s to %s, after level matching. A difference counts when it is larger than chance, judged by the noise between the partials, so strictly that the whole page is free of chance findings with %s %% confidence (%s %% for a single band).",
		orElse(s.Method, "Averaged spectra"), s.Window, s.Length, s.Hop, unit.Format(float64(s.Resolution), 2), unit.Format(float64(s.ENBW), 2), orElse(s.Detrend, "none"), s.BandStandard, s.From, s.To, unit.Format(float64(s.Confidence)*100, 0), unit.Format(float64(s.BandConfidence)*100, 4)))
	n := p.Noise
	mains := "not found"
	if n.Mains > 0 {
		mains = n.Mains.String() + ", " + n.MainsSource
	}
	under := ""
	if n.Threshold != 0 {
		under = " in which the level stays within " + unit.Format(float64(n.Threshold), 0) + " dB of the recording's own floor"
	}
	add("Noise", fmt.Sprintf("Measured in pauses of at least %s%s, leaving out %s at either end; bandwidth %s. Hum is what stands at the mains frequency (%s) and its first %d harmonics, hiss is the rest. 468-weighted values are rms, not quasi-peak.",
		seconds(n.MinimumPause), under, seconds(n.Guard), orElse(n.Bandwidth, "not stated"), mains, n.Harmonics))
	add("What counts", resolutionWords(b.res.Resolution))

	rows := []row{}
	for i, t := range b.res.Takes {
		x := t.Alignment
		sure := "yes"
		if !x.Certain {
			sure = "no: " + orElse(x.Reason, "no reason given")
			if b.notes.tell(x.Reason) {
				sure = "no" // the footnote at the name says why
			}
		}
		rows = append(rows, row{Cells: append([]cell{notedCell(b.labels[i])}, append(cells(
			unit.Signed(float64(x.Lag), x.LagDecimals()), unit.Signed(float64(x.LagToReference), x.LagDecimals()), unit.Signed(float64(x.Applied), x.LagDecimals())),
			cell{Text: orElse(x.Polarity, "–"), Class: "t"}, cell{Text: orElse(x.PolarityToReference, "–"), Class: "t"},
			cell{Text: unit.Within(float64(x.Drift), 2*float64(x.DriftError))}, cell{Text: unit.Format(float64(x.Confidence), 1)}, cell{Text: sure, Class: "t"})...)})
	}
	v.Lags = newTable("Lag, polarity and clock", heads("Take", "Lag, samples", "Lag against the reference, samples", "Removed, samples", "<Polarity", "<Polarity against the reference", "Drift, ppm", "Peak to next peak, ratio", "<Certain"), rows)
	return v
}

func (b *builder) timelineWords() string {
	t := b.res.Timeline
	source := "the dry recording"
	if t.Source != "dry" {
		source = "the take " + orElse(t.Source, "that comes first")
	}
	s := "All times are those of " + source
	if t.SampleRate > 0 {
		s += fmt.Sprintf(" (%d Hz)", t.SampleRate)
	}
	s += ". "
	if len(t.Spans) > 0 {
		s += fmt.Sprintf("The whole is the time that everything covers, %s to %s. ", t.Spans[0].From, t.Spans[0].To)
	}
	switch t.SectionsSource {
	case "manifest":
		s += "The sections are those of the manifest."
	case "markers":
		s += "The sections come from the markers in the recording."
	case "pauses":
		s += "The sections were found from the pauses."
	default:
		s += "There are no sections."
	}
	return s
}

// withheldWords names a file that may not be passed on, and what follows for
// its audio.
func withheldWords(f analyze.File) string {
	if f.Use == "take" {
		return f.Path + " (nor the take’s matched audio)"
	}
	return f.Path
}

// filesView is what was read and what is published.
type filesView struct {
	Read      table
	Written   table
	Withheld  []string
	Downloads []fact // path and words
	Sheet     string // path of the settings to print; "" without
	Tool      string
	Format    int
}

func (b *builder) files(opts Options) filesView {
	v := filesView{Withheld: []string{}, Downloads: []fact{{resultsName, "every number, parameter and hash"}}, Tool: strings.TrimSpace(b.res.Tool.Name + " " + b.res.Tool.Version), Format: b.res.Format}
	if len(opts.Manifest) > 0 {
		v.Downloads = append(v.Downloads, fact{manifestName, "the manifest, as read"})
	}
	if opts.sheet {
		v.Sheet = record.SheetName
		v.Downloads = append(v.Downloads, fact{record.JSONName, "the settings, to start the next comparison from"})
	}
	for _, f := range csvFiles(b.res) {
		v.Downloads = append(v.Downloads, fact{f.path, f.words})
	}
	rows := []row{}
	for _, f := range b.res.Files {
		format := "–"
		if a := f.Audio; a != nil {
			format = fmt.Sprintf("%s, %s, %d Hz, %s, %s", a.Container, a.Encoding, a.SampleRate, plural(a.Channels, "channel", "channels"), a.Duration)
		}
		pub := "allowed"
		if !f.Redistribute {
			pub = "not allowed"
			v.Withheld = append(v.Withheld, withheldWords(f))
		}
		rows = append(rows, row{Cells: []cell{{Text: f.Path, Head: true, Refs: b.notes.about(f.Path)}, {Text: f.Use, Class: "t"}, {Text: format, Class: "t"}, {Text: fmt.Sprint(f.Bytes)}, {Text: pub, Class: "t"}, {Text: f.SHA256, Class: "hash"}}})
	}
	v.Read = newTable("Files that were read", heads("File", "<Use", "<Format", "Bytes", "<Redistribution", "<SHA-256"), rows)
	rows = []row{}
	for _, t := range b.res.Takes {
		if p := t.Published; p != nil {
			rows = append(rows, row{Cells: []cell{{Text: p.Path, Head: true}, {Text: fmt.Sprintf("%s, %d Hz, %s", p.Encoding, p.SampleRate, plural(p.Channels, "channel", "channels")), Class: "t"}, {Text: unit.Format(float64(p.Integrated), 2)}, {Text: unit.Signed(float64(p.Deviation), 3)}, {Text: unit.Format(float64(p.TruePeak), 2)}, {Text: fmt.Sprint(p.Bytes)}, {Text: p.SHA256, Class: "hash"}}})
		}
	}
	v.Written = newTable("Files that are published here, measured again", heads("File", "<Format", "Integrated, LUFS", "Off target, LU", "True peak, dBTP", "Bytes", "<SHA-256"), rows)
	return v
}

// reampWords say what the level of a loop is, and how it was found here.
func reampWords(l *analyze.Loopback) string {
	s := "From the part of the loopback that follows the dry recording. The level of a loop that loses lows or treble is the gain of its passband: what it would do everywhere without the loss. A gain with a loss of first or second order or a shelf at each end, or nothing there, is fitted to the sixth octaves that are measured well; where that explains them within their errors, its gain is the level, otherwise the mean of the octaves of 250 Hz to 1 kHz. "
	switch {
	case len(l.Shape) > 0:
		return s + fmt.Sprintf("Here, from %s to %s, the loop has %s; without that its gain is %s dB, to ±%s dB (two standard errors). The octaves of %s return at %s dB.",
			l.FitFrom, l.FitTo, l.ShapeWords(), unit.Signed(float64(l.Level), 2), unit.Format(float64(l.LevelError), 2), l.LevelBands, unit.Signed(float64(l.Middle), 2))
	case l.Separated:
		return s + fmt.Sprintf("Here the response is flat within what was measured, and both are the same to ±%s dB.", unit.Format(float64(l.LevelError), 2))
	}
	return s + fmt.Sprintf("Here none explains the response, so the level is that mean; the sixth octaves there differ by %s dB.", unit.Format(float64(l.LevelError), 2))
}
