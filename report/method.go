package report

import (
	"fmt"
	"math"
	"strings"

	"evenhand/analyze"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/fair"
	"evenhand/report/words"
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
		add("Clocks", fmt.Sprintf("Each take is compared with %s from beginning to end. If its clock runs slower or faster, the two drift apart steadily; where samples were lost or inserted, they jump apart and stay so. %s The range given for a drift is two standard errors.", b.timelineSource(), a.Clocks))
	}
	l := p.Loudness
	add("Loudness", fmt.Sprintf("%s: K-weighting designed for the files’ own rate, blocks of %s every %s, absolute gate %s, relative gate %s. Momentary loudness every %s, short-term every %s; loudness range from short-term values every %s. True peak by interpolation to %d times the rate. One-channel signals: %s. RMS: a full-scale sine is −3.01 dBFS. Crest factor: sample peak minus RMS; peak to loudness: true peak minus integrated loudness.",
		orElse(l.Standard, "Loudness"), seconds(l.GatingBlock), seconds(l.GatingHop), l.AbsoluteGate, unit.Signed(float64(l.RelativeGate), 1)+" LU", seconds(l.MomentaryHop), seconds(l.ShortTermHop), seconds(l.RangeHop), l.TruePeakFactor, orElse(l.MonoConvention, "not stated")))
	m := p.Match
	add("Level match", fmt.Sprintf("One gain for each take brings its integrated loudness over the whole span to %s (%s), with no true peak above %s; it is solved for, since the absolute gate does not move with the gain. The written files were measured again; the tolerance is %s LU. Dither: %s.%s",
		b.res.Match.Target, orElse(m.TargetSource, "no source given"), m.Ceiling, unit.Format(float64(m.Tolerance), 2), orElse(m.Dither, "none"), copiesWords(m)))
	if x := b.res.Loopback; x != nil && x.Certain {
		add("Reamp level", fair.ReampWords(x))
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
	if text := gearMethod(p.Gear); text != "" {
		add("Only EQ, touch and drive", text)
	}
	if text := compressorMethod(b.res); text != "" {
		add("Compressors", text)
	}
	if text := equalisedMethod(b.res.Equalised); text != "" {
		add("What is heard equalised", text)
	}
	add("What counts", words.Resolution(b.res.Resolution))
	add("What is heard", audibleWords(s)+" Sentences, distances, the spectrum in five figures and the emphasis of plots follow this rule.")
	if f := b.res.EarlierFormat; f > 0 {
		if rules := result.RulesAfter(f, b.res); len(rules) > 0 {
			add("New rules", newRulesWords(rules))
		}
	}

	rows := []row{}
	for i, t := range b.res.Takes {
		x := t.Alignment
		sure, removed := "yes", unit.Signed(float64(x.Applied), x.LagDecimals())
		if x.Kept != nil {
			removed = unit.Signed(float64(*x.Kept), 0)
		}
		if !x.Certain {
			sure = "no: " + orElse(x.Reason.Words, "no reason given")
			if b.notes.tell(x.Reason.Words) {
				sure = "no" // the footnote at the name says why
			}
		}
		rows = append(rows, row{Cells: append([]cell{notedCell(b.labels[i])}, append(cells(
			unit.Signed(float64(x.Lag), x.LagDecimals()), unit.Signed(float64(x.LagToReference), x.LagDecimals()), removed),
			cell{Text: orElse(x.Polarity, "–"), Class: "t"}, cell{Text: orElse(x.PolarityToReference, "–"), Class: "t"},
			cell{Text: unit.Within(float64(x.Drift), 2*float64(x.DriftError))}, cell{Text: unit.Format(float64(x.Confidence), 1)}, cell{Text: sure, Class: "t"}, cell{Text: besideWords(x), Class: "t"})...)})
	}
	v.Lags = newTable("Lag, polarity and clock", heads("Take", "Lag, samples", "Lag against the reference, samples", "Removed, samples", "<Polarity", "<Polarity against the reference", "Drift, ppm", "Peak to next peak, ratio", "<Certain", "<Beside the others, samples"), rows).Alike()
	return v
}

// newRulesWords says by which rules figures of a report that was published before
// may have changed.
func newRulesWords(rules []result.Rule) string {
	text := "An earlier version of this report was published before these rules, and its figures may differ for that reason."
	for _, r := range rules {
		text += " " + r.Says
	}
	return text
}

// besideWords says how sure a take's place beside the other takes is.
func besideWords(a result.Alignment) string {
	switch a.BesideBy {
	case "":
		return "not certain"
	case result.ByNotes:
		return "± " + unit.Format(2*float64(a.BesideError), 0) + ", by note starts"
	}
	return "± " + unit.Format(2*float64(a.BesideError), 2)
}

// timelineSource names the recording that the timeline is taken from.
func (b *builder) timelineSource() string {
	if b.res.DryTimeline() {
		return "the dry recording"
	}
	return "the take " + b.res.Timeline.Source
}

func (b *builder) timelineWords() string {
	t := b.res.Timeline
	s := "All times are those of " + b.timelineSource()
	if t.SampleRate > 0 {
		s += fmt.Sprintf(" (%d Hz)", t.SampleRate)
	}
	s += ". "
	if len(t.Spans) > 0 {
		s += fmt.Sprintf("The whole is the time that everything covers, %s to %s. ", t.Spans[0].From, t.Spans[0].To)
	}
	if t.PlacesSource == analyze.PlacesKept {
		s += "Takes that were published before stay at their places on it. "
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

// copiesWords says why the published files have their depth; "" where the result does
// not say it.
func copiesWords(m result.MatchParameters) string {
	if m.CopiesSource == "" {
		return ""
	}
	text := " Bit depth of the published files: " + m.CopiesSource
	if margin := float64(m.CopiesMargin); !math.IsNaN(margin) && !math.IsInf(margin, 0) {
		text += fmt.Sprintf("; the quietest pause that no gate closes is %s dB, A-weighted, %s the dither of 16 bits, where %s dB above it are enough for 16 bits",
			unit.Format(math.Abs(margin), 1), map[bool]string{true: "below", false: "above"}[margin < 0], unit.Format(float64(result.ClearOfDither), 0))
	}
	return text + "."
}
