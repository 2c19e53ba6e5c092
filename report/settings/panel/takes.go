package panel

import (
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/report/view"
)

// manyTakes is from how many takes on the settings have a line for each take: more
// columns than that fit no screen and no sheet.
const manyTakes = 12

// differsByTake has a line for each take and a column for each setting. Takes of one
// device stand together where several share one.
func (b builder) differsByTake(groups []settingGroup) view.Table {
	devices := b.byDevice()
	head, over := view.Heads("Take"), []view.Cell{{}}
	columns := []setting{}
	void := []bool{}
	for _, g := range groups {
		slot := ""
		for _, s := range g.settings {
			if devices != nil && s.slot == b.res.Comparison.Slot && s.Name == "device" && !s.Control {
				continue // the heading says it
			}
			class := ""
			if g.void {
				class = "void"
			}
			if s.slot != slot {
				slot = s.slot
				over = append(over, view.Cell{Text: g.name + ": " + s.slot, Head: true, Class: class})
			}
			over[len(over)-1].Span++
			head = append(head, view.Cell{Text: s.Name, Head: true, Class: class})
			columns, void = append(columns, s), append(void, g.void)
		}
	}
	line := func(take int) view.Row {
		l := b.labels[take]
		out := []view.Cell{{Text: l.Name, Head: true, Swatch: l.Swatch}}
		for i, s := range columns {
			c := s.values[take]
			if void[i] {
				c.Class = strings.TrimSpace(c.Class + " void")
			}
			out = append(out, c)
		}
		return view.Row{Cells: out}
	}
	var rows []view.Row
	if devices == nil {
		for i := range b.labels {
			rows = append(rows, line(i))
		}
	}
	for _, d := range devices {
		for i, take := range d.takes {
			r := line(take)
			if i == 0 {
				r.Group = d.name
			}
			rows = append(rows, r)
		}
	}
	t := view.NewTable("Settings that differ, a line for each take", head, rows)
	if len(over) > 1 {
		t.Over = over
	}
	return t
}

// deviceTakes are the takes of one device under test.
type deviceTakes struct {
	name  string
	takes []int
}

// byDevice gathers the takes of each device under test, in the order in which they
// appear first; nil where that makes no fewer headings than half the takes, or one.
func (b builder) byDevice() []deviceTakes {
	var out []deviceTakes
	for i, t := range b.res.Takes {
		name := t.Device
		if name == "" {
			name = "Without the " + b.res.Comparison.Slot
		}
		k := slices.IndexFunc(out, func(d deviceTakes) bool { return d.name == name })
		if k < 0 {
			k = len(out)
			out = append(out, deviceTakes{name: name})
		}
		out[k].takes = append(out[k].takes, i)
	}
	if len(out) < 2 || 2*len(out) > len(b.res.Takes) {
		return nil
	}
	return out
}

// allAtOnce has one column for all takes; what differs stands in the table of the
// takes.
func (b builder) allAtOnce() view.Table {
	var rows []view.Row
	for _, s := range b.res.Settings.Slots {
		for i, r := range s.Rows {
			line := view.Row{Cells: []view.Cell{{Text: r.Name, Head: true}, b.together(setting{r, s.Slot, b.values(r)})}}
			if i == 0 {
				line.Group = slotHeading(s)
			}
			if r.Differs {
				line.Class = "differs"
			}
			rows = append(rows, line)
		}
	}
	return view.NewTable("All settings, in signal order", view.Heads("Setting", "<All takes"), rows)
}

// together is one cell for a setting in all takes: its value, and which takes have
// another.
func (b builder) together(s setting) view.Cell {
	if s.Differs {
		return view.Cell{Text: "differs: see the table of the takes", Soft: true, Span: 1}
	}
	var kinds []string
	takes := map[string][]string{}
	for i, c := range s.values {
		if takes[c.Text] == nil {
			kinds = append(kinds, c.Text)
		}
		takes[c.Text] = append(takes[c.Text], b.labels[i].Name)
	}
	slices.SortStableFunc(kinds, func(x, y string) int { return len(takes[y]) - len(takes[x]) })
	f := view.Fold(kinds[0])
	text := kinds[0]
	for _, k := range kinds[1:] {
		value := k
		if k == without {
			value = "none"
		}
		text += "; " + value + " in " + manifest.List(takes[k])
	}
	return view.Cell{Text: text, Fold: f.Summary, Span: 1}
}
