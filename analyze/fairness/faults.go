package fairness

import (
	"fmt"
	"math"

	"evenhand/analyze/faults"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// none is the limit of faults that are counted.
func none(what string) limit {
	return limit{kind: atMost, value: 0, unit: what, most: 1e6, source: "common practice, no source: none"}
}

// faultQuestions ask about damage in the files.
func faultQuestions() []question {
	rules := faults.Params{}.WithDefaults()
	return []question{
		{
			id: IDClipping, name: "Clipping", group: result.GroupFiles,
			why:   "a converter that clips makes every device sound like itself",
			limit: none("places"), ask: (*Measured).askClipping,
		},
		{
			id: IDOver, name: "Over full scale", group: result.GroupFiles,
			why:   "whatever plays the file clips floats above full scale",
			limit: none("samples"), ask: (*Measured).askOver,
		},
		{
			id: IDClicks, name: "Clicks", group: result.GroupFiles,
			why:   "a click sounds like a fault of the device, and it marks a bad edit or lost samples",
			limit: none("clicks"), ask: (*Measured).askClicks,
		},
		{
			id: IDDropouts, name: "Dropouts", group: result.GroupFiles,
			why:   "lost samples are lost music, and everything after them may be out of step",
			limit: none("dropouts"), ask: (*Measured).askDropouts,
		},
		{
			id: IDCut, name: "Cut-off ends", group: result.GroupFiles,
			why:   "a cut-off note hides an attack or a decay, where devices differ most",
			limit: words("no file begins or ends in the middle of a sound or with a fade"), ask: (*Measured).askCut,
		},
		{
			id: IDDC, name: "DC offset", group: result.GroupFiles,
			why:   "an offset clicks at every switch between takes and uses up headroom",
			limit: limit{kind: atMost, value: float64(rules.Offset), unit: "dBFS", decimals: 1, least: -120, most: 0, source: practice},
			ask:   (*Measured).askDC,
		},
		{
			id: IDDualMono, name: "Identical channels", group: result.GroupFiles,
			why:   "two equal channels are one recording, not two microphones or a stereo picture",
			limit: words("no channel is a copy of another"), ask: (*Measured).askDualMono,
		},
		{
			id: IDSilent, name: "Silent channel", group: result.GroupFiles,
			why:   "a dead channel is a fault of a cable or the routing, not a sound",
			limit: words("a signal in every channel"), ask: (*Measured).askSilent,
		},
	}
}

// at prints a frame of a file as a time.
func (f *FileEvidence) at(frame int64) string {
	return unit.Seconds(float64(frame) / float64(f.Info.SampleRate)).String()
}

// channel names the channel at a place in channels, where the file has several.
func (f *FileEvidence) channel(c int) string {
	if f.Info.Channels == 1 {
		return ""
	}
	return fmt.Sprintf(" in channel %d", f.Channels[c])
}

func counted(n int64, what string) string {
	if n == 0 {
		return "none"
	}
	return fmt.Sprintf("%d %s", n, what)
}

func (s *Measured) askClipping(a *answers) {
	for _, f := range s.Files {
		var runs, frames, tops int64
		first, at, topLevel := int64(-1), 0, unit.DBFS(math.NaN())
		for c, x := range f.Faults.Channels {
			runs, frames, tops = runs+x.Clipped, frames+x.ClippedFrames, tops+x.FlatTops
			if x.FirstClip >= 0 && (first < 0 || x.FirstClip < first) {
				first, at = x.FirstClip, c
			}
			if x.FlatTops > 0 {
				topLevel = x.TopLevel
				if first < 0 {
					first, at = x.FirstTop, c
				}
			}
		}
		n := runs + tops
		x := answer{subject: f.Name, outcome: result.Passed, measured: float64(n), value: counted(n, "places"), reason: "no run of samples at full scale, and no crest cut flat below it"}
		switch {
		case float64(n) <= a.limit.value && n > 0:
			x.reason = "no more than the manifest allows"
		case runs > 0:
			x.outcome = result.Failed
			if f.Use != "take" {
				x.outcome = result.Caution // the same for every take
			}
			x.reason = fmt.Sprintf("%d samples at full scale, the first at %s%s", frames, f.at(first), f.channel(at))
			x.do = "record it again at a lower level; a lower gain afterwards does not bring the peaks back"
		case tops > 0:
			x.outcome = result.Caution
			x.reason = fmt.Sprintf("crests are cut flat at %s, the first at %s%s: clipped before recording, or by a device that clips hard", topLevel, f.at(first), f.channel(at))
			x.do = "check that the device under test clips, and not the interface before a level change"
		}
		a.add(x)
	}
}

func (s *Measured) askOver(a *answers) {
	for _, f := range s.Files {
		if !f.Info.Float {
			continue
		}
		var n int64
		first, at := int64(-1), 0
		for c, x := range f.Faults.Channels {
			n += x.Over
			if x.FirstOver >= 0 && (first < 0 || x.FirstOver < first) {
				first, at = x.FirstOver, c
			}
		}
		reason := "floating-point samples, all within full scale"
		if n > 0 {
			reason = fmt.Sprintf("the first at %s%s; the match lowers the level, so the published audio is not clipped", f.at(first), f.channel(at))
		}
		a.judge(f.Name, float64(n), result.Caution, counted(n, "samples"), reason, "export at a lower level")
	}
}

func (s *Measured) askClicks(a *answers) {
	for _, f := range s.Files {
		r := f.Faults
		reason := fmt.Sprintf("a single wrong sample of %s would be found in nine tenths of the file; a longer click must be larger", r.Floor)
		if len(r.Floors) == 0 {
			reason = "the samples around it explain every step"
		}
		if r.ClickCount > 0 {
			c := r.Clicks[0]
			reason = fmt.Sprintf("the first at %s%s, %s", f.at(c.Frame), f.channel(c.Channel), c.Level)
		}
		a.judge(f.Name, float64(r.ClickCount), result.Caution, counted(r.ClickCount, "clicks"), reason,
			"listen there; if it is a bad edit or lost samples, export or record the take again")
	}
}

// manySteps is from how many places on, at which a sound stays on one value by itself,
// a file is not judged. Common practice, no source: a quiet take in 16 bits has a few.
const manySteps = 10

func (s *Measured) askDropouts(a *answers) {
	for _, f := range s.Files {
		r := f.Faults
		reason := "no silence, held value or repeated part within sound"
		if r.Stepped > 0 {
			stays := fmt.Sprintf("in %d places the sound itself stays on one value, as in a file of few bits or after a bit crusher, and a dropout would look the same", r.Stepped)
			if r.DropoutCount == 0 && r.Stepped >= manySteps {
				a.skip(f.Name, stays)
				continue
			}
			reason += "; " + stays
		}
		if r.DropoutCount > 0 {
			d := r.Dropouts[0]
			reason = fmt.Sprintf("the first at %s%s: %s, %d frames", f.at(d.Frame), f.channel(d.Channel), d.Kind, d.Frames)
		}
		a.judge(f.Name, float64(r.DropoutCount), result.Failed, counted(r.DropoutCount, "dropouts"), reason,
			"record the take again with a larger buffer; the gap cannot be filled")
	}
}

func (s *Measured) askCut(a *answers) {
	for _, f := range s.Files {
		head, tail, in, out := false, false, false, false
		h, t := unit.DBFS(math.Inf(-1)), unit.DBFS(math.Inf(-1))
		for _, c := range f.Faults.Channels {
			head, tail = head || c.CutHead, tail || c.CutTail
			in, out = in || c.FadeIn, out || c.FadeOut
			h, t = max(h, c.Head), max(t, c.Tail)
		}
		reason := fmt.Sprintf("the first 5 ms are at %s, the last at %s", h, t)
		if in || out {
			what := map[[2]bool]string{{true, false}: "fades in", {false, true}: "fades out", {true, true}: "fades in and out"}[[2]bool{in, out}]
			a.add(answer{subject: f.Name, outcome: result.Caution, measured: math.NaN(), value: what,
				reason: fmt.Sprintf("the level, noise included, rises from nothing or falls to it over at least %g s, like a fade; %s", faults.FadeSpan, reason),
				do:     "export the take without a fade: it hides a decay and the noise"})
			continue
		}
		if !head && !tail {
			a.pass(f.Name, "whole", reason)
			continue
		}
		what := map[[2]bool]string{{true, false}: "beginning cut", {false, true}: "end cut", {true, true}: "both cut"}[[2]bool{head, tail}]
		a.add(answer{subject: f.Name, outcome: result.Caution, measured: math.NaN(), value: what, reason: reason,
			do: "export the take with a second before the first note and the whole decay of the last"})
	}
}

func (s *Measured) askDC(a *answers) {
	for _, f := range s.Files {
		worst, at := math.Inf(-1), 0
		for c, x := range f.Faults.Channels {
			if v := float64(x.Offset); v > worst {
				worst, at = v, c
			}
		}
		a.judge(f.Name, worst, result.Caution, unit.DBFS(worst).String(), "mean of all samples"+f.channel(at),
			"filter it out of every take in the same way, or find the device that makes it")
	}
}

func (s *Measured) askDualMono(a *answers) {
	for _, f := range s.Files {
		if len(f.Channels) < 2 {
			continue
		}
		found := false
		for c, x := range f.Faults.Channels[1:] {
			if !x.Copy {
				continue
			}
			found = true
			value, how := "same", "sample for sample"
			switch {
			case x.Same:
			case x.Inverted || math.Abs(float64(x.Gain)) >= 0.005:
				value, how = "copy", fmt.Sprintf("a copy, %s dB louder", unit.Signed(float64(x.Gain), 2))
				if x.Inverted {
					how += " and inverted"
				}
				how += ", to within " + x.Within.String()
			default:
				value, how = "equal to within "+x.Within.String(), "they differ by noise far below the music, which is practically mono"
			}
			outcome := result.Caution
			if f.Take >= 0 && s.Takes[f.Take].Mics.Described {
				outcome = result.Failed // two microphones are claimed
			}
			a.add(answer{subject: f.Name, outcome: outcome, measured: math.NaN(), value: value,
				reason: fmt.Sprintf("channel %d has the signal of channel %d: %s", f.Channels[c+1], f.Channels[0], how),
				do:     "export it as a mono file, or find out why the second signal is missing"})
		}
		if !found {
			a.pass(f.Name, "different", fmt.Sprintf("%d channels, none a copy of the first", len(f.Channels)))
		}
	}
}

func (s *Measured) askSilent(a *answers) {
	for _, f := range s.Files {
		bad := false
		for c, x := range f.Faults.Channels {
			if x.Silent {
				bad = true
				a.add(answer{subject: f.Name, outcome: result.Failed, measured: math.NaN(), value: "silent",
					reason: fmt.Sprintf("channel %d never rises above %s", f.Channels[c], x.Peak),
					do:     "check the cable and the routing and record the take again, or leave the channel out with channels:"})
			}
		}
		if !bad {
			a.pass(f.Name, "none", map[bool]string{true: "the channel carries", false: "all channels carry"}[len(f.Channels) == 1]+" a signal")
		}
	}
}
