package fairness

import (
	"cmp"
	"math"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// settingsOf lays the resolved chains of all takes side by side: for every slot
// in signal order its device, file and further properties, then every control
// that any take's device there has, in order of first appearance.
//
// A bypass has nothing in the slot under test, which is no difference between the
// devices there: rows of that slot are held against each other without it, where two
// takes or more of devices are left. The in-room reference is heard in another way,
// in whichever slot its manifest entry says, and is held against none.
func SettingsOf(c *manifest.Comparison) result.Settings {
	chains := make([]map[string]manifest.Device, len(c.Takes))
	for t := range c.Takes {
		chains[t] = map[string]manifest.Device{}
		for _, d := range c.ChainOf(&c.Takes[t]) {
			chains[t][d.Slot] = d
		}
	}
	allowed := map[[2]string]bool{}
	for _, p := range c.MayDiffer {
		allowed[[2]string{p.Slot, p.Control}] = true
	}
	filled := heldTakes(c, func(t *manifest.Take) bool { return notRoom(t) && !c.Bypassed(t) })
	elsewhere := heldTakes(c, notRoom)
	s := result.Settings{Slots: []result.SlotSettings{}}
	for _, base := range c.Chain {
		slot := result.SlotSettings{Slot: base.Slot, Rows: []result.SettingRow{}}
		held := filled
		if base.Slot != c.Varies.Slot {
			held = elsewhere
		}
		devices := make([]manifest.Device, len(chains))
		for t := range chains {
			devices[t] = chains[t][base.Slot]
		}
		slot.Kind = oneKind(devices)
		add := func(name string, always bool, text func(manifest.Device) string) {
			row := result.SettingRow{Name: name}
			stated := false
			for _, d := range devices {
				v := text(d)
				stated = stated || v != ""
				row.Values = append(row.Values, result.SettingValue{Written: v, Kind: string(manifest.Text), Fraction: unit.Number(math.NaN()), Stated: v != ""})
			}
			if stated || always {
				row.Differs = differs(only(row.Values, held))
				row.Varied = c.Varies.Slot == base.Slot && c.Varies.Control == ""
				row.Allowed = allowed[[2]string{base.Slot, ""}] || allowed[[2]string{base.Slot, name}]
				slot.Rows = append(slot.Rows, row)
			}
		}
		add("device", true, func(d manifest.Device) string { return d.Name })
		add("kind", false, func(d manifest.Device) string { return d.Kind })
		add("file", false, func(d manifest.Device) string {
			if d.File == nil {
				return ""
			}
			return d.File.Path
		})
		add("impedance", false, func(d manifest.Device) string { return d.Impedance.Written })
		add("power", false, func(d manifest.Device) string { return d.Power.Written })
		add("position", false, func(d manifest.Device) string { return PositionText(d.Position) })
		add("notes", false, func(d manifest.Device) string { return d.Notes })
		slot.Rows = append(slot.Rows, controlRows(c, base.Slot, devices, held, allowed)...)
		s.Slots = append(s.Slots, slot)
	}
	return s
}

// oneKind is the kind of all devices that state one; "" where they differ.
func oneKind(devices []manifest.Device) string {
	kind := ""
	for _, d := range devices {
		if d.Kind != "" && kind != "" && d.Kind != kind {
			return ""
		}
		kind = cmp.Or(kind, d.Kind)
	}
	return kind
}

func notRoom(t *manifest.Take) bool { return t.Role != manifest.RoleRoom }

// heldTakes are the places of the takes that are held against each other; nil for
// all, also where too few are left to differ.
func heldTakes(c *manifest.Comparison, held func(*manifest.Take) bool) []int {
	var out []int
	first := 0 // takes that are not a repeat
	for i := range c.Takes {
		if t := &c.Takes[i]; held(t) {
			out = append(out, i)
			if t.RepeatOf == "" {
				first++
			}
		}
	}
	if first < 2 || len(out) == len(c.Takes) {
		return nil
	}
	return out
}

// only returns the values at some places, all for nil.
func only(values []result.SettingValue, places []int) []result.SettingValue {
	if places == nil {
		return values
	}
	out := make([]result.SettingValue, 0, len(places))
	for _, i := range places {
		out = append(out, values[i])
	}
	return out
}

// controlRows lists the controls of a slot; held are the takes that are held
// against each other, nil for all.
func controlRows(c *manifest.Comparison, slot string, devices []manifest.Device, held []int, allowed map[[2]string]bool) []result.SettingRow {
	var names []string
	seen := map[string]bool{}
	for _, d := range devices {
		for _, k := range d.Controls {
			if !seen[k.Name] {
				seen[k.Name] = true
				names = append(names, k.Name)
			}
		}
	}
	var rows []result.SettingRow
	for _, name := range names {
		row := result.SettingRow{Name: name, Control: true}
		for _, d := range devices {
			v := result.SettingValue{Fraction: unit.Number(math.NaN()), Kind: string(manifest.Unset), Absent: true}
			for _, k := range d.Controls {
				if k.Name == name {
					v = result.SettingValue{
						Written:  k.Value.Written,
						Kind:     string(k.Value.Kind),
						Fraction: unit.Number(k.Value.Fraction),
						Stated:   k.Value.Kind != manifest.Unset,
						Steps:    k.Steps,
					}
					if k.Travel != "" || k.From != "" {
						v.From, v.Travel = k.Arc()
					}
				}
			}
			row.Values = append(row.Values, v)
		}
		row.Differs = differs(only(row.Values, held))
		row.Varied = c.Varies.Slot == slot && (c.Varies.Control == "" || c.Varies.Control == name)
		row.Allowed = allowed[[2]string{slot, name}] || allowed[[2]string{slot, ""}]
		rows = append(rows, row)
	}
	return rows
}

// differs reports whether the values mean different settings. Two spellings of
// one position ("noon", "12:00") do not differ.
func differs(v []result.SettingValue) bool {
	for _, x := range v[1:] {
		if !sameSetting(v[0], x) {
			return true
		}
	}
	return false
}

func sameSetting(a, b result.SettingValue) bool {
	if a.Stated != b.Stated {
		return false
	}
	fa, fb := float64(a.Fraction), float64(b.Fraction)
	if a.Kind == b.Kind && !math.IsNaN(fa) && !math.IsNaN(fb) {
		return math.Abs(fa-fb) < 1e-9
	}
	return strings.EqualFold(strings.TrimSpace(a.Written), strings.TrimSpace(b.Written))
}

func PositionText(p *manifest.Position) string {
	if p == nil {
		return ""
	}
	var parts []string
	if p.Distance.Written != "" {
		s := p.Distance.Written
		if p.From != "" {
			s += " from " + p.From
		}
		parts = append(parts, s)
	} else if p.From != "" {
		parts = append(parts, "from "+p.From)
	}
	if p.Angle.Written != "" {
		parts = append(parts, p.Angle.Written+" off axis")
	}
	if p.At != "" {
		parts = append(parts, "at "+p.At)
	}
	return strings.Join(parts, ", ")
}

// NewResult returns the result of a comparison of which nothing is measured yet: what
// its manifest says.
func NewResult(c *manifest.Comparison, version string) *result.Result {
	r := &result.Result{
		Format:     result.Format,
		Tool:       result.Tool{Name: "evenhand", Version: version},
		Files:      []result.File{},
		Takes:      []result.Take{},
		Likeness:   []result.Likeness{},
		Checks:     []result.Check{},
		Exclusions: []result.Exclusion{},
		Warnings:   []result.Warning{},
	}
	mayDiffer := []string{}
	for _, p := range c.MayDiffer {
		mayDiffer = append(mayDiffer, p.Written)
	}
	r.Comparison = result.Comparison{
		Title: c.Title, By: c.By, Date: c.Date, URL: c.URL,
		Varies: c.Varies.Written, Slot: c.Varies.Slot, Control: c.Varies.Control,
		Reference: c.Reference, SetBy: c.SetByAll(), MayDiffer: mayDiffer,
		Disclosure: c.DisclosureAll(), FullScale: c.FullScale.Written,
		Instrument: c.Performance.Instrument, Tuning: c.Performance.Tuning,
		Pickup: c.Performance.Pickup, Notes: c.Performance.Notes,
	}
	r.Settings = SettingsOf(c)
	for _, w := range c.Warnings {
		r.Warnings = append(r.Warnings, result.Warning{Where: "manifest", Message: w.Message})
	}
	for i := range c.Takes {
		t := &c.Takes[i]
		out := result.Take{
			Name: t.Name, Slug: manifest.Slug(t.Name), File: t.File.Path,
			Role: string(t.Role), RepeatOf: t.RepeatOf, Notes: t.Notes,
			Mics: []result.Mic{}, Measures: []result.Measures{},
		}
		for _, d := range c.ChainOf(t) {
			if d.Slot == c.Varies.Slot {
				out.Device = d.Name
			}
		}
		if t.Mics != nil {
			for _, m := range []struct {
				side string
				mic  manifest.Mic
			}{{"left", t.Mics.Left}, {"right", t.Mics.Right}} {
				mic := result.Mic{
					Side: m.side, Name: m.mic.Name, Blend: m.mic.Blend,
					Position: PositionText(m.mic.Position), Notes: m.mic.Notes,
				}
				if m.mic.File != nil {
					mic.File = m.mic.File.Path
				}
				out.Mics = append(out.Mics, mic)
			}
		}
		r.Takes = append(r.Takes, out)
	}
	return r
}
