package fairness

import (
	"math"

	"evenhand/analyze/faults"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// faultQuestions ask about damage in the files.
func faultQuestions() []question {
	rules := faults.Params{}.WithDefaults()
	return []question{
		{IDClipping, result.GroupFiles, none("places"), (*Measured).askClipping},
		{IDOver, result.GroupFiles, none("samples"), (*Measured).askOver},
		{IDClicks, result.GroupFiles, none("clicks"), (*Measured).askClicks},
		{IDDropouts, result.GroupFiles, none("dropouts"), (*Measured).askDropouts},
		{IDCut, result.GroupFiles, limit{}, (*Measured).askCut},
		{IDDC, result.GroupFiles, atMost(float64(rules.Offset), "dBFS", 1, -120, 0), (*Measured).askDC},
		{IDDualMono, result.GroupFiles, limit{}, (*Measured).askDualMono},
		{IDSilent, result.GroupFiles, limit{}, (*Measured).askSilent},
	}
}

// at is a frame of a file as a time.
func (f *FileEvidence) at(frame int64) unit.Seconds {
	return unit.Seconds(float64(frame) / float64(f.Info.SampleRate))
}

// channel is the channel at a place in channels, where the file has several; nil
// otherwise.
func (f *FileEvidence) channel(c int) any {
	if f.Info.Channels == 1 {
		return nil
	}
	return f.Channels[c]
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
		outcome, found, with := result.Passed, "none", []any{}
		switch {
		case n == 0:
		case float64(n) <= float64(a.limit.Value):
			found = "allowed"
		case runs > 0:
			outcome, found = result.Failed, "full-scale"
			if f.Use != "take" {
				outcome = result.Caution // the same for every take
			}
			with = []any{"frames", frames, "at_s", f.at(first), "channel", f.channel(at)}
		default:
			outcome, found = result.Caution, "flat"
			with = []any{"level_dbfs", topLevel, "at_s", f.at(first), "channel", f.channel(at)}
		}
		a.add(f.Name, outcome, float64(n), found, with...)
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
		if n == 0 {
			a.judge(f.Name, 0, result.Caution, "none")
		} else {
			a.judge(f.Name, float64(n), result.Caution, "over", "at_s", f.at(first), "channel", f.channel(at))
		}
	}
}

func (s *Measured) askClicks(a *answers) {
	for _, f := range s.Files {
		switch r := f.Faults; {
		case r.ClickCount > 0:
			c := r.Clicks[0]
			a.judge(f.Name, float64(r.ClickCount), result.Caution, "clicks", "at_s", f.at(c.Frame), "channel", f.channel(c.Channel), "level_dbfs", c.Level)
		case len(r.Floors) == 0:
			a.judge(f.Name, 0, result.Caution, "none")
		default:
			a.judge(f.Name, 0, result.Caution, "none-above", "floor_dbfs", r.Floor)
		}
	}
}

// manySteps is from how many places on, at which a sound stays on one value by itself,
// a file is not judged. Common practice, no source: a quiet take in 16 bits has a few.
const manySteps = 10

func (s *Measured) askDropouts(a *answers) {
	for _, f := range s.Files {
		r := f.Faults
		stepped := some(int(r.Stepped))
		switch {
		case r.DropoutCount > 0:
			d := r.Dropouts[0]
			a.judge(f.Name, float64(r.DropoutCount), result.Failed, "dropouts", "at_s", f.at(d.Frame), "channel", f.channel(d.Channel), "kind", string(d.Kind), "frames", d.Frames)
		case r.Stepped >= manySteps:
			a.skip(f.Name, "stepped", "stepped", stepped)
		default:
			a.judge(f.Name, 0, result.Failed, "none", "stepped", stepped)
		}
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
		with := []any{"head_dbfs", h, "tail_dbfs", t}
		switch {
		case in || out:
			found := map[[2]bool]string{{true, false}: "fades-in", {false, true}: "fades-out", {true, true}: "fades"}[[2]bool{in, out}]
			a.caution(f.Name, found, append(with, "fade_s", faults.FadeSpan)...)
		case head || tail:
			a.caution(f.Name, map[[2]bool]string{{true, false}: "beginning", {false, true}: "end", {true, true}: "both"}[[2]bool{head, tail}], with...)
		default:
			a.pass(f.Name, "whole", with...)
		}
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
		a.judge(f.Name, worst, result.Caution, "mean", "channel", f.channel(at))
	}
}

func (s *Measured) askDualMono(a *answers) {
	for _, f := range s.Files {
		if len(f.Channels) < 2 {
			continue
		}
		copies := false
		for c, x := range f.Faults.Channels[1:] {
			if !x.Copy {
				continue
			}
			copies = true
			found := "near"
			switch {
			case x.Same:
				found = "same"
			case x.Inverted || math.Abs(float64(x.Gain)) >= 0.005:
				found = "copy"
			}
			outcome := result.Caution
			if f.Take >= 0 && s.Takes[f.Take].Mics.Described {
				outcome = result.Failed // two microphones are claimed
			}
			a.add(f.Name, outcome, math.NaN(), found, "channel", f.Channels[c+1], "of", f.Channels[0],
				"gain_db", x.Gain, "inverted", x.Inverted, "within_dbfs", x.Within)
		}
		if !copies {
			a.pass(f.Name, "different", "channels", len(f.Channels))
		}
	}
}

func (s *Measured) askSilent(a *answers) {
	for _, f := range s.Files {
		bad := false
		for c, x := range f.Faults.Channels {
			if x.Silent {
				bad = true
				a.fail(f.Name, "silent", "channel", f.Channels[c], "peak_dbfs", x.Peak)
			}
		}
		if !bad && len(f.Channels) == 1 {
			a.pass(f.Name, "one")
		} else if !bad {
			a.pass(f.Name, "all")
		}
	}
}
