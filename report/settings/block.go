package settings

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/report/view"
)

// block is one device in one slot as it stood in some of the takes.
type block struct {
	Slot   string
	Device manifest.Device // without a name when the slot was empty
	Blend  string          // of one microphone of two
	Takes  []string        // names
	All    bool            // that is every take
}

// property is something stated about a device that is not a control.
type property = view.Fact

func (b block) properties() []property {
	d := b.Device
	out := []property{}
	add := func(name, value string) {
		if value != "" {
			out = append(out, property{Name: name, Value: value})
		}
	}
	add("kind", d.Kind)
	if d.File != nil {
		add("file", d.File.Path)
	}
	add("impedance", d.Impedance.Written)
	add("power", d.Power.Written)
	if p := d.Position; p != nil {
		add("distance", p.Distance.Written)
		add("distance from", p.From)
		add("angle off axis", p.Angle.Written)
		add("aimed at", p.At)
	}
	add("blend", b.Blend)
	add("notes", d.Notes)
	return out
}

const (
	leftMic  = "left microphone"
	rightMic = "right microphone"
)

// stand is one device of one take, with its gain in the blend.
type stand struct {
	device manifest.Device
	blend  string
}

// standsOf returns the devices of a take in signal order, with the
// microphones of a two-channel file behind them. The slots are in the keys.
func standsOf(c *manifest.Comparison, t *manifest.Take) map[string]stand {
	out := map[string]stand{}
	for _, d := range c.ChainOf(t) {
		out[d.Slot] = stand{device: d}
	}
	if m := t.Mics; m != nil {
		for slot, x := range map[string]manifest.Mic{leftMic: m.Left, rightMic: m.Right} {
			out[slot] = stand{manifest.Device{Slot: slot, Name: x.Name, File: x.File, Position: x.Position, Photo: x.Photo, Notes: x.Notes}, decimal(float64(x.Blend)) + " dB"}
		}
	}
	return out
}

// slotsOf lists the slots in signal order, the microphones last.
func slotsOf(c *manifest.Comparison) []string {
	var out []string
	for _, d := range c.Chain {
		out = append(out, d.Slot)
	}
	if slices.ContainsFunc(c.Takes, func(t manifest.Take) bool { return t.Mics != nil }) {
		for _, s := range []string{leftMic, rightMic} {
			if !slices.Contains(out, s) {
				out = append(out, s)
			}
		}
	}
	return out
}

// blocksOf returns the devices of a comparison in signal order: a device that
// stood the same in several takes once, others once for each way.
func blocksOf(c *manifest.Comparison) []block {
	stands := make([]map[string]stand, len(c.Takes))
	for i := range c.Takes {
		stands[i] = standsOf(c, &c.Takes[i])
	}
	out := []block{}
	for _, slot := range slotsOf(c) {
		first := len(out)
		index := map[string]int{}
		for i, t := range c.Takes {
			s, ok := stands[i][slot]
			if !ok {
				continue
			}
			key := s.key()
			at, ok := index[key]
			if !ok {
				at = len(out)
				index[key] = at
				out = append(out, block{Slot: slot, Device: s.device, Blend: s.blend})
			}
			out[at].Takes = append(out[at].Takes, t.Name)
		}
		for i := first; i < len(out); i++ {
			out[i].All = len(out[i].Takes) == len(c.Takes)
		}
	}
	return out
}

// key is equal for devices of which the same is said.
func (s stand) key() string {
	var b strings.Builder
	d := s.device
	file, photo := "", ""
	if d.File != nil {
		file = d.File.Path
	}
	if d.Photo != nil {
		photo = d.Photo.File.Path + "\x00" + d.Photo.Alt
	}
	position := manifest.Position{}
	if d.Position != nil {
		position = *d.Position
	}
	fmt.Fprintf(&b, "%q", []string{d.Name, d.Kind, file, d.Impedance.Written, d.Power.Written, position.Distance.Written, position.From, position.Angle.Written, position.At, photo, d.Notes, s.blend})
	for _, c := range d.Controls {
		fmt.Fprintf(&b, "%q%q", []string{c.Name, settingKey(c), c.Travel, c.From, c.Scale}, c.Steps)
	}
	return b.String()
}

// settingKey is equal for two spellings of one position of one control.
func settingKey(c manifest.Control) string {
	v := c.Value
	switch {
	case v.Kind == manifest.Physics:
		return fmt.Sprintf("%s %v", v.Unit, v.Number)
	case v.Kind == manifest.Step || v.Kind == manifest.Text || math.IsNaN(v.Fraction):
		return string(v.Kind) + " " + strings.ToLower(v.Written)
	}
	return fmt.Sprintf("%s %.9f", v.Kind, v.Fraction)
}
