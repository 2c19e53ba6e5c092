package manifest

import (
	"regexp"
	"slices"
	"strings"

	"evenhand/analyze/unit"
)

// The tables below are the manifest language: the parser walks by them and the
// schema for editors is written from them.

// draft is a take with the places that later checks need.
type draft struct {
	Take
	nameAt, roleAt, repeatAt, channelsAt, micsAt place
	noMics                                       bool
}

func comparisonObject() object[Comparison] {
	return object[Comparison]{what: "the manifest", keys: []key[Comparison]{
		must(field("title", "what is compared, in one line", lineKind("a title"), func(c *Comparison) *string { return &c.Title })),
		field("by", "the author of the comparison", lineKind("a name"), func(c *Comparison) *string { return &c.By }),
		field("date", "when the takes were recorded: YYYY-MM-DD", dateKind(), func(c *Comparison) *string { return &c.Date }),
		field("url", "the web address at which the report will be published: https://example.org/fuzzes/", urlKind(), func(c *Comparison) *string { return &c.URL }),
		field("copies", "depth of the published files: 16 bit or 24 bit", copiesKind(), func(c *Comparison) *int { return &c.Copies }),
		must(field("varies", "what is under test: one slot of the chain, or one control of it as slot.control", pathKind("a slot or slot.control"), func(c *Comparison) *Varies { return &c.Varies })),
		placed("reference", "the take to compare the others with", lineKind("a take's name"), func(c *Comparison) *string { return &c.Reference }, func(w *walker, _ *Comparison) *place { return &w.reference }),
		field("mains", "mains frequency at the place of recording", mainsKind(), func(c *Comparison) *unit.Hertz { return &c.Mains }),
		optional("about", "a Markdown file with notes for the page", fileKind(), func(c *Comparison) **File { return &c.About }),
		field("set_by", "how controls were chosen: same position, by ear, by measurement, or in your words", lineKind("how controls were chosen"), func(c *Comparison) *string { return &c.SetBy }),
		field("may_differ", "controls that may differ between takes, as slot.control", oneOrMore("controls, each slot.control", controlPathKind()), func(c *Comparison) *[]ControlPath { return &c.MayDiffer }),
		field("full_scale_in", "level of digital full scale at the converter's input", fullScaleKind(), func(c *Comparison) *Quantity { return &c.FullScale }),
		field("disclosure", "who paid, who lent the gear, what was edited", proseKind("a disclosure"), func(c *Comparison) *string { return &c.Disclosure }),
		field("match", "how levels are matched", matchObject().asKind(), func(c *Comparison) *Match { return &c.Match }),
		field("performance", "the performance, the same in all takes", performanceObject().asKind(), func(c *Comparison) *Performance { return &c.Performance }),
		chainKey(),
		sharedMicsKey(),
		takesKey(),
		field("limits", "limits of checks, by id: lag: 1 ms", limitsKind(), func(c *Comparison) *[]Limit { return &c.Limits }),
	}}
}

// placed is a field that also notes where its value stands.
func placed[T, V any](name, doc string, k kind[V], at func(*T) *V, where func(*walker, *T) *place) key[T] {
	f := field(name, doc, k, at)
	read := f.read
	f.read = func(w *walker, v value, t *T) {
		*where(w, t) = v.place
		read(w, v, t)
	}
	return f
}

func matchObject() object[Match] {
	return object[Match]{what: "match:", keys: []key[Match]{
		optional("target", "integrated loudness for every take; otherwise as high as the ceiling allows",
			levelKind[unit.LUFS]("a loudness", "-16 LUFS", unitSet{{"LUFS"}}, -70, 0), func(m *Match) **unit.LUFS { return &m.Target }),
		optional("ceiling", "highest true peak of any take, -1 dBTP if not stated",
			levelKind[unit.DBTP]("a true peak", "-1 dBTP", unitSet{{"dBTP"}}, -30, 0), func(m *Match) **unit.DBTP { return &m.Ceiling }),
	}}
}

func performanceObject() object[Performance] {
	section := object[Section]{what: "a section", pos: func(s *Section) *Pos { return &s.Pos }, keys: []key[Section]{
		must(field("name", "what is played", lineKind("a name"), func(s *Section) *string { return &s.Name })),
		must(field("from", "where it begins in the dry recording", timeKind(), func(s *Section) *unit.Seconds { return &s.From })),
		must(field("to", "where it ends", timeKind(), func(s *Section) *unit.Seconds { return &s.To })),
	}}
	sections := listOf("sections", whole(section.asKind()))
	return object[Performance]{what: "performance:", keys: []key[Performance]{
		field("instrument", "the instrument", lineKind("an instrument"), func(p *Performance) *string { return &p.Instrument }),
		field("tuning", "its tuning", lineKind("a tuning"), func(p *Performance) *string { return &p.Tuning }),
		field("pickup", "the pickup in use", lineKind("a pickup"), func(p *Performance) *string { return &p.Pickup }),
		field("notes", "anything else about the performance", proseKind("notes"), func(p *Performance) *string { return &p.Notes }),
		optional("dry", "the dry recording, sent through each device", audioKind(), func(p *Performance) **File { return &p.Dry }),
		optional("loopback", "the reamp output recorded back through the DI box", audioKind(), func(p *Performance) **File { return &p.Loopback }),
		{
			name:   "sections",
			doc:    "parts of the performance, or the word markers to use the cue markers of the recording; without this key, pauses divide it",
			schema: schema{"anyOf": []any{sections.schema, schema{"enum": []string{"markers"}}}},
			read: func(w *walker, v value, p *Performance) {
				if s, single := v.scalar(); single {
					if p.SectionsFrom = s; s != "markers" {
						w.fault(v.place, "", "sections: must be a list of sections or the word markers, found %s", quote(s))
					}
					return
				}
				var ok bool
				if p.Sections, ok = sections.read(w, v); ok {
					w.checkSections(p.Sections, v.field)
				}
			},
		},
	}}
}

// deviceKeys are the keys of a device, in the chain and in a take.
func deviceKeys() []key[Device] {
	return []key[Device]{
		field("device", "the device in the slot", lineKind("a device"), func(d *Device) *string { return &d.Name }),
		field("kind", "what sort of device it is", lineKind("a kind of device"), func(d *Device) *string { return &d.Kind }),
		controlsKey(),
		optional("file", "the impulse response or model that it plays", fileKind(), func(d *Device) **File { return &d.File }),
		field("impedance", "its load or source impedance: 8 ohm", quantityKind("an impedance", "8 ohm",
			unitSet{{"ohm", "ohms", "Ω", "Ω"}, {"kohm", "kΩ", "kΩ"}, {"Mohm", "MΩ", "MΩ"}}, positive), func(d *Device) *Quantity { return &d.Impedance }),
		field("power", "its power or rating: 60 W", quantityKind("a power", "60 W", unitSet{{"W"}, {"kW"}, {"mW"}}, positive), func(d *Device) *Quantity { return &d.Power }),
		optional("position", "where the microphone was", positionObject().asKind(), func(d *Device) **Position { return &d.Position }),
		optional("photo", "a picture", photoObject().asKind(), func(d *Device) **Photo { return &d.Photo }),
		field("notes", "anything else about the device", proseKind("notes"), func(d *Device) *string { return &d.Notes }),
		redistributeKey("no: withhold the file from reports and archives", func(d *Device) *File { return d.File }),
	}
}

// redistributeKey says beside a file that it must not be passed on; file
// returns nil when there is none.
func redistributeKey[T any](doc string, file func(*T) *File) key[T] {
	k := yesNoKind()
	return key[T]{name: "redistribute", doc: doc, schema: k.schema, read: func(w *walker, v value, t *T) {
		yes, ok := k.read(w, v)
		f := file(t)
		switch {
		case ok && f == nil:
			w.warn(v.place, "redistribute: goes next to file:, add file: or remove it", "redistribute: has no file")
		case ok && !yes:
			f.Redistribute = false
		}
	}}
}

func positionObject() object[Position] {
	return object[Position]{what: "position:", keys: []key[Position]{
		field("distance", "how far away: 5 cm", quantityKind("a distance", "5 cm", lengths, between(0, 100000)), func(p *Position) *Quantity { return &p.Distance }),
		field("angle", "degrees off axis: 30°", quantityKind("an angle", "30°", degrees, between(-180, 180)), func(p *Position) *Quantity { return &p.Angle }),
		field("from", "what the distance is measured from", lineKind("a place"), func(p *Position) *string { return &p.From }),
		field("at", "the point that it is aimed at: cap edge, or 4 cm off the centre", lineKind("a place"), func(p *Position) *string { return &p.At }),
	}}
}

func photoObject() object[Photo] {
	return object[Photo]{what: "photo:", keys: []key[Photo]{
		must(field("file", "the picture", fileKind(), func(p *Photo) *File { return &p.File })),
		must(field("alt", "what the picture shows, for readers who cannot see it", lineKind("an alternative text"), func(p *Photo) *string { return &p.Alt })),
		redistributeKey("no: never published", func(p *Photo) *File { return &p.File }),
	}}
}

var slotPattern = regexp.MustCompile(`^[\p{L}\p{N}][\p{L}\p{N} _-]*$`)

func chainKey() key[Comparison] {
	slot := lineKind("a slot")
	reserved := takeObject().names()
	device := object[Device]{what: "a slot of the chain", pos: func(d *Device) *Pos { return &d.Pos }, keys: deviceKeys()}
	device.keys = append([]key[Device]{must(key[Device]{
		name: "slot", doc: "the name of the slot, which takes use as a key",
		schema: schema{"allOf": []any{slot.schema, schema{"not": schema{"enum": reserved}}}},
		read: func(w *walker, v value, d *Device) {
			s, ok := slot.read(w, v)
			switch {
			case !ok:
			case slices.Contains(reserved, s):
				w.fault(v.place, "choose another name", "slot %s has the name of a key of takes", quote(s))
			case !slotPattern.MatchString(s):
				w.fault(v.place, "", "%s is not a name for a slot: letters, digits, spaces, - and _ are allowed", quote(s))
			default:
				d.Slot = s
			}
		},
	})}, device.keys...)
	list := listOf("slots", device.asKind())
	return must(key[Comparison]{
		name: "chain", doc: "the signal chain in signal order, one device per slot", schema: list.schema,
		read: func(w *walker, v value, c *Comparison) {
			before := len(w.problems)
			c.Chain, w.slotsRead = list.read(w, v)
			w.controlsRead = len(w.problems) == before
			w.slotsRead = len(c.Chain) > 0 && w.slotsRead && !slices.ContainsFunc(c.Chain, func(d Device) bool { return d.Slot == "" })
			for i, d := range c.Chain {
				for _, e := range c.Chain[:i] {
					if d.Slot != "" && d.Slot == e.Slot {
						w.fault(place{d.Pos, v.field}, "give them numbers: "+d.Slot+" 1, "+d.Slot+" 2", "slot %s is listed twice, first at %d:%d", quote(d.Slot), e.Pos.Line, e.Pos.Column)
						break
					}
				}
			}
			if len(w.problems) == before && len(c.Chain) == 0 {
				w.fault(v.place, "", "the chain has no slot")
			}
		},
	})
}

// micsObject is two microphones. In a take one side is enough where the
// comparison has the other.
func micsObject(both bool) object[Mics] {
	mic := object[Mic]{what: "a microphone", keys: []key[Mic]{
		must(field("name", "the microphone", lineKind("a name"), func(m *Mic) *string { return &m.Name })),
		field("blend", "its gain in the blend, 0 dB if not stated", levelKind[unit.DB]("a gain in the blend", "-4 dB", decibels, -120, 40), func(m *Mic) *unit.DB { return &m.Blend }),
		optional("file", "its impulse response", fileKind(), func(m *Mic) **File { return &m.File }),
		optional("position", "where it was", positionObject().asKind(), func(m *Mic) **Position { return &m.Position }),
		optional("photo", "a picture", photoObject().asKind(), func(m *Mic) **Photo { return &m.Photo }),
		field("notes", "anything else about it", proseKind("notes"), func(m *Mic) *string { return &m.Notes }),
	}}
	sides := []key[Mics]{
		field("left", "the microphone on the left channel", mic.asKind(), func(m *Mics) *Mic { return &m.Left }),
		field("right", "the microphone on the right channel", mic.asKind(), func(m *Mics) *Mic { return &m.Right }),
	}
	for i := range sides {
		sides[i].required = both
	}
	return object[Mics]{what: "mics:", keys: sides}
}

// sharedMicsKey is the microphones of all takes that state no others.
func sharedMicsKey() key[Comparison] {
	both := micsObject(true).asKind()
	return key[Comparison]{
		name: "mics", doc: "the two microphones of all takes that state no others", schema: both.schema,
		read: func(w *walker, v value, _ *Comparison) {
			if m, ok := both.read(w, v); ok {
				w.mics = &m
			}
		},
	}
}

// micsKey is a take's own microphones, or the word none.
func micsKey() key[draft] {
	own := micsObject(false)
	k := optional("mics", "the two microphones of a two-channel file, each in place of the comparison's; none: it was recorded without them",
		kind[Mics]{func(w *walker, v value) (m Mics, ok bool) {
			if s, single := v.scalar(); single && s == "none" {
				return m, true
			}
			return m, own.read(w, v, &m)
		}, schema{"anyOf": []any{own.schema(), schema{"enum": []string{"none"}}}}}, func(t *draft) **Mics { return &t.Mics })
	read := k.read
	k.read = func(w *walker, v value, t *draft) {
		s, single := v.scalar()
		t.micsAt, t.noMics = v.place, single && s == "none"
		before := len(w.problems)
		if read(w, v, t); len(w.problems) > before {
			t.Mics, t.noMics = nil, true
		}
	}
	return k
}

// layMics gives a take the microphones of the comparison where it states none.
func (w *walker) layMics(t *draft) {
	all := w.mics
	switch {
	case t.noMics:
		t.Mics = nil
		return
	case t.Mics == nil:
		if t.Mics = all; len(t.Channels) == 1 {
			t.Mics = nil
		}
		return
	case all != nil:
		if t.Mics.Left.Name == "" {
			t.Mics.Left = all.Left
		}
		if t.Mics.Right.Name == "" {
			t.Mics.Right = all.Right
		}
	}
	for _, side := range []struct {
		name string
		mic  Mic
	}{{"left", t.Mics.Left}, {"right", t.Mics.Right}} {
		if side.mic.Name == "" {
			w.fault(t.micsAt, "describe it here, or for all takes in mics: at the top", "%s: is missing in mics:", side.name)
		}
	}
}

func takeObject() object[draft] {
	roles := []string{string(RoleReference), string(RoleBypass), string(RoleRoom), string(RoleLink)}
	role := kind[Role]{func(w *walker, v value) (Role, bool) {
		if s, ok := v.scalar(); ok && s == formerLink {
			w.warn(v.place, "write role: "+string(RoleLink), "role: %s is now called %s, because a pickup has a position of that name", formerLink, RoleLink)
			return RoleLink, true
		}
		s, ok := oneOf("a role", roles...).read(w, v)
		return Role(s), ok
	}, schema{"enum": roles}}
	device := object[Device]{what: "a device", pos: func(d *Device) *Pos { return &d.Pos }, keys: deviceKeys()}
	return object[draft]{
		what: "a take", pos: func(t *draft) *Pos { return &t.Pos },
		keys: []key[draft]{
			must(placed("name", "the take's name, shown to readers", lineKind("a name"), func(t *draft) *string { return &t.Name }, func(_ *walker, t *draft) *place { return &t.nameAt })),
			must(field("file", "its recording", audioKind(), func(t *draft) *File { return &t.File })),
			placed("repeat_of", "the take that this one records a second time", lineKind("a take's name"), func(t *draft) *string { return &t.RepeatOf }, func(_ *walker, t *draft) *place { return &t.repeatAt }),
			placed("role", "reference: the take to compare the others with; bypass: the chain without the device under test; room: the in-room reference; link: joins two sessions",
				role, func(t *draft) *Role { return &t.Role }, func(_ *walker, t *draft) *place { return &t.roleAt }),
			placed("channels", "the channels of the file to use, from 1", channelsKind(), func(t *draft) *[]int { return &t.Channels }, func(_ *walker, t *draft) *place { return &t.channelsAt }),
			micsKey(),
			field("notes", "anything else about the take", proseKind("notes"), func(t *draft) *string { return &t.Notes }),
			field("set_by", "how its controls were chosen, where it differs from the other takes", lineKind("how controls were chosen"), func(t *draft) *string { return &t.SetBy }),
			field("disclosure", "who paid for or lent the gear of this take", proseKind("a disclosure"), func(t *draft) *string { return &t.Disclosure }),
			optional("photo", "a picture of the set-up", photoObject().asKind(), func(t *draft) **Photo { return &t.Photo }),
			redistributeKey("no: withhold the recording and all audio made from it", func(t *draft) *File { return &t.File }),
		},
		more: &more[draft]{
			schema: schema{"description": "a slot of the chain: the device that this take puts there, or changes to its controls",
				"anyOf": []any{anyScalar, schema{"type": "null"}, device.schema()}},
			names: func(w *walker) []string {
				return w.slotNames()
			},
			read: func(w *walker, e entry, t *draft) {
				if e.val.empty() {
					return
				}
				i := slices.IndexFunc(w.c.Chain, func(d Device) bool { return d.Slot == e.key })
				w.slotBase = &w.c.Chain[i]
				defer func() { w.slotBase = nil }()
				d, ok := Device{Slot: e.key, Pos: e.val.pos}, true
				if _, single := e.val.scalar(); single {
					d.Name, ok = w.line(e.val, "a device")
				} else {
					ok = device.read(w, e.val, &d)
				}
				if ok {
					t.Slots = append(t.Slots, Slot{Device: d, Own: d.Name != ""})
				}
			},
		},
	}
}

func takesKey() key[Comparison] {
	list := listOf("takes", takeObject().asKind())
	return must(key[Comparison]{
		name: "takes", doc: "passes of the same recording, one through each device", schema: list.schema,
		read: func(w *walker, v value, c *Comparison) {
			before := len(w.problems)
			w.drafts, _ = list.read(w, v)
			w.controlsRead = w.controlsRead && len(w.problems) == before
			if len(w.drafts) == 0 && len(w.problems) == before {
				w.fault(v.place, "", "takes: has no take")
			}
			for i := range w.drafts {
				w.layMics(&w.drafts[i])
				t := &w.drafts[i].Take
				slices.SortStableFunc(t.Slots, func(a, b Slot) int { return c.slotIndex(a.Device.Slot) - c.slotIndex(b.Device.Slot) })
				c.Takes = append(c.Takes, *t)
			}
		},
	})
}

func limitsKind() kind[[]Limit] {
	return kind[[]Limit]{func(w *walker, v value) ([]Limit, bool) {
		entries, ok := w.entries(v, "limits:", "")
		var list []Limit
		for _, e := range entries {
			s, ok := w.line(e.val, "a limit")
			if ok && s == "" {
				w.fault(e.at, "", "%s has no limit; write a value after the colon", quote(e.key))
			}
			list = append(list, Limit{ID: e.key, Written: s, Pos: e.at.pos})
		}
		return list, ok
	}, schema{"type": "object", "additionalProperties": anyScalar}}
}

// pathKind is a slot, or a control of a slot as slot.control: the text up to
// the first point is the slot.
func pathKind(what string) kind[Varies] {
	line := lineKind(what)
	return kind[Varies]{func(w *walker, v value) (Varies, bool) {
		s, ok := line.read(w, v)
		if !ok {
			return Varies{}, false
		}
		slot, control, dotted := strings.Cut(s, ".")
		slot, control = strings.TrimSpace(slot), strings.TrimSpace(control)
		if slot == "" || dotted && control == "" {
			w.fault(v.place, "", "%s is not %s", quote(s), what)
			return Varies{}, false
		}
		return Varies{slot, control, s, v.pos}, true
	}, line.schema}
}

func controlPathKind() kind[ControlPath] {
	path := pathKind("a control, slot.control")
	return kind[ControlPath]{func(w *walker, v value) (ControlPath, bool) {
		p, ok := path.read(w, v)
		if ok && p.Control == "" {
			w.fault(v.place, "name one of its controls: "+p.Slot+".volume", "%s is not a control, slot.control", quote(p.Written))
			return ControlPath{}, false
		}
		return ControlPath(p), ok
	}, schema{"type": "string", "pattern": `^[^.]*[^. ][^.]*\..*[^ ]`}}
}

func fullScaleKind() kind[Quantity] {
	return quantityKind("a converter's full scale", "+12 dBu", unitSet{{"dBu"}, {"dBV"}, {"V"}}, func(q Quantity) string {
		if q.Unit == "V" {
			return positive(q)
		}
		return between(-60, 60)(q)
	})
}
