package manifest

import (
	"slices"
)

// checkSections reports sections that end before they begin, have a name twice
// or lie over each other.
func (w *walker) checkSections(list []Section, field string) {
	if len(list) == 0 && len(w.problems) == 0 {
		w.warn(place{field: field}, "", "sections: has no section")
	}
	good := true
	for i, s := range list {
		at := place{s.Pos, field}
		if s.To <= s.From {
			w.fault(at, "", "section %s ends at %s and begins at %s; it must end after it begins", quote(s.Name), s.To, s.From)
			good = false
		}
		if j := slices.IndexFunc(list[:i], func(o Section) bool { return o.Name == s.Name }); j >= 0 {
			w.fault(at, "", "section %s is listed twice, first at %d:%d", quote(s.Name), list[j].Pos.Line, list[j].Pos.Column)
		}
	}
	if !good {
		return
	}
	sorted := slices.Clone(list)
	slices.SortStableFunc(sorted, func(a, b Section) int {
		switch {
		case a.From < b.From:
			return -1
		case a.From > b.From:
			return 1
		}
		return 0
	})
	latest := 0
	for i := 1; i < len(sorted); i++ {
		a, b := sorted[latest], sorted[i]
		if b.From < a.To {
			w.fault(place{b.Pos, field}, "sections must not overlap; let one end where the other begins", "section %s begins at %s, before %s ends at %s", quote(b.Name), b.From, quote(a.Name), a.To)
		}
		if b.To > a.To {
			latest = i
		}
	}
}

// checkAll looks at what the parts of a manifest say about each other.
func (w *walker) checkAll() {
	w.checkNames()
	w.checkRepeats()
	w.checkReference()
	w.checkPaths()
	w.checkFiles()
}

// checkNames reports take names that are not unique, also as file names.
func (w *walker) checkNames() {
	names, slugs := map[string]int{}, map[string]int{}
	for i := range w.drafts {
		t := &w.drafts[i]
		if t.Name == "" {
			continue
		}
		slug := Slug(t.Name)
		if j, twice := names[t.Name]; twice {
			p := w.drafts[j].nameAt.pos
			w.fault(t.nameAt, "", "take %s is listed twice, first at %d:%d", quote(t.Name), p.Line, p.Column)
		} else if j, twice := slugs[slug]; twice {
			p := w.drafts[j].nameAt.pos
			w.fault(t.nameAt, "rename one of them; file names differ only in letters and digits", "takes %s (at %d:%d) and %s would have the same file name, %s.flac", quote(w.drafts[j].Name), p.Line, p.Column, quote(t.Name), slug)
		} else {
			names[t.Name], slugs[slug] = i, i
		}
		if t.Mics != nil && len(t.Channels) == 1 {
			w.fault(t.channelsAt, "name two channels, left first, or remove channels:", "mics: needs two channels, channels: names one")
		}
	}
}

func (w *walker) takeNames(but int) []string {
	var names []string
	for i := range w.drafts {
		if n := w.drafts[i].Name; i != but && n != "" && !slices.Contains(names, n) {
			names = append(names, n)
		}
	}
	return names
}

// checkRepeats reports repeats of takes that are not there and circles.
func (w *walker) checkRepeats() {
	index := map[string]int{}
	for i := range w.drafts {
		if _, ok := index[w.drafts[i].Name]; !ok {
			index[w.drafts[i].Name] = i
		}
	}
	for i := range w.drafts {
		t := &w.drafts[i]
		if t.RepeatOf == "" {
			continue
		}
		if t.RepeatOf == t.Name {
			w.fault(t.repeatAt, "", "take %s repeats itself; name another take", quote(t.Name))
			continue
		}
		if _, ok := index[t.RepeatOf]; !ok {
			w.fault(t.repeatAt, suggest(t.RepeatOf, "takes", w.takeNames(i)), "there is no take %s to repeat", quote(t.RepeatOf))
			continue
		}
		// A circle is reported at its first take in the file.
		first, at := i, i
		for range w.drafts {
			next, ok := index[w.drafts[at].RepeatOf]
			if !ok || w.drafts[at].RepeatOf == "" || next == at {
				break
			}
			if at = next; at == i {
				if first == i {
					w.fault(t.repeatAt, "remove repeat_of: from the take that you recorded first", "takes that repeat each other in a circle: %s", quote(t.Name))
				}
				break
			}
			first = min(first, at)
		}
	}
}

// checkReference settles the reference take.
func (w *walker) checkReference() {
	c := w.c
	if c.Reference != "" && !slices.Contains(w.takeNames(-1), c.Reference) && len(w.drafts) > 0 {
		w.fault(w.reference, suggest(c.Reference, "takes", w.takeNames(-1)), "there is no take %s to be the reference", quote(c.Reference))
	}
	stated := c.Reference
	for i := range w.drafts {
		t := &w.drafts[i]
		if t.Role != RoleReference {
			continue
		}
		switch {
		case stated != "" && stated != t.Name:
			w.fault(t.roleAt, "keep one of the two", "two takes are the reference, %s and %s", quote(t.Name), quote(stated))
		default:
			stated, c.Reference = t.Name, t.Name
		}
	}
}

// checkPaths reports names in varies: and may_differ: that lead nowhere.
func (w *walker) checkPaths() {
	c := w.c
	if !w.slotsRead {
		return
	}
	if c.Varies.Slot != "" {
		w.checkPath(ControlPath(c.Varies), "varies")
	}
	for i, p := range c.MayDiffer {
		if j := slices.IndexFunc(c.MayDiffer[:i], func(o ControlPath) bool { return o.Slot == p.Slot && o.Control == p.Control }); j >= 0 {
			w.warn(place{p.Pos, "may_differ"}, "", "%s is listed twice in may_differ:", quote(p.Written))
			continue
		}
		w.checkPath(p, "may_differ")
	}
	i := c.slotIndex(c.Varies.Slot)
	if i < 0 || c.Varies.Control != "" || len(w.problems) > 0 {
		return
	}
	for j := range c.Takes {
		t := &c.Takes[j]
		if d := c.ChainOf(t)[i]; t.Role != RoleBypass && t.Role != RoleRoom && d.Name == "" && d.File == nil {
			w.warn(w.drafts[j].nameAt, "add "+c.Varies.Slot+": to the take", "take %s does not say what is in the slot under test, %s", quote(t.Name), quote(c.Varies.Slot))
		}
	}
}

// slotNames returns the names of the chain's slots, each once.
func (w *walker) slotNames() []string {
	var names []string
	for _, d := range w.c.Chain {
		if d.Slot != "" && !slices.Contains(names, d.Slot) {
			names = append(names, d.Slot)
		}
	}
	return names
}

func (w *walker) checkPath(p ControlPath, field string) {
	at := place{p.Pos, field}
	i := w.c.slotIndex(p.Slot)
	if i < 0 {
		w.fault(at, suggest(p.Slot, "slots of the chain", w.slotNames()), "the chain has no slot %s", quote(p.Slot))
		return
	}
	if p.Control == "" || !w.controlsRead {
		return
	}
	names := controlNames(w.c.Chain[i])
	for _, t := range w.c.Takes {
		for _, s := range t.Slots {
			if s.Device.Slot == p.Slot {
				names = append(names, controlNames(s.Device)...)
			}
		}
	}
	if slices.Contains(names, p.Control) {
		return
	}
	slices.Sort(names)
	names = slices.Compact(names)
	hint := suggest(p.Control, "controls there", names)
	if len(names) == 0 {
		hint = "this slot has no controls"
	}
	w.fault(at, hint, "there is no control %s in slot %s", quote(p.Control), quote(p.Slot))
}

// checkFiles warns of one recording used for two things.
func (w *walker) checkFiles() {
	for i, t := range w.c.Takes {
		if t.File.Path == "" {
			continue
		}
		at := place{t.File.Pos, ""}
		if dry := w.c.Performance.Dry; dry != nil && dry.Path == t.File.Path {
			w.warn(at, "", "the recording of take %s is the dry recording", quote(t.Name))
		}
		for _, o := range w.c.Takes[:i] {
			if o.File.Path == t.File.Path && slices.Equal(o.Channels, t.Channels) {
				w.warn(at, "", "the recording of take %s is also that of take %s", quote(t.Name), quote(o.Name))
				break
			}
		}
	}
}

// checkLimits reports limits of checks that mean nothing.
func (w *walker) checkLimits(rule LimitRule) {
	if rule == nil {
		return
	}
	for _, l := range w.c.Limits {
		if message, hint := rule(l.ID, l.Written); message != "" {
			w.fault(place{l.Pos, "limits." + l.ID}, hint, "%s", message)
		}
	}
}
