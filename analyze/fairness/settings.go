package fairness

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
)

// settingQuestions ask what the manifest says about the devices.
func settingQuestions() []question {
	return []question{
		{
			id: IDOneChange, name: "One change", group: result.GroupSettings,
			why:   "an audible difference can come from anything that differs",
			limit: words("no difference outside the slot under test, unless may_differ allows it"), ask: (*Measured).askOneChange,
		},
		{
			id: IDVaried, name: "Slot under test", group: result.GroupSettings,
			why:   "two takes of one setting show no difference between devices",
			limit: words("each take, except repeats and the room, has its own device or setting"), ask: (*Measured).askVaried,
		},
		{
			id: IDAllowed, name: "Allowed changes", group: result.GroupSettings,
			why:   "equal knob positions are not equal settings, so some controls must move; readers should know which",
			limit: words("listed in may_differ and shown"), ask: (*Measured).askAllowed,
		},
		{
			id: IDUnstated, name: "Settings complete", group: result.GroupSettings,
			why:   "what is not written down can be neither checked nor repeated",
			limit: words("every control stated for one take is stated for all"), ask: (*Measured).askUnstated,
		},
		{
			id: IDScales, name: "Control scales", group: result.GroupSettings,
			why:   "noon and 5 may be one position or two; readers cannot know",
			limit: words("one scale for each control"), ask: (*Measured).askScales,
		},
		{
			id: IDIRRate, name: "Impulse response rate", group: result.GroupSettings,
			why:   "a program converts a response at another rate when it loads it, each in its own way",
			limit: words("the sample rate of the takes"), ask: (*Measured).askIRRate,
		},
	}
}

// difference is a property or a control that is not the same in all takes.
type difference struct {
	where  string   // "amp: volume"
	groups []string // "noon in A and B", as values returns them
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
func (s *Measured) values(r result.SettingRow) []string {
	var texts []string
	takes := map[string][]string{}
	for i, v := range r.Values {
		text := v.Written
		if !v.Stated {
			text = "not stated"
		}
		if takes[text] == nil {
			texts = append(texts, text)
		}
		takes[text] = append(takes[text], s.Result.Takes[i].Name)
	}
	var out []string
	for _, t := range texts {
		out = append(out, t+" in "+manifest.List(takes[t]))
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
		a.add(answer{subject: d.where, outcome: result.Failed, measured: math.NaN(), value: "differs", reason: strings.Join(d.groups, "; "),
			do: "record the takes again with one setting; if it had to differ, say so in may_differ"})
	}
	if changes == nil {
		what := s.Result.Comparison.Varies
		a.pass("", "only "+what, "the manifest states no difference between takes but "+what+map[bool]string{true: " and what may_differ allows"}[len(s.Manifest.MayDiffer) > 0])
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
				a.add(answer{subject: t.Name, outcome: result.Caution, measured: math.NaN(), value: "empty", reason: "the manifest does not name its device in the slot " + c.Varies.Slot,
					do: "name the device, or give the take role: bypass"})
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
		twin := c.Takes[k].Name
		a.add(answer{subject: c.Takes[i].Name, outcome: result.Caution, measured: math.NaN(), value: "as " + twin,
			reason: "the manifest gives it the same device and settings as " + twin + " in the slot " + c.Varies.Slot,
			do:     "if it is a second recording of that take, state repeat_of; otherwise write down what differs"})
	}
	if a.out == nil && len(first) > 0 {
		count := fmt.Sprintf("%d settings", len(first))
		if len(first) == 1 {
			count = "1 setting"
		}
		a.pass("", count, "every take that is not a repeat or the room has its own device or setting in the slot "+c.Varies.Slot)
	}
}

func (s *Measured) askAllowed(a *answers) {
	for _, d := range s.differencesOf(func(slot string, r result.SettingRow) bool { return r.Allowed && !r.Varied }) {
		a.pass(d.where, "differs", strings.Join(d.groups, "; "))
	}
	// Inside the slot under test every control differs with the device; the
	// author's word that one was moved on purpose is kept all the same.
	for _, p := range s.Manifest.MayDiffer {
		if p.Slot == s.Manifest.Varies.Slot && s.Manifest.Varies.Control == "" {
			a.pass(p.Slot+": "+p.Control, "set for each device", "allowed to move; each take shows its position")
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
				a.add(answer{subject: x.slot + ": " + name, outcome: result.Caution, measured: math.NaN(), value: "not stated",
					reason: fmt.Sprintf("%s is stated in %d of the %d takes that use %s", name, n, len(x.takes), x.device),
					do:     "look it up in photos or recall sheets and write it down, even if it was not touched"})
			}
		}
	}
	switch {
	case a.out != nil:
	case asked:
		a.pass("", "all stated", "every named control has a position in every take with that device")
	default:
		a.add(answer{outcome: result.Caution, measured: math.NaN(), value: "none", reason: "the manifest states no control of any device",
			do: "write down the control positions, so that the comparison can be checked and repeated"})
	}
}

func (s *Measured) askScales(a *answers) {
	several := false
	for _, x := range s.stands() {
		for _, name := range x.controls {
			var ways []string
			for _, k := range x.stated[name] {
				way := scaleOf(k)
				if !slices.Contains(ways, way) {
					ways = append(ways, way)
				}
			}
			several = several || len(x.stated[name]) > 1
			if len(ways) > 1 {
				a.add(answer{subject: x.slot + ": " + name, outcome: result.Caution, measured: math.NaN(), value: fmt.Sprintf("%d scales", len(ways)),
					reason: "written as " + manifest.List(ways) + " on one device",
					do:     "write it in one scale in all takes"})
			}
		}
	}
	if a.out == nil && several {
		a.pass("", "one scale each", "no control of a device is written in two ways")
	}
}

// scaleOf names the way a control's position is written.
func scaleOf(k manifest.Control) string {
	switch k.Value.Kind {
	case manifest.Clock:
		if k.Travel != "" || k.From != "" {
			return strings.TrimSpace("a clock position over " + k.Travel + " " + k.From)
		}
		return "a clock position"
	case manifest.Scaled:
		if k.Scale != "" {
			return "a number on " + k.Scale
		}
		return "a number on 0–10"
	case manifest.Percent:
		return "per cent"
	case manifest.Physics:
		return "a number in " + k.Value.Unit
	case manifest.Switch, manifest.Step:
		return "a switch position"
	}
	return "text"
}

func (s *Measured) askIRRate(a *answers) {
	rate := s.Result.Timeline.SampleRate
	for _, f := range s.Result.Files {
		ir, ok := s.Responses[f.Path]
		if !ok || slices.ContainsFunc(a.out, func(c result.Check) bool { return c.Subject == f.Path }) {
			continue
		}
		value := fmt.Sprintf("%d Hz", ir.SampleRate)
		if ir.SampleRate == rate {
			a.pass(f.Path, value, "as the takes")
			continue
		}
		a.add(answer{subject: f.Path, outcome: result.Caution, measured: math.NaN(), value: value, reason: fmt.Sprintf("the takes have %d Hz", rate),
			do: "use the manufacturer's file for the session's rate, or note which program converted it"})
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
