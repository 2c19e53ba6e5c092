package manifest

import (
	"errors"
	"fmt"
	"math"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"

	"evenhand/analyze/unit"
)

func mustParse(t *testing.T, src string) *Comparison {
	t.Helper()
	c, err := Parse("m.yaml", []byte(src))
	if err != nil {
		t.Fatalf("Parse: %v\n--- of\n%s", err, src)
	}
	return c
}

// problems parses and returns what is wrong, one string each.
func problems(src string) []string {
	_, err := Parse("m.yaml", []byte(src))
	var list *Errors
	if !errors.As(err, &list) {
		return nil
	}
	var out []string
	for _, p := range list.List {
		out = append(out, p.String())
	}
	return out
}

func readFile(t testing.TB, path string) string {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

func TestFullExample(t *testing.T) {
	c := mustParse(t, readFile(t, "testdata/full.yaml"))
	if c.Title != "Four fuzz circuits, one baritone riff" || c.By != "Fern Street Recording" || c.Date != "2026-03-14" ||
		c.Reference != "Splitting" || c.Mains != 50 || c.About.Path != "notes.md" || !c.About.Redistribute {
		t.Errorf("head: %+v", c)
	}
	if c.Varies != (Varies{"fuzz", "", "fuzz", Pos{4, 9}}) {
		t.Errorf("varies: %+v", c.Varies)
	}
	p := c.Performance
	if p.Instrument != "Baritone guitar, 27.7 in scale" || p.Tuning != "B1 E2 A2 D3 F#3 B3" || p.Pickup != "bridge humbucker" ||
		p.Dry.Path != "audio/dry.wav" || p.Dry.Pos != (Pos{13, 8}) || p.Loopback.Path != "audio/loopback.wav" {
		t.Errorf("performance: %+v", p)
	}
	want := []Section{{"Low riff", 0, 11.5, Pos{16, 7}}, {"Open chords", 13, 24, Pos{17, 7}}}
	if !reflect.DeepEqual(p.Sections, want) {
		t.Errorf("sections: %+v, want %+v", p.Sections, want)
	}
	var slots []string
	for _, d := range c.Chain {
		slots = append(slots, d.Slot+"="+d.Name)
	}
	if got := strings.Join(slots, "; "); got != "reamp=Passive reamp box; fuzz=; amp=Kestrel 20; load=Reactive load box; cabinet=Open-back 2x12, impulse response" {
		t.Errorf("chain: %s", got)
	}
	amp := c.Chain[2]
	for i, w := range []struct {
		name, written string
		kind          ValueKind
		fraction      float64
	}{{"volume", "noon", Clock, .5}, {"bass", "11 o'clock", Clock, .4}, {"treble", "1:30", Clock, .65}, {"bright", "off", Switch, 0}} {
		g := amp.Controls[i]
		if g.Name != w.name || g.Value.Written != w.written || g.Value.Kind != w.kind || math.Abs(g.Value.Fraction-w.fraction) > 1e-12 {
			t.Errorf("amp control %d: %+v, want %+v", i, g, w)
		}
	}
	if amp.Kind != "valve power amp" || c.Chain[3].Impedance != (Quantity{"8 ohm", 8, "ohm"}) || c.Chain[3].Power != (Quantity{"60 W", 60, "W"}) || c.Chain[4].File.Path != "ir/openback.wav" {
		t.Errorf("devices: %+v", c.Chain)
	}
	if len(c.Takes) != 2 {
		t.Fatalf("%d takes", len(c.Takes))
	}
	leaning := c.TakeByName("Leaning")
	if leaning.File.Path != "audio/leaning.wav" || leaning.Mics == nil ||
		leaning.Mics.Left.Name != "Dynamic, cap edge" || leaning.Mics.Left.Blend != 0 ||
		leaning.Mics.Right.Name != "Ribbon, 5 cm off axis" || leaning.Mics.Right.Blend != unit.DB(-4) {
		t.Errorf("take: %+v %+v", leaning, leaning.Mics)
	}
	if s := leaning.Slots[0]; !s.Own || s.Device.Name != "Leaning" || s.Device.Slot != "fuzz" || len(s.Device.Controls) != 3 ||
		s.Device.Controls[1].Value.Number != 7 || s.Device.Controls[1].Value.Fraction != .7 {
		t.Errorf("slot: %+v", s)
	}
	if len(c.Warnings) != 2 || c.Warnings[0].Pos != (Pos{46, 21}) ||
		c.Warnings[0].Message != `a comma inside braces ends a value; read as "Dynamic, cap edge"` {
		t.Errorf("warnings: %v", c.Warnings)
	}
}

const rest = `
varies: amp
chain:
  - slot: amp
    device: Kestrel 20
takes:
  - name: One
    file: one.wav
`

// controlsOf parses controls, given as lines, on the amplifier.
func controlsOf(t *testing.T, lines string) []Control {
	t.Helper()
	src := "title: x\nvaries: amp\nchain:\n  - slot: amp\n    device: Kestrel 20\n    controls:\n      " +
		strings.ReplaceAll(strings.TrimRight(lines, "\n"), "\n", "\n      ") + "\ntakes: [{name: One, file: one.wav}]\n"
	return mustParse(t, src).Chain[0].Controls
}

// The clock positions follow from a travel of 300° that begins at 7 o'clock
// (common practice, no source): each hour is 30°, a tenth.
func TestControlValues(t *testing.T) {
	nan := math.NaN()
	for _, tt := range []struct {
		yaml             string
		written          string
		kind             ValueKind
		fraction, number float64
		unit             string
	}{
		{"noon", "noon", Clock, .5, nan, ""},
		{"7 o'clock", "7 o'clock", Clock, 0, nan, ""},
		{"5 o'clock", "5 o'clock", Clock, 1, nan, ""},
		{"\"1:30\"", "1:30", Clock, .65, nan, ""},
		{"1:30", "1:30", Clock, .65, nan, ""},
		{"12:00", "12:00", Clock, .5, nan, ""},
		{"3 o’clock", "3 o’clock", Clock, .8, nan, ""},
		{"2:30 o'clock", "2:30 o'clock", Clock, .75, nan, ""},
		{"half past two", "half past two", Text, nan, nan, ""},
		{"{value: \"7:30\", travel: 270°, from: \"7:30\"}", "7:30", Clock, 0, nan, ""},
		{"{value: noon, travel: 270°, from: \"7:30\"}", "noon", Clock, .5, nan, ""},
		{"{value: \"4:30\", travel: 270 deg, from: \"7:30\"}", "4:30", Clock, 1, nan, ""},
		{"5", "5", Scaled, .5, 5, ""},
		{"1.10", "1.10", Scaled, .11, 1.1, ""},
		{"010", "010", Scaled, 1, 10, ""},
		{"0", "0", Scaled, 0, 0, ""},
		{"{value: 1, scale: 1-12}", "1", Scaled, 0, 1, ""},
		{"{value: 12, scale: 1-12}", "12", Scaled, 1, 12, ""},
		{"{value: -5, scale: -15 to 15}", "-5", Scaled, 1. / 3, -5, ""},
		{"7/12", "7/12", Scaled, 7. / 12, 7, ""},
		{"3 of 11", "3 of 11", Scaled, 3. / 11, 3, ""},
		{"50 %", "50 %", Percent, .5, 50, "%"},
		{"12.5%", "12.5%", Percent, .125, 12.5, "%"},
		{"-4 dB", "-4 dB", Physics, nan, -4, "dB"},
		{"−4 dB", "−4 dB", Physics, nan, -4, "dB"},
		{"2.5 kHz", "2.5 kHz", Physics, nan, 2500, "Hz"},
		{"800 hz", "800 hz", Physics, nan, 800, "Hz"},
		{"380 ms", "380 ms", Physics, nan, 380, "ms"},
		{"1.5 s", "1.5 s", Physics, nan, 1500, "ms"},
		{"on", "on", Switch, 1, nan, ""},
		{"off", "off", Switch, 0, nan, ""},
		{"no", "no", Switch, 0, nan, ""},
		{"true", "true", Switch, 1, nan, ""},
		{"{value: flat, steps: [dark, flat, bright]}", "flat", Step, .5, nan, ""},
		{"{value: 2, steps: [1, 2, 4, 8]}", "2", Step, 1. / 3, nan, ""},
		{"{value: on, steps: [off, on]}", "on", Step, 1, nan, ""},
		{"0x1F", "0x1F", Text, nan, nan, ""},
		{"1_000", "1_000", Text, nan, nan, ""},
		{".inf", ".inf", Text, nan, nan, ""},
		{"Null", "Null", Text, nan, nan, ""},
		{"8 ohm tap", "8 ohm tap", Text, nan, nan, ""},
		{"|\n    up\n", "up", Text, nan, nan, ""},
		{"", "", Unset, nan, nan, ""},
		{"~", "", Unset, nan, nan, ""},
		{"{scale: 1-12}", "", Unset, nan, nan, ""},
	} {
		v := controlsOf(t, "tone: "+tt.yaml)[0].Value
		same := func(a, b float64) bool { return math.IsNaN(a) && math.IsNaN(b) || math.Abs(a-b) < 1e-12 }
		if v.Written != tt.written || v.Kind != tt.kind || !same(v.Fraction, tt.fraction) || !same(v.Number, tt.number) || v.Unit != tt.unit {
			t.Errorf("%s: got %+v, want %+v", tt.yaml, v, tt)
		}
	}
}

func TestControlDetails(t *testing.T) {
	c := controlsOf(t, "zeta: {value: \"10:00\", travel: 270°, from: \"7:30\"}\nalpha: {value: b, steps: [a, b]}\nmid: {value: 3, scale: 1-12}")
	if c[0].Name != "zeta" || c[1].Name != "alpha" || c[2].Name != "mid" {
		t.Errorf("order: %+v", c)
	}
	if c[0].Travel != "270°" || c[0].From != "7:30" || !reflect.DeepEqual(c[1].Steps, []string{"a", "b"}) || c[2].Scale != "1-12" || c[2].Pos != (Pos{9, 7}) {
		t.Errorf("details: %+v", c)
	}
}

func TestTimes(t *testing.T) {
	for _, tt := range []struct {
		s    string
		want unit.Seconds
	}{{"0:11.5", 11.5}, {`"0:11.5"`, 11.5}, {"1:02:03.5", 3723.5}, {"12", 12}, {"12 s", 12}, {"12.25s", 12.25}, {"90", 90}, {"61:00", 3660}} {
		c := mustParse(t, "title: x"+rest+"performance: {sections: [{name: a, from: 0, to: "+tt.s+"}]}\n")
		if got := c.Performance.Sections[0].To; got != tt.want {
			t.Errorf("%s: %v, want %v", tt.s, float64(got), float64(tt.want))
		}
	}
}

func TestOtherKeys(t *testing.T) {
	c := mustParse(t, readFile(t, "testdata/other.yaml"))
	if len(c.Warnings) != 0 {
		t.Errorf("warnings: %v", c.Warnings)
	}
	if c.URL != "http://example.org:8080/gain/index.html" || c.Copies != 16 || c.Varies != (Varies{"amp", "gain", "amp.gain", Pos{4, 9}}) || c.Mains != 60 || c.SetBy != "by ear" || c.Reference != "Low" {
		t.Errorf("head: %+v", c)
	}
	if !reflect.DeepEqual(c.MayDiffer, []ControlPath{{"amp", "volume", "amp.volume", Pos{7, 13}}}) {
		t.Errorf("may_differ: %+v", c.MayDiffer)
	}
	if c.FullScale != (Quantity{"+12 dBu", 12, "dBu"}) || *c.Match.Target != -16 || *c.Match.Ceiling != -1.5 {
		t.Errorf("levels: %+v %+v", c.FullScale, c.Match)
	}
	if c.Disclosure != "The amp was lent.\nNothing was paid." {
		t.Errorf("disclosure: %q", c.Disclosure)
	}
	if !reflect.DeepEqual(c.Limits, []Limit{{"lag", "1 ms", Pos{41, 3}}, {"match", "0.05 LU", Pos{42, 3}}}) {
		t.Errorf("limits: %+v", c.Limits)
	}
	if c.Performance.SectionsFrom != "markers" || c.Performance.Dry.Redistribute {
		t.Errorf("performance: %+v", c.Performance)
	}
	mic := c.Chain[1]
	if *mic.Position != (Position{Quantity{"5 cm", 5, "cm"}, Quantity{"-30°", -30, "°"}, "grille cloth", "cap, edge"}) ||
		mic.Photo.Alt != "Microphone at the dust cap" || mic.Photo.File.Path != "mic.jpg" || mic.Photo.File.Redistribute {
		t.Errorf("mic: %+v %+v", mic.Position, mic.Photo)
	}
	if got := c.Takes[1]; got.Role != RoleLink || !reflect.DeepEqual(got.Channels, []int{3}) || got.File.Redistribute || got.Notes != "late" || got.RepeatOf != "Low" {
		t.Errorf("take: %+v", got)
	}
}

func TestChainOf(t *testing.T) {
	c := mustParse(t, readFile(t, "testdata/chains.yaml"))
	show := func(name string) string {
		var parts []string
		for _, d := range c.ChainOf(c.TakeByName(name)) {
			s := d.Slot + "=" + d.Name + "/" + d.Kind
			for _, k := range d.Controls {
				s += " " + k.Name + ":" + k.Value.Written + "@" + unit.Format(k.Value.Fraction, 2)
			}
			parts = append(parts, s)
		}
		return strings.Join(parts, "; ")
	}
	for name, want := range map[string]string{
		"plain":    "fuzz=Leaning/pedal tone:5@0.50 sag:12@1.00; amp=Kestrel/valve vol:noon@0.50",
		"turned":   "fuzz=Leaning/pedal tone:5@0.50 sag:1@0.00; amp=Kestrel/valve vol:3 o'clock@0.80 mid:5@0.50",
		"own":      "fuzz=Moss/pedal tone:2@0.20; amp=Kestrel/valve vol:noon@0.50",
		"own kind": "fuzz=Moss/rack; amp=Kestrel/valve vol:noon@0.50",
		"again":    "fuzz=Moss/pedal tone:2@0.20; amp=Kestrel/valve vol:4 o'clock@0.90",
		"third":    "fuzz=Moss/pedal tone:2@0.20; amp=Kestrel/valve vol:4 o'clock@0.90",
		"bypassed": "fuzz=/; amp=Kestrel/valve vol:noon@0.50",
		"short":    "fuzz=Slate/pedal; amp=Kestrel/valve vol:noon@0.50",
	} {
		if got := show(name); got != want {
			t.Errorf("%s:\n got %s\nwant %s", name, got, want)
		}
	}
	// What is returned is not the comparison's own.
	chain := c.ChainOf(c.TakeByName("plain"))
	chain[0].Controls[0].Name = "changed"
	if c.Chain[0].Controls[0].Name != "tone" {
		t.Error("ChainOf shares its controls")
	}
	if c.TakeByName("nobody") != nil {
		t.Error("TakeByName finds a take that is not there")
	}
}

func TestSlug(t *testing.T) {
	for name, want := range map[string]string{
		"Splitting": "splitting", "Kestrel 20 (bright!)": "kestrel-20-bright", "Grün & Süß": "gruen-suess",
		"Café Åre": "cafe-are", "Cafe\u0301": "cafe", "  --x--  ": "x", "Dan's": "dans", "CON": "take-con", "com1": "take-com1",
		strings.Repeat("ab ", 20): strings.TrimRight(strings.Repeat("ab-", 20), "-"), // 59 bytes
	} {
		if got := Slug(name); got != want {
			t.Errorf("Slug(%q) = %q, want %q", name, got, want)
		}
	}
	if a, b := Slug("山"), Slug("川"); a == b || !strings.HasPrefix(a, "take-") || Slug("") == "" {
		t.Errorf("names without Latin letters: %q %q", a, b)
	}
}

// Names that differ only behind what a file's name has room for keep apart, and each
// keeps its file's name whatever takes stand beside it.
func TestLongSlugs(t *testing.T) {
	long := "Overdrive into the second channel, bridge pickup, tone at noon, level at "
	names := []string{long + "10 o'clock", long + "11 o'clock", long + "noon", long + "noon, second pass", long + "noon second pass, later"}
	parse := func(names []string) (*Comparison, error) {
		src := "title: t\nvaries: a\nchain: [{slot: a}]\ntakes:\n"
		for i, n := range names {
			src += fmt.Sprintf("  - {name: %q, file: %d.wav, a: {device: d%d}}\n", n, i, i)
		}
		return Parse("m.yaml", []byte(src))
	}
	if _, err := parse(names); err != nil {
		t.Error(err)
	}
	seen := map[string]bool{}
	for _, n := range names {
		s := Slug(n)
		if seen[s] || len(s) > 60 || !regexp.MustCompile(`^[a-z0-9]+(-[a-z0-9]+)*$`).MatchString(s) || !strings.HasPrefix(s, "overdrive-into-the-second-channel-bridge-pickup-ton") {
			t.Errorf("%q: %q", n, s)
		}
		seen[s] = true
	}
	// The hash is FNV-1a of 32 bits: IETF draft-eastlake-fnv, offset basis 0x811c9dc5,
	// prime 0x01000193; computed apart over the 64 letters.
	if got, want := Slug(strings.Repeat("a", 64)), strings.Repeat("a", 51)+"-d96f0f85"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	// Where only other characters differ both are named with their places.
	_, err := parse([]string{long + "noon", long + "(noon)"})
	if err == nil || !strings.Contains(err.Error(), "(at 5:12) and ") {
		t.Error(err)
	}
}

// Distances are counted by hand from the definition.
func TestDistance(t *testing.T) {
	for _, tt := range []struct {
		a, b string
		want int
	}{{"", "", 0}, {"gian", "gain", 1}, {"abc", "", 3}, {"title", "titel", 1}, {"colour", "color", 1}, {"ca", "abc", 3}, {"größe", "grösse", 2}} {
		if got := distance(tt.a, tt.b); got != tt.want || distance(tt.b, tt.a) != tt.want {
			t.Errorf("distance(%q, %q) = %d, want %d", tt.a, tt.b, got, tt.want)
		}
	}
	for _, tt := range []struct{ found, want string }{{"vareis", "varies"}, {"Titel", "title"}, {"xx", ""}, {"colour", ""}, {"b", ""}} {
		if got := Nearest(tt.found, comparisonObject().names()); got != tt.want {
			t.Errorf("Nearest(%q) = %q, want %q", tt.found, got, tt.want)
		}
	}
}

// A word that a role had before is read, with a note that names the new one, and
// a misspelt one is an error as before.
func TestFormerRole(t *testing.T) {
	const src = "title: x\nvaries: amp\nchain: [{slot: amp}]\ntakes:\n  - {name: One, file: one.wav, amp: A}\n  - {name: Two, file: two.wav, amp: B, role: bridge}\n"
	c := mustParse(t, src)
	if c.Takes[1].Role != RoleLink || len(c.Warnings) != 1 {
		t.Fatalf("role %q, warnings %v", c.Takes[1].Role, c.Warnings)
	}
	if w := c.Warnings[0]; w.Pos != (Pos{6, 46}) || !strings.Contains(w.Message, "role: bridge is now called link") || w.Hint != "write role: link" {
		t.Errorf("the note is %v", w)
	}
	if c := mustParse(t, strings.Replace(src, "bridge", "link", 1)); c.Takes[1].Role != RoleLink || c.Warnings != nil {
		t.Errorf("role %q, warnings %v", c.Takes[1].Role, c.Warnings)
	}
	if list := problems(strings.Replace(src, "bridge", "bridges", 1)); len(list) != 1 || !strings.Contains(list[0], "allowed: reference, bypass, room, link") {
		t.Errorf("problems %v", list)
	}
}

func TestContestant(t *testing.T) {
	for _, x := range []struct {
		role   Role
		repeat string
		want   bool
	}{{"", "", true}, {RoleReference, "", true}, {RoleLink, "", true}, {RoleBypass, "", false}, {RoleRoom, "", false}, {"", "One", false}, {RoleReference, "One", false}} {
		if got := (&Take{Role: x.role, RepeatOf: x.repeat}).Contestant(); got != x.want {
			t.Errorf("role %q, repeat of %q: %v", x.role, x.repeat, got)
		}
	}
}

// TestSharedMics lays the microphones of the comparison into its takes.
func TestSharedMics(t *testing.T) {
	c := mustParse(t, `title: x
varies: amp
mics:
  left: {name: a, file: {file: ir/a.wav, redistribute: no}}
  right: {name: b, blend: -4 dB, notes: far}
chain: [{slot: amp, device: A}]
takes:
  - {name: All, file: 1.wav}
  - {name: Side, file: 2.wav, mics: {right: {name: c}}}
  - {name: Own, file: 3.wav, mics: {left: {name: d}, right: {name: e}}}
  - {name: None, file: 4.wav, mics: none}
  - {name: One, file: 5.wav, channels: 1}
`)
	a := Mic{Name: "a", File: &File{Path: "ir/a.wav"}}
	want := []*Mics{
		{a, Mic{Name: "b", Blend: -4, Notes: "far"}},
		{a, Mic{Name: "c"}}, // a side is replaced whole
		{Mic{Name: "d"}, Mic{Name: "e"}},
		nil,
		nil,
	}
	for i, take := range c.Takes {
		if take.Mics != nil && take.Mics.Left.File != nil {
			take.Mics.Left.File.Pos = Pos{}
		}
		if !reflect.DeepEqual(take.Mics, want[i]) {
			t.Errorf("%s: %+v, want %+v", take.Name, take.Mics, want[i])
		}
	}
}

// TestTakesOwnWords puts what takes say for themselves behind what holds for all.
func TestTakesOwnWords(t *testing.T) {
	c := mustParse(t, `title: x
varies: amp
set_by: same position
chain: [{slot: amp, device: A}]
takes:
  - {name: One, file: 1.wav, disclosure: Lent by its manufacturer.}
  - {name: Two, file: 2.wav, set_by: by ear, photo: {file: two.png, alt: Its knobs}}
`)
	if got, want := c.SetByAll(), "same position; Two: by ear"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if got, want := c.DisclosureAll(), "One: Lent by its manufacturer."; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if p := c.Takes[1].Photo; p == nil || p.Alt != "Its knobs" {
		t.Errorf("photo %+v", p)
	}
}
