package analyze

import (
	"fmt"
	"math"

	"evenhand/analyze/unit"
)

// performanceQuestions ask whether the takes are of one performance, in step.
func performanceQuestions() []question {
	return []question{
		{
			id: idPerformance, name: "Same performance", group: groupSound,
			why:   "two performances never are alike, and the ear takes a better pass for a better sound",
			limit: limit{kind: atMost, value: 1, unit: "ms", decimals: 2, least: 0.01, most: 20, source: practice},
			ask:   (*Session).askPerformance,
		},
		{
			id: idLag, name: "In step", group: groupSound,
			why:   "takes that are not in step jump when they are switched, and sound like a doubling when mixed",
			limit: limit{kind: atMost, value: 1, unit: "ms", decimals: 2, least: 0.01, most: 50, source: practice},
			ask:   (*Session).askLag,
		},
		{
			id: idPolarity, name: "One polarity", group: groupSound,
			why:   "polarity is not heard in one take alone, but takes of opposed polarity cancel when they are mixed or crossfaded",
			limit: words("the polarity of the reference"), ask: (*Session).askPolarity,
		},
		{
			id: idDrift, name: "One clock", group: groupSound,
			why:   "a recording that runs fast or slow against the others went through another clock or a conversion",
			limit: limit{kind: within, value: 3, unit: "ppm", decimals: 1, least: 0.1, most: 1000, source: practice},
			ask:   (*Session).askDrift,
		},
	}
}

// held returns the take numbers that are held against the timeline's source.
func (s *Session) held() []int {
	var out []int
	for i, sig := range s.takes {
		if sig != s.source() {
			out = append(out, i)
		}
	}
	return out
}

func (s *Session) askPerformance(a *answers) {
	for _, i := range s.held() {
		t := &s.Result.Takes[i]
		e := t.Alignment
		ms := 1000 * float64(e.Spread) / float64(s.Result.Timeline.SampleRate)
		if math.IsNaN(ms) {
			a.skip(t.Name, e.Reason)
			continue
		}
		a.judge(t.Name, ms, map[bool]Outcome{true: Fails, false: Caution}[e.Certain], unit.Format(ms, 3)+" ms", "scatter of the lag over the take", "check that the right file was named: this is another pass")
	}
}

// leftOver is how far, at most, a take is out of step after it was shifted: the
// rounding to whole frames and the drift over half the span.
func (s *Session) leftOver(i int) float64 {
	e := s.Result.Takes[i].Alignment
	left := math.Abs(float64(e.Applied) - float64(s.offsets[i]))
	if d := float64(e.Drift); !math.IsNaN(d) && math.Abs(d) > 2*float64(e.DriftError) {
		left += math.Abs(d) * 1e-6 * float64(s.Result.Timeline.Spans[0].Frames) / 2
	}
	return left
}

func (s *Session) askLag(a *answers) {
	rate := float64(s.Result.Timeline.SampleRate)
	for _, i := range s.held() {
		t := &s.Result.Takes[i]
		e := t.Alignment
		left := s.leftOver(i)
		value := fmt.Sprintf("%s taken out", e.Applied)
		if !e.Certain && !s.toAnchor[i].Certain {
			a.add(answer{subject: t.Name, outcome: Caution, measured: nan(), value: value, reason: e.Reason,
				do: "listen at a switch: if the takes are out of step, check that the right file was named"})
			continue
		}
		a.judge(t.Name, 1000*left/rate, Caution, value,
			fmt.Sprintf("how much later than the %s the take lies, the gear's own delay included; after the shift at most %s samples are left", s.sourceName(), unit.Format(left, 2)),
			"record through one clock: the take cannot be kept in step over its length")
	}
}

func (s *Session) askPolarity(a *answers) {
	for i := range s.takes {
		t := &s.Result.Takes[i]
		if i == s.anchor {
			continue
		}
		switch e := t.Alignment; e.PolarityToReference {
		case "same":
			a.holds(t.Name, "same", "against "+s.Result.Takes[s.anchor].Name)
		case "inverted":
			a.add(answer{subject: t.Name, outcome: Caution, measured: nan(), value: "inverted", reason: "against " + s.Result.Takes[s.anchor].Name + "; devices with an odd number of inverting stages do that",
				do: "nothing, for listening to one take at a time; invert it before mixing takes"})
		default:
			a.skip(t.Name, "the polarity against "+s.Result.Takes[s.anchor].Name+" cannot be told: "+s.toAnchor[i].Reason)
		}
	}
}

func (s *Session) askDrift(a *answers) {
	for _, i := range s.held() {
		t := &s.Result.Takes[i]
		d, e := float64(t.Alignment.Drift), float64(t.Alignment.DriftError)
		if math.IsNaN(d) {
			a.skip(t.Name, "the lag is not known in enough places: "+s.toDry[i].DriftReason)
			continue
		}
		value := fmt.Sprintf("%s ± %s ppm", unit.Signed(d, 1), unit.Format(2*e, 1))
		x := answer{subject: t.Name, outcome: Holds, measured: d, value: value, reason: "how much slower the take's clock runs, with two standard errors"}
		x.do = "play and record through one converter, or clock both from one source; do not convert a take afterwards"
		if !a.limit.allows(d) {
			x.outcome = Caution
			if math.Abs(d)-2*e > a.limit.value {
				x.outcome = Fails
			}
		}
		a.add(x)
	}
}
