package settings

import (
	"bytes"
	"fmt"
	"path"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
)

// Recording is a recording that the next comparison is started with.
type Recording struct {
	Path     string // for the manifest
	Name     string // of the file, without its extension
	About    string // its format, for a comment
	Channels int
	Dry      bool   // guessed to be the dry recording
	Loopback bool   // guessed to be the loopback
	Bypass   bool   // guessed to be a bypass
	RepeatOf string // path of the recording that it is guessed to repeat; "" for none
	SHA256   string // of the file, for these two; "" when it is not known
}

// Draft writes the next manifest with the chain of a record: its devices and
// controls as they stood, and what changes from one session to the next as
// comments with what it was. A recording whose name is that of a take, or else that
// of a take's file, takes over its settings, any other becomes a take whose device is to be named, and
// the takes that were not recorded again stand as comments at the end. Without
// recordings every take is there, with a file to record. What it writes is a
// manifest that manifest.Parse reads.
func (r *Record) Draft(recordings []Recording) []byte {
	var w writer
	title := strings.Join(strings.Fields(r.Title), " ")
	if r.Date != "" {
		title += " (" + r.Date + ")"
	}
	w.line(0, "# Started from the settings of: %s", title)
	w.line(0, "# Complete this file. Then run evenhand check and evenhand build on it.")
	w.line(0, "# Lines that begin with # have no effect. Remove the # to use one.")
	w.head(r)
	if r.Date != "" {
		w.line(0, "# date: %s  # of the earlier comparison", r.Date)
	}
	if r.URL != "" {
		w.line(0, "# url: %s  # of the earlier comparison", manifest.Scalar(r.URL))
	}
	if r.About != nil {
		w.line(0, "# about: %s", w.file(r.About))
	}
	w.remark(0, "disclosure", r.Disclosure)

	takes := r.plan(recordings)
	names := []string{}
	for _, t := range takes {
		if !t.left {
			names = append(names, t.Name)
		}
	}
	if slices.Contains(names, r.Reference) {
		w.put(0, "reference", manifest.Scalar(r.Reference))
	} else if r.Reference != "" {
		w.line(0, "# reference: %s", manifest.Scalar(r.Reference))
	}
	w.mayDiffer(r, takes)
	w.performance(r.Performance, recordings)

	w.line(0, "")
	if c, err := manifest.Parse("the record", r.Manifest()); err == nil {
		for _, x := range manifest.Cautions(c.Devices()) {
			w.line(0, "%s", manifest.Comment(x))
		}
	}
	w.line(0, "chain:")
	for _, d := range r.Chain {
		w.line(1, "- slot: %s", manifest.Scalar(d.Slot))
		w.lastPhoto(2, d.Photo)
		d.Photo = nil
		w.device(2, d)
	}
	w.line(0, "")
	var there []Take
	for i := range takes {
		t := &takes[i].Take
		if t.Left, t.Right = withoutPhoto(t.Left), withoutPhoto(t.Right); !takes[i].left {
			there = append(there, *t)
		}
	}
	w.sharedMics(there)
	w.line(0, "takes:")
	var left []draftTake
	for _, t := range takes {
		if t.left {
			left = append(left, t)
			continue
		}
		w.draftTake(t, names)
	}
	if len(left) > 0 {
		w.line(0, "")
		w.line(0, "# Earlier takes that are not among the recordings:")
		var c writer
		for _, t := range left {
			c.draftTake(t, names)
		}
		for line := range bytes.Lines(c.Bytes()) {
			w.WriteString("# ")
			w.Write(line)
		}
	}
	return w.Bytes()
}

// draftTake is a take to write.
type draftTake struct {
	Take
	comment string // behind the file
	left    bool   // it was not recorded again
	fresh   bool   // it was not there last time
	known   string // devices of last time, for a fresh take
	stereo  bool   // a fresh take of two channels
}

// recorded returns for each take the recording that has its name, or else that
// of its file; nil for none.
func (r *Record) recorded(recordings []Recording) []*Recording {
	out, used := make([]*Recording, len(r.Takes)), map[string]bool{}
	for _, name := range [...]func(Take) string{
		func(t Take) string { return t.Name },
		func(t Take) string { return strings.TrimSuffix(path.Base(t.File.Path), path.Ext(t.File.Path)) },
	} {
		for i, t := range r.Takes {
			k := slices.IndexFunc(recordings, func(x Recording) bool {
				return !x.Dry && !x.Loopback && !used[x.Path] && manifest.Slug(x.Name) == manifest.Slug(name(t))
			})
			if k >= 0 && out[i] == nil {
				out[i] = &recordings[k]
				used[recordings[k].Path] = true
			}
		}
	}
	return out
}

// plan decides which takes there will be, in the order of the record and then
// of the recordings.
func (r *Record) plan(recordings []Recording) []draftTake {
	var out []draftTake
	used := map[string]bool{}
	of := r.recorded(recordings)
	for i, t := range r.Takes {
		d := draftTake{Take: t, left: len(recordings) > 0}
		d.File.Redistribute = true
		slug := manifest.Slug(t.Name)
		if len(recordings) == 0 {
			d.File.Path = "renders/" + slug + ".wav"
			d.comment = "record this take; earlier file: " + t.File.Path
		}
		if x := of[i]; x != nil {
			used[x.Path] = true
			d.left, d.comment, d.File.Path = false, x.About, x.Path
			if x.Channels != 2 {
				d.Left, d.Right = nil, nil
			}
			if slices.ContainsFunc(d.Channels, func(n int) bool { return n > x.Channels }) {
				d.Channels = nil
			}
			if x.Channels > 2 && len(d.Channels) == 0 {
				d.Channels = []int{1}
			}
		}
		out = append(out, d)
	}
	slot, control := r.varied()
	var known []string
	for _, t := range r.Takes {
		for _, d := range t.Devices {
			if d.Slot == slot && d.Device != "" && !slices.Contains(known, d.Device) {
				known = append(known, d.Device)
			}
		}
	}
	slugs := map[string]bool{}
	for _, t := range out {
		if !t.left {
			slugs[manifest.Slug(t.Name)] = true
		}
	}
	for _, x := range recordings {
		if x.Dry || x.Loopback || used[x.Path] {
			continue
		}
		name := x.Name
		for n := 2; slugs[manifest.Slug(name)]; n++ {
			name = fmt.Sprintf("%s %d", x.Name, n)
		}
		slugs[manifest.Slug(name)] = true
		d := Device{Slot: slot, Device: name}
		if control != "" {
			d = Device{Slot: slot, Controls: []Control{{Name: control}}}
		}
		t := draftTake{Take: Take{Name: name, File: File{Path: x.Path, Redistribute: true}, Devices: []Device{d}}, comment: x.About, fresh: true, stereo: x.Channels == 2}
		if x.Channels > 2 {
			t.Channels = []int{1}
		}
		if control == "" {
			t.known = manifest.Join(known)
		}
		out = append(out, t)
	}
	for _, x := range recordings {
		k := slices.IndexFunc(out, func(d draftTake) bool { return d.fresh && d.File.Path == x.Path })
		if k >= 0 {
			out[k].guess(x, out)
		}
	}
	return out
}

// guess makes of a fresh take what its recording's name says.
func (t *draftTake) guess(x Recording, all []draftTake) {
	k := slices.IndexFunc(all, func(d draftTake) bool { return x.RepeatOf != "" && !d.left && d.File.Path == x.RepeatOf })
	var words []string
	if x.Bypass {
		t.Role = string(manifest.RoleBypass)
		words = append(words, "that it is a bypass")
	}
	if k >= 0 {
		t.RepeatOf = all[k].Name
		words = append(words, "that it repeats a take")
	}
	if words != nil {
		t.Devices = nil
		t.comment = strings.TrimPrefix(t.comment+"; a guess from the file's name: "+strings.Join(words, ", "), "; ")
	}
}

// varied returns the slot, and the control, under test.
func (r *Record) varied() (slot, control string) {
	slot, control, _ = strings.Cut(r.Varies, ".")
	return strings.TrimSpace(slot), strings.TrimSpace(control)
}

func (w *writer) draftTake(t draftTake, names []string) {
	w.line(1, "- name: %s", manifest.Scalar(t.Name))
	w.line(2, "file: %s%s", w.file(&t.File), comment(t.comment))
	if t.RepeatOf != "" {
		if slices.Contains(names, t.RepeatOf) {
			w.put(2, "repeat_of", manifest.Scalar(t.RepeatOf))
		} else {
			w.line(2, "# repeat_of: %s", manifest.Scalar(t.RepeatOf))
		}
	}
	notes := t.Notes
	t.Notes = ""
	w.lastPhoto(2, t.Photo)
	t.Photo = nil
	disclosure := t.Disclosure
	t.Disclosure = ""
	for i := range t.Devices {
		w.lastPhoto(2, t.Devices[i].Photo)
	}
	t.Devices = slices.Clone(t.Devices)
	for i := range t.Devices {
		t.Devices[i].Photo = nil
	}
	guessed := t.fresh && t.stereo && w.left != nil
	if guessed {
		t.Left, t.Right = w.left, w.right
	}
	w.take(2, t.Take)
	w.remark(2, "notes", notes)
	w.remark(2, "disclosure", disclosure)
	if t.fresh {
		if t.known != "" {
			w.line(3, "# earlier devices: %s", strings.Join(strings.Fields(t.known), " "))
		}
		if guessed {
			w.line(2, "# mics: none  # if the sides are not the two microphones above")
		} else if t.stereo {
			w.line(2, "# mics:  # if each side is a microphone")
			w.line(2, "#   left:  {name: first microphone, blend: 0 dB}")
			w.line(2, "#   right: {name: second microphone, blend: 0 dB}")
		}
	}
}

func withoutPhoto(m *Mic) *Mic {
	if m == nil {
		return nil
	}
	c := *m
	c.Photo = nil
	return &c
}

// comment is a remark behind a value.
func comment(s string) string {
	if s = strings.Join(strings.Fields(s), " "); s == "" {
		return ""
	}
	return "  # " + s
}

// remark writes a text of last time as a comment on one line.
func (w *writer) remark(depth int, key, value string) {
	if value != "" {
		w.line(depth, "# %s: %s", key, manifest.Scalar(value))
	}
}

// lastPhoto writes a picture of last time as a comment: it shows last time.
func (w *writer) lastPhoto(depth int, p *Photo) {
	if p != nil {
		w.line(depth, "# photo: {file: %s, alt: %s}", manifest.Scalar(p.File.Path), manifest.Scalar(p.Alt))
	}
}

// mayDiffer writes the controls that may move; those of takes that are not
// there any more as a comment.
func (w *writer) mayDiffer(r *Record, takes []draftTake) {
	stated := map[string]bool{}
	see := func(d Device) {
		for _, c := range d.Controls {
			stated[d.Slot+"\x00"+c.Name] = true
		}
	}
	for _, d := range r.Chain {
		see(d)
	}
	for _, t := range takes {
		if !t.left {
			for _, d := range t.Devices {
				see(d)
			}
		}
	}
	var there, gone []string
	for _, p := range r.MayDiffer {
		slot, control, _ := strings.Cut(p, ".")
		if stated[strings.TrimSpace(slot)+"\x00"+strings.TrimSpace(control)] {
			there = append(there, p)
		} else {
			gone = append(gone, p)
		}
	}
	w.list(0, "may_differ", there)
	if len(gone) > 0 {
		w.line(0, "# may_differ, also in the earlier comparison: %s", flow(gone))
	}
}

func (w *writer) performance(p Performance, recordings []Recording) {
	w.line(0, "")
	w.line(0, "performance:")
	w.player(p)
	for _, x := range []struct {
		key  string
		last *File
		is   func(Recording) bool
	}{
		{"dry", p.Dry, func(r Recording) bool { return r.Dry }},
		{"loopback", p.Loopback, func(r Recording) bool { return r.Loopback }},
	} {
		at := slices.IndexFunc(recordings, x.is)
		switch {
		case at >= 0:
			found, than := recordings[at], ""
			switch {
			case x.last == nil || x.last.SHA256 == "" || found.SHA256 == "":
			case found.SHA256 == x.last.SHA256:
				than = "; the same file as in the earlier comparison"
			default:
				than = "; not the earlier file, " + x.last.Path + ", SHA-256 " + x.last.SHA256
			}
			w.line(1, "%s: %s  # a guess from the file's name (%s)%s", x.key, manifest.Scalar(found.Path), found.About, strings.Join(strings.Fields(than), " "))
		case x.last != nil:
			sum := ""
			if x.last.SHA256 != "" {
				sum = ", SHA-256 " + x.last.SHA256
			}
			w.line(1, "# %s: %s  # the earlier file%s", x.key, manifest.Scalar(x.last.Path), sum)
		}
	}
	switch {
	case p.SectionsFrom != "":
		w.line(1, "# sections: %s", manifest.Scalar(p.SectionsFrom))
	case len(p.Sections) > 0:
		w.line(1, "# sections:  # the earlier ones; they are right only for the same dry recording")
		for _, s := range p.Sections {
			w.line(1, "#   - %s", s.yaml())
		}
	}
}
