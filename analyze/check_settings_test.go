package analyze

import (
	"math"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/sentences"
)

// settingsOnly answers the questions that need no audio.
func settingsOnly(t *testing.T, text string) *result.Result {
	t.Helper()
	c, err := manifest.Parse("scene.yaml", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	s := &fairness.Measured{Manifest: c, Result: fairness.NewResult(c, "test")}
	ids := []string{}
	for _, q := range fairness.Topics() {
		if q.Group == result.GroupSettings || q.Group == result.GroupSafety {
			ids = append(ids, q.ID)
		}
	}
	s.Result.Checks = sentences.Checks(s.Answers(ids...))
	return s.Result
}

const settingsHead = `title: T
varies: fuzz
%may%
chain:
  - slot: fuzz
%chain%
takes:
  - name: A
    file: a.wav
    fuzz: {device: Alpha, controls: {gain: noon}}
%a%
  - name: B
    file: b.wav
    fuzz: {device: Beta, controls: {gain: 7}}
%b%
`

func settingsManifest(may, chain, a, b string) string {
	text := strings.NewReplacer("%may%", may, "%chain%", chain, "%a%", a, "%b%", b).Replace(settingsHead)
	var lines []string
	for _, l := range strings.Split(text, "\n") {
		if strings.TrimSpace(l) != "" {
			lines = append(lines, l)
		}
	}
	return strings.Join(lines, "\n") + "\n"
}

const ampSlot = "  - slot: amp\n    device: Kestrel\n    kind: valve power amp\n    impedance: 8 ohm\n    power: 20 W\n    controls: {volume: noon, bright: off}\n"

func TestSettings(t *testing.T) {
	load := func(kind, impedance, power string) string {
		return ampSlot + "  - slot: end\n    device: Thing\n    kind: " + kind + "\n    impedance: " + impedance + "\n    power: " + power + "\n"
	}
	for _, c := range []struct {
		name, may, chain, a, b string
		want                   []wanted
		not                    []string // ids that must have no caution and no failure
		do                     string   // an answer of the safety group that says what to state
	}{
		{name: "nothing differs", chain: load("load", "8 ohm", "60 W"),
			want: []wanted{{id: fairness.IDOneChange, outcome: result.Passed}, {id: fairness.IDVaried, outcome: result.Passed}, {id: fairness.IDLoad, outcome: result.Passed}, {id: fairness.IDImpedance, outcome: result.Passed}, {id: fairness.IDLoadPower, outcome: result.Passed}},
			not:  []string{fairness.IDOneChange, fairness.IDVaried, fairness.IDUnstated, fairness.IDScales, fairness.IDLoad, fairness.IDImpedance, fairness.IDLoadPower}},
		{name: "a knob moved", chain: ampSlot, b: "    amp: {controls: {volume: \"3 o'clock\"}}",
			want: []wanted{{id: fairness.IDOneChange, subject: "amp: volume", outcome: result.Failed}}},
		{name: "a knob moved, allowed", may: "may_differ: [amp.volume]", chain: ampSlot, b: "    amp: {controls: {volume: \"3 o'clock\"}}",
			want: []wanted{{id: fairness.IDAllowed, subject: "amp: volume", outcome: result.Passed}}, not: []string{fairness.IDOneChange}},
		{name: "one position in two spellings", chain: ampSlot, b: "    amp: {controls: {volume: \"12:00\"}}", not: []string{fairness.IDOneChange, fairness.IDScales}},
		{name: "another device", chain: ampSlot, b: "    amp: {device: Harrow}",
			want: []wanted{{id: fairness.IDOneChange, subject: "amp: the device", outcome: result.Failed}}},
		{name: "a microphone aimed elsewhere", chain: ampSlot + "  - slot: mic\n    device: Coil\n    position: {distance: 2 cm, at: cap centre}\n", b: "    mic: {position: {distance: 2 cm, at: cap edge}}",
			want: []wanted{{id: fairness.IDOneChange, subject: "mic: the position", outcome: result.Failed, value: "differs"}}},
		{name: "the room", chain: ampSlot + "  - slot: mic\n    device: Coil\n", b: "  - name: Room\n    file: r.wav\n    role: room\n    fuzz: {device: Alpha, controls: {gain: noon}}\n    mic: Ribbon in the room\n",
			want: []wanted{{id: fairness.IDOneChange, outcome: result.Passed}, {id: fairness.IDVaried, outcome: result.Passed}}, not: []string{fairness.IDOneChange, fairness.IDVaried}},
		{name: "the room, and a knob moved between the others", chain: ampSlot, b: "    amp: {controls: {volume: \"3 o'clock\"}}\n  - name: Room\n    file: r.wav\n    role: room\n",
			want: []wanted{{id: fairness.IDOneChange, subject: "amp: volume", outcome: result.Failed}}},
		{name: "two scales", chain: ampSlot, b: "    amp: {controls: {volume: 5}}",
			want: []wanted{{id: fairness.IDScales, subject: "amp: volume", outcome: result.Caution}}},
		{name: "not stated", chain: ampSlot, b: "    amp: {controls: {presence: 4}}",
			want: []wanted{{id: fairness.IDUnstated, subject: "amp: presence", outcome: result.Caution}}, not: []string{fairness.IDOneChange}},
		{name: "an amplifier of which nothing is stated", chain: "  - slot: amp\n    device: Kestrel\n",
			want: []wanted{{id: fairness.IDLoad, subject: "Kestrel", outcome: result.NotMeasured}, {id: fairness.IDImpedance, subject: "Kestrel", outcome: result.NotMeasured}, {id: fairness.IDLoadPower, subject: "Kestrel", outcome: result.NotMeasured}, {id: fairness.IDHearing, subject: "Kestrel", outcome: result.NotMeasured}},
			do:   "state kind, impedance and power of the amplifier, and what it was connected to"},
		{name: "an amplifier of some kind", chain: "  - slot: amp\n    device: Kestrel\n    kind: head\n    power: 20 W\n",
			want: []wanted{{id: fairness.IDLoad, subject: "Kestrel", outcome: result.NotMeasured}},
			do:   "state kind (with valves or without) and impedance of the amplifier, and what it was connected to"},
		{name: "an amplifier of no stated kind into a load", chain: "  - slot: amp\n    device: Kestrel\n    power: 20 W\n  - slot: load\n    device: Thing\n    impedance: 8 ohm\n",
			want: []wanted{{id: fairness.IDLoad, subject: "Kestrel", outcome: result.Passed}, {id: fairness.IDImpedance, subject: "Kestrel into Thing", outcome: result.NotMeasured}, {id: fairness.IDLoadPower, subject: "Kestrel into Thing", outcome: result.NotMeasured}},
			do:   "state impedance of Kestrel"},
		{name: "an all-valve head without a load", chain: strings.Replace(ampSlot, "valve power amp", "all-valve head", 1), want: []wanted{{id: fairness.IDLoad, subject: "Kestrel", outcome: result.Caution}}},
		{name: "a valve combo", chain: strings.Replace(ampSlot, "valve power amp", "valve combo", 1), not: []string{fairness.IDLoad, fairness.IDImpedance, fairness.IDLoadPower},
			want: []wanted{{id: fairness.IDLoad, subject: "Kestrel", outcome: result.Passed}, {id: fairness.IDHearing, subject: "Kestrel", outcome: result.NotMeasured}}},
		{name: "an attenuator before a cabinet", chain: load("attenuator", "8 ohm", "60 W") + "  - slot: cabinet\n    device: Openback\n",
			want: []wanted{{id: fairness.IDLoad, subject: "Kestrel", outcome: result.Passed}, {id: fairness.IDHearing, subject: "Kestrel", outcome: result.NotMeasured}}},
		{name: "a solid-state amplifier needs no load", chain: strings.Replace(ampSlot, "valve power amp", "solid-state amp", 1), not: []string{fairness.IDLoad}},
		{name: "no load", chain: ampSlot, want: []wanted{{id: fairness.IDLoad, subject: "Kestrel", outcome: result.Caution}}},
		{name: "an impulse response is no load", chain: ampSlot + "  - slot: cabinet\n    device: Response\n    kind: cabinet\n    file: ir.wav\n",
			want: []wanted{{id: fairness.IDLoad, subject: "Kestrel", outcome: result.Caution}}},
		{name: "a reamp box is no amplifier", chain: "  - slot: reamp\n    device: Box\n", not: []string{fairness.IDLoad}},
		{name: "a cabinet is a load", chain: load("cabinet", "8 ohm", "60 W"), not: []string{fairness.IDLoad},
			want: []wanted{{id: fairness.IDHearing, subject: "Kestrel", outcome: result.NotMeasured}}},
		{name: "another impedance", chain: load("load", "16 ohm", "60 W"), want: []wanted{{id: fairness.IDImpedance, outcome: result.Caution, value: "8 ohm into 16 ohm"}}},
		{name: "too little power", chain: load("load", "8 ohm", "10 W"), want: []wanted{{id: fairness.IDLoadPower, outcome: result.Caution, value: "20 W into 10 W"}}},
		{name: "milliwatts", chain: load("load", "8 ohm", "60000 mW"), not: []string{fairness.IDLoadPower}},
	} {
		t.Run(c.name, func(t *testing.T) {
			res := settingsOnly(t, settingsManifest(c.may, c.chain, c.a, c.b))
			for _, w := range c.want {
				w.measured = nan()
				assert(t, res, w)
			}
			if c.do != "" && !slices.ContainsFunc(res.Checks, func(k result.Check) bool { return k.Group == result.GroupSafety && k.Do == c.do }) {
				t.Errorf("no answer says %q: %+v", c.do, res.Checks)
			}
			for _, k := range res.Checks {
				for _, id := range c.not {
					if k.ID == id && (k.Outcome == result.Failed || k.Outcome == result.Caution) {
						t.Errorf("%s, %s: %s, %s", k.ID, k.Subject, k.Outcome, k.Reason)
					}
				}
				if k.Group == result.GroupSafety && k.Outcome == result.Caution {
					for _, word := range []string{"manufacturers' manuals", "local rules", "qualified technician"} {
						if !strings.Contains(k.Do, word) {
							t.Errorf("%s: %q does not defer to %s", k.ID, k.Do, word)
						}
					}
				}
			}
		})
	}
}

// TestSameSetting asks that two takes of one setting are named.
func TestSameSetting(t *testing.T) {
	text := settingsManifest("", "", "", "")
	res := settingsOnly(t, strings.Replace(text, "{device: Beta, controls: {gain: 7}}", "{device: Alpha, controls: {gain: noon}}", 1))
	assert(t, res, wanted{fairness.IDVaried, "B", result.Caution, nan(), 0, "as A"})
}

// TestOneControl varies a control of a slot: the device must then be the same.
func TestOneControl(t *testing.T) {
	text := `title: T
varies: amp.gain
chain:
  - slot: amp
    device: Kestrel
    controls: {gain: 3, tone: 5}
takes:
  - {name: A, file: a.wav, amp: {controls: {gain: 2}}}
  - {name: B, file: b.wav, amp: {controls: {gain: 8}}}
`
	res := settingsOnly(t, text)
	assert(t, res, wanted{fairness.IDOneChange, "", result.Passed, nan(), 0, "amp.gain"})
	res = settingsOnly(t, strings.Replace(text, "{gain: 8}", "{gain: 8, tone: 7}", 1))
	assert(t, res, wanted{fairness.IDOneChange, "amp: tone", result.Failed, nan(), 0, ""})
	res = settingsOnly(t, strings.Replace(text, "amp: {controls: {gain: 8}}", "amp: {device: Harrow, controls: {gain: 8}}", 1))
	assert(t, res, wanted{fairness.IDOneChange, "amp: the device", result.Failed, nan(), 0, ""})
}

// A knob's own travel goes into the settings; the usual one is left out.
func TestSettingsCarryTravel(t *testing.T) {
	c, err := manifest.Parse("scene.yaml", []byte(settingsManifest("", ampSlot,
		"    amp: {controls: {heat: {value: \"2:30\", travel: 270°, from: \"7:30\"}, voice: {value: b, steps: [a, b, c]}}}", "")))
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, s := range fairness.SettingsOf(c).Slots {
		for _, r := range s.Rows {
			v := r.Values[0]
			switch r.Name {
			case "heat": // 7:30 lies 135° to the left of 12 o'clock; 2:30 is 75° to the right, 210° on
				seen++
				if v.From != -135 || v.Travel != 270 || math.Abs(float64(v.Fraction)-210.0/270) > 1e-9 {
					t.Errorf("heat: %+v", v)
				}
			case "voice":
				seen++
				if strings.Join(v.Steps, " ") != "a b c" {
					t.Errorf("voice: %+v", v)
				}
			case "volume":
				seen++
				if v.From != 0 || v.Travel != 0 || v.Steps != nil {
					t.Errorf("volume: %+v", v)
				}
			}
		}
	}
	if seen != 3 {
		t.Errorf("%d controls of 3", seen)
	}
}

// A bypass makes no row differ in the slot under test, however it is marked, and
// does in any other; where one device alone stands against it, it does.
func TestBypassMakesNoRowDiffer(t *testing.T) {
	head := "title: T\nvaries: od\nchain:\n  - {slot: od, kind: pedal}\n  - {slot: amp, device: K, controls: {volume: noon}}\ntakes:\n"
	a := "  - {name: A, file: a.wav, od: {device: Alpha, controls: {level: noon, drive: 3}}}\n"
	b := "  - {name: B, file: b.wav, od: {device: Beta, controls: {level: \"12:00\", drive: 7}}}\n"
	bypass := "  - {name: By, file: by.wav, role: bypass}\n"
	for _, c := range []struct{ name, takes, want string }{
		{"none", a + b, "od device, od drive"},
		{"a role", a + b + bypass, "od device, od drive"},
		{"first of all", bypass + a + b, "od device, od drive"},
		{"a repeat of it", a + b + bypass + "  - {name: By 2, file: by2.wav, repeat_of: By}\n", "od device, od drive"},
		{"an empty slot", a + b + "  - {name: By, file: by.wav}\n", "od device, od drive"},
		{"a name", a + b + "  - {name: By, file: by.wav, od: {device: Bypass}}\n", "od device, od drive"},
		{"another amplifier", a + b + "  - {name: By, file: by.wav, role: bypass, amp: {controls: {volume: 2}}}\n", "od device, od drive, amp volume"},
		{"one device", a + bypass, "od device, od kind, od level, od drive"},
		{"one device, twice", a + "  - {name: A 2, file: a2.wav, repeat_of: A}\n" + bypass, "od device, od kind, od level, od drive"},
		{"one device, two settings", a + strings.NewReplacer("A,", "A2,", "a.wav", "a2.wav", "drive: 3", "drive: 4").Replace(a) + bypass, "od drive"},
	} {
		var got []string
		for _, s := range settingsOnly(t, head+c.takes).Settings.Slots {
			for _, r := range s.Rows {
				if r.Differs {
					got = append(got, s.Slot+" "+r.Name)
				}
			}
		}
		if text := strings.Join(got, ", "); text != c.want {
			t.Errorf("%s: %s, want %s", c.name, text, c.want)
		}
	}
}
