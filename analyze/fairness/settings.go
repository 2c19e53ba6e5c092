package fairness

import (
	"cmp"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
)

// settingQuestions ask what the manifest says about the devices.
func settingQuestions() []question {
	return []question{
		{IDOneChange, result.GroupSettings, limit{}, (*Measured).askOneChange},
		{IDVaried, result.GroupSettings, limit{}, (*Measured).askVaried},
		{IDAllowed, result.GroupSettings, limit{}, (*Measured).askAllowed},
		{IDUnstated, result.GroupSettings, limit{}, (*Measured).askUnstated},
		{IDScales, result.GroupSettings, limit{}, (*Measured).askScales},
		{IDIRRate, result.GroupSettings, limit{}, (*Measured).askIRRate},
	}
}

// difference is a property or a control that is not the same in all takes.
type difference struct {
	where  string // "amp: volume"
	groups []result.Text
}

// differencesOf returns the rows of the settings table, and the properties of
// microphones, that differ and for which keep is true.
func (s *Measured) differencesOf(keep func(slot string, r result.SettingRow) bool) []difference {
	var out []difference
	for _, slot := range s.Result.Settings.Slots {
		for _, r := range slot.Rows {
			if r.Name == "notes" && !r.Control || !s.rowDiffers(r) || !keep(slot.Slot, r) {
				continue
			}
			name := r.Name
			if !r.Control {
				name = "the " + name
			}
			out = append(out, difference{slot.Slot + ": " + name, s.values(r)})
		}
	}
	return out
}

// rowDiffers reports whether a row differs in substance: two paths to files of
// the same bytes are no difference.
func (s *Measured) rowDiffers(r result.SettingRow) bool {
	if !r.Differs {
		return false
	}
	if r.Name != "file" || r.Control {
		return true
	}
	first := ""
	for i, v := range r.Values {
		h := s.FileHash(v.Written)
		if i == 0 {
			first = h
		}
		if h != first || !v.Stated {
			return true
		}
	}
	return first == ""
}

// values tells which takes have which value: "noon in A and B", "3 o'clock in C".
func (s *Measured) values(r result.SettingRow) []result.Text {
	var texts []string
	takes := map[string][]string{}
	for i, v := range r.Values {
		text := v.Written
		if !v.Stated {
			text = ""
		}
		if takes[text] == nil {
			texts = append(texts, text)
		}
		takes[text] = append(takes[text], s.Result.Takes[i].Name)
	}
	var out []result.Text
	for _, t := range texts {
		out = append(out, result.Say("setting", "value", t, "takes", takes[t]))
	}
	return out
}

func (s *Measured) askOneChange(a *answers) {
	changes := s.differencesOf(func(slot string, r result.SettingRow) bool {
		// A control that only some takes state is not known to differ.
		return !r.Varied && !r.Allowed && !onlyUnstated(r)
	})
	if !s.variesMicrophones() {
		changes = append(changes, s.microphoneChanges()...)
	}
	for _, d := range changes {
		a.fail(d.where, "differs", "groups", d.groups)
	}
	if changes == nil {
		a.pass("", "only", "varies", s.Result.Comparison.Varies, "may_differ", len(s.Manifest.MayDiffer) > 0)
	}
}

// onlyUnstated reports whether a row differs only in being stated or not.
func onlyUnstated(r result.SettingRow) bool {
	var stated []result.SettingValue
	for _, v := range r.Values {
		if v.Stated {
			stated = append(stated, v)
		}
	}
	return r.Control && len(stated) < len(r.Values) && (len(stated) < 2 || !differs(stated))
}

// microphoneChanges compares the microphones of two-microphone takes.
func (s *Measured) microphoneChanges() []difference {
	var out []difference
	for side := range 2 {
		name := []string{"left microphone", "right microphone"}[side]
		for _, p := range []struct {
			what string
			text func(result.Mic) string
		}{
			{"", func(m result.Mic) string { return m.Name }},
			{" position", func(m result.Mic) string { return m.Position }},
			{" blend", func(m result.Mic) string { return m.Blend.String() }},
			{" file", func(m result.Mic) string { return m.File }},
		} {
			r := result.SettingRow{Name: name + p.what}
			for i := range s.Result.Takes {
				v := result.SettingValue{}
				if m := s.Result.Takes[i].Mics; len(m) == 2 {
					v = result.SettingValue{Written: p.text(m[side]), Stated: p.text(m[side]) != ""}
				}
				r.Values = append(r.Values, v)
			}
			if differs(only(r.Values, heldTakes(s.Manifest, notRoom))) {
				out = append(out, difference{r.Name, s.values(r)})
			}
		}
	}
	return out
}

func (s *Measured) askVaried(a *answers) {
	c := s.Manifest
	texts := map[int]string{} // what each take says of the slot
	for i := range c.Takes {
		t := &c.Takes[i]
		if t.RepeatOf != "" || t.Role == manifest.RoleRoom {
			continue
		}
		var parts []string
		for _, d := range c.ChainOf(t) {
			if d.Slot != c.Varies.Slot {
				continue
			}
			if d.Name == "" && t.Role != manifest.RoleBypass && c.Varies.Control == "" {
				a.caution(t.Name, "empty", "slot", c.Varies.Slot)
			}
			parts = append(parts, d.Name)
			if d.File != nil {
				parts = append(parts, s.FileHash(d.File.Path))
			}
			for _, k := range d.Controls {
				parts = append(parts, k.Name+"="+strings.ToLower(k.Value.Written))
			}
			if d.Position != nil {
				parts = append(parts, PositionText(d.Position))
			}
			parts = append(parts, d.Notes)
		}
		if s.variesMicrophones() {
			for _, m := range s.Result.Takes[i].Mics {
				parts = append(parts, m.Name, m.Position, m.Blend.String(), s.FileHash(m.File))
			}
		}
		texts[i] = strings.Join(parts, "\x00")
	}
	first := map[string]int{} // the first take by name that says it
	for _, i := range s.Result.ByName() {
		text, asked := texts[i]
		if _, said := first[text]; asked && !said {
			first[text] = i
		}
	}
	for i := range c.Takes {
		text, asked := texts[i]
		k := first[text]
		if !asked || k == i {
			continue
		}
		a.caution(c.Takes[i].Name, "twin", "twin", c.Takes[k].Name, "slot", c.Varies.Slot)
	}
	if a.out == nil && len(first) > 0 {
		a.pass("", "settings", "settings", len(first), "slot", c.Varies.Slot)
	}
}

func (s *Measured) askAllowed(a *answers) {
	for _, d := range s.differencesOf(func(slot string, r result.SettingRow) bool { return r.Allowed && !r.Varied }) {
		a.pass(d.where, "differs", "groups", d.groups)
	}
	// Inside the slot under test every control differs with the device; the
	// author's word that one was moved on purpose is kept all the same.
	for _, p := range s.Manifest.MayDiffer {
		if p.Slot == s.Manifest.Varies.Slot && s.Manifest.Varies.Control == "" {
			a.pass(p.Slot+": "+p.Control, "each")
		}
	}
}

// stand is what takes say about one device in one slot: a control has to be
// stated by all of them or by none.
type stand struct {
	slot, device string
	takes        []string
	controls     []string
	stated       map[string][]manifest.Control // by control, of the takes that state it
}

func (s *Measured) stands() []*stand {
	c := s.Manifest
	var out []*stand
	for i := range c.Takes {
		for _, d := range c.ChainOf(&c.Takes[i]) {
			if d.Name == "" {
				continue
			}
			k := slices.IndexFunc(out, func(x *stand) bool { return x.slot == d.Slot && x.device == d.Name })
			if k < 0 {
				k = len(out)
				out = append(out, &stand{slot: d.Slot, device: d.Name, stated: map[string][]manifest.Control{}})
			}
			x := out[k]
			x.takes = append(x.takes, c.Takes[i].Name)
			for _, control := range d.Controls {
				if !slices.Contains(x.controls, control.Name) {
					x.controls = append(x.controls, control.Name)
				}
				if control.Value.Kind != manifest.Unset {
					x.stated[control.Name] = append(x.stated[control.Name], control)
				}
			}
		}
	}
	return out
}

func (s *Measured) askUnstated(a *answers) {
	asked := false
	for _, x := range s.stands() {
		for _, name := range x.controls {
			asked = true
			if n := len(x.stated[name]); n < len(x.takes) {
				a.caution(x.slot+": "+name, "unstated", "control", name, "stated", n, "takes", len(x.takes), "device", x.device)
			}
		}
	}
	switch {
	case a.out != nil:
	case asked:
		a.pass("", "all")
	default:
		a.caution("", "none")
	}
}

func (s *Measured) askScales(a *answers) {
	several := false
	for _, x := range s.stands() {
		for _, name := range x.controls {
			var ways []result.Text
			for _, k := range x.stated[name] {
				if way := scaleOf(k); !slices.ContainsFunc(ways, func(w result.Text) bool { return reflect.DeepEqual(w, way) }) {
					ways = append(ways, way)
				}
			}
			several = several || len(x.stated[name]) > 1
			if len(ways) > 1 {
				a.caution(x.slot+": "+name, "several", "scales", len(ways), "ways", ways)
			}
		}
	}
	if a.out == nil && several {
		a.pass("", "one")
	}
}

// scaleOf says the way a control's position is written.
func scaleOf(k manifest.Control) result.Text {
	switch k.Value.Kind {
	case manifest.Clock:
		return result.Say("scale.clock", "over", strings.TrimSpace(k.Travel+" "+k.From))
	case manifest.Scaled:
		return result.Say("scale.number", "on", cmp.Or(k.Scale, "0–10"))
	case manifest.Percent:
		return result.Say("scale.percent")
	case manifest.Physics:
		return result.Say("scale.unit", "unit", k.Value.Unit)
	case manifest.Switch, manifest.Step:
		return result.Say("scale.switch")
	}
	return result.Say("scale.text")
}

func (s *Measured) askIRRate(a *answers) {
	rate := s.Result.Timeline.SampleRate
	for _, f := range s.Result.Files {
		ir, ok := s.Responses[f.Path]
		if !ok || slices.ContainsFunc(a.out, func(c result.Check) bool { return c.Subject == f.Path }) {
			continue
		}
		if ir.SampleRate == rate {
			a.pass(f.Path, "same", "rate", ir.SampleRate)
		} else {
			a.caution(f.Path, "other", "rate", ir.SampleRate, "takes", rate)
		}
	}
}

// fileHash returns the SHA-256 of a file as its manifest path names it.
func (s *Measured) FileHash(path string) string {
	path = filepath.ToSlash(path)
	for _, f := range s.Result.Files {
		if f.Path == path {
			return f.SHA256
		}
	}
	return ""
}
