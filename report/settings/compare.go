package settings

import (
	"math"
	"regexp"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
)

// Changes is what differs between two records. Slices are never nil.
type Changes struct {
	Old       Side          `json:"old"`
	New       Side          `json:"new"`
	Session   []Change      `json:"session"` // the performance and how controls were set
	Slots     []SlotChanges `json:"slots"`   // in signal order, only those with a change
	Unchanged []string      `json:"unchanged_slots"`
	Takes     TakeChanges   `json:"takes"`
}

// Side names one of the two records.
type Side struct {
	Title string `json:"title"`
	Date  string `json:"date"`
	Path  string `json:"path"`
}

// TakeChanges are the names of takes in one record only.
type TakeChanges struct {
	Added   []string `json:"added"`
	Removed []string `json:"removed"`
}

// Outcome tells what became of a device.
type Outcome string

// The outcomes.
const (
	Changed Outcome = "changed"
	Added   Outcome = "added"
	Removed Outcome = "removed"
)

// SlotChanges are the devices of one slot that changed.
type SlotChanges struct {
	Slot    string          `json:"slot"`
	Devices []DeviceChanges `json:"devices"`
}

// DeviceChanges is one device. For an added or removed one Changes are all its
// settings.
type DeviceChanges struct {
	Device  string   `json:"device"`
	Outcome Outcome  `json:"outcome"`
	Takes   []string `json:"takes"` // those with the device, in the record that has it
	Changes []Change `json:"changes"`
}

// Change is one property or control. A nil value is not there at all; "" is
// there and not stated. Both are as written.
type Change struct {
	Name    string   `json:"name"`
	Control bool     `json:"control"`
	Old     *string  `json:"old"`
	New     *string  `json:"new"`
	Takes   []string `json:"takes,omitempty"` // of the new record, where it is not all with the device
	Note    string   `json:"note,omitempty"`
}

// Empty tells whether nothing differs.
func (c *Changes) Empty() bool {
	return len(c.Session)+len(c.Slots)+len(c.Takes.Added)+len(c.Takes.Removed) == 0
}

// session is one record with its understanding and hashes.
type session struct {
	record *Record
	c      *manifest.Comparison
	hashes map[string]string
	stands []map[string]stand // of each take, by slot
}

func newSession(r *Record, c *manifest.Comparison) session {
	s := session{record: r, c: c, hashes: r.hashes()}
	for i := range c.Takes {
		s.stands = append(s.stands, standsOf(c, &c.Takes[i]))
	}
	return s
}

// Compare tells what changed from one record to another: device by device in
// signal order, control by control, old and new as written. Two spellings of
// one position are no change; neither are two paths to one file's contents. A
// device is known by its slot and name, and its settings are compared with
// those in the take of the same name, else with its only ones.
func Compare(oldRecord *Record, oldC *manifest.Comparison, newRecord *Record, newC *manifest.Comparison) *Changes {
	was, is := newSession(oldRecord, oldC), newSession(newRecord, newC)
	out := &Changes{
		Old: Side{oldC.Title, oldC.Date, oldC.Path}, New: Side{newC.Title, newC.Date, newC.Path},
		Session: sessionChanges(was, is), Slots: []SlotChanges{}, Unchanged: []string{},
		Takes: TakeChanges{Added: missing(is, was), Removed: missing(was, is)},
	}
	slots := slotsOf(newC)
	for _, s := range slotsOf(oldC) {
		if !slices.Contains(slots, s) {
			slots = append(slots, s)
		}
	}
	for _, slot := range slots {
		if d := slotChanges(was, is, slot); len(d) > 0 {
			out.Slots = append(out.Slots, SlotChanges{slot, d})
		} else {
			out.Unchanged = append(out.Unchanged, slot)
		}
	}
	return out
}

// missing lists the takes of a that are not in b.
func missing(a, b session) []string {
	out := []string{}
	for _, t := range a.c.Takes {
		if b.c.TakeByName(t.Name) == nil {
			out = append(out, t.Name)
		}
	}
	return out
}

func sessionChanges(was, is session) []Change {
	out := []Change{}
	a, b := was.record, is.record
	for _, x := range []struct{ name, old, new string }{
		{"under test", a.Varies, b.Varies},
		{"controls set", a.SetBy, b.SetBy},
		{"allowed to move", strings.Join(a.MayDiffer, ", "), strings.Join(b.MayDiffer, ", ")},
		{"instrument", a.Performance.Instrument, b.Performance.Instrument},
		{"tuning", a.Performance.Tuning, b.Performance.Tuning},
		{"pickup", a.Performance.Pickup, b.Performance.Pickup},
		{"played", a.Performance.Notes, b.Performance.Notes},
		{"full scale in", a.FullScale, b.FullScale},
	} {
		if !equalText(x.old, x.new) {
			out = append(out, Change{Name: x.name, Old: stated(x.old), New: stated(x.new)})
		}
	}
	x, y := a.Performance.Dry, b.Performance.Dry
	if x == nil {
		x = new(File)
	}
	if y == nil {
		y = new(File)
	}
	if note, same := sameFile(x.Path, x.SHA256, y.Path, y.SHA256); !same {
		out = append(out, Change{Name: "dry recording", Old: stated(x.Path), New: stated(y.Path), Note: note})
	}
	return out
}

func stated(s string) *string {
	if s == "" {
		return nil
	}
	return &s
}

// sameFile compares files by their contents where these are known.
func sameFile(oldPath, oldSum, newPath, newSum string) (note string, same bool) {
	switch {
	case oldSum != "" && newSum != "" && oldSum == newSum, oldPath == "" && newPath == "":
		return "", true
	case oldSum != "" && newSum != "" && oldPath == newPath:
		return "same name, other contents", false
	}
	return "", oldPath == newPath
}

// held is a device with the takes in which it stood.
type held struct {
	name  string
	takes []int // indexes, in order
}

// devicesIn lists the devices that stood in a slot; an empty slot is none.
func (s session) devicesIn(slot string) []held {
	var out []held
	for i, m := range s.stands {
		x, ok := m[slot]
		d := x.device
		if !ok || d.Name == "" && d.File == nil && len(d.Controls) == 0 && d.Kind == "" {
			continue
		}
		at := slices.IndexFunc(out, func(h held) bool { return h.name == d.Name })
		if at < 0 {
			at = len(out)
			out = append(out, held{name: d.Name})
		}
		out[at].takes = append(out[at].takes, i)
	}
	return out
}

func (s session) names(takes []int) []string {
	out := []string{}
	for _, i := range takes {
		out = append(out, s.c.Takes[i].Name)
	}
	return out
}

func slotChanges(was, is session, slot string) []DeviceChanges {
	var out []DeviceChanges
	before, after := was.devicesIn(slot), is.devicesIn(slot)
	find := func(list []held, name string) int {
		return slices.IndexFunc(list, func(h held) bool { return h.name == name })
	}
	for _, h := range before {
		if find(after, h.name) < 0 {
			out = append(out, DeviceChanges{h.name, Removed, was.names(h.takes), was.all(slot, h, Removed)})
		}
	}
	for _, h := range after {
		i := find(before, h.name)
		if i < 0 {
			out = append(out, DeviceChanges{h.name, Added, is.names(h.takes), is.all(slot, h, Added)})
			continue
		}
		if c := deviceChanges(was, is, slot, before[i], h); len(c) > 0 {
			out = append(out, DeviceChanges{h.name, Changed, is.names(h.takes), c})
		}
	}
	return out
}

// all lists every setting of a device as added or removed.
func (s session) all(slot string, h held, what Outcome) []Change {
	g := gathered{}
	for _, i := range h.takes {
		empty := stand{device: manifest.Device{Slot: slot, Name: h.name}}
		x := s.stands[i][slot]
		if what == Added {
			g.add(diff(empty, x, session{}, s), s.c.Takes[i].Name)
		} else {
			g.add(diff(x, empty, s, session{}), s.c.Takes[i].Name)
		}
	}
	return g.list(len(h.takes))
}

// deviceChanges compares a device that both records have. A take's settings
// are compared with those in the take of the same name; failing that, with
// equal ones in any take, or with the only ones that there were.
func deviceChanges(was, is session, slot string, before, after held) []Change {
	g := gathered{}
	for _, i := range after.takes {
		now := is.stands[i][slot]
		name := is.c.Takes[i].Name
		match := -1
		for _, k := range before.takes {
			if was.c.Takes[k].Name == name {
				match = k
			}
		}
		if match < 0 {
			match = before.takes[0]
			for _, k := range before.takes {
				if len(diff(was.stands[k][slot], now, was, is)) == 0 {
					match = k
					break
				}
			}
		}
		g.add(diff(was.stands[match][slot], now, was, is), name)
	}
	return g.list(len(after.takes))
}

// gathered collects changes, equal ones of several takes once.
type gathered struct{ changes []Change }

func (g *gathered) add(list []Change, take string) {
	key := func(p *string) string {
		if p == nil {
			return ""
		}
		return "=" + *p
	}
	for _, c := range list {
		i := slices.IndexFunc(g.changes, func(o Change) bool {
			return o.Name == c.Name && o.Control == c.Control && key(o.Old) == key(c.Old) && key(o.New) == key(c.New) && o.Note == c.Note
		})
		if i < 0 {
			i = len(g.changes)
			g.changes = append(g.changes, c)
		}
		g.changes[i].Takes = append(g.changes[i].Takes, take)
	}
}

// list returns the changes; what holds for all takes names none.
func (g *gathered) list(takes int) []Change {
	out := []Change{}
	for _, c := range g.changes {
		if len(c.Takes) == takes {
			c.Takes = nil
		}
		out = append(out, c)
	}
	return out
}

// diff compares two states of one device: properties, then controls, in the
// new order and then what is gone.
func diff(a, b stand, was, is session) []Change {
	out := []Change{}
	x := block{Device: a.device, Blend: a.blend}.properties()
	y := block{Device: b.device, Blend: b.blend}.properties()
	names := func(lists ...[]property) []string {
		var n []string
		for _, l := range lists {
			for _, p := range l {
				if !slices.Contains(n, p.Name) {
					n = append(n, p.Name)
				}
			}
		}
		return n
	}
	value := func(l []property, name string) string {
		for _, p := range l {
			if p.Name == name {
				return p.Value
			}
		}
		return ""
	}
	for _, n := range names(y, x) {
		o, w := value(x, n), value(y, n)
		same, note := equalText(o, w), ""
		switch n {
		case "file":
			note, same = sameFile(o, was.hashes[o], w, is.hashes[w])
		case "impedance":
			same = equalQuantity(a.device.Impedance, b.device.Impedance)
		case "power":
			same = equalQuantity(a.device.Power, b.device.Power)
		case "distance", "angle off axis":
			p, q := a.device.Position, b.device.Position
			if p != nil && q != nil {
				same = equalQuantity(p.Distance, q.Distance)
				if n != "distance" {
					same = equalQuantity(p.Angle, q.Angle)
				}
			}
		}
		if !same {
			out = append(out, Change{Name: n, Old: stated(o), New: stated(w), Note: note})
		}
	}
	control := func(d manifest.Device, name string) *manifest.Control {
		for i := range d.Controls {
			if d.Controls[i].Name == name {
				return &d.Controls[i]
			}
		}
		return nil
	}
	for _, k := range b.device.Controls {
		out = append(out, controlChanges(control(a.device, k.Name), &k)...)
	}
	for _, k := range a.device.Controls {
		if control(b.device, k.Name) == nil {
			out = append(out, controlChanges(&k, nil)...)
		}
	}
	return out
}

func controlChanges(a, b *manifest.Control) []Change {
	text := func(c *manifest.Control) *string {
		if c == nil {
			return nil
		}
		return &c.Value.Written
	}
	if a == nil || b == nil {
		name := a
		if a == nil {
			name = b
		}
		return []Change{{Name: name.Name, Control: true, Old: text(a), New: text(b)}}
	}
	var out []Change
	if same, note := samePosition(*a, *b); !same {
		out = append(out, Change{Name: b.Name, Control: true, Old: text(a), New: text(b), Note: note})
	}
	// The knob itself: what is said of how it turns.
	part := func(what, o, n string) {
		out = append(out, Change{Name: b.Name + ": " + what, Control: true, Old: stated(o), New: stated(n)})
	}
	af, at := a.Arc()
	bf, bt := b.Arc()
	if math.Abs(at-bt) > 1e-9 {
		part("travel", a.Travel, b.Travel)
	}
	if math.Abs(af-bf) > 1e-9 {
		part("travel begins", a.From, b.From)
	}
	if plainScale(a.Scale) != plainScale(b.Scale) {
		part("scale", a.Scale, b.Scale)
	}
	if !slices.EqualFunc(a.Steps, b.Steps, strings.EqualFold) {
		part("steps", strings.Join(a.Steps, " · "), strings.Join(b.Steps, " · "))
	}
	return out
}

// samePosition compares where two controls stand. Clock positions are compared
// as the angle of the pointer, whatever the travel.
func samePosition(a, b manifest.Control) (same bool, note string) {
	x, y := a.Value, b.Value
	if x.Kind != y.Kind {
		if turns(x.Kind) && turns(y.Kind) && math.Abs(x.Fraction-y.Fraction) < 1e-9 {
			return false, "may be the same position"
		}
		return false, ""
	}
	switch x.Kind {
	case manifest.Unset:
		return true, ""
	case manifest.Clock:
		af, at := a.Arc()
		bf, bt := b.Arc()
		turn := math.Remainder(af+at*x.Fraction-bf-bt*y.Fraction, 360)
		return math.Abs(turn) < 1e-6, ""
	case manifest.Physics:
		return x.Unit == y.Unit && math.Abs(x.Number-y.Number) <= 1e-9*math.Abs(x.Number), ""
	case manifest.Scaled, manifest.Percent, manifest.Switch:
		return math.Abs(x.Fraction-y.Fraction) < 1e-9, ""
	}
	return equalText(x.Written, y.Written), ""
}

func turns(k manifest.ValueKind) bool {
	return k == manifest.Clock || k == manifest.Scaled || k == manifest.Percent
}

func equalText(a, b string) bool {
	return strings.EqualFold(strings.Join(strings.Fields(a), " "), strings.Join(strings.Fields(b), " "))
}

func equalQuantity(a, b manifest.Quantity) bool {
	if (a.Written == "") != (b.Written == "") {
		return false
	}
	return a.Unit == b.Unit && math.Abs(a.Number-b.Number) <= 1e-9*math.Abs(a.Number)
}

var scaleEnds = regexp.MustCompile(`^([+\-−]?[0-9.]+) ?(?:-|–|to|\.\.) ?([+\-−]?[0-9.]+)$`)

// plainScale is equal for two spellings of one scale; none is 0 to 10.
func plainScale(s string) string {
	if s == "" {
		return "0 to 10"
	}
	if m := scaleEnds.FindStringSubmatch(s); m != nil {
		return strings.ReplaceAll(m[1]+" to "+m[2], "−", "-")
	}
	return s
}
