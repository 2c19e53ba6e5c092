package fairness

import (
	"cmp"
	"fmt"
	"math"

	"evenhand/analyze/parts"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// performanceQuestions ask whether the takes are of one performance, in step.
func performanceQuestions() []question {
	return []question{
		{
			id: IDPerformance, name: "Performance", group: result.GroupSound,
			why:   "no two performances are alike, and a better performance passes for a better sound",
			limit: limit{text: "odds of at least 10 000 to 1 that the notes of both start as in one performance", unit: "ms", source: practice},
			ask:   (*Measured).askPerformance,
		},
		{
			id: IDLag, name: "Timing", group: result.GroupSound,
			why:   "takes out of step jump when you switch, and sound doubled when mixed",
			limit: limit{kind: atMost, value: 2, unit: "ms", decimals: 2, least: 0.01, most: 50, source: practice},
			ask:   (*Measured).askLag,
		},
		{
			id: IDPolarity, name: "Polarity", group: result.GroupSound,
			why:   "you cannot hear polarity in one take alone, but takes of opposite polarity cancel when mixed or crossfaded",
			limit: words("the polarity of the reference"), ask: (*Measured).askPolarity,
		},
		{
			id: IDDrift, name: "Clock drift", group: result.GroupSound,
			why:   "a recording that runs fast or slow compared with the others had another clock or was converted",
			limit: limit{kind: within, value: 3, unit: "ppm", decimals: 1, least: 0.1, most: 1000, source: practice},
			ask:   (*Measured).askDrift,
		},
		{
			id: IDRateLabel, name: "Sample rate", group: result.GroupSound,
			why:   "a file recorded at one rate and labelled with another plays too fast or too slow, and out of tune",
			limit: limit{text: "the rate that the file states", unit: "Hz", source: practice}, ask: (*Measured).askRateLabel,
		},
		{
			id: IDSlips, name: "Lost samples", group: result.GroupSound,
			why:   "a cut or a buffer underrun puts everything after it out of step",
			limit: limit{kind: atMost, value: 0, unit: "samples", decimals: 1, most: 1e6, source: "common practice, no source: none"},
			ask:   (*Measured).askSlips,
		},
	}
}

// held returns the take numbers that are held against the timeline's source.
func (s *Measured) Held() []int {
	var out []int
	for i := range s.Takes {
		if !s.IsSource(i) {
			out = append(out, i)
		}
	}
	return out
}

// leftOver is how far, at most, a take is out of step with the others after it was
// shifted, in frames: the rounding to whole frames, the drift over half the span,
// slips, two standard errors of its place beside the others and, where that is a
// guess, by how much the notes begin apart.
func (s *Measured) leftOver(i int) float64 {
	a := s.Result.Takes[i].Alignment
	left := math.Abs(float64(a.Applied) - float64(s.Takes[i].Frame))
	if d := float64(a.Drift); a.BesideBy != "" && math.Abs(d) > 2*float64(a.DriftError) {
		left += math.Abs(d) * 1e-6 * float64(s.Result.Timeline.Spans[0].Frames) / 2
	}
	// Every slip moves what follows it.
	moved, most := 0.0, 0.0
	for _, x := range s.Takes[i].Judged.Slips {
		moved += float64(x.Lag)
		most = math.Max(most, math.Abs(moved))
	}
	left += most
	if a.BesideBy == "" {
		// The notes' beginnings say where it lies, less closely.
		v := s.Takes[i].Judged.Verdict
		n := math.Max(1, float64(v.Onsets))
		return left + (math.Abs(float64(v.Moved))+2*1.2533*float64(v.Spread)/math.Sqrt(n))*float64(s.Result.Timeline.SampleRate)
	}
	return left + 2*float64(a.BesideError)
}

// placed reports whether a take's place on the timeline is certain, by itself,
// through the take that others are aligned to, or by the beginnings of its
// notes.
func (s *Measured) placed(i int) bool { return s.Result.Takes[i].Alignment.PlacedBy != "" }

func (s *Measured) askLag(a *answers) {
	rate := float64(s.Result.Timeline.SampleRate)
	for _, i := range s.Held() {
		t := &s.Result.Takes[i]
		e := t.Alignment
		if why := cmp.Or(s.Silence(), s.OtherSpeed(i)); why != "" {
			a.skip(t.Name, why)
			continue
		}
		if s.addParts(a, i, "check that the take was not edited; if it was, export it unedited", parts.Moved, parts.Elastic) {
			continue
		}
		left := s.leftOver(i)
		value := lateText(e, rate)
		if !s.placed(i) && s.Takes[i].Judged.Verdict.Outcome != parts.Same || math.IsNaN(left) {
			if e.Applied == 0 {
				value = "not shifted"
			}
			a.add(answer{subject: t.Name, outcome: result.Caution, measured: math.NaN(), value: value + ", uncertain", reason: e.Reason,
				do: "listen as you switch: if the takes are out of step, check that the right file was named"})
			continue
		}
		reason := fmt.Sprintf("compared with the %s (device delay included); at most %s samples out of step with the others after that", s.SourceName(), sizeText(left))
		if e.BesideBy != result.ByPhase {
			reason += ", judged by note starts"
			if e.Reason != "" {
				reason += ": " + e.Reason
			}
		}
		a.judge(t.Name, 1000*left/rate, result.Caution, value+", corrected", reason, "listen as you switch; if the lag grows over the take, record through one clock")
	}
}

// lateText says how much later, or earlier, than the timeline's source a take starts.
func lateText(e result.Alignment, rate float64) string {
	side := "late"
	if e.Applied < 0 {
		side = "early"
	}
	size := unit.Format(math.Abs(float64(e.Applied)), e.LagDecimals()) + " samples"
	if e.PlacedBy == result.ByNotes {
		size += fmt.Sprintf(" ± %s ms", unit.Format(2000*float64(e.AppliedError)/rate, 1))
	}
	return size + " " + side
}

func (s *Measured) askPolarity(a *answers) {
	for i := range s.Takes {
		t := &s.Result.Takes[i]
		if i == s.Anchor {
			continue
		}
		if of := s.turnedRepeat(i); of != "" {
			a.add(answer{subject: t.Name, outcome: result.Caution, measured: math.NaN(), value: "inverted",
				reason: "against " + of + ", which it repeats: the same device with the same settings cannot do that, so a cable, the routing or the export changed between the two takes",
				do:     "find out what changed, and whether it changed for other takes too"})
			continue
		}
		if why := s.OtherSpeed(i); why != "" {
			a.skip(t.Name, why)
			continue
		}
		if s.addParts(a, i, "check that the take was not edited; if it was, export it unedited", parts.Turned) {
			continue
		}
		against := "against " + s.Result.Takes[s.Anchor].Name
		if k := s.Takes[i].Through; k >= 0 {
			against += ", via " + s.Result.Takes[k].Name
		}
		switch e := t.Alignment; e.PolarityToReference {
		case "same":
			a.pass(t.Name, "same", against)
		case "inverted":
			a.add(answer{subject: t.Name, outcome: result.Caution, measured: math.NaN(), value: "inverted", reason: against + "; a device with an odd number of inverting stages does this",
				do: "leave it for listening to one take at a time; invert it before you mix takes"})
		default:
			a.skip(t.Name, "polarity against "+s.Result.Takes[s.Anchor].Name+" not measured: "+s.Takes[i].ToAnchor.Reason)
		}
	}
}

// drift returns how much slower the clock of take i runs, one standard error of
// it, and what tells so: the windows of the whole take, or the beginnings of the
// notes where the windows are not alike. NaN where neither does.
func (s *Measured) ClockDrift(i int) (drift, err float64, by string) {
	if x := s.Takes[i].Judged; x.Judged && !math.IsNaN(float64(x.Drift)) && !math.IsNaN(float64(x.DriftError)) {
		return float64(x.Drift), float64(x.DriftError), result.ByPhase
	}
	p := s.Takes[i].Notes
	if p.Certain && !math.IsNaN(float64(p.Drift)) {
		return float64(p.Drift), float64(p.DriftError), result.ByNotes
	}
	return math.NaN(), math.NaN(), ""
}

func (s *Measured) askDrift(a *answers) {
	for _, i := range s.Held() {
		t := &s.Result.Takes[i]
		if why := cmp.Or(s.Silence(), s.OtherSpeed(i)); why != "" {
			a.skip(t.Name, why)
			continue
		}
		if s.Takes[i].Judged.Verdict.Outcome == parts.Different {
			a.skip(t.Name, "it is another performance")
			continue
		}
		if len(s.Takes[i].Judged.Slips) > 0 || s.alike(i) && len(s.Takes[i].Again.Slips) > 0 {
			a.skip(t.Name, "lost or inserted samples hide how fast the clock runs")
			continue
		}
		d, e, by := s.ClockDrift(i)
		if math.IsNaN(d) {
			a.skip(t.Name, "lag measured in too few places: "+s.driftReason(i))
			continue
		}
		sure := 3 * e
		e *= 2
		x := answer{
			subject: t.Name, outcome: result.Passed, measured: d, value: unit.Within(d, e) + " ppm",
			reason: "how much slower the take's clock runs, ± two standard errors, device delay changes from note to note included",
			do:     "play and record through one converter, or clock both from one source; do not convert a take afterwards",
		}
		if s.alike(i) {
			// Both runs were converted alike, or one of them was not.
			d, e = float64(s.Takes[i].Again.Drift), float64(s.Takes[i].Again.DriftError)
			sure, e = 3*e, 2*e
			x.measured, x.value = d, unit.Within(d, e)+" ppm"
			x.reason = fmt.Sprintf("how much slower its clock runs than that of %s, which it repeats, ± two standard errors", t.RepeatOf)
		} else if by == result.ByNotes {
			x.reason = "how much slower the take's clock runs, ± two standard errors, by note starts: its sound is not similar enough"
		}
		switch {
		case math.Abs(d)-sure > a.limit.value:
			x.outcome = result.Failed
		case math.Abs(d) > a.limit.value && math.Abs(d) > sure:
			x.outcome = result.Caution
		case math.Abs(d)+e > a.limit.value:
			x.outcome, x.do = result.NotMeasured, ""
			x.value += ", at most " + driftBound(math.Abs(d)+e)
			x.reason = "too uncertain to compare with the limit: the recording is too short, or the gear moves the lag too much from note to note"
		}
		a.add(x)
	}
}

// driftBound prints the most that a clock may run off, upwards.
func driftBound(ppm float64) string { return unit.Format(math.Ceil(10*ppm)/10, 1) + " ppm" }

// mostDrift returns the most that any take's clock may run off, two standard
// errors counted, in ppm; NaN where that of a take is not known.
func (s *Measured) mostDrift() float64 {
	most := 0.0
	for _, i := range s.Held() {
		d, e, _ := s.ClockDrift(i)
		if s.alike(i) {
			d, e = float64(s.Takes[i].Again.Drift), float64(s.Takes[i].Again.DriftError)
		}
		most = math.Max(most, math.Abs(d)+2*e) // NaN for any NaN
	}
	return most
}

// driftReason says why the drift of a take is not known.
func (s *Measured) driftReason(i int) string {
	for _, text := range []string{s.Takes[i].Judged.Reason, s.Takes[i].ToDry.DriftReason, s.Takes[i].Notes.Reason} {
		if text != "" {
			return text
		}
	}
	return "too few windows and notes match"
}
