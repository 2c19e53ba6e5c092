package report

import (
	"fmt"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
)

// The match by section: in the player, all takes can be equally loud in each section
// instead of over the whole.

// shortestSection is the length in seconds below which a section is not matched by
// itself: so few gating blocks say little of how loud it is. Common practice, no source.
const shortestSection = 3

// mostRaised is by how many dB at most a take is raised for a section. More would bring
// up its noise as much as its sound. Common practice, no source.
const mostRaised = 12

// sectionMatch says how loud a section plays when takes are matched in it.
type sectionMatch struct {
	Level  unit.LUFS // of all takes
	Raised []unit.DB // by how much each take is raised, against the match over the whole
	Reason string    // why it plays as over the whole; "" when it is matched
}

// matchSection matches takes over one span: numbered from 0, the whole, of seconds. The
// level is the highest that every take reaches under the ceiling, and at most target,
// that of the whole. Figures of takes are as recorded, and their gains those of the match
// over the whole.
func matchSection(takes []*result.Take, span int, seconds unit.Seconds, target unit.LUFS, ceiling unit.DBTP) sectionMatch {
	if seconds < shortestSection {
		return sectionMatch{Reason: fmt.Sprintf("it is shorter than %d s", shortestSection)}
	}
	m := sectionMatch{Level: target}
	for _, t := range takes {
		if span >= len(t.Measures) || !chart.Finite(float64(t.Measures[span].Integrated)) || !chart.Finite(float64(t.Measures[span].TruePeak)) || !chart.Finite(float64(t.Gain)) {
			return sectionMatch{Reason: t.Name + " is too quiet in it to be measured"}
		}
		s := t.Measures[span]
		m.Level = min(m.Level, s.Integrated+unit.LUFS(ceiling)-unit.LUFS(s.TruePeak))
	}
	for _, t := range takes {
		by := unit.DB(m.Level-t.Measures[span].Integrated) - t.Gain
		if by > mostRaised {
			return sectionMatch{Reason: fmt.Sprintf("%s would have to be raised by %s, and at most %s are allowed", t.Name, dB(float64(by)), dB(mostRaised))}
		}
		m.Raised = append(m.Raised, by)
	}
	return m
}

// BySection reports whether any section is matched by itself.
func (d *playerData) BySection() bool {
	for _, s := range d.Sections {
		if s.Raised != nil {
			return true
		}
	}
	return false
}

// SectionWords say how loud each section plays when takes are matched in it, and why
// some are not.
func (d *playerData) SectionWords() string {
	levels, whole := []string{}, []string{}
	for _, s := range d.Sections {
		if s.Raised != nil {
			levels = append(levels, s.Name+" "+s.level.String())
		} else {
			whole = append(whole, fmt.Sprintf("%s: not offered for this section, since %s. It plays as over the whole.", s.Name, s.reason))
		}
	}
	return strings.Join(append([]string{"In each section all takes are equally loud: " + manifest.List(levels) + ". Between sections they play as over the whole."}, whole...), " ")
}
