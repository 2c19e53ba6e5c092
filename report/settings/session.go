package settings

import (
	"fmt"
	"html/template"
	"path/filepath"
	"slices"
	"strings"

	"evenhand/analyze/disk"
	"evenhand/analyze/manifest"
	"evenhand/report/chart"
	"evenhand/report/view"
)

// SessionName is the sheet for recording what a manifest plans.
const SessionName = "session.html"

// sessionView is what the template of the session sheet sees.
type sessionView struct {
	view.Page
	Name, Tool string
	Symbols    template.HTML
	Passes     []passView
}

// passView is one pass of the recording through the devices: a page.
type passView struct {
	ID, Name, File, Why string
	Number, Of          int
	Devices             []standView
	Blanks              []blankView
	Boxes               []string
}

// standView is a device as it is to stand in a pass.
type standView struct {
	Slot, Name string
	Number     int
	Kept       bool // as in the pass before: it is told in a line
	Line       string
	Knobs      []knobView
	Facts      []property
	Notes      string
	Cautions   []string
}

// blankView is a line to fill in.
type blankView struct{ Name, Unit string }

// blanks are what nobody knows before the pass, and what explains differences later.
func blanks() []blankView {
	return []blankView{{"time", ""}, {"mains", "V"}, {"warm-up", "min"}, {"room", "°C"}, {"photo number", ""}, {"peak in the recorder", "dBFS"}}
}

// pass is a take to record; again says that it is one that no take of the manifest
// stands for yet.
type pass struct {
	take  int
	again bool
}

// passesOf returns the passes of a session in order: the reference, or the first
// take where there is none, comes first, and again at the end.
func passesOf(c *manifest.Comparison) []pass {
	first := max(0, slices.IndexFunc(c.Takes, func(t manifest.Take) bool { return t.Name == c.Reference }))
	var out []pass
	last := -1
	for i, t := range c.Takes {
		if t.RepeatOf == c.Takes[first].Name {
			last = i
		}
	}
	out = append(out, pass{take: first})
	for i := range c.Takes {
		if i != first && i != last {
			out = append(out, pass{take: i})
		}
	}
	if last >= 0 {
		return append(out, pass{take: last})
	}
	return append(out, pass{take: first, again: true})
}

// WriteSession writes the session sheet of a plan into dir: a page for each pass,
// with what to dial in, lines for what is not known yet, and boxes to tick.
func WriteSession(dir string, c *manifest.Comparison, r *Record) error {
	v := sessionView{
		Page: view.Page{Title: "Session: " + c.Title, Policy: contentPolicy, Styles: []string{styleName}}, Name: c.Title,
		Tool: strings.TrimSpace(r.Tool.Name + " " + r.Tool.Version), Symbols: view.SVG(chart.Symbols()), Passes: []passView{},
	}
	passes := passesOf(c)
	var before map[string]stand
	for i, p := range passes {
		t := &c.Takes[p.take]
		x := passView{
			ID: fmt.Sprintf("pass-%d", i+1), Number: i + 1, Of: len(passes), Name: t.Name, File: t.File.Path, Blanks: blanks(),
		}
		switch {
		case p.again:
			x.Name += " again"
			x.File = ""
			x.Why = "The last pass is the first one again. The difference between the two shows how small a difference the session resolves. Add it to the manifest as a take with repeat_of: " + manifest.Scalar(t.Name) + "."
		case t.RepeatOf != "":
			x.Why = "This repeats " + t.RepeatOf + ". The difference between the two shows how small a difference the session resolves."
		case t.Role == manifest.RoleBypass:
			x.Why = "This pass is without the device under test."
		case t.Role == manifest.RoleRoom:
			x.Why = "This pass is the in-room reference."
		case i == 0 && t.Name == c.Reference:
			x.Why = "This is the take that others are compared with. It comes first, and again at the end."
		}
		now := standsOf(c, t)
		for n, slot := range slotsOf(c) {
			s, ok := now[slot]
			if !ok {
				continue
			}
			was, known := before[slot]
			x.Devices = append(x.Devices, standOf(n+1, s, known && was.key() == s.key()))
		}
		if x.Boxes = append(x.Boxes, "The whole performance was sent, at the same reamp level in each pass"); i > 0 {
			x.Boxes = append(x.Boxes, "Nothing that is as in the pass before was moved")
		}
		if x.File != "" {
			x.Boxes = append(x.Boxes, "Saved as "+x.File)
		} else {
			x.Boxes = append(x.Boxes, "Saved as a new file, which no other pass has")
		}
		before = now
		v.Passes = append(v.Passes, x)
	}
	page, err := view.NewRenderer("")
	if err != nil {
		return err
	}
	out, err := page.Render(SessionName, v)
	if err != nil {
		return err
	}
	return disk.WriteFile(filepath.Join(dir, SessionName), []byte(out), 0o644)
}

// standOf is a device on a page: in full, or in a line if it is kept.
func standOf(number int, s stand, kept bool) standView {
	b := block{Slot: s.device.Slot, Device: s.device, Blend: s.blend}
	x := standView{Number: number, Slot: b.Slot, Name: deviceName(s.device), Kept: kept, Notes: s.device.Notes, Knobs: []knobView{}, Facts: []property{}, Cautions: manifest.Cautions([]manifest.Device{s.device})}
	var words []string
	for _, k := range s.device.Controls {
		x.Knobs = append(x.Knobs, knob(k))
		if k.Value.Kind == manifest.Unset {
			words = append(words, k.Name+" as before")
			continue
		}
		words = append(words, k.Name+" "+k.Value.Written)
	}
	for _, p := range b.properties() {
		if p.Name != "notes" {
			x.Facts = append(x.Facts, p)
		}
	}
	x.Line = strings.Join(words, ", ")
	return x
}
