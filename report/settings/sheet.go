package settings

import (
	"fmt"
	"html/template"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/report/chart"
	"evenhand/report/view"
)

// contentPolicy lets the sheet use its own style and pictures and nothing else.
const contentPolicy = "default-src 'none'; style-src 'self'; img-src 'self' data:; base-uri 'none'; form-action 'none'"

// sheetView is what the template of the sheet sees.
type sheetView struct {
	view.Page
	Name, Tool        string
	SketchWords       string
	Symbols           template.HTML
	KeyKnob, KeyBlank template.HTML
	Head              []property
	Cautions          []string
	Blocks            []blockView
	Takes             []takeView
}

type takeView struct {
	Name    string
	Words   []string
	Photo   *Published
	NoPhoto string
}

// blockView is one device as it stood in some takes.
type blockView struct {
	ID, Slot, Name, Where string
	Number                int
	Varied, Empty         bool
	Knobs                 []knobView
	Facts                 []property
	Notes                 string
	Sketch                template.HTML
	Photo                 *Published
	NoPhoto               string
}

type knobView struct {
	Name, Value string
	Drawing     template.HTML
	Blank       bool
	Fine        []string
}

// sheet renders recall.html. photos are the published pictures by their
// source's path; hashes the files' SHA-256 by path.
func sheet(c *manifest.Comparison, r *Record, blocks []block, photos map[string]*Published) ([]byte, error) {
	hashes := r.hashes()
	v := sheetView{
		Page: view.Page{Title: "Settings: " + c.Title, Policy: contentPolicy, Styles: []string{styleName}}, Name: c.Title, Tool: strings.TrimSpace(r.Tool.Name + " " + r.Tool.Version),
		SketchWords: "Seen from above, to scale.",
		Symbols:     view.SVG(chart.Symbols()),
		KeyKnob:     view.SVG(chart.UsualKnob(0.7).Dial()),
		KeyBlank:    view.SVG(chart.UsualKnob(math.NaN()).Dial()),
		Head:        sheetHead(c, hashes), Cautions: manifest.Cautions(c.Devices()), Blocks: []blockView{}, Takes: []takeView{},
	}
	numbers := map[string]int{}
	for i, s := range slotsOf(c) {
		numbers[s] = i + 1
	}
	moved := movedOf(blocks)
	for i, b := range blocks {
		x := blockView{
			ID: fmt.Sprintf("device-%d", i+1), Slot: b.Slot, Number: numbers[b.Slot],
			Where: where(b), Varied: b.Slot == c.Varies.Slot && c.Varies.Control == "",
			Knobs: []knobView{}, Facts: []property{}, Notes: b.Device.Notes,
		}
		x.Name = deviceName(b.Device)
		x.Empty = x.Name == emptySlot
		for _, k := range b.Device.Controls {
			y := knob(k)
			if moved[[3]string{b.Slot, b.Device.Name, k.Name}] {
				y.Fine = append(y.Fine, "differs between takes")
			}
			if c.Varies.Slot == b.Slot && c.Varies.Control == k.Name {
				y.Fine = append(y.Fine, "under test")
			}
			x.Knobs = append(x.Knobs, y)
		}
		for _, p := range b.properties() {
			switch p.Name {
			case "notes":
				continue
			case "file":
				p.Value = withHash(p.Value, hashes)
			}
			x.Facts = append(x.Facts, p)
		}
		if p := b.Device.Position; p != nil {
			if d, a, ok := geometry(p); ok {
				x.Sketch = view.SVG(chart.Sketch(d, p.Distance.Unit, a))
			}
		}
		x.Photo, x.NoPhoto = picture(b.Device.Photo, photos)
		v.Blocks = append(v.Blocks, x)
	}
	for _, t := range c.Takes {
		x := takeView{Name: t.Name, Words: takeWords(c, t)}
		x.Photo, x.NoPhoto = picture(t.Photo, photos)
		v.Takes = append(v.Takes, x)
	}
	page, err := view.NewRenderer("")
	if err != nil {
		return nil, err
	}
	out, err := page.Render("recall.html", v)
	return []byte(out), err
}

// emptySlot is what a slot without a device is called.
const emptySlot = "Nothing in this slot"

// deviceName is what a device is called on a sheet.
func deviceName(d manifest.Device) string {
	switch {
	case d.Name != "":
		return d.Name
	case d.File != nil || len(d.Controls) > 0 || d.Kind != "":
		return "Device not named"
	}
	return emptySlot
}

// picture is a published photo with the alternative text of this use, or words in
// its place.
func picture(p *manifest.Photo, photos map[string]*Published) (pic *Published, instead string) {
	if p == nil {
		return nil, ""
	}
	done := photos[p.File.Path]
	if done == nil {
		return nil, "There is a picture, which is withheld: " + p.Alt
	}
	out := *done
	out.Alt = p.Alt
	return &out, ""
}

// withHash is a file's path with the beginning of its hash, where that is known.
func withHash(path string, hashes map[string]string) string {
	if h := hashes[path]; len(h) >= 12 {
		return path + " (SHA-256 begins " + h[:12] + ")"
	}
	return path
}

func sheetHead(c *manifest.Comparison, hashes map[string]string) []property {
	out := []property{}
	add := func(name, value string) {
		if value != "" {
			out = append(out, property{Name: name, Value: value})
		}
	}
	add("by", c.By)
	add("date", c.Date)
	add("under test", c.Varies.Written)
	add("controls set", c.SetByAll())
	add("disclosure", c.DisclosureAll())
	var free []string
	for _, p := range c.MayDiffer {
		free = append(free, p.Written)
	}
	add("allowed to move", strings.Join(free, ", "))
	add("instrument", c.Performance.Instrument)
	add("tuning", c.Performance.Tuning)
	add("pickup", c.Performance.Pickup)
	add("played", c.Performance.Notes)
	add("0 dBFS at the converter’s input", c.FullScale.Written)
	if f := c.Performance.Dry; f != nil {
		add("dry recording", withHash(f.Path, hashes))
	}
	if f := c.Performance.Loopback; f != nil {
		add("loopback", withHash(f.Path, hashes))
	}
	return out
}

// where says in which takes a block stood.
func where(b block) string {
	if b.All {
		return "in every take"
	}
	return "in " + manifest.Join(b.Takes)
}

func takeWords(c *manifest.Comparison, t manifest.Take) []string {
	out := []string{}
	for _, d := range c.ChainOf(&t) {
		if t.RepeatOf == "" && d.Slot == c.Varies.Slot && d.Name != "" && d.Name != t.Name {
			out = append(out, d.Name)
		}
	}
	if t.RepeatOf != "" {
		out = append(out, t.RepeatOf+" a second time")
	}
	switch {
	case t.Name == c.Reference:
		out = append(out, "the take that others are compared with")
	case t.Role == manifest.RoleBypass:
		out = append(out, "without the device under test")
	case t.Role == manifest.RoleRoom:
		out = append(out, "the in-room reference")
	case t.Role == manifest.RoleLink:
		out = append(out, "joins two sessions")
	}
	if t.Notes != "" {
		out = append(out, t.Notes)
	}
	return out
}

// Drawing is the picture of a control whose value is of the given kind: a knob
// for what turns or is stepped, a switch for what is on or off, an empty ring
// for what is not stated, and "" for a value that has no position.
func Drawing(kind manifest.ValueKind, shape chart.Knob) template.HTML {
	switch kind {
	case manifest.Unset:
		shape.Fraction = math.NaN()
	case manifest.Switch:
		return view.SVG(chart.Toggle(shape.Fraction > 0.5))
	case manifest.Physics, manifest.Text:
		return ""
	}
	return view.SVG(shape.Dial())
}

// knob draws a control: rings for what turns, a switch for what is on or off,
// a blank ring for what is not stated.
func knob(c manifest.Control) knobView {
	from, travel := c.Arc()
	k := knobView{Name: c.Name, Value: c.Value.Written, Fine: []string{}, Blank: c.Value.Kind == manifest.Unset}
	shape := chart.Knob{Fraction: c.Value.Fraction, From: from, Travel: travel, Steps: len(c.Steps)}
	if k.Drawing = Drawing(c.Value.Kind, shape); k.Drawing == "" {
		k.Drawing = `<span class="plain" aria-hidden="true">–</span>`
	}
	switch {
	case c.Travel != "" && c.From != "":
		k.Fine = append(k.Fine, "turns "+c.Travel+" from "+c.From)
	case c.Travel != "":
		k.Fine = append(k.Fine, "turns "+c.Travel)
	case c.From != "":
		k.Fine = append(k.Fine, "turns from "+c.From)
	}
	if c.Scale != "" {
		k.Fine = append(k.Fine, "scale "+c.Scale)
	}
	if len(c.Steps) > 0 {
		k.Fine = append(k.Fine, "steps: "+strings.Join(c.Steps, " · "))
	}
	return k
}

// movedOf finds the controls of one device that stood differently in some
// takes.
func movedOf(blocks []block) map[[3]string]bool {
	first := map[[3]string]string{}
	out := map[[3]string]bool{}
	for _, b := range blocks {
		for _, c := range b.Device.Controls {
			at := [3]string{b.Slot, b.Device.Name, c.Name}
			key := settingKey(c)
			if was, ok := first[at]; ok && was != key {
				out[at] = true
			}
			first[at] = key
		}
	}
	return out
}

// geometry returns what a sketch needs; false when there is nothing to draw.
func geometry(p *manifest.Position) (distance, angle float64, ok bool) {
	distance, angle = math.NaN(), math.NaN()
	if p.Distance.Written != "" {
		distance = p.Distance.Number
	}
	if p.Angle.Written != "" {
		angle = p.Angle.Number
	}
	return distance, angle, !math.IsNaN(distance)
}

// hashes returns the SHA-256 of the devices' files by path.
func (r *Record) hashes() map[string]string {
	out := map[string]string{}
	for d := range r.devices() {
		if d.File != nil {
			out[d.File.Path] = d.File.SHA256
		}
	}
	for _, t := range r.Takes {
		for _, m := range []*Mic{t.Left, t.Right} {
			if m != nil && m.File != nil {
				out[m.File.Path] = m.File.SHA256
			}
		}
	}
	for _, f := range []*File{r.Performance.Dry, r.Performance.Loopback} {
		if f != nil {
			out[f.Path] = f.SHA256
		}
	}
	return out
}

// devices goes over every device that the record holds.
func (r *Record) devices() func(yield func(*Device) bool) {
	return func(yield func(*Device) bool) {
		for i := range r.Chain {
			if !yield(&r.Chain[i]) {
				return
			}
		}
		for i := range r.Takes {
			for k := range r.Takes[i].Devices {
				if !yield(&r.Takes[i].Devices[k]) {
					return
				}
			}
		}
	}
}

// photos goes over every picture that the record holds, in order.
func (r *Record) photos() []*Photo {
	var out []*Photo
	for d := range r.devices() {
		out = append(out, d.Photo)
	}
	for i := range r.Takes {
		out = append(out, r.Takes[i].Photo)
		for _, m := range []*Mic{r.Takes[i].Left, r.Takes[i].Right} {
			if m != nil {
				out = append(out, m.Photo)
			}
		}
	}
	return slices.DeleteFunc(out, func(p *Photo) bool { return p == nil })
}
