package studio

import (
	"fmt"
	"math"

	"evenhand/analyze/unit"
)

// Session is a whole scenario: a performance and the takes made from it.
type Session struct {
	Scenario string
	Rate     int
	Bits     int
	Seed     uint64
	Score    Score
	Markers  bool // the dry file carries a cue marker at every part
	Loopback *Loopback
	IR       []Microphone // channels of ir/openback.wav; nil: no such file
	Takes    []Take
}

// Take is one recording of a session.
type Take struct {
	Name  string
	File  string // below the scenario's folder
	Chain Chain
}

// Loopback is the recording of the reamp output back through the DI box.
type Loopback struct {
	Gain  unit.DB
	Lag   int       // frames
	HP    float64   // Hz, corner of the second-order loss at the bottom
	Noise unit.DBFS // rms
}

// Scenarios returns the names of the scenarios, the demo's own first.
func Scenarios() []string { return []string{"four-fuzzes", "microphones"} }

// Open returns the session of a scenario, or an error naming the known ones.
func Open(scenario string) (Session, error) {
	switch scenario {
	case "four-fuzzes":
		return fourFuzzes(), nil
	case "microphones":
		return microphones(), nil
	}
	return Session{}, fmt.Errorf("no scenario %q; known: four-fuzzes, microphones", scenario)
}

func fourFuzzes() Session {
	const rate = 48000
	mics := []Microphone{dynamicCapEdge(), ribbonOffAxis()}
	responses := [][]float64{Cabinet(rate, mics[0]), Cabinet(rate, mics[1])}
	s := Session{
		Scenario: "four-fuzzes", Rate: rate, Bits: 24, Seed: 20260314, Score: fiveRiffs(),
		Loopback: &Loopback{Gain: -0.4, Lag: 64, HP: 20, Noise: -94},
		IR:       mics,
	}
	circuits := Circuits()
	take := func(name, file string, circuit *Circuit, lag unit.Samples, gain unit.DB, extra int) {
		s.Takes = append(s.Takes, Take{Name: name, File: "audio/" + file + ".wav", Chain: Chain{
			Rate: rate, Circuit: circuit, Amp: valveAmplifier(), Mics: responses, Lag: lag, Gain: gain, Floor: -98,
			Seed: s.Seed + uint64(len(s.Takes)) + 1, Extra: extra,
		}})
	}
	take("Leaning", "leaning", &circuits[0], 312.4, -9.0, 21000)
	take("Splitting", "splitting", &circuits[1], 127, -8.4, 9000)
	take("Folding", "folding", &circuits[2], -58.25, -7.8, -4000)
	take("Sagging", "sagging", &circuits[3], 204.75, -5.5, 16000)
	take("Bypass", "bypass", nil, 96, -1.0, 12000)
	take("Leaning again", "leaning-again", &circuits[0], 313.1, -9.0+0.05, 18000)
	s.Takes[1].Chain.Inverted = true
	return s
}

func microphones() Session {
	const rate = 44100
	s := Session{Scenario: "microphones", Rate: rate, Bits: 16, Seed: 20260502, Score: threeRiffs(), Markers: true}
	files := []string{"cap-centre", "cap-edge", "cone", "room"}
	gains := []unit.DB{-10.0, -11.1, -12.0, -16.2}
	for i, m := range positions() {
		s.Takes = append(s.Takes, Take{Name: m.Name, File: "audio/" + files[i] + ".wav", Chain: Chain{
			Rate: rate, Amp: valveCombo(), Mics: [][]float64{Cabinet(rate, m)}, Lag: 41, Gain: gains[i], Floor: -92,
			Seed: s.Seed + uint64(i) + 1,
		}})
	}
	return s
}

// Dry is the session's dry recording.
func (s Session) Dry() ([]float64, error) { return Performance(s.Rate, s.Seed, s.Score) }

// render is the loopback recording of dry.
func (l Loopback) render(dry []float64, rate int, seed uint64) []float64 {
	out := make([]float64, len(dry)+l.Lag)
	copy(out[l.Lag:], dry)
	high := Filter{HighPass, l.HP, math.Sqrt2 / 2, 0}.design(rate)
	high.run(out)
	g := unit.ToAmplitude(float64(l.Gain))
	for i := range out {
		out[i] *= g
	}
	newHiss(seed, streamLoop).add(out, unit.ToAmplitude(float64(l.Noise)))
	return out
}

// Truth is what a measurement of one take ought to find.
type Truth struct {
	Name     string
	Lag      unit.Samples // inserted delay against the dry recording; filters add their group delay
	Inverted bool
	Gain     unit.DB // of the microphone preamplifier
	RepeatOf string
	Noise    []NoiseTruth // per channel
}

// NoiseTruth is the noise of one channel of a take in a pause, rms in dBFS (a
// full-scale sine: −3.01).
type NoiseTruth struct {
	Hum, Hiss        unit.DBFS // the part that repeats with the mains period, and the rest
	CarriedIn, Added unit.DBFS // from the dry recording; from the chain
}

// Truths returns the truth of every take, in order. The noise is found by
// sending three seconds of the pickup's noise alone through each chain, once
// as it is and once with every other noise source off.
func (s Session) Truths() []Truth {
	pause := make([]float64, 3*s.Rate)
	addPickupNoise(pause, s.Rate, s.Seed+1000)
	settled := s.Rate / 2
	var out []Truth
	for _, t := range s.Takes {
		truth := Truth{Name: t.Name, Lag: t.Chain.Lag, Inverted: t.Chain.Inverted, Gain: t.Chain.Gain}
		if t.Name == "Leaning again" {
			truth.RepeatOf = "Leaning"
		}
		full, carried := t.Chain, t.Chain
		full.Extra, carried.Extra, carried.Silent = 0, 0, true
		all, in := Render(pause, full), Render(pause, carried)
		for i := range all {
			x, c := all[i][settled:], in[i][settled:]
			added := make([]float64, len(x))
			for j := range x {
				added[j] = x[j] - c[j]
			}
			hum, rest := split(x, s.Rate/mainsHz)
			truth.Noise = append(truth.Noise, NoiseTruth{Hum: hum, Hiss: rest, CarriedIn: level(c), Added: level(added)})
		}
		out = append(out, truth)
	}
	return out
}

// level is the rms level of x.
func level(x []float64) unit.DBFS {
	var power float64
	for _, v := range x {
		power += v * v
	}
	return unit.DBFS(unit.FromPower(power / float64(len(x))))
}

// split tells what repeats every period samples from the rest. The average
// over p periods keeps 1/p of the rest's power; that is taken out again.
func split(x []float64, period int) (repeating, rest unit.DBFS) {
	periods := len(x) / period
	x = x[:periods*period]
	var total, mean float64
	for i := range period {
		sum := 0.0
		for j := i; j < len(x); j += period {
			sum += x[j]
			total += x[j] * x[j]
		}
		sum /= float64(periods)
		mean += sum * sum
	}
	total /= float64(len(x))
	mean /= float64(period)
	p := float64(periods)
	r := max(0, (total-mean)*p/(p-1))
	return unit.DBFS(unit.FromPower(total - r)), unit.DBFS(unit.FromPower(r))
}
