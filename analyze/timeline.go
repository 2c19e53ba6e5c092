package analyze

import (
	"context"
	"evenhand/analyze/result"
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"evenhand/analyze/activity"
	"evenhand/analyze/mistake"
	"evenhand/analyze/noise"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// minSectionGap is the shortest pause that parts two sections found from the
// dry recording: well above the rests inside a riff. Common practice, no source.
const minSectionGap = unit.Seconds(0.8)

// maxFoundSections is how many sections are looked for at most, and
// maxListedSections how many may be listed: each is measured, stored and shown
// for every take.
const (
	maxFoundSections  = 24
	maxListedSections = 100
)

// minShared is the shortest stretch that all takes must share for a comparison:
// the short-term loudness window of EBU Tech 3341.
const minShared = unit.Seconds(3)

// minSection is the shortest section that has a loudness: one gating block.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 1.
const minSection = unit.Seconds(0.4)

// source returns the signal whose time axis is the timeline.
func (s *Session) source() *signal {
	if s.dry != nil {
		return s.dry
	}
	return s.takes[s.Anchor]
}

// silentPeak is the sample peak in dBFS below which a recording holds nothing.
const silentPeak = -100

// silence says that the timeline's source is silent, with its file; "" where it
// is not.
func (s *Measured) silence() string {
	if !s.Silent {
		return ""
	}
	return fmt.Sprintf("the %s, %s, is silent", s.sourceName(), filepath.ToSlash(s.sourceFile()))
}

// sourceFile is the file of the timeline's source as the manifest names it.
func (s *Measured) sourceFile() string {
	if s.Dry != nil {
		return s.Manifest.Performance.Dry.Path
	}
	return s.Manifest.Takes[s.Anchor].File.Path
}

// findActivity looks for playing and pauses in the timeline's source.
func (s *Session) findActivity(ctx context.Context) error {
	tl := &s.Result.Timeline
	tl.SourceIs, tl.Source = result.SourceDry, "dry"
	if s.dry == nil {
		tl.SourceIs, tl.Source = result.SourceTake, s.Result.Takes[s.Anchor].Name
	}
	src := s.source()
	step := s.progress("finding the pauses", src.info.Frames)
	type facts struct {
		Activity activity.Result
		Loudest  float64 // sample
	}
	found, err := once(s, "activity", src.heard(), []*signal{src}, func() (out facts, err error) {
		r, err := src.open()
		if err != nil {
			return out, err
		}
		defer r.Close()
		det := activity.NewDetector(src.info.SampleRate, src.channels(), activity.DefaultParams())
		err = r.each(0, src.info.Frames, func(_ int64, block [][]float64) error {
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
		s.warn(tl.Source, "%s", w)
	}
	return nil
}

// layTimeline finds the time that all takes share and the sections in it.
func (s *Session) layTimeline(context.Context) error {
	tl := &s.Result.Timeline
	rate := tl.SampleRate
	from, to := int64(0), s.source().info.Frames
	first, last := tl.Source, tl.Source
	for _, i := range s.Result.ByName() {
		sig := s.takes[i]
		if f := -s.Takes[i].Frame; f > from {
			from, first = f, s.Result.Takes[i].Name
		}
		if t := sig.info.Frames - s.Takes[i].Frame; t < to {
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
	tl.Spans = []result.Span{span(wholeName, from, to)}
	if lost := seconds(s.source().info.Frames - (to - from)); lost > 1 {
		s.warn("", "%.1f s of the %.1f s performance are not in every take and are left out (the beginning is limited by %q, the end by %q)",
			float64(lost), float64(seconds(s.source().info.Frames)), first, last)
	}

	sections, source, err := s.sections(rate)
	if err != nil {
		return err
	}
	tl.SectionsSource = source
	for _, sec := range sections {
		a, b := max(sec.first, from), min(sec.end, to)
		switch least := int64(float64(minSection) * float64(rate)); {
		case b <= a:
			s.warn("", "section %q is outside the time that all takes share and is not measured", sec.name)
			continue
		case sec.end-sec.first < least:
			s.warn("", "section %q has %.3f s and is not measured: loudness needs at least %.1f s", sec.name, float64(seconds(sec.end-sec.first)), float64(minSection))
			continue
		case b-a < least:
			s.warn("", "section %q has only %.3f s in the time that all takes share and is not measured: loudness needs at least %.1f s", sec.name, float64(seconds(b-a)), float64(minSection))
			continue
		}
		if a > sec.first || b < sec.end {
			s.warn("", "section %q is cut to the time that all takes share", sec.name)
		}
		if !s.played(sec) {
			s.warn("", "section %q has no playing: the %s is silent there too, so nothing is compared; remove the section or correct its times", sec.name, s.sourceName())
		}
		tl.Spans = append(tl.Spans, span(sec.name, a, b))
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

// wholeName is the name of the span that covers everything.
const wholeName = "Whole"

type section struct {
	name       string
	first, end int64
}

// played reports whether anything is played in a section, or it cannot be told.
func (s *Measured) played(sec section) bool {
	for _, p := range s.Activity.Playing {
		if p.First < sec.end && p.End() > sec.first {
			return true
		}
	}
	return len(s.Activity.Playing) == 0
}

// sections lists the sections on the timeline in frames of its rate. Of several with one
// name, as markers may have, the later ones have a number, and so has one that is called
// as the whole is.
func (s *Measured) sections(rate int) ([]section, string, error) {
	all, source, err := s.listedSections(rate)
	taken := map[string]bool{wholeName: true}
	for i := range all {
		name := all[i].name
		for n := 2; taken[name]; n++ {
			name = fmt.Sprintf("%s %d", all[i].name, n)
		}
		taken[name] = true
		all[i].name = name
	}
	return all, source, err
}

// listedSections lists the sections with the names that they have.
func (s *Measured) listedSections(rate int) ([]section, string, error) {
	frame := func(t unit.Seconds) int64 { return int64(math.Round(float64(t) * float64(rate))) }
	p := s.Manifest.Performance
	if n := len(p.Sections); n > maxListedSections {
		return nil, "", mistake.Errorf("%s:%d:%d: %d sections are listed; at most %d can be measured; join some", s.Manifest.Path, p.Sections[0].Pos.Line, p.Sections[0].Pos.Column, n, maxListedSections)
	}
	if len(p.Sections) > 0 {
		var out []section
		length := s.timelineSource().Info.Frames
		var bad []error
		for _, x := range p.Sections {
			if frame(x.From) >= length {
				bad = append(bad, fmt.Errorf("%s:%d:%d: section %q begins at %v, the %s ends at %v; sections are on the timeline of the %s",
					s.Manifest.Path, x.Pos.Line, x.Pos.Column, x.Name, x.From, s.sourceName(), unit.Seconds(float64(length)/float64(rate)), s.sourceName()))
			}
			out = append(out, section{x.Name, frame(x.From), frame(x.To)})
		}
		if bad != nil {
			return nil, "", &mistake.Error{Problems: bad}
		}
		return out, "manifest", nil
	}
	cues := s.timelineSource().Info.Cues
	if p.SectionsFrom == "markers" {
		if len(cues) == 0 {
			return nil, "", mistake.Errorf("%s: the manifest says sections: markers, and this file has no cue markers; add markers to it, list the sections in the manifest, or remove sections: so that pauses divide the performance", s.timelineSource().Path)
		}
		if len(cues) > maxListedSections {
			return nil, "", mistake.Errorf("%s: the file has %d cue markers; at most %d sections can be measured; keep only the markers between sections", s.timelineSource().Path, len(cues), maxListedSections)
		}
		return s.fromCues(cues), "markers", nil
	}
	var out []section
	found := activity.Sections(s.Activity, rate, minSectionGap)
	for gap := minSectionGap; len(found) > maxFoundSections; {
		// Long material: only the longer pauses part it.
		gap *= 1.5
		found = activity.Sections(s.Activity, rate, gap)
	}
	for i, x := range found {
		out = append(out, section{fmt.Sprintf("Part %d", i+1), x.First, x.First + x.Frames})
	}
	if len(out) == 1 {
		// One section is the whole again.
		out = nil
	}
	return out, "pauses", nil
}

func (s *Measured) sourceName() string {
	if s.Dry != nil {
		return "dry recording"
	}
	return "take " + s.Result.Takes[s.Anchor].Name
}

// fromCues makes a section of each cue: its own length when it has one, else up
// to the next cue or the end.
func (s *Measured) fromCues(cues []wavio.Cue) []section {
	var out []section
	for i, c := range cues {
		end := s.timelineSource().Info.Frames
		if i+1 < len(cues) {
			end = cues[i+1].Frame
		}
		if c.Length > 0 {
			end = min(end, c.Frame+c.Length)
		}
		name := strings.TrimSpace(c.Label)
		if name == "" {
			name = fmt.Sprintf("Marker %d", i+1)
		}
		if end > c.Frame {
			out = append(out, section{name, c.Frame, end})
		}
	}
	return out
}

// firstFrame returns the frame of take i at which a span of the timeline begins.
func (s *Session) firstFrame(i int, span result.Span) int64 {
	return int64(span.FirstFrame) + s.Takes[i].Frame
}
