package report

import (
	"strings"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
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
	head, plain := heads("Setting"), heads("Setting")
	for _, l := range b.labels {
		head = append(head, cell{Text: l.Name, Head: true, Swatch: l.Swatch})
		plain = append(plain, cell{Text: l.Name, Head: true})
	}
	v := settingsView{Uncontrolled: b.uncontrolled(), Notes: []string{}, Valve: valveAmplifier(b.res.Settings), Pictures: opts.pictures}
	var varied, allowed, voids, all []row
	for _, s := range b.res.Settings.Slots {
		group := s.Slot
		if s.Kind != "" && s.Kind != s.Slot {
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
			full := row{Cells: append([]cell{{Text: r.Name, Head: true}}, alike(values)...)}
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
	v.All = newTable("All settings, in signal order; what stands over all columns holds for every take", plain, all)
	v.Differs.Class, v.All.Class = "words", "words"
	if v.Unstated > 0 {
		v.Notes = append(v.Notes, plural(v.Unstated, "control is", "controls are")+" named without a position: shown as an empty ring.")
	}
	return v
}

// alike makes equal cells one that takes the width of all; cells that differ
// stay, without their pictures, which stand in the table above.
func alike(values []cell) []cell {
	same := true
	out := make([]cell, len(values))
	for i, c := range values {
		same = same && c.Text == values[0].Text
		c.Dial = ""
		out[i] = c
	}
	if same && len(values) > 1 {
		c := values[0]
		c.Span, c.Class = len(values), strings.TrimPrefix(c.Class, "short")
		return []cell{c}
	}
	return out
}

// values are a setting's cells, one for each take.
func (b *builder) values(r analyze.SettingRow) []cell {
	out := make([]cell, 0, len(r.Values))
	for _, x := range r.Values {
		f := fold(x.Written)
		c := cell{Text: x.Written, Fold: f.Summary}
		if len(x.Written) <= shortValue {
			c.Class = "short"
		}
		switch {
		case x.Absent || (!r.Control && x.Written == ""):
			out = append(out, cell{Text: "–", Soft: true})
			continue
		case !x.Stated || x.Written == "":
			c.Text, c.Class, c.Soft = "not stated", "short", true
		}
		if r.Control {
			c.Dial = record.Drawing(manifest.ValueKind(x.Kind), knob(x))
		}
		out = append(out, c)
	}
	for len(out) < len(b.labels) {
		out = append(out, cell{Text: "not stated", Soft: true})
	}
	return out
}

// shortValue is the length in bytes up to which a value stays on one line.
const shortValue = 14

// knob is a control's shape: the usual one where no other is stated.
func knob(v analyze.SettingValue) chart.Knob {
	k := chart.UsualKnob(float64(v.Fraction))
	if v.Travel > 0 {
		k.From, k.Travel = v.From, v.Travel
	}
	k.Steps = len(v.Steps)
	return k
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
