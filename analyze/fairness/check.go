// Package fairness answers from what was measured whether a comparison is fair. Its
// checks are functions of the manifest, the result and the evidence (Measured), and
// open no file: another limit needs no other measurement.
package fairness

import (
	"math"
	"slices"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// practice is the source of a limit that no standard gives.
const practice = "common practice, no source"

// question is one entry of the catalogue of checks: what is asked, why it
// matters, what is allowed, and how the answers are found.
type question struct {
	id    string
	name  string // the topic
	group result.Group
	why   string // to a listener
	limit limit
	// ask adds the answers, one for each subject. It may add none where the
	// question does not arise.
	ask func(*Measured, *answers)
}

// catalogue returns every question, in the order of the report. Ids are stable:
// manifests and links name them.
func catalogue() []question {
	var all []question
	for _, part := range [][]question{
		performanceQuestions(), levelQuestions(), steadyQuestions(), quietQuestions(), microphoneQuestions(),
		settingQuestions(), fileQuestions(), faultQuestions(), safetyQuestions(),
	} {
		all = append(all, part...)
	}
	return all
}

// Check answers every question of fairness from what was measured, and fills
// Result.Checks and Result.Exclusions. After Publish it judges the published
// audio too; without it those questions are answered as not measured.
func (s *Measured) Check() {
	s.Result.Checks = s.Answers()
	s.consequences(s.Result.Checks)
	s.Result.Exclusions = s.exclusions()
}

// Answers returns the answers to the questions with some ids, or to all where none is
// given, in the order of the report.
func (s *Measured) Answers(ids ...string) []result.Check {
	out := []result.Check{}
	for _, q := range s.questions() {
		if ids == nil || slices.Contains(ids, q.id) {
			a := answers{question: q}
			q.ask(s, &a)
			out = append(out, a.out...)
		}
	}
	return out
}

// Topic names a question of the catalogue.
type Topic struct {
	ID, Name string
	Group    result.Group
}

// Topics returns every question, in the order of the report.
func Topics() (out []Topic) {
	for _, q := range catalogue() {
		out = append(out, Topic{q.id, q.name, q.group})
	}
	return out
}

// questions returns the catalogue with the manifest's limits. Wrong ones were
// refused before measuring.
func (s *Measured) questions() []question {
	all := catalogue()
	for _, l := range s.Manifest.Limits {
		for i := range all {
			if all[i].id != l.ID {
				continue
			}
			if set, err := all[i].limit.parse(l.Written); err == nil {
				all[i].limit = set
			}
		}
	}
	return all
}

// answers collects the answers to one question.
type answers struct {
	question
	out []result.Check
}

// answer is what was found about one subject.
type answer struct {
	subject  string
	outcome  result.Outcome
	measured float64 // in the limit's unit; NaN for none
	value    string  // as shown, with unit
	reason   string
	do       string // dropped when the check passed
}

func (a *answers) add(x answer) {
	c := result.Check{
		ID: a.id, Name: a.name, Group: a.group, Why: a.why,
		Subject: x.subject, Outcome: x.outcome, Value: x.value, Reason: x.reason, Do: x.do,
		Measured: unit.Number(x.measured), Unit: a.limit.unit,
		Limit: a.limit.String(), LimitSource: a.limit.source,
	}
	if x.outcome == result.Passed {
		c.Do = ""
	}
	if math.IsNaN(x.measured) {
		c.Unit = ""
	}
	a.out = append(a.out, c)
}

// pass adds an answer without a number that passed.
func (a *answers) pass(subject, value, reason string) {
	a.add(answer{subject: subject, outcome: result.Passed, measured: math.NaN(), value: value, reason: reason})
}

// skip adds that a subject was not measured, and why.
func (a *answers) skip(subject, reason string) {
	a.add(answer{subject: subject, outcome: result.NotMeasured, measured: math.NaN(), reason: reason})
}

// judge adds a measured value: it passed inside the limit and is beyond outside.
func (a *answers) judge(subject string, v float64, beyond result.Outcome, value, reason, do string) {
	x := answer{subject: subject, outcome: result.Passed, measured: v, value: value, reason: reason, do: do}
	if !a.limit.allows(v) {
		x.outcome = beyond
	}
	a.add(x)
}

// Ids of checks that a failed comparison or an exclusion refers to.
const (
	IDPerformance = "same-performance"
	IDLag         = "lag"
	IDPolarity    = "polarity"
	IDDrift       = "drift"
	IDSlips       = "slips"
	IDRateLabel   = "rate-label"
	IDSections    = "sections"
	IDMatch       = "match"
	IDMatchRoom   = "match-room"
	IDReampLevel  = "reamp-level"
	IDReampTone   = "reamp-response"
	IDReampTurn   = "reamp-polarity"
	IDReampNoise  = "reamp-noise"
	IDSteady      = "steady"
	IDGate        = "gate"
	IDNoiseSteps  = "noise-steps"
	IDHum         = "hum"
	IDMicDelay    = "mic-delay"
	IDMicPolarity = "mic-polarity"
	IDChannels    = "channel-delay"
	IDOneChange   = "one-change"
	IDVaried      = "varied"
	IDAllowed     = "allowed-change"
	IDUnstated    = "unstated"
	IDScales      = "scales"
	IDTakes       = "takes"
	IDDry         = "dry-recording"
	IDSameFile    = "same-file"
	IDNearCopy    = "near-copy"
	IDPath        = "path"
	IDFormat      = "format"
	IDBandEdge    = "band-edge"
	IDLengths     = "lengths"
	IDIRRate      = "ir-rate"
	IDHeadroom    = "headroom"
	IDClicks      = "clicks"
	IDDropouts    = "dropouts"
	IDClipping    = "clipping"
	IDDC          = "dc-offset"
	IDOver        = "over-full-scale"
	IDCut         = "cut-off"
	IDDualMono    = "dual-mono"
	IDSilent      = "silent-channel"
	IDLoad        = "load"
	IDImpedance   = "impedance"
	IDLoadPower   = "load-power"
	IDHearing     = "hearing"
)
