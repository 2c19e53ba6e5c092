// Package panel shows the settings of a result as a section of the page.
package panel

import (
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/chart"
	"evenhand/report/settings"
	"evenhand/report/view"
	"evenhand/report/words"
)

// View is the settings: what differs first, all of them behind.
type View struct {
	Differs      view.Table
	All          view.Table
	Uncontrolled []string
	Unstated     int
	Notes        []string
	Cautions     []string // of an amplifier in the chain that may have valves
	Count        int
	Pictures     []settings.Published
	Sheet        string // address of the settings to print; "" without
	Compared     bool   // there are takes to compare
}

// setting is a row of the settings with the cells of its takes.
type setting struct {
	result.SettingRow
	slot   string
	values []view.Cell
}

// settingGroup is settings that differ for one reason.
type settingGroup struct {
	name     string
	void     bool // they should not differ
	settings []setting
}

// builder holds what the tables share.
type builder struct {
	res    *result.Result
	labels []view.Label
}

// Of returns the view of the settings of a result, with the labels of its takes, for the
// template "settings". pictures and sheet are what the report's folder has of them, see
// settings.Find.
func Of(res *result.Result, labels []view.Label, pictures []settings.Published, sheet string) View {
	b := builder{res, labels}
	var cautions []string
	if b.res.Settings.MayHaveValves() {
		cautions = []string{manifest.LoadCaution, manifest.InsideCaution}
	}
	v := View{Uncontrolled: b.res.Settings.Uncontrolled(), Notes: []string{}, Cautions: cautions, Pictures: pictures, Compared: len(b.res.Takes) > 1}
	if sheet != "" {
		v.Sheet = settings.SheetName
	}
	groups := []settingGroup{{name: "Not held equal, and not allowed to move", void: true}, {name: "Under test"}, {name: "Allowed to move"}}
	differing := 0
	for _, s := range b.res.Settings.Slots {
		for _, r := range s.Rows {
			v.Count++
			for _, x := range r.Values {
				if !x.Stated && !x.Absent && r.Control {
					v.Unstated++
				}
			}
			k := -1
			switch {
			case r.Varied && r.Differs:
				k = 1
			case r.Allowed:
				k = 2
			case r.Differs && !r.Varied:
				k = 0
			}
			if k >= 0 && v.Compared {
				groups[k].settings = append(groups[k].settings, setting{r, s.Slot, b.values(r)})
				differing++
			}
		}
	}
	groups = slices.DeleteFunc(groups, func(g settingGroup) bool { return g.settings == nil })
	if len(b.labels) >= manyTakes && differing <= len(b.labels) {
		v.Differs, v.All = b.differsByTake(groups), b.allAtOnce()
	} else {
		v.Differs, v.All = b.differsBySetting(groups), b.allBySetting()
	}
	v.Differs.Class, v.All.Class = "words", "words"
	if v.Unstated > 0 {
		v.Notes = append(v.Notes, words.Plural(v.Unstated, "control is", "controls are")+" named without a position: shown as an empty ring.")
	}
	return v
}

// differsBySetting has a line for each setting and a column for each take.
func (b builder) differsBySetting(groups []settingGroup) view.Table {
	head := view.Heads("Setting")
	for _, l := range b.labels {
		head = append(head, view.Cell{Text: l.Name, Head: true, Swatch: l.Swatch})
	}
	var rows []view.Row
	for _, g := range groups {
		for i, s := range g.settings {
			line := view.Row{Cells: append([]view.Cell{{Text: s.slot + " " + s.Name, Head: true}}, s.values...)}
			if i == 0 {
				line.Group = g.name
			}
			if g.void {
				line.Class = "void"
			}
			rows = append(rows, line)
		}
	}
	return view.NewTable("Settings that differ", head, rows)
}

// slotHeading names a slot above its settings.
func slotHeading(s result.SlotSettings) string {
	if s.Kind != "" && s.Kind != s.Slot {
		return s.Slot + " – " + s.Kind
	}
	return s.Slot
}

func (b builder) allBySetting() view.Table {
	head := view.Heads("Setting")
	for _, l := range b.labels {
		head = append(head, view.Cell{Text: l.Name, Head: true})
	}
	var rows []view.Row
	for _, s := range b.res.Settings.Slots {
		for i, r := range s.Rows {
			line := view.Row{Cells: append([]view.Cell{{Text: r.Name, Head: true}}, alike(b.values(r))...)}
			if i == 0 {
				line.Group = slotHeading(s)
			}
			if r.Differs {
				line.Class = "differs"
			}
			rows = append(rows, line)
		}
	}
	caption := "All settings, in signal order"
	if len(b.labels) > 1 {
		caption += "; a value over all columns is that of every take"
	}
	return view.NewTable(caption, head, rows)
}

// alike makes equal cells one that takes the width of all; cells that differ
// stay, without their pictures, which stand in the table above.
func alike(values []view.Cell) []view.Cell {
	same := true
	out := make([]view.Cell, len(values))
	for i, c := range values {
		same = same && c.Text == values[0].Text
		c.Dial = ""
		out[i] = c
	}
	if same && len(values) > 1 {
		c := values[0]
		c.Span, c.Class = len(values), strings.TrimPrefix(c.Class, "short")
		return []view.Cell{c}
	}
	return out
}

// values are a setting's cells, one for each take.
func (b builder) values(r result.SettingRow) []view.Cell {
	out := make([]view.Cell, 0, len(r.Values))
	for _, x := range r.Values {
		f := view.Fold(x.Written)
		c := view.Cell{Text: x.Written, Fold: f.Summary}
		if len(x.Written) <= shortValue {
			c.Class = "short"
		}
		switch {
		case x.Absent || (!r.Control && x.Written == ""):
			out = append(out, view.Cell{Text: without, Soft: true})
			continue
		case !x.Stated || x.Written == "":
			c.Text, c.Class, c.Soft = "not stated", "short", true
		}
		if r.Control {
			c.Dial = settings.Drawing(manifest.ValueKind(x.Kind), Knob(x))
		}
		out = append(out, c)
	}
	for len(out) < len(b.labels) {
		out = append(out, view.Cell{Text: "not stated", Soft: true})
	}
	return out
}

// without stands for what a take has not got.
const without = "–"

// shortValue is the length in bytes up to which a value stays on one line.
const shortValue = 14

// Knob is a control's shape: the usual one where no other is stated.
func Knob(v result.SettingValue) chart.Knob {
	k := chart.UsualKnob(float64(v.Fraction))
	if v.Travel > 0 {
		k.From, k.Travel = v.From, v.Travel
	}
	k.Steps = len(v.Steps)
	return k
}
