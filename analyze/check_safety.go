package analyze

import (
	"fmt"
	"slices"
	"strings"
	"unicode"

	"evenhand/analyze/manifest"
)

// deferTo ends every caution of the safety group.
const deferTo = "; the makers' documents, local codes and a qualified technician decide"

// safetyQuestions ask whether the chain, as written down, would be safe to
// repeat. They know only what the manifest says.
func safetyQuestions() []question {
	const why = "readers repeat what a page shows; a valve amplifier without a load can be damaged, and damaged gear can hurt"
	return []question{
		{
			id: idLoad, name: "A load behind the amplifier", group: groupSafety, why: why,
			limit: words("a load or a loudspeaker cabinet after a valve power amplifier"), ask: (*Session).askLoad,
		},
		{
			id: idImpedance, name: "Impedances match", group: groupSafety, why: why,
			limit: limit{text: "the amplifier's rated impedance", source: "the makers' documents"}, ask: (*Session).askImpedance,
		},
		{
			id: idLoadPower, name: "The load can take the power", group: groupSafety,
			why:   "a load or loudspeaker that is rated below the amplifier can overheat",
			limit: limit{text: "at least the amplifier's rated power", source: "the makers' documents"}, ask: (*Session).askLoadPower,
		},
		{
			id: idHearing, name: "Hearing", group: groupSafety,
			why:   "an amplifier that is turned up for a recording is loud enough to harm hearing",
			limit: limit{text: "no limit is checked: the sound level in the room is in no file", source: "local rules on noise"}, ask: (*Session).askHearing,
		},
	}
}

// has reports whether a device's kind, or its slot where no kind is stated,
// holds one of the words. Whole words count: a reamp box is no amp, an impulse
// response loader no load.
func has(d manifest.Device, words ...string) bool {
	text := d.Kind
	if text == "" {
		text = d.Slot
	}
	for _, w := range strings.FieldsFunc(strings.ToLower(text), func(r rune) bool { return !unicode.IsLetter(r) }) {
		if slices.Contains(words, w) {
			return true
		}
	}
	return false
}

func isModel(d manifest.Device) bool {
	return d.File != nil || has(d, "model", "modeller", "modeler", "simulator", "simulation", "plugin", "plug", "impulse", "digital", "loader")
}

func isCombo(d manifest.Device) bool { return has(d, "combo") }

// isAmp reports whether a device drives a loudspeaker.
func isAmp(d manifest.Device) bool {
	return d.Name != "" && has(d, "amp", "amplifier", "combo", "head") && !has(d, "pre", "preamp", "preamplifier") && !isModel(d)
}

func isValveAmp(d manifest.Device) bool {
	return isAmp(d) && has(d, "valve", "valves", "tube", "tubes")
}

func isSpeaker(d manifest.Device) bool {
	return d.Name != "" && has(d, "cab", "cabinet", "cabinets", "speaker", "speakers", "loudspeaker", "loudspeakers") && !isModel(d)
}

// isLoad reports whether a device takes an amplifier's power: a load box, an
// attenuator or a real loudspeaker, but not an impulse response.
func isLoad(d manifest.Device) bool {
	return isSpeaker(d) || d.Name != "" && has(d, "load", "loadbox", "attenuator") && !isModel(d)
}

// loadAfter returns the first load after slot i.
func loadAfter(chain []manifest.Device, i int) (manifest.Device, bool) {
	for _, d := range chain[i+1:] {
		if isLoad(d) {
			return d, true
		}
	}
	return manifest.Device{}, false
}

// eachAmp calls f once for every amplifier that drives a loudspeaker and
// everything after it; takes with the same pair are named together.
func (s *Session) eachAmp(f func(takes string, amp manifest.Device, load manifest.Device, loaded bool)) {
	type pair struct {
		amp, load manifest.Device
		loaded    bool
		takes     []string
	}
	var pairs []*pair
	c := s.Manifest
	for i := range c.Takes {
		chain := c.ChainOf(&c.Takes[i])
		for k, d := range chain {
			if !isAmp(d) {
				continue
			}
			load, ok := loadAfter(chain, k)
			same := func(p *pair) bool {
				return p.amp.Slot == d.Slot && p.amp.Name == d.Name && p.load.Name == load.Name && p.load.Slot == load.Slot &&
					p.amp.Impedance == d.Impedance && p.amp.Power == d.Power && p.load.Impedance == load.Impedance && p.load.Power == load.Power
			}
			n := slices.IndexFunc(pairs, same)
			if n < 0 {
				n = len(pairs)
				pairs = append(pairs, &pair{amp: d, load: load, loaded: ok})
			}
			pairs[n].takes = append(pairs[n].takes, c.Takes[i].Name)
		}
	}
	for _, p := range pairs {
		takes := manifest.List(p.takes)
		if len(p.takes) == len(c.Takes) {
			takes = ""
		}
		f(takes, p.amp, p.load, p.loaded)
	}
}

// subject names a device and, where not all takes have it, the takes.
func subject(device, takes string) string {
	if takes == "" {
		return device
	}
	return device + " (" + takes + ")"
}

func (s *Session) askLoad(a *answers) {
	s.eachAmp(func(takes string, amp, load manifest.Device, loaded bool) {
		who := subject(amp.Name, takes)
		switch {
		case loaded:
			a.holds(who, load.Name, "as the manifest states it, "+load.Name+" follows")
		case isCombo(amp):
			a.holds(who, "its own loudspeaker", "a combo has a loudspeaker of its own, which must be connected")
		case isValveAmp(amp):
			a.add(answer{subject: who, outcome: Caution, measured: nan(), value: "no load",
				reason: "the chain shows no load and no loudspeaker cabinet after it; an impulse response is none",
				do:     "add the load or cabinet that was connected to the manifest; never run a valve power amplifier without one that its maker allows" + deferTo})
		}
	})
}

func (s *Session) askImpedance(a *answers) {
	s.eachAmp(func(takes string, amp, load manifest.Device, loaded bool) {
		if !loaded {
			return
		}
		who := subject(amp.Name+" into "+load.Name, takes)
		if amp.Impedance.Written == "" || load.Impedance.Written == "" {
			a.skip(who, "the manifest does not state both impedances")
			return
		}
		x, y := ohms(amp.Impedance), ohms(load.Impedance)
		if x == y {
			a.holds(who, load.Impedance.Written, "both are stated with one impedance")
			return
		}
		a.add(answer{subject: who, outcome: Caution, measured: nan(), value: amp.Impedance.Written + " into " + load.Impedance.Written,
			reason: "the two are stated with different impedances",
			do:     "check the output that was used and whether its maker allows this load" + deferTo})
	})
}

func ohms(q manifest.Quantity) float64 {
	switch strings.ToLower(q.Unit) {
	case "kohm", "kω":
		return 1e3 * q.Number
	case "mohm", "mω":
		return 1e6 * q.Number
	}
	return q.Number
}

func watts(q manifest.Quantity) float64 {
	switch q.Unit {
	case "mW":
		return 1e-3 * q.Number
	case "kW":
		return 1e3 * q.Number
	}
	return q.Number
}

func (s *Session) askLoadPower(a *answers) {
	s.eachAmp(func(takes string, amp, load manifest.Device, loaded bool) {
		if !loaded {
			return
		}
		who := subject(amp.Name+" into "+load.Name, takes)
		if amp.Power.Written == "" || load.Power.Written == "" {
			a.skip(who, "the manifest does not state both powers")
			return
		}
		value := amp.Power.Written + " into " + load.Power.Written
		if watts(load.Power) >= watts(amp.Power) {
			a.holds(who, value, "as stated, the load is rated for at least the amplifier's power; a driven amplifier can give more than its rating")
			return
		}
		a.add(answer{subject: who, outcome: Caution, measured: nan(), value: value,
			reason: "the load is rated below the amplifier",
			do:     "use a load that is rated for the amplifier, with room to spare: a driven amplifier gives more than its rating" + deferTo})
	})
}

func (s *Session) askHearing(a *answers) {
	s.eachAmp(func(takes string, amp, load manifest.Device, loaded bool) {
		if loaded && !isSpeaker(load) || !loaded && !isCombo(amp) {
			return
		}
		power := ""
		if amp.Power.Written != "" {
			power = fmt.Sprintf("rated at %s, ", amp.Power.Written)
		}
		a.add(answer{subject: subject(amp.Name, takes), outcome: NotMeasured, measured: nan(),
			reason: power + "it plays through a loudspeaker in the room, and no file tells how loud it was",
			do:     "protect hearing and keep sessions at high level short; local rules on noise at work apply"})
	})
}
