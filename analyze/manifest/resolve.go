package manifest

import (
	"fmt"
	"hash/fnv"
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// TakeByName returns the take of that name, nil if there is none.
func (c *Comparison) TakeByName(name string) *Take {
	for i := range c.Takes {
		if c.Takes[i].Name == name {
			return &c.Takes[i]
		}
	}
	return nil
}

// SetByAll is how controls were chosen, in all takes and in those that differ, in one
// line: "same position; Splitting: by ear".
func (c *Comparison) SetByAll() string {
	return c.withTakes(c.SetBy, func(t Take) string { return t.SetBy })
}

// DisclosureAll is the disclosure of the comparison and those of its takes, each with
// the take's name.
func (c *Comparison) DisclosureAll() string {
	return c.withTakes(c.Disclosure, func(t Take) string { return t.Disclosure })
}

func (c *Comparison) withTakes(all string, of func(Take) string) string {
	var parts []string
	if all != "" {
		parts = append(parts, all)
	}
	for _, t := range c.Takes {
		if s := of(t); s != "" {
			parts = append(parts, t.Name+": "+s)
		}
	}
	return strings.Join(parts, "; ")
}

func (c *Comparison) slotIndex(slot string) int {
	return slices.IndexFunc(c.Chain, func(d Device) bool { return d.Slot == slot })
}

// ChainOf returns the chain of one take: a device for each slot, in signal
// order. A device that the take names replaces the chain's; otherwise, or when
// it has the same name, what the take says is laid over what the chain says,
// control by control. A repeat begins from the take that it repeats. In a
// bypass the varied slot is empty (without a name) unless the take fills it.
// The slices are the caller's; what pointers lead to is shared.
func (c *Comparison) ChainOf(t *Take) []Device {
	lineage := c.lineage(t)
	chain := slices.Clone(c.Chain)
	for i := range chain {
		chain[i].Controls = slices.Clone(chain[i].Controls)
	}
	if i := c.slotIndex(c.Varies.Slot); i >= 0 && c.Varies.Control == "" && bypassRole(lineage) {
		chain[i] = Device{Slot: chain[i].Slot, Pos: chain[i].Pos}
	}
	for _, t := range slices.Backward(lineage) {
		for _, s := range t.Slots {
			if i := c.slotIndex(s.Device.Slot); i >= 0 {
				chain[i] = overlay(chain[i], s.Device)
			}
		}
	}
	return chain
}

// lineage is a take, the take that it repeats, and so on.
func (c *Comparison) lineage(t *Take) []*Take {
	out := []*Take{t}
	for range c.Takes {
		o := c.TakeByName(out[len(out)-1].RepeatOf)
		if o == nil || slices.Contains(out, o) {
			break
		}
		out = append(out, o)
	}
	return out
}

func bypassRole(lineage []*Take) bool {
	return slices.ContainsFunc(lineage, func(t *Take) bool { return t.Role == RoleBypass })
}

// Bypassed reports whether a take has nothing in the slot under test: by its role
// or that of the take that it repeats, by an empty slot, or by a device that is
// called bypass or none.
func (c *Comparison) Bypassed(t *Take) bool {
	if bypassRole(c.lineage(t)) {
		return true
	}
	i := c.slotIndex(c.Varies.Slot)
	if i < 0 {
		return false
	}
	d := c.ChainOf(t)[i]
	return d.Name == "" && d.File == nil && len(d.Controls) == 0 ||
		slices.Contains([]string{"bypass", "bypassed", "none"}, strings.ToLower(strings.TrimSpace(d.Name)))
}

// sameDevice tells whether a take's entry is about the device that is in the
// slot already.
func sameDevice(base, over Device) bool {
	return base.Name == "" || over.Name == "" || base.Name == over.Name
}

// overlay lays what a take says about a slot over what is known of it.
func overlay(base, over Device) Device {
	d := base
	if !sameDevice(base, over) {
		d = Device{Slot: base.Slot, Kind: base.Kind}
	}
	for _, f := range []struct {
		to   *string
		from string
	}{{&d.Name, over.Name}, {&d.Kind, over.Kind}, {&d.Notes, over.Notes}} {
		if f.from != "" {
			*f.to = f.from
		}
	}
	if over.File != nil {
		d.File = over.File
	}
	if over.Impedance.Written != "" {
		d.Impedance = over.Impedance
	}
	if over.Power.Written != "" {
		d.Power = over.Power
	}
	if over.Position != nil {
		d.Position = over.Position
	}
	if over.Photo != nil {
		d.Photo = over.Photo
	}
	d.Pos = over.Pos
	d.Controls = slices.Clone(d.Controls)
	for _, n := range over.Controls {
		if i := slices.IndexFunc(d.Controls, func(o Control) bool { return o.Name == n.Name }); i >= 0 {
			d.Controls[i] = n
		} else {
			d.Controls = append(d.Controls, n)
		}
	}
	return d
}

// ASCII spells a text for fields that hold nothing else: accents go, letters of
// the Latin alphabets are spelled as in Slug, dashes and quotation marks become the
// plain ones, and what has no spelling is a question mark.
func ASCII(s string) string {
	var b strings.Builder
	for _, r := range norm.NFC.String(s) {
		low := letters.Replace(string(unicode.ToLower(r)))
		switch {
		case r <= unicode.MaxASCII:
			b.WriteRune(r)
		case strings.ContainsRune("‐‑‒–—―−", r):
			b.WriteByte('-')
		case strings.ContainsRune("‘’‚‹›", r):
			b.WriteByte('\'')
		case strings.ContainsRune("“”„«»", r):
			b.WriteByte('"')
		case r == '…':
			b.WriteString("...")
		case unicode.IsSpace(r):
			b.WriteByte(' ')
		case low != "" && low[0] >= 'a' && low[0] <= 'z':
			if unicode.IsUpper(r) {
				low = strings.ToUpper(low[:1]) + low[1:]
			}
			b.WriteString(low)
		default:
			b.WriteByte('?')
		}
	}
	return b.String()
}

// letters spells letters of the Latin alphabets in ASCII, pairwise.
var letters = strings.NewReplacer(
	"ä", "ae", "ö", "oe", "ü", "ue", "ß", "ss", "æ", "ae", "œ", "oe", "ø", "o", "å", "a", "þ", "th", "ð", "d",
	"à", "a", "á", "a", "â", "a", "ã", "a", "ā", "a", "ă", "a", "ą", "a",
	"ç", "c", "ć", "c", "č", "c", "ĉ", "c", "ċ", "c", "ď", "d", "đ", "d",
	"è", "e", "é", "e", "ê", "e", "ë", "e", "ē", "e", "ė", "e", "ę", "e", "ě", "e",
	"ğ", "g", "ĝ", "g", "ģ", "g", "ġ", "g", "ĥ", "h", "ħ", "h",
	"ì", "i", "í", "i", "î", "i", "ï", "i", "ī", "i", "į", "i", "ı", "i", "ĵ", "j", "ķ", "k",
	"ł", "l", "ĺ", "l", "ľ", "l", "ļ", "l", "ñ", "n", "ń", "n", "ň", "n", "ņ", "n",
	"ò", "o", "ó", "o", "ô", "o", "õ", "o", "ō", "o", "ő", "o", "ŕ", "r", "ř", "r",
	"ś", "s", "š", "s", "ş", "s", "ș", "s", "ŝ", "s", "ť", "t", "ţ", "t", "ț", "t",
	"ù", "u", "ú", "u", "û", "u", "ū", "u", "ů", "u", "ű", "u", "ų", "u", "ŭ", "u",
	"ŵ", "w", "ý", "y", "ÿ", "y", "ŷ", "y", "ź", "z", "ž", "z", "ż", "z",
	"'", "", "’", "",
)

// Slug returns a name for files and links: lower-case ASCII letters, digits
// and single dashes, beginning and ending with a letter or digit, 1 to 60
// bytes. It depends on the name alone. One that would be longer is cut and ends in
// eight hexadecimal digits made of the whole of it, so that names which differ only
// far behind keep apart. Names that differ in other characters can share one; Parse
// refuses takes that do.
func Slug(name string) string {
	const most = 60
	var b strings.Builder
	dash := false
	for _, r := range letters.Replace(norm.NFC.String(strings.ToLower(name))) {
		switch {
		case unicode.Is(unicode.Mn, r): // an accent written as a character of its own
		case r >= 'a' && r <= 'z' || r >= '0' && r <= '9':
			if dash && b.Len() > 0 {
				b.WriteByte('-')
			}
			dash = false
			b.WriteRune(r)
		default:
			dash = true
		}
	}
	s := b.String()
	if len(s) > most {
		s = strings.TrimRight(s[:most-9], "-") + "-" + digits(s)
	}
	if s == "" {
		return "take-" + digits(name)
	}
	// Names that one common system keeps for devices.
	if slices.Contains([]string{"con", "prn", "aux", "nul"}, s) || len(s) == 4 && (s[:3] == "com" || s[:3] == "lpt") && s[3] >= '0' && s[3] <= '9' {
		return "take-" + s
	}
	return s
}

// digits returns eight hexadecimal digits that stand for a text.
func digits(text string) string {
	h := fnv.New32a()
	h.Write([]byte(text))
	return fmt.Sprintf("%08x", h.Sum32())
}
