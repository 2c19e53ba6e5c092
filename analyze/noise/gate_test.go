package noise

import (
	"fmt"
	"math"
	"reflect"
	"testing"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// The performance of these tests: four notes, each ending (stopped by the hand
// unless it rings on) before a pause; pauses are known from the dry recording.
var (
	noteFrom = []float64{0.2, 2.7, 5.2, 7.7}
	noteStop = []float64{1.2, 3.7, 6.2, 8.7}
	pausesOf = []Stretch{stretch(1.25, 2.65), stretch(3.75, 5.15), stretch(6.25, 7.65), stretch(8.75, 9.95)}
)

func performance(seed uint64, decay, release float64) *clip {
	c := newClip(10, seed)
	for i, f := range noteFrom {
		c.note([]float64{61.74, 82.41, 123.47, 220}[i], f, noteStop[i], decay, release)
	}
	return c
}

func shifted(x []float64, d float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = v + d
	}
	return y
}

var openAgain = []float64{2.7, 5.2, 7.7, 10}

// Gates that hold open for a while on noise and then close, to various depths
// and speeds, over hiss, hum and a cabinet's dull noise.
func TestGatesSeenClosing(t *testing.T) {
	inf := math.Inf(1)
	n := 0
	for _, noise := range []string{"white", "pink", "dull", "buzz"} {
		for _, depth := range []float64{15, 40, inf} {
			for _, release := range []float64{0.005, 0.03, 0.2} {
				if n++; n%thin != 0 {
					continue
				}
				c := performance(uint64(depth+1e3*release), 6, 0.02)
				switch noise {
				case "white":
					c.white(-65)
				case "pink":
					c.pink(-60)
				case "dull":
					d := newClip(10, 3).white(-50).lowpass(2000).lowpass(4000)
					for i, v := range d.x {
						c.x[i] += v
					}
				case "buzz":
					c.white(-70).hum(60, -60, -60, -62, -64, -66, -68, -70, -72, -74)
				}
				d := depth
				if math.IsInf(d, 1) {
					d = 100
				}
				c.gate(d, release, shifted(noteStop, 0.25), openAgain)
				if math.IsInf(depth, 1) {
					c.gate(depth, 0, shifted(noteStop, 0.25+release), openAgain)
				}
				r := c.measure(t, Params{}, pausesOf...)
				if !r.Measured || !r.Gated || r.GateReason.Found != "gate.closes" || r.GateReason.With["closing"] != unit.Number(4) || r.GateReason.With["pauses"] != unit.Number(4) {
					n := 0
					for _, p := range r.PerPause {
						if p.Closing != nil {
							n++
						}
					}
					t.Errorf("%s, %g dB in %g s: %d closings, gated %v, silent %v: %s", noise, depth, release, n, r.Gated, r.Silent, r.GateReason)
				}
			}
		}
	}
}

// A gate that closes together with the note and mutes, and pauses cut out by
// hand: digital silence is never a noise floor.
func TestMutes(t *testing.T) {
	inf := math.Inf(1)
	c := performance(1, 6, 0.02).white(-65).gate(inf, 0.02, shifted(noteStop, 0.02), openAgain)
	if r := c.measure(t, Params{}, pausesOf...); !r.Silent || !reflect.DeepEqual(r.GateReason, finding.Say("gate.silent", "silent", 4, "pauses", 4)) || !math.IsInf(float64(r.Unweighted), -1) {
		t.Errorf("all muted: %+v", r)
	}
	c = performance(1, 6, 0.02).white(-65).gate(inf, 0.02, noteStop[:2], openAgain)
	if r := c.measure(t, Params{}, pausesOf...); !r.Gated || !reflect.DeepEqual(r.GateReason, finding.Say("gate.mutes", "silent", 2, "pauses", 4)) {
		t.Errorf("two muted: %+v", r)
	}
	c = performance(1, 6, 0.02).white(-65).gate(80, 0.02, shifted(noteStop, 0.02), openAgain).quantise(24, true)
	if r := c.measure(t, Params{}, pausesOf...); !r.Silent || r.GateReason.Found != "gate.below" {
		t.Errorf("80 dB down: %+v", r)
	}
}

// A gate that closes on a ringing note to a plausible floor shows only beside
// the dry recording; the same fall by the player's hand shows in both.
func TestGateAgainstDry(t *testing.T) {
	gates := func(depth, release float64) (bool, finding.Text) {
		ring := func(db float64, seed uint64) *clip { return performance(seed, 25, 2.5).white(db) }
		dry := ring(-85, 1).measure(t, Params{}, pausesOf...)
		take := ring(-70, 2).each(func(v float64) float64 { return math.Tanh(4 * v) })
		take.gate(depth, release, shifted(noteStop, -0.15), openAgain)
		return Gate(dry, take.measure(t, Params{}, pausesOf...))
	}
	for _, depth := range []float64{20, 60} {
		for _, release := range []float64{0.005, 0.05} {
			if ok, seen := gates(depth, release); !ok || seen.Found != "gate.rings" {
				t.Errorf("%g dB in %g s: %v %v", depth, release, ok, seen)
			}
		}
	}
	if ok, seen := gates(0, 1); ok {
		t.Errorf("no gate: %v", seen)
	}
}

// clean material of eight kinds, none of it gated.
func cleanKinds(seed uint64) map[string]*clip {
	fuzz := func(g float64) func(float64) float64 {
		return func(v float64) float64 { return 0.5 * math.Tanh(g*v) }
	}
	add := func(c, d *clip) *clip {
		for i, v := range d.x {
			c.x[i] += v
		}
		return c
	}
	staccato := newClip(10, seed)
	for f := 0.2; f < 10; f += 0.25 {
		if math.Mod(f, 2.5) < 1.2 {
			staccato.note(82.41, f, f+0.1, 6, 0.01)
		}
	}
	chord := newClip(10, seed)
	for i, f := range noteFrom {
		for _, hz := range []float64{82.41, 123.47, 164.81, 207.65} {
			chord.note(hz, f, noteStop[i], 8, 0.1)
		}
	}
	feedback := newClip(10, seed)
	for i, f := range noteFrom {
		feedback.note(220, f, noteStop[i]+0.3, 0, 0.03) // rings into the pause, then stopped
	}
	return map[string]*clip{
		"clean":                performance(seed, 6, 0.05).white(-80),
		"slow decay into hiss": performance(seed, 30, 3).white(-65),
		"crunch":               performance(seed, 10, 0.3).white(-75).each(fuzz(5)),
		"saturated":            performance(seed, 10, 0.6).white(-95).each(fuzz(200)).lowpass(4000),
		"bright with hum":      performance(seed, 6, 0.1).white(-60).hum(50, -60, -55, -65, -66, -70),
		"dark":                 add(performance(seed, 6, 0.2), newClip(10, seed+1).white(-45)).lowpass(500).lowpass(800),
		"staccato":             staccato.white(-70).each(fuzz(20)),
		"chord, saturated":     chord.white(-90).each(fuzz(300)).lowpass(5000),
		"feedback":             feedback.white(-65),
		"feedback, fuzz":       feedback.each(fuzz(50)),
		"16-bit with dither":   performance(seed, 6, 0.3).quantise(16, true),
		"16-bit decays":        performance(seed, 6, 0.5).white(-90).quantise(16, false),
	}
}

func TestCleanNotFlagged(t *testing.T) {
	for seed := range uint64(2 - thin/8) {
		for name, c := range cleanKinds(seed) {
			r := c.measure(t, Params{}, pausesOf...)
			if r.Gated || r.Silent || r.GateReason.Found != "" {
				t.Errorf("%s, seed %d: gated %v silent %v: %v", name, seed, r.Gated, r.Silent, r.GateReason)
			}
		}
	}
	// A dry recording without any noise is silent, not gated.
	r := performance(1, 6, 0.05).quantise(16, false).measure(t, Params{}, pausesOf...)
	if r.Gated || !r.Silent {
		t.Errorf("noiseless: %+v", r)
	}
}

// No clean kind may be called gated beside its dry recording either.
func TestCleanAgainstDry(t *testing.T) {
	for seed := range uint64(1) {
		dry := performance(seed, 6, 0.3).white(-85)
		d := dry.measure(t, Params{}, pausesOf...)
		for _, g := range []float64{1, 10, 100, 1000} {
			take := newClip(10, seed+7).white(-75)
			for i, v := range dry.x {
				take.x[i] += 0.5 * math.Tanh(g*v)
			}
			if ok, seen := Gate(d, take.measure(t, Params{}, pausesOf...)); ok {
				t.Errorf("drive %g, seed %d: %v", g, seed, seen)
			}
		}
	}
}

// A floor that jumps between pauses shows in the levels of the pauses.
func TestPauseLevels(t *testing.T) {
	c := performance(3, 6, 0.02).white(-70)
	for i := at(5.5); i < len(c.x); i++ {
		c.x[i] += unit.ToAmplitude(-60) * c.rng.NormFloat64()
	}
	r := c.measure(t, Params{}, pausesOf...)
	for i, want := range []float64{-70.8, -70.8, unit.FromPower(unit.ToPower(-60.8) + unit.ToPower(-70.8)), unit.FromPower(unit.ToPower(-60.8) + unit.ToPower(-70.8))} {
		near(t, fmt.Sprint("pause ", i), float64(r.PerPause[i].Unweighted), want, 0.4)
		near(t, fmt.Sprint("start ", i), float64(r.PerPause[i].From), 1.25+2.5*float64(i), 1e-9)
	}
}

// The dry recording's noise is missing behind a gate that closes with the note, by as
// much as it would stand above the chain's own noise; without a gate it is not, however
// much the chain limits, and of a chain that is noisier nothing is missing.
func TestMissing(t *testing.T) {
	dry := performance(5, 4, 0.25).white(-70)
	played := func(drive, own float64, gated bool) *clip {
		c := &clip{append([]float64{}, dry.x...), dry.rng}
		if gated {
			c.gate(80, 0.05, shifted(noteStop, 0.15), openAgain)
		}
		c.each(func(v float64) float64 { return math.Tanh(drive*v) / drive })
		d := newClip(10, 77).white(own)
		for i, v := range d.x {
			c.x[i] += v
		}
		return c
	}
	for _, k := range []struct {
		drive, own float64
		gated      bool
		least, max float64
	}{{1, -90, false, -3, 2}, {10, -90, false, -3, 2}, {10, -66, false, -9, 0}, {1, -90, true, 8, 22}, {10, -90, true, 8, 22}, {10, -66, true, -9, 2}} {
		m, err := Missing(Signal{Source: memory(dry.x), Pauses: pausesOf}, Signal{Source: memory(played(k.drive, k.own, k.gated).x), Pauses: pausesOf}, testRate)
		if err != nil || !(float64(m) >= k.least && float64(m) <= k.max) {
			t.Errorf("%+v: %v missing, %v", k, m, err)
		}
	}
	// A crossover gap takes the gain from soft sounds: it is not taken for a gate.
	gap := &clip{append([]float64{}, dry.x...), dry.rng}
	gap.each(func(v float64) float64 { return v * (v*v + 0.1*1e-4) / (v*v + 1e-4) })
	if m, err := Missing(Signal{Source: memory(dry.x), Pauses: pausesOf}, Signal{Source: memory(gap.x), Pauses: pausesOf}, testRate); err != nil || m > 3 {
		t.Errorf("a crossover gap: %v missing, %v", m, err)
	}
	if m, err := Missing(Signal{Source: memory(dry.x), Pauses: pausesOf[:0]}, Signal{Source: memory(dry.x), Pauses: pausesOf[:0]}, testRate); err != nil || !math.IsNaN(float64(m)) {
		t.Errorf("without pauses: %v, %v", m, err)
	}
}
