package settings

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"unicode/utf8"

	"evenhand/analyze/manifest"
)

func pair(t *testing.T, src string, hash Hash) (*Record, *manifest.Comparison) {
	t.Helper()
	c := parse(t, src)
	rec, err := New(t.Context(), c, "test", hash)
	if err != nil {
		t.Fatal(err)
	}
	return rec, c
}

const before = `
title: Last year
date: 2025-03-14
varies: fuzz
may_differ: [amp.volume]
performance: {pickup: bridge, dry: dry.wav}
chain:
  - slot: reamp
    device: Box
    controls: {level: noon}
  - slot: fuzz
  - slot: amp
    device: Kestrel
    impedance: 8 ohm
    controls: {volume: noon, bass: 1.5 kHz, treble: 5, bright: on, voice: {value: flat, steps: [dark, flat]}, depth: 3, sag:}
  - slot: cab
    device: Old cabinet
    file: ir/a.wav
takes:
  - {name: One, file: one.wav, fuzz: {device: Leaning, controls: {gain: "3 o'clock", tone: noon}}}
  - {name: Two, file: two.wav, fuzz: {device: Splitting, controls: {gain: 2}}, amp: {controls: {volume: "1 o'clock"}}}
  - {name: Three, file: three.wav, fuzz: {device: Gone, controls: {gain: 7}}}
`

// Each line is a change that must be found; nothing else may be.
func TestCompare(t *testing.T) {
	same := strings.NewReplacer(
		"level: noon", `level: "12:00"`, "volume: noon", "volume: 12 o'clock", "1.5 kHz", "1500 Hz", "treble: 5", "treble: 5/10", "bright: on", "bright: yes",
		"value: flat", "value: FLAT", "impedance: 8 ohm", "impedance: 8 Ω", `gain: "3 o'clock"`, "gain: 3:00", "gain: 2}", "gain: {value: 2.0, scale: 0 to 10}}")
	for name, x := range map[string]struct {
		change func(string) string
		want   []string
	}{
		"nothing":                   {func(s string) string { return s }, nil},
		"other spellings":           {same.Replace, nil},
		"a knob":                    {replace("treble: 5", "treble: 6"), []string{"amp/Kestrel changed: treble 5 → 6"}},
		"not stated any more":       {replace("depth: 3", "depth:"), []string{"amp/Kestrel changed: depth 3 → "}},
		"now stated":                {replace("sag:}", "sag: 4}"), []string{"amp/Kestrel changed: sag  → 4"}},
		"a control gone and a new":  {replace("depth: 3", "width: 3"), []string{"amp/Kestrel changed: width nil → 3", "amp/Kestrel changed: depth 3 → nil"}},
		"in one take":               {replace(`volume: "1 o'clock"`, `volume: "2 o'clock"`), []string{"amp/Kestrel changed: volume 1 o'clock → 2 o'clock in [Two]"}},
		"another way of writing":    {replace("volume: noon", "volume: 5"), []string{"amp/Kestrel changed: volume noon → 5 in [One Three] (may be the same position)"}},
		"the knob itself":           {replace("depth: 3", "depth: {value: 3, scale: 1-10}"), []string{"amp/Kestrel changed: depth 3 → 3", "amp/Kestrel changed: depth: scale nil → 1-10"}},
		"another travel, same hour": {replace(`gain: "3 o'clock"`, `gain: {value: "3 o'clock", travel: 270°, from: "7:30"}`), []string{"fuzz/Leaning changed: gain: travel nil → 270°", "fuzz/Leaning changed: gain: travel begins nil → 7:30"}},
		"a step":                    {replace("value: flat", "value: dark"), []string{"amp/Kestrel changed: voice flat → dark"}},
		"a property":                {replace("8 ohm", "16 ohm"), []string{"amp/Kestrel changed: impedance 8 ohm → 16 ohm"}},
		"the performance":           {replace("pickup: bridge", "pickup: neck"), []string{"session: pickup bridge → neck"}},
		"another device":            {replace("device: Old cabinet", "device: New cabinet"), []string{"cab/Old cabinet removed: file ir/a.wav → nil", "cab/New cabinet added: file nil → ir/a.wav"}},
		"a take less":               {replace("  - {name: Three, file: three.wav, fuzz: {device: Gone, controls: {gain: 7}}}\n", ""), []string{"fuzz/Gone removed: gain 7 → nil", "takes: - Three"}},
		"a take more":               {replace("  - {name: Three,", "  - {name: Four, file: four.wav, fuzz: {device: New, controls: {heat: 1}}}\n  - {name: Three,"), []string{"fuzz/New added: heat nil → 1", "takes: + Four"}},
		"a slot more":               {replace("  - slot: cab", "  - {slot: load, device: Load}\n  - slot: cab"), []string{"load/Load added"}},
		"a name only":               {replace("{name: Two,", "{name: Zwei,"), []string{"takes: + Zwei", "takes: - Two"}},
	} {
		a, ac := pair(t, before, nil)
		b, bc := pair(t, x.change(before), nil)
		ch := Compare(a, ac, b, bc)
		if got := lines(ch); strings.Join(got, "\n") != strings.Join(x.want, "\n") {
			t.Errorf("%s:\n%s\nwant\n%s", name, strings.Join(got, "\n"), strings.Join(x.want, "\n"))
		}
		if ch.Empty() != (len(x.want) == 0) {
			t.Errorf("%s: Empty is %v", name, ch.Empty())
		}
	}
}

func replace(from, to string) func(string) string {
	return func(s string) string {
		if !strings.Contains(s, from) {
			panic("no " + from)
		}
		return strings.Replace(s, from, to, 1)
	}
}

// lines lists changes in a short form.
func lines(ch *Changes) []string {
	var out []string
	v := func(s *string) string {
		if s == nil {
			return "nil"
		}
		return *s
	}
	one := func(where string, c Change) {
		s := fmt.Sprintf("%s: %s %s → %s", where, c.Name, v(c.Old), v(c.New))
		if len(c.Takes) > 0 {
			s += fmt.Sprintf(" in %v", c.Takes)
		}
		if c.Note != "" {
			s += " (" + c.Note + ")"
		}
		out = append(out, s)
	}
	for _, c := range ch.Session {
		one("session", c)
	}
	for _, s := range ch.Slots {
		for _, d := range s.Devices {
			where := fmt.Sprintf("%s/%s %s", s.Slot, d.Device, d.Outcome)
			if len(d.Changes) == 0 {
				out = append(out, where)
			}
			for _, c := range d.Changes {
				one(where, c)
			}
		}
	}
	for _, n := range ch.Takes.Added {
		out = append(out, "takes: + "+n)
	}
	for _, n := range ch.Takes.Removed {
		out = append(out, "takes: - "+n)
	}
	return out
}

// Files are known by their contents where both records have the hashes.
func TestCompareFiles(t *testing.T) {
	sums := func(sum string) Hash {
		return func(_ context.Context, path string) (string, int64, error) { return sum, 1, nil }
	}
	moved := replace("ir/a.wav", "elsewhere/b.wav")(before)
	a, ac := pair(t, before, sums("11"))
	for name, x := range map[string]struct {
		src, sum, want string
	}{
		"moved":              {moved, "11", ""},
		"moved and another":  {moved, "22", "cab/Old cabinet changed: file ir/a.wav → elsewhere/b.wav"},
		"another, same name": {before, "22", "cab/Old cabinet changed: file ir/a.wav → ir/a.wav (same name, other contents)"},
		"not known, renamed": {moved, "", "cab/Old cabinet changed: file ir/a.wav → elsewhere/b.wav"},
		"not known, same":    {before, "", ""},
	} {
		b, bc := pair(t, x.src, sums(x.sum))
		var got []string
		for _, l := range lines(Compare(a, ac, b, bc)) {
			if strings.HasPrefix(l, "cab/") {
				got = append(got, l)
			}
		}
		if strings.Join(got, "\n") != x.want {
			t.Errorf("%s: %v, want %s", name, got, x.want)
		}
	}
}

func TestCompareText(t *testing.T) {
	long := strings.NewReplacer("device: Gone", `device: "A device with `+strings.Repeat("a long name and ", 12)+`no end"`, "bass: 1.5 kHz", "bass: "+strings.Repeat("x", 200), "name: Three", "name: Drei",
		"pickup: bridge", "pickup: "+strings.Repeat("neck and bridge ", 8)+"in phase").Replace(before)
	a, ac := pair(t, before, nil)
	b, bc := pair(t, long, nil)
	ch := Compare(a, ac, b, bc)
	for _, width := range []int{10, 40, 80, 120} {
		var w strings.Builder
		if err := ch.Text(&w, width); err != nil {
			t.Fatal(err)
		}
		for _, l := range strings.Split(w.String(), "\n") {
			if n := utf8.RuneCountInString(l); n > max(width, 40) {
				t.Errorf("width %d: a line of %d: %s", width, n, l)
			}
		}
		flat := strings.Join(strings.Fields(w.String()), " ")
		for _, want := range []string{"What changed from Last year (2025-03-14) to Last year (2025-03-14)", "Gone: removed, was in Three", "in phase", "Unchanged: reamp, cab", "no end: added, in Drei"} {
			if !strings.Contains(flat, want) {
				t.Errorf("width %d: no %q in\n%s", width, want, w.String())
			}
		}
	}
	var w strings.Builder
	if err := Compare(a, ac, a, ac).Text(&w, 80); err != nil || !strings.Contains(w.String(), "No setting differs.") {
		t.Errorf("nothing changed: %s, %v", w.String(), err)
	}
	w.Reset()
	ac.Title = "T\x1b[2J"
	if err := Compare(a, ac, b, bc).Text(&w, 80); err != nil || strings.Contains(w.String(), "\x1b") {
		t.Errorf("a title reaches the terminal as it is: %q, %v", w.String(), err)
	}
	data, err := json.Marshal(Compare(a, ac, a, ac))
	if err != nil || strings.Contains(string(data), "null") {
		t.Errorf("JSON %s, %v", data, err)
	}
}
