package analyze

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"sync"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/examples/campaign"
	"evenhand/examples/studio"
)

// variants is how many clean comparisons TestVariants makes; 0: all 200 of the
// documented table where CI is set, one of each style elsewhere.
var variants = flag.Int("variants", 0, "clean comparisons that TestVariants makes")

// style is one kind of clean material: how it is played and through what.
type style struct {
	name  string
	score studio.Score
	// shape is applied to the dry recording before it is played to the gear.
	shape func(dry []float64, rate int)
	heard bool // by the pickup, so that the dry recording has it
	drive unit.DB
	post  []studio.Filter
	// a and b are the devices of the two takes, numbers of studio.Circuits; -1
	// stands for none.
	a, b int
}

func styles() []style {
	part := func(length float64, parts ...studio.Part) studio.Score {
		return studio.Score{Length: length, Parts: parts}
	}
	riff := part(8.2,
		studio.Part{Name: "Riff", Start: 1.1, Tempo: 130, Step: 0.5, Notes: "60m 60m 63 60m 65 63 60m 62 60m 63"},
		studio.Part{Name: "Notes", Start: 4.9, Tempo: 120, Step: 0.5, Notes: "37 39b . 29 27 39 37~ . 49 ."})
	staccato := part(8,
		studio.Part{Name: "Fast", Start: 1, Tempo: 175, Step: 0.25, Notes: "60m - 60m - 63m - 60m - 65m - 60m - 60m - 63m - 66m - 65m - 63m - 60m -"},
		studio.Part{Name: "Faster", Start: 4.6, Tempo: 160, Step: 0.25, Notes: "60m 60m 60m 63m 60m 60m 65m 60m 60m 60m 63m 60m 66m 65m 63m 60m - -"})
	chords := part(9.4,
		studio.Part{Name: "Open", Start: 1.2, Tempo: 72, Step: 1, Ring: true, Notes: "60+52+42+30+20+10 . 63+55+45 ."},
		studio.Part{Name: "Broken", Start: 5.8, Tempo: 110, Step: 0.5, Ring: true, Notes: "60 42 30 20 10 20"})
	lead := part(8.6,
		studio.Part{Name: "High", Start: 1.1, Tempo: 96, Step: 0.5, Notes: "17 19b . 17 27 19~ . ."},
		studio.Part{Name: "Low", Start: 5.1, Tempo: 96, Step: 0.5, Notes: "49 47 39 37 49~ ."})
	howl := func(dry []float64, rate int) {
		// Feedback takes over from the last note of each part.
		for _, from := range []float64{2.6, 6.4} {
			phase := 0.0
			for i := range int(1.2 * float64(rate)) {
				at := int(from*float64(rate)) + i
				if at >= len(dry) {
					break
				}
				t := float64(i) / float64(rate)
				phase += 2 * math.Pi * 246.9 * (1 + 0.002*math.Sin(2*math.Pi*4*t)) / float64(rate)
				dry[at] += 0.25 * math.Min(1, t/0.4) * math.Min(1, math.Max(0, (1.2-t)/0.25)) * math.Sin(phase)
			}
		}
	}
	starved := func(dry []float64, rate int) {
		// A dead zone: notes sputter and end at once, hiss remains.
		for i, v := range dry {
			if a := math.Abs(v); a > 0.03 {
				dry[i] = math.Copysign(a-0.03, v)
			} else {
				dry[i] = 0.02 * v
			}
		}
	}
	shelf := func(hz float64, db unit.DB) []studio.Filter {
		return []studio.Filter{{Shape: studio.HighShelf, Hz: hz, Q: 0.7, DB: float64(db)}}
	}
	return []style{
		{name: "clean", score: riff, a: -1, b: -1},
		{name: "clean chords", score: chords, a: -1, b: -1},
		{name: "crunch", score: riff, drive: 14, a: -1, b: -1},
		{name: "crunch chords", score: chords, drive: 16, a: -1, b: 0},
		{name: "saturated", score: riff, drive: 20, a: 0, b: 1},
		{name: "octave", score: riff, a: 0, b: 2},
		{name: "saturated lead", score: lead, drive: 12, a: 3, b: 0},
		{name: "bright", score: riff, a: 0, b: 3, post: shelf(2500, 12)},
		{name: "dark", score: lead, a: 3, b: 0, post: shelf(700, -18)},
		{name: "gated style", score: staccato, shape: starved, drive: 10, a: 0, b: 1},
		{name: "fast staccato", score: staccato, a: 1, b: 3},
		{name: "clean staccato", score: staccato, a: -1, b: -1, drive: 3},
		{name: "sustained feedback", score: riff, shape: howl, heard: true, drive: 8, a: 0, b: 3},
		{name: "fuzz chords", score: chords, a: 0, b: 3},
	}
}

// variant is one clean comparison.
type variant struct {
	name     string
	spec     wavio.Spec // of the takes
	rate     int
	files    recordings
	manifest string
	// inverted: the second take truly is.
	inverted bool
	lag      [2]float64 // inserted, in frames
}

// base is what several variants share: one performance through two devices.
type base struct {
	style style
	rate  int
	seed  uint64
	dry   []float64
	takes [2][][]float64 // two microphones each
	lags  [2]float64
	once  sync.Once
	err   error
}

func (b *base) render() {
	dry, err := studio.Performance(b.rate, b.seed, b.style.score)
	if err != nil {
		b.err = err
		return
	}
	b.dry = dry
	fed := dry
	if b.style.shape != nil {
		fed = slices.Clone(dry)
		b.style.shape(fed, b.rate)
		if b.style.heard {
			b.dry = scaled(fed, -6.2-unit.FromAmplitude(peakOf(fed)))
			fed = b.dry
		}
	}
	open, _ := studio.Open("four-fuzzes")
	circuits := studio.Circuits()
	rng := rand.New(rand.NewPCG(b.seed, 77))
	for i, device := range []int{b.style.a, b.style.b} {
		k := open.Takes[0].Chain
		k.Rate, k.Circuit, k.Extra, k.Inverted = b.rate, nil, b.rate/4, false
		if device >= 0 {
			c := circuits[device]
			c.Hum = -76 // in all alike
			k.Circuit = &c
		}
		k.Mics = nil
		for _, m := range open.IR {
			k.Mics = append(k.Mics, studio.Cabinet(b.rate, m))
		}
		k.Amp.Post = append(slices.Clone(k.Amp.Post), b.style.post...)
		k.Amp.Drive += b.style.drive
		if i == 1 && b.style.a == b.style.b {
			k.Amp.Drive += 6
		}
		k.Lag = unit.Samples(10 + 300*rng.Float64())
		k.Floor = unit.DBFS(-105 + 12*rng.Float64())
		k.Seed = b.seed*10 + uint64(i)
		// Without the first moments, in which the filters settle.
		skip := b.rate / 2
		for _, x := range studio.Render(fed, k) {
			b.takes[i] = append(b.takes[i], x[skip:])
		}
		b.lags[i] = float64(k.Lag) - float64(skip)
	}
}

// bases are rendered when they are first needed.
func bases(n int) []*base {
	var out []*base
	all := styles()
	rates := []int{48000, 44100}
	for i := range n {
		round := i / len(all)
		b := &base{style: all[i%len(all)], rate: rates[(i+round)%len(rates)], seed: uint64(400 + i)}
		if i%9 == 4 {
			b.rate *= 2
		}
		out = append(out, b)
	}
	return out
}

func peakOf(x []float64) (peak float64) {
	for _, v := range x {
		peak = max(peak, math.Abs(v))
	}
	return peak
}

// variantOf makes variant i from its base.
func variantOf(i int, b *base) variant {
	rng := rand.New(rand.NewPCG(uint64(i), 4242))
	v := variant{rate: b.rate, files: recordings{"dry": {b.dry}}}
	v.spec = []wavio.Spec{{Bits: 24}, {Bits: 24}, {Bits: 24}, {Bits: 16}, {Bits: 32, Float: true}}[rng.IntN(5)]
	two := rng.IntN(3)  // one microphone, the other, or both in two channels
	both := rng.IntN(2) // both takes inverted against the dry recording
	v.inverted = rng.IntN(5) == 0
	text := "title: V\nvaries: fuzz\nreference: One\nperformance:\n  dry: dry.wav\n"
	loop := make([]float64, len(b.dry)+40)
	copy(loop[40:], b.dry)
	for k := range loop {
		loop[k] += 2e-5 * rng.NormFloat64()
	}
	v.files["loop"] = [][]float64{loop}
	v.files["ir"] = [][]float64{{0.5, 0.2, 0.1}}
	text += "  loopback: loop.wav\n  sections:\n"
	for _, p := range b.style.score.Parts {
		text += fmt.Sprintf("    - {name: %s, from: %.2f, to: %.2f}\n", p.Name, p.Start-0.1, p.Start+p.Duration())
	}
	text += "chain:\n  - slot: fuzz\n  - {slot: amp, device: Kestrel, controls: {volume: noon}}\n  - {slot: cabinet, device: Open back, file: ir.wav}\ntakes:\n"
	for k, name := range []string{"one", "two"} {
		pad := rng.IntN(b.rate / 4)
		if rng.IntN(3) == 0 {
			pad = -rng.IntN(b.rate / 5)
		}
		sign := 1.0
		if both == 1 {
			sign = -1
		}
		if k == 1 && v.inverted {
			sign = -sign
		}
		hiss := unit.ToAmplitude(-110 + 25*rng.Float64())
		least := -7.0
		level := least - 20*rng.Float64()
		var channels [][]float64
		switch two {
		case 2:
			channels = b.takes[k]
		default:
			channels = b.takes[k][two : two+1]
		}
		peak := 0.0
		for _, x := range channels {
			peak = max(peak, peakOf(x))
		}
		g := sign * unit.ToAmplitude(level) / peak
		var out [][]float64
		for _, x := range channels {
			if pad < 0 {
				x = x[-pad:]
			}
			y := make([]float64, max(0, pad), max(0, pad)+len(x))
			for _, s := range x {
				y = append(y, g*s)
			}
			for j := range y {
				y[j] += hiss * rng.NormFloat64()
			}
			out = append(out, y)
		}
		v.files[name], v.lag[k] = out, b.lags[k]+float64(pad)
		text += fmt.Sprintf("  - name: %s\n    file: %s.wav\n    fuzz: {device: D%d, controls: {gain: noon}}\n", []string{"One", "Two"}[k], name, k)
		if two == 2 {
			text += "    mics: {left: {name: A}, right: {name: B}}\n"
		}
	}
	v.manifest = text
	v.name = fmt.Sprintf("%d, %s, %d Hz", i, b.style.name, b.rate)
	return v
}

// TestVariants makes clean comparisons of all kinds of material, at 44.1, 48, 88.2
// and 96 kHz, with one microphone or two, 16 and 24 bits and floating point, moved,
// inverted, louder, quieter and noisier, and asks that no check fails or accuses. What it truly is may be said:
// that a take is inverted.
func TestVariants(t *testing.T) {
	campaign.Serial(t)
	n := *variants
	switch {
	case n == 0 && os.Getenv("CI") != "":
		n = 200
	case n == 0:
		n = len(styles())
	}
	all := bases(min(n, 28))
	var mu sync.Mutex
	var names []string
	tally, wrong := map[string]map[result.Outcome]int{}, map[string]int{}
	t.Run("all", func(t *testing.T) {
		for i := range n {
			t.Run(fmt.Sprint(i), func(t *testing.T) {
				t.Parallel()
				b := all[i%len(all)]
				b.once.Do(b.render)
				if b.err != nil {
					t.Fatal(b.err)
				}
				v := variantOf(i, b)
				s := &scene{files: v.files, rates: map[string]int{}, specs: map[string]wavio.Spec{"one": v.spec, "two": v.spec}, manifest: v.manifest}
				for name := range v.files {
					s.rates[name] = v.rate
				}
				res := s.check(t)
				mu.Lock()
				defer mu.Unlock()
				for _, c := range res.Checks {
					if tally[c.ID] == nil {
						tally[c.ID] = map[result.Outcome]int{}
						names = append(names, c.ID)
					}
					tally[c.ID][c.Outcome]++
					accuses := c.Outcome == result.Failed || c.Outcome == result.Caution
					if c.ID == fairness.IDPolarity && v.inverted && c.Outcome == result.Caution {
						accuses = false
					}
					if accuses {
						wrong[c.ID]++
						t.Errorf("%s: %s, %s: %s, %s; %s", v.name, c.ID, c.Subject, c.Outcome, c.Value, c.Reason)
					}
				}
				for k, a := range []result.Alignment{res.Takes[0].Alignment, res.Takes[1].Alignment} {
					// The gear's own delay is in the lag: up to 0.5 ms, by the
					// notes up to 1 ms.
					off := 1000 * (float64(a.Applied) - v.lag[k]) / float64(v.rate)
					if a.PlacedBy == "" || off < -0.7 || off > 1.5 {
						t.Errorf("%s: take %d lies %.2f ms off, placed by %q", v.name, k+1, off, a.PlacedBy)
					}
				}
			})
		}
	})
	slices.Sort(names)
	names = slices.DeleteFunc(names, func(id string) bool { // what the manifest says alone is not in the table
		return slices.ContainsFunc(fairness.Topics(), func(q result.Check) bool { return q.ID == id && q.Group == result.GroupSafety })
	})
	rows := table(t)
	for _, id := range names {
		t.Logf("%-20s %v", id, tally[id])
		if want := alarms(tally[id], wrong[id]); n == 200 && (rows[id] == nil || rows[id][2] != want) {
			t.Errorf("%s: testdata/detection.md says %q, counted is %q", id, rows[id], want)
		}
	}
	for id, r := range rows {
		if n == 200 && tally[id] == nil && r[2] != "–" {
			t.Errorf("%s was not asked, and the table says %q", id, r[2])
		}
	}
}
