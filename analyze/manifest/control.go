package manifest

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// A knob turns about 300°, from 7 o'clock to 5 o'clock: common practice, no
// source. An hour is then a tenth of the travel and noon half of it.
const (
	usualTravel = 300.0 // degrees
	usualFrom   = 7 * 60
)

// dial is what a control's value is read against.
type dial struct {
	travel, from     float64 // degrees, minutes past 12
	travelSaid       bool
	low, high        float64 // scale
	scaleSaid        bool
	steps            []string
	fromText, toText string // the ends of the travel in words
}

var (
	clockPattern   = regexp.MustCompile(`(?i)^([0-9]{1,2})(?::([0-9]{2}))?[ ]?o['’]?[ ]?clock$|^([0-9]{1,2}):([0-9]{1,2})$`)
	percentPattern = regexp.MustCompile(`(?i)^(` + number + `) ?(?:%|per ?cent)$`)
	physicsPattern = regexp.MustCompile(`(?i)^(` + number + `) ?(dB|kHz|Hz|ms|s)$`)
	ofPattern      = regexp.MustCompile(`(?i)^(` + number + `) ?(?:/|of) ?(` + number + `)$`)
	numberPattern  = regexp.MustCompile(`^` + number + `$`)
	commaPattern   = regexp.MustCompile(`^[+\-−]?[0-9]+,[0-9]+$`)
	scalePattern   = regexp.MustCompile(`^(` + number + `) ?(?:-|–|to|\.\.) ?(` + number + `)$`)
)

// clockTime reads a clock position as minutes past 12. The second result tells
// whether the text has the shape of one, the third whether it is one.
func clockTime(s string) (minutes float64, shaped, ok bool) {
	if strings.EqualFold(s, "noon") {
		return 0, true, true
	}
	m := clockPattern.FindStringSubmatch(s)
	if m == nil {
		return 0, false, false
	}
	h, _ := strconv.Atoi(m[1] + m[3])
	min, _ := strconv.Atoi("0" + m[2] + m[4])
	return float64(h%12*60 + min), true, h >= 1 && h <= 12 && min <= 59 && len(m[4]) != 1
}

func clockText(minutes float64) string {
	n := int(math.Round(minutes)) % 720
	h := n / 60
	if h == 0 {
		h = 12
	}
	if n%60 == 0 {
		return fmt.Sprintf("%d o'clock", h)
	}
	return fmt.Sprintf("%d:%02d", h, n%60)
}

// newDial reads a control's travel, from, scale and steps, which have been
// checked one by one.
func newDial(c Control) dial {
	d := dial{travel: usualTravel, from: usualFrom, low: 0, high: 10, steps: c.Steps}
	if q := numberHead.FindString(c.Travel); q != "" {
		d.travel, _ = parseNumber(q)
		d.travelSaid = true
	}
	if m, _, ok := clockTime(c.From); ok {
		d.from, d.travelSaid = m, true
	}
	if m := scalePattern.FindStringSubmatch(c.Scale); m != nil {
		d.low, _ = parseNumber(m[1])
		d.high, _ = parseNumber(m[2])
		d.scaleSaid = true
	}
	d.fromText, d.toText = clockText(d.from), clockText(d.from+d.travel*2)
	return d
}

// trim prints a number in its shortest form.
func trim(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// understand reads a control's value. What is wrong with it comes back as
// message and hint, both "" when nothing is.
func (d dial) understand(s string) (v Value, message, hint string) {
	v = Value{Written: s, Kind: Text, Fraction: math.NaN(), Number: math.NaN()}
	wrong := func(hint, format string, args ...any) (Value, string, string) {
		return Value{Written: s, Kind: Text, Fraction: math.NaN(), Number: math.NaN()}, fmt.Sprintf(format, args...), hint
	}
	if s == "" {
		v.Kind = Unset
		return v, "", ""
	}
	if len(d.steps) > 0 {
		i := slices.IndexFunc(d.steps, func(step string) bool { return strings.EqualFold(step, s) })
		if i < 0 {
			return wrong(didYouMean(s, d.steps), "%s is not one of the control's steps: %s", quote(s), strings.Join(d.steps, ", "))
		}
		v.Kind, v.Fraction = Step, 0
		if len(d.steps) > 1 {
			v.Fraction = float64(i) / float64(len(d.steps)-1)
		}
		return v, "", ""
	}
	if minutes, shaped, ok := clockTime(s); shaped {
		if !ok {
			return wrong("", "%s is not a clock position: hours run from 1 to 12, minutes from 00 to 59", quote(s))
		}
		angle := math.Mod(minutes-d.from+720, 720) / 2
		if angle > d.travel {
			hint := "if the knob turns differently, add travel: and from:"
			if d.travelSaid {
				hint = ""
			}
			return wrong(hint, "%s is outside the knob's travel, %s to %s (%s°)", quote(s), d.fromText, d.toText, trim(d.travel))
		}
		v.Kind, v.Fraction = Clock, angle/d.travel
		return v, "", ""
	}
	if m := percentPattern.FindStringSubmatch(s); m != nil {
		n, ok := parseNumber(m[1])
		if !ok || n < 0 || n > 100 {
			return wrong("", "%s is outside 0 to 100 %%", quote(s))
		}
		v.Kind, v.Number, v.Fraction, v.Unit = Percent, n, n/100, "%"
		return v, "", ""
	}
	if m := physicsPattern.FindStringSubmatch(s); m != nil {
		n, ok := parseNumber(m[1])
		if !ok {
			return wrong("", "%s is too large", quote(s))
		}
		v.Kind, v.Number = Physics, n
		switch strings.ToLower(m[2]) {
		case "db":
			v.Unit = "dB"
			return v, "", ""
		case "khz":
			v.Number, v.Unit = n*1000, "Hz"
		case "hz":
			v.Unit = "Hz"
		case "s":
			v.Number, v.Unit = n*1000, "ms"
		case "ms":
			v.Unit = "ms"
		}
		if n < 0 || math.IsInf(v.Number, 0) {
			return wrong("", "%s is out of range: a frequency or a time is 0 or more", quote(s))
		}
		return v, "", ""
	}
	written := s
	if m := ofPattern.FindStringSubmatch(s); m != nil {
		top, ok := parseNumber(m[2])
		switch {
		case !ok || top <= 0:
			return wrong("", "%s has no scale: its end must be greater than 0", quote(s))
		case d.scaleSaid && top != d.high:
			return wrong("", "%s counts to %s, but the stated scale goes from %s to %s", quote(s), m[2], trim(d.low), trim(d.high))
		case !d.scaleSaid:
			d.low, d.high, d.scaleSaid = 0, top, true
		}
		written = m[1]
	}
	if numberPattern.MatchString(written) {
		n, ok := parseNumber(written)
		if !ok || n < d.low || n > d.high {
			hint := ""
			if !d.scaleSaid {
				hint = "if the panel has other numbers, write them: {value: " + s + ", scale: LOW-HIGH}"
			}
			return wrong(hint, "%s is outside the scale, %s to %s", quote(s), trim(d.low), trim(d.high))
		}
		v.Kind, v.Number, v.Fraction = Scaled, n, (n-d.low)/(d.high-d.low)
		return v, "", ""
	}
	switch strings.ToLower(s) {
	case "on", "yes", "true":
		v.Kind, v.Fraction = Switch, 1
	case "off", "no", "false":
		v.Kind, v.Fraction = Switch, 0
	}
	if commaPattern.MatchString(s) {
		return wrong("write decimals with a point", "%s has a comma in its number", quote(s))
	}
	return v, "", ""
}

// detail is a control given as a mapping.
type detail struct {
	Control
	travel  Quantity
	written string
	at      place
}

func detailObject() object[detail] {
	position := lineKind("a control's value")
	travel := quantityKind("a knob's travel", "270°", degrees, between(30, 360))
	from := kind[string]{func(w *walker, v value) (string, bool) {
		s, ok := w.line(v, "a clock position")
		if !ok {
			return "", false
		}
		if _, _, ok := clockTime(s); !ok {
			w.fault(v.place, `write it like "7:30"`, "%s is not a clock position", quote(s))
			return "", false
		}
		return s, true
	}, schema{"type": "string"}}
	scale := kind[string]{func(w *walker, v value) (string, bool) {
		s, ok := w.line(v, "a scale")
		if !ok {
			return "", false
		}
		m := scalePattern.FindStringSubmatch(s)
		if m == nil {
			w.fault(v.place, "write it like 1-12", "%s is not a scale, two numbers", quote(s))
			return "", false
		}
		low, okLow := parseNumber(m[1])
		high, okHigh := parseNumber(m[2])
		if !okLow || !okHigh || low >= high {
			w.fault(v.place, "", "the scale %s must rise", quote(s))
			return "", false
		}
		return s, true
	}, schema{"type": "string", "pattern": scalePattern.String()}}
	step := kind[string]{func(w *walker, v value) (string, bool) {
		s, ok := w.line(v, "the name of a step")
		if ok && s == "" {
			w.fault(v.place, "", "this step has no name")
		}
		return s, ok && s != ""
	}, anyScalar}
	return object[detail]{what: "a control", keys: []key[detail]{
		{name: "value", doc: "the setting of the control", schema: position.schema, read: func(w *walker, v value, d *detail) {
			d.written, _ = position.read(w, v)
			d.at = v.place
		}},
		field("travel", "how far a rotary knob turns, if not 300°: 270°", travel, func(d *detail) *Quantity { return &d.travel }),
		field("from", "where a rotary knob's travel begins, as a clock position, if not at 7 o'clock", from, func(d *detail) *string { return &d.From }),
		field("scale", "the numbers on the panel, if not 0-10: 1-12", scale, func(d *detail) *string { return &d.Scale }),
		field("steps", "the positions of a stepped control or switch, in order", listOf("step names", step), func(d *detail) *[]string { return &d.Steps }),
	}}
}

// controlsKey reads a device's controls, in file order, each as a single value
// or as a mapping. A take that sets controls on the chain's device reads them
// on the dials that the chain describes.
func controlsKey() key[Device] {
	details := detailObject()
	return key[Device]{
		name: "controls",
		doc:  "the device's controls and their settings, in the order to show them",
		schema: schema{"type": "object", "additionalProperties": schema{
			"anyOf": []any{anyScalar, schema{"type": "null"}, details.schema()},
		}},
		read: func(w *walker, v value, d *Device) {
			list, ok := w.entries(v, "controls:", "write name: value for each control")
			if !ok {
				return
			}
			for _, e := range list {
				if e.key == "" {
					w.fault(e.at, "", "this control has no name")
					continue
				}
				if e.bare && numberPattern.MatchString(e.key) {
					w.fault(e.at, "write decimals with a point", "a comma inside braces ends a value; %s is not a control", quote(e.key))
					continue
				}
				if c, ok := w.control(e, details, w.base(d, e)); ok {
					d.Controls = append(d.Controls, c)
				}
			}
		},
	}
}

// base returns the chain's description of a control that a take sets, nil if
// there is none.
func (w *walker) base(d *Device, e entry) *Control {
	b := w.slotBase
	if b == nil || !sameDevice(*b, *d) {
		return nil
	}
	for i := range b.Controls {
		if b.Controls[i].Name == e.key {
			return &b.Controls[i]
		}
	}
	if n := Nearest(e.key, controlNames(*b)); n != "" && !slices.ContainsFunc(d.Controls, func(c Control) bool { return c.Name == n }) {
		w.warn(e.at, "did you mean "+quote(n)+"?", "control %s is not among those of %s in the chain", quote(e.key), b.Slot+":")
	}
	return nil
}

func controlNames(d Device) []string {
	names := make([]string, len(d.Controls))
	for i, c := range d.Controls {
		names[i] = c.Name
	}
	return names
}

func (w *walker) control(e entry, details object[detail], base *Control) (Control, bool) {
	before := len(w.problems)
	d := detail{at: e.val.place}
	if s, ok := e.val.scalar(); ok {
		d.written = s
		if _, ok := w.line(e.val, "a control's value"); !ok {
			return Control{}, false
		}
	} else if !details.read(w, e.val, &d) {
		return Control{}, false
	}
	if len(w.problems) > before {
		return Control{}, false
	}
	c := d.Control
	c.Name, c.Pos, c.Travel = e.key, e.at.pos, d.travel.Written
	for i, s := range c.Steps {
		if slices.ContainsFunc(c.Steps[:i], func(t string) bool { return strings.EqualFold(s, t) }) {
			w.fault(e.at, "", "step %s is listed twice", quote(s))
			return Control{}, false
		}
	}
	if base != nil {
		c.inherit(*base)
	}
	var message, hint string
	c.Value, message, hint = newDial(c).understand(d.written)
	if message != "" {
		w.fault(d.at, hint, "%s", message)
		return Control{}, false
	}
	return c, true
}

// inherit takes over the description of a control where c gives none.
func (c *Control) inherit(base Control) {
	if c.Travel == "" && c.From == "" {
		c.Travel, c.From = base.Travel, base.From
	}
	if c.Scale == "" && len(c.Steps) == 0 {
		c.Scale, c.Steps = base.Scale, slices.Clone(base.Steps)
	}
}
