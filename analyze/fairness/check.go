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

// question is one entry of the catalogue of checks: what is allowed, and how the
// answers are found. Its words are in package report/sentences, by its id.
type question struct {
	id    string
	group result.Group
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

// Topics returns the ids of every question with its group, in the order of the report.
func Topics() (out []result.Check) {
	for _, q := range catalogue() {
		out = append(out, result.Check{ID: q.id, Group: q.group, Allowed: q.limit.allowed()})
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

// add adds what was found about a subject, as result.Say has it; measured is in the
// limit's unit, NaN for none.
func (a *answers) add(subject string, outcome result.Outcome, measured float64, found string, with ...any) {
	c := result.Check{
		ID: a.id, Group: a.group, Subject: subject, Outcome: outcome, Text: result.Say(found, with...),
		Measured: unit.Number(measured), Unit: a.limit.Unit, Allowed: a.limit.allowed(),
	}
	if math.IsNaN(measured) {
		c.Unit = ""
	}
	a.out = append(a.out, c)
}

// pass, caution and fail add an answer without a number.
func (a *answers) pass(subject, found string, with ...any) {
	a.add(subject, result.Passed, math.NaN(), found, with...)
}

func (a *answers) caution(subject, found string, with ...any) {
	a.add(subject, result.Caution, math.NaN(), found, with...)
}

func (a *answers) fail(subject, found string, with ...any) {
	a.add(subject, result.Failed, math.NaN(), found, with...)
}

// skip adds that a subject was not measured, and why.
func (a *answers) skip(subject, found string, with ...any) {
	a.add(subject, result.NotMeasured, math.NaN(), found, with...)
}

// hidden adds that a subject was not measured where something else hides it.
func (a *answers) hidden(subject string, why *result.Text) bool {
	if why != nil {
		a.skip(subject, "hidden", "why", *why)
	}
	return why != nil
}

// judge adds a measured value: it passed inside the limit and is beyond outside.
func (a *answers) judge(subject string, v float64, beyond result.Outcome, found string, with ...any) {
	if a.limit.Allows(v) {
		beyond = result.Passed
	}
	a.add(subject, beyond, v, found, with...)
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
