package report

import (
	"strings"

	"evenhand/analyze"
	"evenhand/report/chart"
	"evenhand/report/record"
)

// settingsView is the settings: what differs first, all of them behind.
type settingsView struct {
	Differs      table
	All          table
	Uncontrolled []string
	Unstated     int
	Notes        []string
	Valve        bool // a valve power amplifier is in the chain
	Count        int
	Pictures     []record.Published
}

func (b *builder) settings(opts Options) settingsView {
	head := heads("Setting")
	for _, l := range b.labels {
		head = append(head, cell{Text: l.Name, Class: "v", Head: true, Swatch: l.Swatch})
	}
	v := settingsView{Uncontrolled: b.uncontrolled(), Notes: []string{}, Valve: valveAmplifier(b.res.Settings), Pictures: opts.pictures}
	var varied, allowed, voids, all []row
	for _, s := range b.res.Settings.Slots {
		group := s.Slot
		if s.Kind != "" {
			group += " – " + s.Kind
		}
		for i, r := range s.Rows {
			v.Count++
			values := b.values(r)
			line := row{Cells: append([]cell{{Text: s.Slot + " " + r.Name, Head: true}}, values...)}
			for _, x := range r.Values {
				if !x.Stated && !x.Absent && r.Control {
					v.Unstated++
				}
			}
			full := row{Cells: append([]cell{{Text: r.Name, Head: true}}, values...)}
			if i == 0 {
				full.Group = group
			}
			if r.Differs {
				full.Class = "differs"
			}
			all = append(all, full)
			switch {
			case r.Varied && r.Differs:
				varied = append(varied, line)
			case r.Allowed:
				allowed = append(allowed, line)
			case r.Differs && !r.Varied:
				line.Class = "void"
				voids = append(voids, line)
			}
		}
	}
	group := func(name string, rows []row) []row {
		if len(rows) > 0 {
			rows[0].Group = name
		}
		return rows
	}
	rows := group("Not held equal, and not allowed to move", voids)
	rows = append(rows, group("Under test", varied)...)
	rows = append(rows, group("Allowed to move", allowed)...)
	v.Differs = newTable("Settings that differ", head, rows)
	v.All = newTable("All settings, in signal order", head, all)
	if v.Unstated > 0 {
		v.Notes = append(v.Notes, plural(v.Unstated, "control is", "controls are")+" named without a position: shown as an empty ring.")
	}
	return v
}

// values are a setting's cells, one for each take.
func (b *builder) values(r analyze.SettingRow) []cell {
	out := make([]cell, 0, len(r.Values))
	for _, x := range r.Values {
		c := cell{Text: x.Written, Class: "v"}
		if len(x.Written) <= shortValue {
			c.Class = "v short"
		}
		switch {
		case x.Absent || (!r.Control && x.Written == ""):
			out = append(out, cell{Text: "–", Class: "v unstated"})
			continue
		case !x.Stated || x.Written == "":
			c.Text, c.Class = "not stated", "v short unstated"
		}
		if r.Control && dialled(x.Kind) {
			c.Dial = svg(chart.Dial(float64(x.Fraction)))
		}
		out = append(out, c)
	}
	for len(out) < len(b.labels) {
		out = append(out, cell{Text: "not stated", Class: "v unstated"})
	}
	return out
}

// shortValue is the length in bytes up to which a value stays on one line.
const shortValue = 14

// dialled tells whether a control of this kind is drawn as a knob.
func dialled(kind string) bool {
	switch kind {
	case "clock", "scale", "percent", "step", "unset":
		return true
	}
	return false
}

// valveAmplifier tells whether a power amplifier with valves is in the chain.
func valveAmplifier(s analyze.Settings) bool {
	for _, slot := range s.Slots {
		texts := []string{slot.Kind}
		for _, r := range slot.Rows {
			if r.Name == "kind" {
				for _, v := range r.Values {
					texts = append(texts, v.Written)
				}
			}
		}
		for _, t := range texts {
			t = strings.ToLower(t)
			if (strings.Contains(t, "valve") || strings.Contains(t, "tube")) && strings.Contains(t, "amp") && !strings.Contains(t, "preamp") {
				return true
			}
		}
	}
	return false
}
