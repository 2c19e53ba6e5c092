package fairness

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
)

// deferTo ends every caution of the safety group.
const deferTo = "; follow the manufacturers' manuals and local rules, and leave work inside to a qualified technician"

// safetyQuestions ask whether the chain, as written down, would be safe to
// repeat. They know only what the manifest says.
func safetyQuestions() []question {
	const why = "readers repeat what a page shows; a valve amplifier without a load can be destroyed, and damaged gear can hurt"
	return []question{
		{
			id: IDLoad, name: "Load", group: result.GroupSafety, why: why,
			limit: words("a load or a loudspeaker after every amplifier that may have valves"), ask: (*Measured).askLoad,
		},
		{
			id: IDImpedance, name: "Impedance", group: result.GroupSafety, why: why,
			limit: limit{text: "the amplifier's rated impedance", source: "the manufacturers' manuals"}, ask: (*Measured).askImpedance,
		},
		{
			id: IDLoadPower, name: "Load power", group: result.GroupSafety,
			why:   "a load or loudspeaker rated below the amplifier can overheat",
			limit: limit{text: "at least the amplifier's rated power", source: "the manufacturers' manuals"}, ask: (*Measured).askLoadPower,
		},
		{
			id: IDHearing, name: "Hearing", group: result.GroupSafety,
			why:   "an amplifier turned up for a recording is loud enough to harm hearing",
			limit: limit{text: "not checked: no file contains the sound level in the room", source: "local rules on noise"}, ask: (*Measured).askHearing,
		},
	}
}

// powered is an amplifier that drives a loudspeaker and what comes after it.
type powered struct {
	amp    manifest.Device
	gear   manifest.Gear
	load   manifest.Device // the first load after it, if any
	loaded bool
	heard  bool   // it plays through a loudspeaker
	takes  string // that have it, in brackets; "" for all
}

// fed returns an amplifier of a chain with what it feeds.
func fed(chain []manifest.Device, i int) powered {
	p := powered{amp: chain[i], gear: chain[i].Gear()}
	p.heard = p.gear.Load == manifest.Loudspeaker
	for _, d := range chain[i+1:] {
		g := d.Gear()
		if g.Load == "" || g.Amplifier != "" {
			continue
		}
		if !p.loaded {
			p.load, p.loaded = d, true
		}
		p.heard = p.heard || g.Load == manifest.Loudspeaker
	}
	return p
}

// alike reports whether two takes have one answer.
func (p powered) alike(q powered) bool {
	same := func(a, b manifest.Device) bool {
		return a.Slot == b.Slot && a.Name == b.Name && a.Kind == b.Kind && a.Impedance == b.Impedance && a.Power == b.Power
	}
	return same(p.amp, q.amp) && p.gear == q.gear && same(p.load, q.load) && p.heard == q.heard
}

// unknown names what the manifest must state of an amplifier of which it does not
// say what is connected to it; "" where it says enough.
func (p powered) unknown() string {
	if p.loaded || p.gear.Load != "" || p.gear.Amplifier != manifest.MayBeValve {
		return ""
	}
	var missing []string
	for _, x := range []struct{ key, written string }{{"kind", p.amp.Kind}, {"impedance", p.amp.Impedance.Written}, {"power", p.amp.Power.Written}} {
		if x.written == "" {
			missing = append(missing, x.key)
		}
	}
	if p.amp.Kind != "" {
		missing = append([]string{"kind (with valves or without)"}, missing...)
	}
	return "state " + manifest.List(missing) + " of the amplifier, and what it was connected to"
}

// eachAmp calls f once for every amplifier that drives a loudspeaker with what comes
// after it; takes with the same answer are named together. Of an amplifier of which
// too little is stated it says that itself, and what to state.
func (s *Measured) eachAmp(a *answers, f func(powered)) {
	var all []*powered
	var takes [][]string
	c := s.Manifest
	for i := range c.Takes {
		chain := c.ChainOf(&c.Takes[i])
		for k, d := range chain {
			if d.Gear().Amplifier == "" {
				continue
			}
			p := fed(chain, k)
			n := slices.IndexFunc(all, func(q *powered) bool { return p.alike(*q) })
			if n < 0 {
				n = len(all)
				all, takes = append(all, &p), append(takes, nil)
			}
			takes[n] = append(takes[n], c.Takes[i].Name)
		}
	}
	for i, p := range all {
		if len(takes[i]) < len(c.Takes) {
			p.takes = " (" + manifest.List(takes[i]) + ")"
		}
		if u := p.unknown(); u != "" {
			a.add(answer{subject: p.amp.Name + p.takes, outcome: result.NotMeasured, measured: math.NaN(), reason: "the manifest says too little about this amplifier", do: u})
			continue
		}
		f(*p)
	}
}

// pair names an amplifier with its load.
func (p powered) pair() string { return p.amp.Name + " into " + p.load.Name + p.takes }

func (s *Measured) askLoad(a *answers) {
	s.eachAmp(a, func(p powered) {
		who := p.amp.Name + p.takes
		switch {
		case p.loaded:
			a.pass(who, p.load.Name, "the manifest states "+p.load.Name+" after it")
		case p.gear.Load == manifest.Loudspeaker:
			a.pass(who, "its own loudspeaker", "its own loudspeaker must be connected")
		case p.gear.Load != "":
			a.pass(who, "its own load", "its own load must be switched on")
		case p.gear.MayHaveValves():
			a.add(answer{subject: who, outcome: result.Caution, measured: math.NaN(), value: "no load",
				reason: "the chain shows no load and no loudspeaker after it; an impulse response takes no power",
				do:     "write in the manifest which load or cabinet was connected; connect one before you switch on: without it a valve amplifier can be destroyed" + deferTo})
		}
	})
}

func (s *Measured) askImpedance(a *answers) {
	s.eachAmp(a, func(p powered) {
		if !p.loaded {
			return
		}
		amp, load, who := p.amp, p.load, p.pair()
		if amp.Impedance.Written == "" || load.Impedance.Written == "" {
			a.add(missing(who, "impedance", amp, load, amp.Impedance, load.Impedance))
			return
		}
		x, y := ohms(amp.Impedance), ohms(load.Impedance)
		if x == y {
			a.pass(who, load.Impedance.Written, "the manifest states the same impedance for both")
			return
		}
		a.add(answer{subject: who, outcome: result.Caution, measured: math.NaN(), value: amp.Impedance.Written + " into " + load.Impedance.Written,
			reason: "the manifest states different impedances for the two",
			do:     "check which output was used and whether the amplifier's manual allows this load" + deferTo})
	})
}

// missing is the answer where an amplifier or its load lacks a figure.
func missing(who, key string, amp, load manifest.Device, of, at manifest.Quantity) answer {
	var names []string
	for _, x := range []struct {
		name string
		q    manifest.Quantity
	}{{amp.Name, of}, {load.Name, at}} {
		if x.q.Written == "" {
			names = append(names, x.name)
		}
	}
	list := manifest.List(names)
	return answer{subject: who, outcome: result.NotMeasured, measured: math.NaN(), reason: "the manifest does not state the " + key + " of " + list, do: "state " + key + " of " + list}
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

func (s *Measured) askLoadPower(a *answers) {
	s.eachAmp(a, func(p powered) {
		if !p.loaded {
			return
		}
		amp, load, who := p.amp, p.load, p.pair()
		if amp.Power.Written == "" || load.Power.Written == "" {
			a.add(missing(who, "power", amp, load, amp.Power, load.Power))
			return
		}
		value := amp.Power.Written + " into " + load.Power.Written
		if watts(load.Power) >= watts(amp.Power) {
			a.pass(who, value, "as stated, the load is rated for at least the amplifier's power; a driven amplifier can give more than its rating")
			return
		}
		a.add(answer{subject: who, outcome: result.Caution, measured: math.NaN(), value: value,
			reason: "the load is rated below the amplifier",
			do:     "use a load rated for the amplifier, with room to spare: a driven amplifier gives more than its rating" + deferTo})
	})
}

func (s *Measured) askHearing(a *answers) {
	s.eachAmp(a, func(p powered) {
		if !p.heard {
			return
		}
		power := ""
		if p.amp.Power.Written != "" {
			power = fmt.Sprintf("rated at %s, ", p.amp.Power.Written)
		}
		a.add(answer{subject: p.amp.Name + p.takes, outcome: result.NotMeasured, measured: math.NaN(),
			reason: power + "it plays through a loudspeaker in the room, and no file shows how loud it was",
			do:     "turn the amplifier down before you switch on, and protect your hearing near a loud amplifier: it can do lasting harm; local rules on noise decide how long"})
	})
}
