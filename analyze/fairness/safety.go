package fairness

import (
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
)

// safetyQuestions ask whether the chain, as written down, would be safe to
// repeat. They know only what the manifest says.
func safetyQuestions() []question {
	return []question{
		{IDLoad, result.GroupSafety, limit{}, (*Measured).askLoad},
		{IDImpedance, result.GroupSafety, limit{}, (*Measured).askImpedance},
		{IDLoadPower, result.GroupSafety, limit{}, (*Measured).askLoadPower},
		{IDHearing, result.GroupSafety, limit{}, (*Measured).askHearing},
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

// unknown lists the keys that the manifest must state of an amplifier of which it does
// not say what is connected to it; nil where it says enough.
func (p powered) unknown() []string {
	if p.loaded || p.gear.Load != "" || p.gear.Amplifier != manifest.MayBeValve {
		return nil
	}
	missing := []string{"kind"}
	if p.amp.Kind != "" {
		missing[0] = "kind (with valves or without)"
	}
	for _, x := range []struct{ key, written string }{{"impedance", p.amp.Impedance.Written}, {"power", p.amp.Power.Written}} {
		if x.written == "" {
			missing = append(missing, x.key)
		}
	}
	return missing
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
		if missing := p.unknown(); missing != nil {
			a.skip(p.amp.Name+p.takes, "unstated", "missing", missing)
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
			a.pass(who, "load", "load", p.load.Name)
		case p.gear.Load == manifest.Loudspeaker:
			a.pass(who, "loudspeaker")
		case p.gear.Load != "":
			a.pass(who, "own")
		case p.gear.MayHaveValves():
			a.caution(who, "none")
		}
	})
}

func (s *Measured) askImpedance(a *answers) {
	s.eachAmp(a, func(p powered) {
		amp, load := p.amp.Impedance, p.load.Impedance
		if !p.loaded || p.lacks(a, amp, load) {
			return
		}
		if ohms(amp) == ohms(load) {
			a.pass(p.pair(), "same", "load", load.Written)
		} else {
			a.caution(p.pair(), "different", "amp", amp.Written, "load", load.Written)
		}
	})
}

// lacks reports whether an amplifier or its load lacks a figure, and says so.
func (p powered) lacks(a *answers, amp, load manifest.Quantity) bool {
	var names []string
	if amp.Written == "" {
		names = append(names, p.amp.Name)
	}
	if load.Written == "" {
		names = append(names, p.load.Name)
	}
	if names != nil {
		a.skip(p.pair(), "not-stated", "names", names)
	}
	return names != nil
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
		amp, load := p.amp.Power, p.load.Power
		if !p.loaded || p.lacks(a, amp, load) {
			return
		}
		if watts(load) >= watts(amp) {
			a.pass(p.pair(), "enough", "amp", amp.Written, "load", load.Written)
		} else {
			a.caution(p.pair(), "less", "amp", amp.Written, "load", load.Written)
		}
	})
}

func (s *Measured) askHearing(a *answers) {
	s.eachAmp(a, func(p powered) {
		if p.heard {
			a.skip(p.amp.Name+p.takes, "loudspeaker", "power", p.amp.Power.Written)
		}
	})
}
