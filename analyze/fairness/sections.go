package fairness

import (
	"fmt"
	"math"
	"path/filepath"
	"strings"

	"evenhand/analyze/activity"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
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

// Silence says that the timeline's source is silent, with its file; nil where it is not.
func (s *Measured) Silence() *result.Text {
	if !s.Silent {
		return nil
	}
	why := result.Say("silence", "source", s.sourceTake(), "file", filepath.ToSlash(s.SourceFile()))
	return &why
}

// SourceFile is the file of the timeline's source as the manifest names it.
func (s *Measured) SourceFile() string {
	if s.Dry != nil {
		return s.Manifest.Performance.Dry.Path
	}
	return s.Manifest.Takes[s.Anchor].File.Path
}

// wholeName is the name of the span that covers everything.
const WholeName = "Whole"

type Section struct {
	Name       string
	First, End int64
}

// played reports whether anything is played in a section, or it cannot be told.
func (s *Measured) Played(sec Section) bool {
	for _, p := range s.Activity.Playing {
		if p.First < sec.End && p.End() > sec.First {
			return true
		}
	}
	return len(s.Activity.Playing) == 0
}

// sections lists the sections on the timeline in frames of its rate. Of several with one
// name, as markers may have, the later ones have a number, and so has one that is called
// as the whole is.
func (s *Measured) Sections(rate int) ([]Section, string, error) {
	all, source, err := s.listedSections(rate)
	taken := map[string]bool{WholeName: true}
	for i := range all {
		name := all[i].Name
		for n := 2; taken[name]; n++ {
			name = fmt.Sprintf("%s %d", all[i].Name, n)
		}
		taken[name] = true
		all[i].Name = name
	}
	return all, source, err
}

// listedSections lists the sections with the names that they have.
func (s *Measured) listedSections(rate int) ([]Section, string, error) {
	frame := func(t unit.Seconds) int64 { return int64(math.Round(float64(t) * float64(rate))) }
	p := s.Manifest.Performance
	if n := len(p.Sections); n > maxListedSections {
		return nil, "", mistake.Errorf("%s:%d:%d: %d sections are listed; at most %d can be measured; join some", s.Manifest.Path, p.Sections[0].Pos.Line, p.Sections[0].Pos.Column, n, maxListedSections)
	}
	if len(p.Sections) > 0 {
		var out []Section
		length := s.timelineSource().Info.Frames
		var bad []error
		for _, x := range p.Sections {
			if frame(x.From) >= length {
				bad = append(bad, fmt.Errorf("%s:%d:%d: section %q starts at %v, the %s ends at %v; sections are on the timeline of the %s",
					s.Manifest.Path, x.Pos.Line, x.Pos.Column, x.Name, x.From, s.SourceName(), unit.Seconds(float64(length)/float64(rate)), s.SourceName()))
			}
			out = append(out, Section{x.Name, frame(x.From), frame(x.To)})
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
	var out []Section
	found := activity.Sections(s.Activity, rate, minSectionGap)
	for gap := minSectionGap; len(found) > maxFoundSections; {
		// Long material: only the longer pauses part it.
		gap *= 1.5
		found = activity.Sections(s.Activity, rate, gap)
	}
	for i, x := range found {
		out = append(out, Section{fmt.Sprintf("Part %d", i+1), x.First, x.First + x.Frames})
	}
	if len(out) == 1 {
		// One section is the whole again.
		out = nil
	}
	return out, "pauses", nil
}

// sourceTake is the take whose time axis is the timeline; "" for the dry recording's.
func (s *Measured) sourceTake() string {
	if s.Dry != nil {
		return ""
	}
	return s.Result.Takes[s.Anchor].Name
}

// SourceName names the timeline's source in messages: "dry recording", "take One".
func (s *Measured) SourceName() string {
	if take := s.sourceTake(); take != "" {
		return "take " + take
	}
	return "dry recording"
}

// fromCues makes a section of each cue: its own length when it has one, else up
// to the next cue or the end.
func (s *Measured) fromCues(cues []wavio.Cue) []Section {
	var out []Section
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
			out = append(out, Section{name, c.Frame, end})
		}
	}
	return out
}
