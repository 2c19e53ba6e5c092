package settings

import (
	"io"
	"strings"
	"unicode/utf8"

	"evenhand/analyze/manifest"
	"evenhand/report/terminal"
)

// Text writes the changes for a terminal of the given width in characters, at
// least 40.
func (c *Changes) Text(w io.Writer, width int) error {
	t := text{width: max(width, 40)}
	t.line("", "What changed from "+c.Old.words()+" to "+c.New.words())
	if c.Empty() {
		t.line("", "")
		t.line("", "No setting differs.")
		_, err := io.WriteString(w, t.String())
		return err
	}
	if len(c.Session) > 0 {
		t.line("", "")
		t.line("", "Session")
		t.changes(c.Session, Changed)
	}
	for _, s := range c.Slots {
		t.line("", "")
		t.line("", s.Slot)
		for _, d := range s.Devices {
			head := orUnnamed(d.Device)
			switch d.Outcome {
			case Added:
				head = "+ " + head + ": added, in " + manifest.Join(d.Takes)
			case Removed:
				head = "- " + head + ": removed, was in " + manifest.Join(d.Takes)
			default:
				head = "  " + head
			}
			t.line("    ", "  "+head)
			t.changes(d.Changes, d.Outcome)
		}
	}
	if len(c.Takes.Added)+len(c.Takes.Removed) > 0 {
		t.line("", "")
		t.line("", "Takes")
		if len(c.Takes.Added) > 0 {
			t.line("    ", "  + "+manifest.Join(c.Takes.Added))
		}
		if len(c.Takes.Removed) > 0 {
			t.line("    ", "  - "+manifest.Join(c.Takes.Removed))
		}
	}
	if len(c.Unchanged) > 0 {
		t.line("", "")
		t.line("  ", "Unchanged: "+strings.Join(c.Unchanged, ", "))
	}
	_, err := io.WriteString(w, t.String())
	return err
}

func (s Side) words() string {
	title := orUnnamed(s.Title)
	if s.Date != "" {
		title += " (" + s.Date + ")"
	}
	return title
}

func orUnnamed(s string) string {
	if s == "" {
		return "(not named)"
	}
	return s
}

// text collects lines that are no wider than width.
type text struct {
	strings.Builder
	width int
}

// changes writes a line for each change, the names in a column.
func (t *text) changes(list []Change, what Outcome) {
	column := 0
	for _, c := range list {
		column = min(max(column, utf8.RuneCountInString(c.Name)), 18)
	}
	for _, c := range list {
		s := "      " + c.Name + strings.Repeat(" ", max(0, column-utf8.RuneCountInString(c.Name))) + "  "
		switch what {
		case Added:
			s += value(c.New)
		case Removed:
			s += value(c.Old)
		default:
			s += value(c.Old) + " → " + value(c.New)
		}
		var more []string
		if len(c.Takes) > 0 {
			more = append(more, "in "+manifest.Join(c.Takes))
		}
		if c.Note != "" {
			more = append(more, c.Note)
		}
		if len(more) > 0 {
			s += " (" + strings.Join(more, "; ") + ")"
		}
		t.line(strings.Repeat(" ", 8+column), s)
	}
}

func value(s *string) string {
	switch {
	case s == nil:
		return "none"
	case *s == "":
		return "not stated"
	}
	return strings.Join(strings.Fields(*s), " ")
}

// line writes a line and continues it behind indent where it is too long.
func (t *text) line(indent, s string) {
	s = terminal.Clean(s)
	for first := true; ; first = false {
		if !first {
			s = indent + s
		}
		if utf8.RuneCountInString(s) <= t.width {
			t.WriteString(strings.TrimRight(s, " ") + "\n")
			return
		}
		r := []rune(s)
		cut := t.width
		least := len(s) - len(strings.TrimLeft(s, " ")) + 1
		for cut > least && r[cut] != ' ' {
			cut--
		}
		if cut <= least { // a word wider than the line
			cut = t.width
		}
		t.WriteString(strings.TrimRight(string(r[:cut]), " ") + "\n")
		s = strings.TrimLeft(string(r[cut:]), " ")
	}
}
