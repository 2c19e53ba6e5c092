package fairness

import (
	"fmt"
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
		{
			id: IDMicDelay, name: "Microphone position", group: result.GroupSound,
			why:   "the delay between two microphones carves notches into their blend; a microphone moved between takes changes the tone",
			limit: limit{kind: within, value: 0.02, unit: "ms", decimals: 3, least: 0.001, most: 50, source: "common practice, no source: 7 mm of air"},
			ask:   (*Measured).askMicDelay,
		},
		{
			id: IDMicPolarity, name: "Microphone polarity", group: result.GroupSound,
			why:   "two microphones of opposite polarity cancel each other's low end in the blend",
			limit: words("the same polarity in both"), ask: (*Measured).askMicPolarity,
		},
		{
			id: IDChannels, name: "Channel delay", group: result.GroupSound,
			why:   "two channels that carry one sound out of step lose treble when summed, and the sound moves to one side",
			limit: limit{kind: within, value: 0.02, unit: "ms", decimals: 3, least: 0.001, most: 50, source: practice},
			ask:   (*Measured).askChannelDelay,
		},
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

func notchText(ms float64, polarity int, nyquist float64) string {
	if polarity < 0 {
		return fmt.Sprintf("the blend cancels towards 0 Hz and again at %s", unit.Hertz(1000/math.Abs(ms)))
	}
	f := notch(unit.Seconds(ms / 1000))
	if float64(f) > nyquist || float64(f) > float64(result.AudibleTo) {
		return "the first notch of the blend is above 20 kHz"
	}
	return fmt.Sprintf("the first notch of the blend is at %s", f)
}

func (s *Measured) askMicDelay(a *answers) {
	// The take that others are aligned to is what they are held against here, or else
	// the first by name that could be measured.
	base, found := -1, 0
	for _, i := range s.Result.ByName() {
		if math.IsNaN(s.micDelay(i)) {
			continue
		}
		if found++; base < 0 || i == s.Anchor {
			base = i
		}
	}
	alone := ""
	switch {
	case s.variesMicrophones():
		alone = "the microphones are under test, so takes are not compared"
	case found == 1:
		alone = "no other take with two microphones to compare with"
	}
	for i := range s.Takes {
		m := s.Takes[i].Mics
		if !m.Described {
			continue
		}
		t := &s.Result.Takes[i]
		ms := s.micDelay(i)
		if math.IsNaN(ms) {
			a.skip(t.Name, "the two channels could not be compared: "+m.Estimate.Reason)
			continue
		}
		value := fmt.Sprintf("%s ms (%s samples)", unit.Signed(ms, 3), unit.Signed(float64(m.Estimate.Whitened), 2))
		reason := fmt.Sprintf("right microphone after left, %.1f cm of air; %s", math.Abs(ms)/1000*speedOfSound*100,
			notchText(ms, m.Estimate.Polarity, float64(s.Result.Timeline.SampleRate)/2))
		if alone != "" {
			a.skip(t.Name, fmt.Sprintf("%s; %s, %s", alone, value, reason))
			continue
		}
		if base == i {
			a.add(answer{subject: t.Name, outcome: result.Passed, measured: ms, value: value, reason: reason + "; the others are compared with it"})
			continue
		}
		d := ms - s.micDelay(base)
		if !a.limit.allows(d) {
			a.add(answer{subject: t.Name, outcome: result.Caution, measured: d, value: unit.Signed(d, 3) + " ms",
				reason: fmt.Sprintf("the delay between the microphones is %s ms, in %s it is %s ms; %s", unit.Signed(ms, 3), s.Result.Takes[base].Name, unit.Signed(s.micDelay(base), 3), reason),
				do:     "check whether a microphone was moved or its delay changed; if so, record the take again"})
			continue
		}
		a.add(answer{subject: t.Name, outcome: result.Passed, measured: d, value: value,
			reason: fmt.Sprintf("%s; %s ms from %s", reason, unit.Signed(d, 3), s.Result.Takes[base].Name)})
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
			a.skip(name, "the two channels are too different to compare: "+m.Estimate.Reason)
			continue
		}
		d := float64(m.Estimate.Whitened)
		ms := 1000 * d / float64(s.Result.Timeline.SampleRate)
		a.judge(name, ms, result.Caution, fmt.Sprintf("%s ms (%s samples)", unit.Signed(ms, 3), unit.Signed(d, 2)), "the right channel after the left",
			"if they are two microphones, describe them with mics; otherwise bring the channels into step and export the take again, or say in the notes that the device delays one")
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
			a.skip(name, "polarity of the two microphones not measured: "+m.Estimate.Reason)
		case m.Estimate.Polarity < 0:
			a.add(answer{subject: name, outcome: result.Caution, measured: math.NaN(), value: "opposite", reason: "the two channels move against each other",
				do: "invert one microphone, unless you want that sound"})
		default:
			a.pass(name, "the same", "the two channels move together")
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
