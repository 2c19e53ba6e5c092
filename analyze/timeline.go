package analyze

import (
	"context"
	"fmt"
	"math"

	"evenhand/analyze/activity"
	"evenhand/analyze/fairness"
	"evenhand/analyze/mistake"
	"evenhand/analyze/noise"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/work"
)

// minShared is the shortest stretch that all takes must share for a comparison:
// the short-term loudness window of EBU Tech 3341.
const minShared = unit.Seconds(3)

// minSection is the shortest section that has a loudness: one gating block.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 1.
const minSection = unit.Seconds(0.4)

// source returns the signal whose time axis is the timeline.
func (s *Session) source() *recording.Signal {
	if s.dry != nil {
		return s.dry
	}
	return s.takes[s.Anchor]
}

// silentPeak is the sample peak in dBFS below which a recording holds nothing.
const silentPeak = -100

// findActivity looks for playing and pauses in the timeline's source.
func (s *Session) findActivity(ctx context.Context) error {
	tl := &s.Result.Timeline
	tl.SourceIs, tl.Source = result.SourceDry, "dry"
	if s.dry == nil {
		tl.SourceIs, tl.Source = result.SourceTake, s.Result.Takes[s.Anchor].Name
	}
	src := s.source()
	step := s.run.Stage("finding the pauses", src.Info.Frames)
	type facts struct {
		Activity activity.Result
		Loudest  float64 // sample
	}
	found, err := work.Once(s.run, "activity", src.Heard(), []*recording.Signal{src}, func() (out facts, err error) {
		r, err := src.Open()
		if err != nil {
			return out, err
		}
		defer r.Close()
		det := activity.NewDetector(src.Info.SampleRate, src.Channels(), activity.DefaultParams())
		err = r.Each(0, src.Info.Frames, func(_ int64, block [][]float64) error {
			step(int64(len(block[0])))
			for _, x := range block {
				for _, v := range x {
					out.Loudest = math.Max(out.Loudest, math.Abs(v))
				}
			}
			if err := ctx.Err(); err != nil {
				return err
			}
			return det.Write(block)
		})
		if err == nil {
			out.Activity = det.Finish()
		}
		return out, err
	})
	if err != nil {
		return err
	}
	s.Activity = found.Activity
	s.Silent = found.Loudest < unit.ToAmplitude(silentPeak)
	for _, w := range s.Activity.Warnings {
		s.Result.Warnings = append(s.Result.Warnings, result.Warning{Where: tl.Source, Text: w})
	}
	return nil
}

// layTimeline finds the time that all takes share and the sections in it.
func (s *Session) layTimeline(context.Context) error {
	tl := &s.Result.Timeline
	rate := tl.SampleRate
	from, to := int64(0), s.source().Info.Frames
	first, last := tl.Source, tl.Source
	for _, i := range s.Result.ByName() {
		sig := s.takes[i]
		if f := -s.Takes[i].Frame; f > from {
			from, first = f, s.Result.Takes[i].Name
		}
		if t := sig.Info.Frames - s.Takes[i].Frame; t < to {
			to, last = t, s.Result.Takes[i].Name
		}
	}
	seconds := func(frames int64) unit.Seconds { return unit.Seconds(float64(frames) / float64(rate)) }
	if seconds(to-from) < minShared {
		return mistake.Errorf("the recordings share only %.2f s once aligned (limited by %q at the beginning and %q at the end); at least %.0f s are needed; check that all takes are of the same performance",
			math.Max(0, float64(seconds(to-from))), first, last, float64(minShared))
	}
	s.limits = [2]string{first, last}
	sharedFrom, sharedTo := from, to
	from, to = s.keepTime(from, to)
	span := func(name string, first, end int64) result.Span {
		return result.Span{Name: name, From: seconds(first), To: seconds(end), FirstFrame: unit.Frames(first), Frames: unit.Frames(end - first)}
	}
	tl.Spans = []result.Span{span(fairness.WholeName, from, to)}
	if lost := seconds(s.source().Info.Frames - (to - from)); lost > 1 {
		s.tell("", "time.left-out", "lost_s", lost, "of_s", seconds(s.source().Info.Frames), "first", first, "last", last)
	}

	sections, source, err := s.Sections(rate)
	if err != nil {
		return err
	}
	tl.SectionsSource = source
	for _, sec := range sections {
		a, b := max(sec.First, from), min(sec.End, to)
		switch least := int64(float64(minSection) * float64(rate)); {
		case b <= a:
			s.tell("", "section.outside", "name", sec.Name)
			continue
		case sec.End-sec.First < least:
			s.tell("", "section.short", "name", sec.Name, "long_s", seconds(sec.End-sec.First), "least_s", minSection)
			continue
		case b-a < least:
			s.tell("", "section.little", "name", sec.Name, "long_s", seconds(b-a), "least_s", minSection)
			continue
		}
		if a > sec.First || b < sec.End {
			s.tell("", "section.cut", "name", sec.Name)
		}
		if !s.Played(sec) {
			s.tell("", "section.silent", "name", sec.Name, "of", s.SourceName())
		}
		tl.Spans = append(tl.Spans, span(sec.Name, a, b))
	}
	if len(tl.Spans) == 1 {
		tl.SectionsSource = "none"
	}

	tl.Pauses = []result.Span{}
	for _, p := range s.Activity.Pauses {
		// Noise is measured where every take has its recording.
		a, b := max(p.First, sharedFrom, from), min(p.First+p.Frames, sharedTo, to)
		if b > a {
			tl.Pauses = append(tl.Pauses, span(fmt.Sprintf("Pause %d", len(tl.Pauses)+1), a, b))
			s.Quiet = append(s.Quiet, noise.Stretch{First: a, Frames: b - a})
		}
	}
	tl.Overview = []unit.Number{}
	for _, v := range s.Activity.Overview {
		tl.Overview = append(tl.Overview, unit.Number(v))
	}
	return nil
}

// firstFrame returns the frame of take i at which a span of the timeline begins.
func (s *Session) firstFrame(i int, span result.Span) int64 {
	return int64(span.FirstFrame) + s.Takes[i].Frame
}
