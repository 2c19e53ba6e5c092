package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode/utf8"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/fair"
	"evenhand/report/verdict"
	"evenhand/report/words"
)

// headView is the top of index.html: what was compared, and whether it is fair.
type headView struct {
	Title    string
	Line     []string // who made it, when, on which instrument
	Sentence string
	Verdict  verdictView
}

// verdictView is the verdict, each cause with the check that it comes from.
type verdictView struct {
	Class  string
	Head   string
	Causes []fact // anchor on details.html and words
	More   int
}

// colophonView is everything else that the author states, and how far it was kept.
type colophonView struct {
	Block     []fact
	Sentences []string
	Notes     []int // numbers of footnotes on details.html
	Tool      string
}

func (b *builder) head() headView {
	c := b.res.Comparison
	v := headView{Title: c.Heading(), Line: []string{}, Sentence: b.leadWords(), Verdict: b.verdict()}
	instrument, _, _ := strings.Cut(c.Instrument, ",")
	for _, s := range []string{c.By, c.Date, shortDisclosure(c.Disclosure), instrument} {
		if s != "" {
			v.Line = append(v.Line, s)
		}
	}
	return v
}

// mostDisclosed is how many letters a disclosure's first sentence may have to appear
// under the title.
const mostDisclosed = 40

// shortDisclosure is the first sentence of a disclosure, without its full stop; ""
// where it is long.
func shortDisclosure(text string) string {
	first, _, _ := strings.Cut(strings.TrimSuffix(oneLine(text), "."), ". ")
	if utf8.RuneCountInString(first) > mostDisclosed {
		return ""
	}
	return first
}

// leadWords say in one sentence what was compared, what else changed and whether the
// takes are equally loud.
func (b *builder) leadWords() string {
	c := b.res.Comparison
	source := "One performance"
	if slices.ContainsFunc(b.res.Files, func(f result.File) bool { return f.Use == "dry" }) {
		source = "One recording"
	}
	if len(b.res.Takes) == 1 {
		return source + " in one take, with nothing to compare it with."
	}
	through := " through each " + orElse(c.Slot, "device")
	if c.Control != "" {
		through = " at each setting of the " + c.Slot + "’s " + c.Control
	}
	return source + through + ": " + b.changedWords() + "; " + b.equalWords() + "."
}

// changedWords say within a sentence what differs that is not under test.
func (b *builder) changedWords() string {
	if moved := append(b.res.Settings.Uncontrolled(), b.res.Settings.Allowed()...); len(moved) > 0 {
		return "the " + listUpTo(moved, 3) + " changed too"
	}
	if !slices.ContainsFunc(b.res.Settings.Slots, func(s result.SlotSettings) bool { return s.Slot != b.res.Comparison.Slot }) {
		return "no other part of the chain is written down"
	}
	return "as written down, nothing else changed"
}

// equalWords say within a sentence whether the takes that are published, or were made
// to be, are equally loud.
func (b *builder) equalWords() string {
	if v, ok := b.firstIntegrated(); !ok || math.IsNaN(v) {
		return "levels were not matched"
	}
	made := 0
	for _, t := range b.res.Takes {
		deviation := unit.LU(0)
		switch {
		case t.Published != nil:
			deviation = t.Published.Deviation
		case t.Withheld != nil:
			deviation = t.Withheld.Deviation
		default:
			continue
		}
		made++
		if !(math.Abs(float64(deviation)) <= float64(b.res.Parameters.Match.Tolerance)) {
			return "not all takes play equally loud"
		}
	}
	if made == 0 {
		return "nothing is published to hear"
	}
	return "all equally loud"
}

func (b *builder) verdict() verdictView {
	found := verdict.Of(b.res.Checks)
	v := verdictView{Class: fair.OutcomeOf(found.Outcome).Class, Head: found.Head, Causes: []fact{}, More: found.More}
	questions := fair.Questions(b.res)
	for _, c := range found.Causes {
		anchor := "checks"
		if i := slices.IndexFunc(questions, func(q fair.Question) bool { return q.Checks[0].ID == c.Check.ID && q.Checks[0].Name == c.Check.Name }); i >= 0 {
			anchor = questions[i].Anchor
		}
		v.Causes = append(v.Causes, fact{Name: anchor, Value: c.Text})
	}
	return v
}

// detailsHead is the top of details.html.
func (b *builder) detailsHead() headView {
	return headView{Title: b.res.Comparison.Heading(), Verdict: b.verdict()}
}

func (b *builder) colophon() colophonView {
	res := b.res
	c := res.Comparison
	v := colophonView{Block: []fact{}, Sentences: []string{b.heldWords()}, Tool: b.tool()}
	add := func(name, value string) {
		if value != "" {
			v.Block = append(v.Block, fact{Name: name, Value: value})
		}
	}
	add("Under test", orElse(c.Varies, c.Slot))
	add("Takes", number(len(res.Takes)))
	if len(res.Takes) > 1 {
		add("Reference", res.Spectrum.Against)
	}
	if strings.Contains(c.Instrument, ",") { // the rest is not on top
		add("Instrument", c.Instrument)
	}
	add("Tuning", c.Tuning)
	add("Pickup", c.Pickup)
	add("Controls set", c.SetBy)
	add("Input full scale", c.FullScale)
	if len(res.Timeline.Spans) > 0 {
		s := res.Timeline.Spans[0]
		d := (s.To - s.From).String()
		if n := len(b.sections()); n > 0 {
			d += " in " + plural(n, "section", "sections")
		}
		add("Music compared", d)
	}
	add("Disclosure", c.Disclosure)
	if moved := b.res.Settings.Uncontrolled(); len(moved) > 0 {
		v.Sentences = append(v.Sentences, "Not held equal, although nothing allows it: "+manifest.List(moved)+".")
	}
	v.Sentences = append(v.Sentences, b.matchWords())
	for _, n := range b.notes {
		v.Notes = append(v.Notes, n.Number)
	}
	return v
}

// comparedUpTo says what was compared and names at most most takes, none for 0.
func (b *builder) comparedUpTo(most int) string {
	names := []string{}
	for _, t := range b.res.Takes {
		names = append(names, t.Name)
	}
	c := b.res.Comparison
	what := orElse(c.Slot, "device")
	if c.Control != "" {
		what = c.Control + " of the " + what
	}
	source := "one performance"
	for _, f := range b.res.Files {
		if f.Use == "dry" {
			source = "one dry recording of one performance"
			break
		}
	}
	if len(names) == 1 {
		return fmt.Sprintf("One take, %s, of %s: with nothing beside it there is nothing to compare, only to measure.", names[0], source)
	}
	s := fmt.Sprintf("%s takes of %s, meant to differ in the %s alone", words.Count(len(names)), source, what)
	if most > 0 {
		s += ": " + listUpTo(names, most)
	}
	return s + "."
}

// heldWords lists the slots that are the same in every take.
func (b *builder) heldWords() string {
	held := []string{}
	others := false
	for _, s := range b.res.Settings.Slots {
		others = others || s.Slot != b.res.Comparison.Slot
		same, device := true, ""
		for _, r := range s.Rows {
			if r.Differs {
				same = false
			}
			for i, v := range r.Values {
				// The room is held against none.
				if r.Name == "device" && i < len(b.res.Takes) && b.res.Takes[i].Role != string(manifest.RoleRoom) {
					device = v.Written
				}
			}
		}
		if same && s.Slot != b.res.Comparison.Slot {
			if device != "" {
				held = append(held, s.Slot+" ("+device+")")
			} else {
				held = append(held, s.Slot)
			}
		}
	}
	s := ""
	if len(held) > 0 {
		s = "Held equal, as written down: " + manifest.List(held) + "."
	} else if others {
		s = "Nothing is written down as held equal."
	} else {
		s = "The manifest names no other part of the chain."
	}
	if allowed := b.res.Settings.Allowed(); len(allowed) > 0 {
		s += " Allowed to move: " + manifest.List(allowed) + "."
	}
	return s
}

func (b *builder) matchWords() string {
	m := b.res.Match
	if v, ok := b.firstIntegrated(); !ok || v != v {
		return "Levels were not matched: no loudness could be measured."
	}
	s := fmt.Sprintf("All were matched to %s integrated loudness over the same music", m.Target)
	if std, _, _ := strings.Cut(b.res.Parameters.Loudness.Standard, " ("); std != "" {
		s += " (" + std + ")"
	}
	if m.LimitedBy != "" {
		s += fmt.Sprintf(", the highest level at which no true peak exceeds %s; %s sets that limit", b.res.Parameters.Match.Ceiling, m.LimitedBy)
	}
	published := false
	for _, t := range b.res.Takes {
		published = published || t.Published != nil
	}
	if published {
		s += ". Measured again from the files on this page, " + deviationWords(float64(m.WorstDeviation))
	}
	s += "."
	if names := b.res.WithheldNames(); len(names) == 1 {
		s += " The audio of " + names[0] + " is not published, since its recording may not be passed on; only its numbers are here."
	} else if len(names) > 1 {
		s += " The audio of " + listUpTo(names, 8) + " is not published, since their recordings may not be passed on; only their numbers are here."
	}
	return s
}

// deviationWords says how near the published files come to the target.
func deviationWords(worst float64) string {
	switch worst = math.Abs(worst); {
	case math.IsNaN(worst):
		return "their deviation is not known"
	case worst < 0.001:
		return "all are within 0.001 LU of it"
	}
	return "all are within " + words.RoundedUp(worst, 3) + " LU of it"
}

func (b *builder) firstIntegrated() (float64, bool) {
	for _, t := range b.res.Takes {
		if m, ok := t.Whole(); ok {
			return float64(m.Integrated), true
		}
	}
	return 0, false
}
