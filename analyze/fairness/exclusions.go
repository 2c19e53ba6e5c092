package fairness

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// unmeasured begins the reason of what was not measured.
const unmeasured = "not measured: "

// accusation is one of the things that a comparison is accused of.
type accusation struct {
	text string
	// checks are the ids that it rests on.
	checks []string
	// best is the standing when all of them hold; because says what holds.
	best    result.Standing
	because func(*Measured) string
}

// exclusions answers the classic accusations from the checks.
func (s *Measured) exclusions() []result.Exclusion {
	published := true
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		published = published && (t.Published != nil || t.Withheld != nil)
	}
	out := []result.Exclusion{}
	for _, x := range s.accusations(published) {
		e := result.Exclusion{Accusation: x.text, Checks: x.checks, Standing: x.best}
		if e.Checks == nil {
			e.Checks = []string{}
		}
		e.Because = x.because(s)
		standing, why := s.standing(x.checks)
		switch {
		case standing == "":
		case x.best == result.AuthorsWord && standing != result.Found:
			// What is short of a failure does not make a word worse; a caution
			// is worth saying.
			if !strings.HasPrefix(why, unmeasured) {
				e.Because += "; " + why
			}
		default:
			e.Standing, e.Because = standing, why
			switch {
			case !published && x.best == result.NotExcluded:
				e.Because = x.because(s) // a build settles it
			case strings.HasPrefix(why, unmeasured) && slices.Contains(x.checks, IDDrift):
				e.Because = cmp.Or(s.openDrift(), why)
			}
		}
		out = append(out, e)
	}
	return out
}

// standing returns what speaks against an exclusion, the worst first: a failed
// check, a caution, a question that was not answered. It is "" when all hold.
func (s *Measured) standing(ids []string) (standing result.Standing, because string) {
	for _, o := range []result.Outcome{result.Failed, result.Caution, result.NotMeasured} {
		var texts []string
		for _, c := range s.Result.Checks {
			if c.Outcome != o || !slices.Contains(ids, c.ID) {
				continue
			}
			text := c.Value
			if text == "" || o == result.NotMeasured {
				text = c.Reason
			}
			if c.Subject != "" {
				text = c.Subject + ": " + text
			}
			texts = append(texts, strings.ToLower(c.Name)+", "+text)
		}
		if texts == nil {
			continue
		}
		const most = 3
		slices.Sort(texts) // not as the takes stand in the manifest
		because = strings.Join(texts[:min(len(texts), most)], "; ")
		if more := len(texts) - most; more > 0 {
			because += fmt.Sprintf("; and %d more", more)
		}
		switch o {
		case result.Failed:
			return result.Found, because
		case result.Caution:
			return result.NotExcluded, because
		}
		return result.NotExcluded, unmeasured + because
	}
	return "", ""
}

// pauses names a number of pauses as the subject of a sentence.
func pauses(n int) string {
	if n == 1 {
		return "the one pause"
	}
	return fmt.Sprintf("each of the %d pauses", n)
}

func say(text string) func(*Measured) string { return func(*Measured) string { return text } }

// limitOf returns the limit of a check as shown.
func (s *Measured) limitOf(id string) string {
	for _, q := range s.questions() {
		if q.id == id {
			return q.limit.String()
		}
	}
	return ""
}

// worst returns the largest magnitude among the measured values of a check.
func (s *Measured) worst(id string) float64 {
	w := math.NaN()
	for _, c := range s.Result.Checks {
		if v := math.Abs(float64(c.Measured)); c.ID == id && !(v <= w) && !math.IsNaN(v) {
			w = v
		}
	}
	return w
}

// least returns the least of the measured values of a check, NaN for none.
func (s *Measured) least(id string) float64 {
	w := math.NaN()
	for _, c := range s.Result.Checks {
		if v := float64(c.Measured); c.ID == id && !(v >= w) && !math.IsNaN(v) {
			w = v
		}
	}
	return w
}

// openDrift says how far the clocks may differ where the recording is too short
// to tell whether that is within the limit; "" where that is not known either.
func (s *Measured) openDrift() string {
	most := s.mostDrift()
	for _, c := range s.Result.Checks {
		if c.Outcome == result.NotMeasured && c.ID == IDRateLabel {
			return ""
		}
	}
	if math.IsNaN(most) {
		return ""
	}
	return fmt.Sprintf("%sno take runs fast or slow against the %s by more than %s, so no sample rate is wrong; the recording is too short to measure to the limit of %s", unmeasured, s.SourceName(), driftBound(most), strings.TrimPrefix(s.limitOf(IDDrift), "±"))
}

func (s *Measured) accusations(published bool) []accusation {
	pick := func(yes result.Standing) result.Standing {
		if published {
			return yes
		}
		return result.NotExcluded
	}
	told, all := s.detectable()
	partly := result.ExcludedByMeasurement
	if !all {
		partly = result.NotExcluded
	}
	disclosed := result.AuthorsWord
	if s.Result.Comparison.Disclosure == "" {
		disclosed = result.NotExcluded // there is no word to rest on
	}
	bypassed := result.ExcludedByMeasurement
	if s.Dry == nil || s.Silence() != "" {
		bypassed = result.NotExcluded
	}
	// What is withheld was measured, but no reader can repeat that.
	withheld := ""
	louder := pick(result.ExcludedByFiles)
	if names := s.Result.WithheldNames(); published && len(names) > 0 {
		withheld = "; the audio of " + manifest.Join(names) + " is withheld, so what the report says about it is the author's word"
		louder = result.AuthorsWord
	}
	return []accusation{
		{
			"a take is another performance", []string{IDPerformance}, result.ExcludedByMeasurement,
			func(s *Measured) string {
				return fmt.Sprintf("in every take the notes keep their timing against the %s: they scatter by %s ms or less, where two passes of a player scatter by several", s.SourceName(), unit.Format(math.Max(0.01, s.worst(IDPerformance)), 2))
			},
		},
		{
			"a part of a take is another pass, was moved or left out", []string{IDPerformance, IDLag}, partly,
			func(*Measured) string {
				return "the smallest faults that would be found: " + told + "; everywhere, a second without sound while the " + s.SourceName() + " plays"
			},
		},
		{
			"the performance went in at another level", []string{IDReampLevel}, result.AuthorsWord,
			func(s *Measured) string {
				if s.Result.Loopback == nil || !s.Result.Loopback.Certain {
					return "no recording shows the level into the devices"
				}
				return fmt.Sprintf("a loopback shows %s dB against the dry recording, %s (limit %s); that the level stayed so for every take is the author's word", unit.Signed(float64(s.Result.Loopback.Level), 2), s.Result.Loopback.Where(), s.limitOf(IDReampLevel))
			},
		},
		{
			"a knob was moved, or something else was changed", []string{IDOneChange}, result.AuthorsWord,
			func(s *Measured) string {
				text := "as the author wrote the positions down, nothing but " + s.Result.Comparison.Varies + " differs"
				for _, r := range s.Result.Resolution.Repeats {
					text += fmt.Sprintf("; %s, recorded again as %s, came back within %s LU", r.Of, r.Take, unit.Format(math.Abs(float64(r.Level)), 2))
				}
				return text
			},
		},
		{
			"a level or a control was changed during a take", []string{IDSteady}, result.ExcludedByMeasurement,
			func(s *Measured) string {
				return fmt.Sprintf("every take was recorded twice, and the level of one against the other changes by at most %s dB in any part; a change that both share is not detected", unit.Format(s.worst(IDSteady), 2))
			},
		},
		{
			"a gate hid the noise of a take", []string{IDGate}, result.ExcludedByMeasurement,
			func(s *Measured) string {
				return fmt.Sprintf("in every take %s keeps the floor it had when the note had died away; a gate that closes lowers it by 12 dB or more. One that closes as the note ends, to a level that could be a quiet chain's floor, looks the same", pauses(len(s.Quiet)))
			},
		},
		{
			"one file is used for two takes", []string{IDSameFile, IDNearCopy}, result.ExcludedByMeasurement,
			func(s *Measured) string {
				text := "all files have different SHA-256 sums"
				for _, c := range s.Result.Checks {
					if c.ID == IDNearCopy && c.Outcome == result.Passed {
						text += fmt.Sprintf("; the deepest null of two takes leaves %s (limit %s)", c.Value, c.Limit)
					}
				}
				return text
			},
		},
		{
			"a device was bypassed", []string{IDPath}, bypassed,
			func(s *Measured) string {
				if bypassed == result.NotExcluded {
					return "there is no dry recording to compare the takes with"
				}
				return fmt.Sprintf("in every take but a bypass, sound that follows the music but is not the dry recording has at least %s dB relative to the music in some octave", unit.Format(s.least(IDPath), 0))
			},
		},
		{
			"two takes were swapped", nil, result.AuthorsWord,
			say("no measurement shows which device made a file; the hashes fix which file was shown under which name"),
		},
		{
			"a take was edited", []string{IDPerformance, IDSlips, IDClicks, IDDropouts}, result.ExcludedByMeasurement,
			func(s *Measured) string {
				return "no take loses or gains " + s.leastSlip() + ", and no cut clicks; shorter edits, edits close to an end, and edits of the sound alone, such as an equaliser, rest on the author's word"
			},
		},
		{
			"a take runs fast or slow: mislabelled, or resampled to another speed", []string{IDDrift, IDRateLabel}, result.ExcludedByMeasurement,
			func(s *Measured) string {
				return fmt.Sprintf("all files have one sample rate, and no take runs fast or slow against the %s by more than %s", s.SourceName(), driftBound(s.mostDrift()))
			},
		},
		{
			"a take went through another sample rate and back, or through a lossy format", []string{IDBandEdge}, result.AuthorsWord,
			say("no take's spectrum ends between 15.75 and 22.25 kHz where another's goes on; a conversion that leaves the spectrum whole is not detected"),
		},
		{
			"one take was made louder", []string{IDMatch}, louder,
			func(s *Measured) string {
				if !published {
					return "a build settles this: it measures every published file again"
				}
				return fmt.Sprintf("every published file was decoded and measured again: the worst is %s LU off (limit %s); anyone can repeat it", unit.Signed(float64(s.Result.Match.WorstDeviation), 2), s.limitOf(IDMatch)) + withheld
			},
		},
		{
			"a part that shows the difference was left out", []string{IDSections, IDLengths}, result.ExcludedByMeasurement,
			func(s *Measured) string {
				return fmt.Sprintf("every take covers all the playing: %s s are missing (limit %s); the audio is published over the whole length", unit.Format(s.worst(IDLengths), 2), s.limitOf(IDLengths)) + withheld
			},
		},
		{
			"the page or its audio was changed later", nil, pick(result.ExcludedByFiles),
			func(*Measured) string {
				if !published {
					return "a build settles this: it lists the SHA-256 of every file"
				}
				return "the report lists the SHA-256 of every recording and of every published file; a changed file no longer matches"
			},
		},
		{
			"somebody paid for the outcome", nil, disclosed,
			func(s *Measured) string {
				if s.Result.Comparison.Disclosure == "" {
					return "the author does not say who paid and who lent the gear (disclosure)"
				}
				return "the author states: " + s.Result.Comparison.Disclosure
			},
		},
	}
}
