package fairness

import (
	"math"
	"strings"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// speedOfSound in metres per second at 20 °C.
//
// Source: 331.3·√(1 + 20/273.15), the ideal-gas relation for dry air (from
// memory).
const speedOfSound = 343.2

// microphoneQuestions ask about takes with two microphones.
func microphoneQuestions() []question {
	return []question{
		{IDMicDelay, result.GroupSound, within(0.02, "ms", 3, 0.001, 50), (*Measured).askMicDelay},
		{IDMicPolarity, result.GroupSound, limit{}, (*Measured).askMicPolarity},
		{IDChannels, result.GroupSound, within(0.02, "ms", 3, 0.001, 50), (*Measured).askChannelDelay},
	}
}

// micDelay returns the delay of the right microphone after the left in ms; NaN
// when it was not found. It is that of the whitened correlation: what lies
// between two microphones are filters, which move the plain one with the notes
// that are played.
func (s *Measured) micDelay(i int) float64 {
	m := s.Takes[i].Mics
	if !m.Described || !m.Estimate.Certain {
		return math.NaN()
	}
	return 1000 * float64(m.Estimate.Whitened) / float64(s.Result.Timeline.SampleRate)
}

// notch returns the frequency of the lowest notch that two equal signals of the
// same polarity, one of them delayed, leave in their sum; +Inf for no delay.
//
// Source: 1 + exp(−2πi·f·τ) is zero at f = 1/(2τ).
func notch(delay unit.Seconds) unit.Hertz {
	return unit.Hertz(1 / (2 * math.Abs(float64(delay))))
}

// lowestNotch says where the blend of two microphones cancels first.
func lowestNotch(ms float64, polarity int, nyquist float64) result.Text {
	if polarity < 0 {
		return result.Say("notch.inverted", "at_hz", 1000/math.Abs(ms))
	}
	f := notch(unit.Seconds(ms / 1000))
	if float64(f) > nyquist || float64(f) > float64(result.AudibleTo) {
		return result.Say("notch.high")
	}
	return result.Say("notch", "at_hz", f)
}

func (s *Measured) askMicDelay(a *answers) {
	// The take that others are aligned to is what they are held against here, or else
	// the first by name that could be measured.
	base, known := -1, 0
	for _, i := range s.Result.ByName() {
		if math.IsNaN(s.micDelay(i)) {
			continue
		}
		if known++; base < 0 || i == s.Anchor {
			base = i
		}
	}
	for i := range s.Takes {
		m := s.Takes[i].Mics
		if !m.Described {
			continue
		}
		name, ms := s.Result.Takes[i].Name, s.micDelay(i)
		if math.IsNaN(ms) {
			a.skip(name, "unknown", "because", m.Estimate.Reason)
			continue
		}
		with := []any{"delay_ms", ms, "delay_samples", m.Estimate.Whitened, "air_cm", math.Abs(ms) / 1000 * speedOfSound * 100,
			"notch", lowestNotch(ms, m.Estimate.Polarity, float64(s.Result.Timeline.SampleRate)/2)}
		switch {
		case s.variesMicrophones():
			a.skip(name, "under-test", with...)
			continue
		case known == 1:
			a.skip(name, "only", with...)
			continue
		case base == i:
			a.add(name, result.Passed, ms, "first", with...)
			continue
		}
		d := ms - s.micDelay(base)
		with = append(with, "base", s.Result.Takes[base].Name, "base_ms", s.micDelay(base))
		if a.limit.Allows(d) {
			a.add(name, result.Passed, d, "same", with...)
		} else {
			a.add(name, result.Caution, d, "moved", with...)
		}
	}
}

// askChannelDelay asks of takes on two channels that are not said to be two
// microphones.
func (s *Measured) askChannelDelay(a *answers) {
	for i := range s.Takes {
		m := s.Takes[i].Mics
		if m.Described || !m.Compared {
			continue
		}
		name := s.Result.Takes[i].Name
		if !m.Estimate.Certain {
			a.skip(name, "unknown", "because", m.Estimate.Reason)
			continue
		}
		d := float64(m.Estimate.Whitened)
		a.judge(name, 1000*d/float64(s.Result.Timeline.SampleRate), result.Caution, "delay", "delay_samples", d)
	}
}

func (s *Measured) askMicPolarity(a *answers) {
	for i := range s.Takes {
		m := s.Takes[i].Mics
		if !m.Described {
			continue
		}
		name := s.Result.Takes[i].Name
		switch {
		case m.Estimate.Polarity == 0:
			a.skip(name, "unknown", "because", m.Estimate.Reason)
		case m.Estimate.Polarity < 0:
			a.caution(name, "opposite")
		default:
			a.pass(name, "same")
		}
	}
}

// variesMicrophones reports whether the slot under test is the microphones.
func (s *Measured) variesMicrophones() bool {
	c := s.Manifest
	for _, d := range c.Chain {
		if d.Slot == c.Varies.Slot && isMicrophone(d.Kind) {
			return true
		}
	}
	return isMicrophone(c.Varies.Slot)
}

func isMicrophone(text string) bool {
	t := strings.ToLower(text)
	return t == "mic" || t == "mics" || strings.Contains(t, "microphone")
}
