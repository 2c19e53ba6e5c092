package settings

import (
	"bytes"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
)

// Manifest returns a manifest that says what the record says. Read by
// manifest.Parse it gives the comparison that the record was made from, but
// for the places in the file.
func (r *Record) Manifest() []byte {
	var w writer
	w.head(r)
	w.put(0, "about", w.file(r.About))
	w.put(0, "date", manifest.Scalar(r.Date))
	w.put(0, "url", manifest.Scalar(r.URL))
	w.put(0, "reference", manifest.Scalar(r.Reference))
	w.put(0, "disclosure", manifest.Scalar(r.Disclosure))
	w.list(0, "may_differ", r.MayDiffer)
	p := r.Performance
	w.line(0, "performance:")
	w.player(p)
	w.put(1, "dry", w.file(p.Dry))
	w.put(1, "loopback", w.file(p.Loopback))
	if len(p.Sections) > 0 {
		w.line(1, "sections:")
		for _, s := range p.Sections {
			w.line(2, "- %s", s.yaml())
		}
	} else {
		w.put(1, "sections", manifest.Scalar(p.SectionsFrom))
	}
	w.line(0, "chain:")
	for _, d := range r.Chain {
		w.line(1, "- slot: %s", manifest.Scalar(d.Slot))
		w.device(2, d)
	}
	w.sharedMics(r.Takes)
	w.line(0, "takes:")
	for _, t := range r.Takes {
		w.line(1, "- name: %s", manifest.Scalar(t.Name))
		w.put(2, "file", w.file(&t.File))
		w.put(2, "repeat_of", manifest.Scalar(t.RepeatOf))
		w.take(2, t)
	}
	return w.Bytes()
}

func (s Section) yaml() string {
	return fmt.Sprintf("{name: %s, from: %s s, to: %s s}", manifest.Scalar(s.Name), decimal(s.From), decimal(s.To))
}

// writer writes YAML in the manifest's language. An empty value leaves its key
// out, which means the same.
type writer struct {
	bytes.Buffer
	left, right *Mic // written at the top for all takes; nil for none
}

func (w *writer) line(depth int, format string, args ...any) {
	w.WriteString(strings.Repeat("  ", depth))
	fmt.Fprintf(w, format, args...)
	w.WriteByte('\n')
}

func (w *writer) put(depth int, key, value string) {
	if value != "" && value != `""` {
		w.line(depth, "%s: %s", key, value)
	}
}

func (w *writer) list(depth int, key string, list []string) {
	if len(list) > 0 {
		w.line(depth, "%s: %s", key, flow(list))
	}
}

func flow(list []string) string {
	out := make([]string, len(list))
	for i, s := range list {
		out[i] = manifest.Scalar(s)
	}
	return "[" + strings.Join(out, ", ") + "]"
}

// head writes what holds for the comparison after as well.
func (w *writer) head(r *Record) {
	w.put(0, "title", manifest.Scalar(r.Title))
	w.put(0, "by", manifest.Scalar(r.By))
	w.put(0, "varies", manifest.Scalar(r.Varies))
	w.put(0, "mains", manifest.Scalar(r.Mains))
	w.put(0, "set_by", manifest.Scalar(r.SetBy))
	w.put(0, "full_scale_in", manifest.Scalar(r.FullScale))
	w.put(0, "copies", r.Copies)
	if r.Target != "" || r.Ceiling != "" {
		w.line(0, "match:")
		w.put(1, "target", manifest.Scalar(r.Target))
		w.put(1, "ceiling", manifest.Scalar(r.Ceiling))
	}
	if len(r.Limits) > 0 {
		w.line(0, "limits:")
		for _, l := range r.Limits {
			w.line(1, "%s: %s", manifest.Scalar(l.ID), manifest.Scalar(l.Limit))
		}
	}
}

func (w *writer) player(p Performance) {
	w.put(1, "instrument", manifest.Scalar(p.Instrument))
	w.put(1, "tuning", manifest.Scalar(p.Tuning))
	w.put(1, "pickup", manifest.Scalar(p.Pickup))
	w.put(1, "notes", manifest.Scalar(p.Notes))
}

func (w *writer) file(f *File) string {
	switch {
	case f == nil || f.Path == "":
		return ""
	case !f.Redistribute:
		return fmt.Sprintf("{file: %s, redistribute: no}", manifest.Scalar(f.Path))
	}
	return manifest.Scalar(f.Path)
}

// device writes a device's keys, without its slot.
func (w *writer) device(depth int, d Device) {
	w.put(depth, "device", manifest.Scalar(d.Device))
	w.put(depth, "kind", manifest.Scalar(d.Kind))
	w.put(depth, "file", w.file(d.File))
	w.put(depth, "impedance", manifest.Scalar(d.Impedance))
	w.put(depth, "power", manifest.Scalar(d.Power))
	w.position(depth, d.Position)
	w.photo(depth, d.Photo)
	w.put(depth, "notes", manifest.Scalar(d.Notes))
	w.controls(depth, d.Controls)
}

// controls writes controls on one line where they have room there.
func (w *writer) controls(depth int, list []Control) {
	const most = 90
	var parts []string
	for _, c := range list {
		value := c.yaml()
		if value == "" {
			parts = nil // a control without a value needs a line of its own
			break
		}
		parts = append(parts, manifest.Scalar(c.Name)+": "+value)
	}
	if text := strings.Join(parts, ", "); parts != nil && len(text)+2*depth < most {
		w.line(depth, "controls: {%s}", text)
		return
	}
	if len(list) > 0 {
		w.line(depth, "controls:")
	}
	for _, c := range list {
		w.line(depth+1, "%s", strings.TrimRight(manifest.Scalar(c.Name)+": "+c.yaml(), " "))
	}
}

// yaml is the control's value: alone where that says everything.
func (c Control) yaml() string {
	value := ""
	if c.Value != "" {
		value = manifest.Scalar(c.Value)
	}
	if c.Travel == "" && c.From == "" && c.Scale == "" && len(c.Steps) == 0 {
		return value
	}
	var parts []string
	for _, p := range [][2]string{{"value", c.Value}, {"travel", c.Travel}, {"from", c.From}, {"scale", c.Scale}} {
		if p[1] != "" {
			parts = append(parts, p[0]+": "+manifest.Scalar(p[1]))
		}
	}
	if len(c.Steps) > 0 {
		parts = append(parts, "steps: "+flow(c.Steps))
	}
	return "{" + strings.Join(parts, ", ") + "}"
}

func (w *writer) position(depth int, p *Position) {
	if p == nil {
		return
	}
	var parts []string
	for _, x := range [][2]string{{"distance", p.Distance}, {"angle", p.Angle}, {"from", p.From}, {"at", p.At}} {
		if x[1] != "" {
			parts = append(parts, x[0]+": "+manifest.Scalar(x[1]))
		}
	}
	w.line(depth, "position: {%s}", strings.Join(parts, ", "))
}

func (w *writer) photo(depth int, p *Photo) {
	if p == nil {
		return
	}
	no := ""
	if !p.File.Redistribute {
		no = ", redistribute: no"
	}
	w.line(depth, "photo: {file: %s, alt: %s%s}", manifest.Scalar(p.File.Path), manifest.Scalar(p.Alt), no)
}

// take writes a take's keys but for name, file and repeat_of.
func (w *writer) take(depth int, t Take) {
	w.put(depth, "role", manifest.Scalar(t.Role))
	if len(t.Channels) > 0 {
		s := make([]string, len(t.Channels))
		for i, n := range t.Channels {
			s[i] = strconv.Itoa(n)
		}
		w.line(depth, "channels: [%s]", strings.Join(s, ", "))
	}
	switch {
	case t.Left == nil || t.Right == nil:
		if w.left != nil {
			w.line(depth, "mics: none")
		}
	default:
		w.mics(depth, t.Left, t.Right)
	}
	for _, d := range t.Devices {
		w.slot(depth, d)
	}
	w.put(depth, "notes", manifest.Scalar(t.Notes))
	w.put(depth, "set_by", manifest.Scalar(t.SetBy))
	w.put(depth, "disclosure", manifest.Scalar(t.Disclosure))
	w.photo(depth, t.Photo)
}

// slot writes what a take puts into a slot.
func (w *writer) slot(depth int, d Device) {
	w.line(depth, "%s:", manifest.Scalar(d.Slot))
	at := w.Len()
	w.device(depth+1, d)
	if w.Len() == at { // a slot without anything is no entry
		w.Truncate(at - len(manifest.Scalar(d.Slot)) - 2 - 2*depth)
	}
}

// sharedMics writes the microphones that more than one take has, for all takes.
func (w *writer) sharedMics(takes []Take) {
	for i, t := range takes {
		if t.Left == nil || t.Right == nil {
			continue
		}
		same := func(o Take) bool { return reflect.DeepEqual(o.Left, t.Left) && reflect.DeepEqual(o.Right, t.Right) }
		if slices.ContainsFunc(takes[i+1:], same) {
			w.mics(0, t.Left, t.Right)
			w.left, w.right = t.Left, t.Right
		}
		return
	}
}

// mics writes two microphones but for those that stand at the top.
func (w *writer) mics(depth int, left, right *Mic) {
	at := w.Len()
	w.line(depth, "mics:")
	head := w.Len()
	if !reflect.DeepEqual(left, w.left) {
		w.mic(depth+1, "left", *left)
	}
	if !reflect.DeepEqual(right, w.right) {
		w.mic(depth+1, "right", *right)
	}
	if w.Len() == head {
		w.Truncate(at)
	}
}

func (w *writer) mic(depth int, side string, m Mic) {
	w.line(depth, "%s:", side)
	w.put(depth+1, "name", manifest.Scalar(m.Name))
	w.put(depth+1, "blend", manifest.Scalar(m.Blend))
	w.put(depth+1, "file", w.file(m.File))
	w.position(depth+1, m.Position)
	w.photo(depth+1, m.Photo)
	w.put(depth+1, "notes", manifest.Scalar(m.Notes))
}
