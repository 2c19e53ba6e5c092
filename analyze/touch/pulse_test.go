package touch_test

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"evenhand/analyze/touch"
	"evenhand/examples/campaign"
	"evenhand/examples/guitar"
	"evenhand/examples/studio"
)

// tremolo lowers x by up to depth dB, hz times a second.
func tremolo(x []float64, hz, depth float64, shape string) []float64 {
	least := math.Pow(10, -depth/20)
	y := make([]float64, len(x))
	for i, v := range x {
		part := math.Mod(hz*float64(i)/rate+0.13, 1)
		up := 0.5 + math.Sin(2*math.Pi*part)/2
		switch shape {
		case "triangle":
			up = 1 - 2*math.Abs(part-0.5)
		case "square": // over 1 ms, as a lamp or a transistor that switches
			up = math.Max(0, math.Min(1, 0.5+500*(0.25-math.Abs(part-0.5))/hz))
		}
		y[i] = v * (least + (1-least)*up)
	}
	return y
}

// fast is a compressor of 20:1 or so with an attack of 1 ms and a release of 20 ms, in dB
// from −40 dBFS of the peaks on; fuzz clips 36 dB above the playing.
func fast(x []float64) []float64 {
	y := make([]float64, len(x))
	level, gain := 0.0, 0.0
	for i, v := range x {
		level = math.Max(math.Abs(v), level*math.Exp(-1/(0.003*rate)))
		want, time := -0.95*math.Max(0, 20*math.Log10(level+1e-9)+40), 0.02
		if want < gain {
			time = 0.001
		}
		gain += (want - gain) * (1 - math.Exp(-1/(time*rate)))
		y[i] = v * math.Pow(10, gain/20)
	}
	return y
}

func fuzz(x []float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = math.Tanh(64 * v)
	}
	return y
}

// some returns about six blocks of a recording, as a comparison has them.
func some(x []float64) (out []touch.Stretch) {
	all := blocksOf(x)
	for i, b := range all {
		if i%max(1, len(all)/6) == 0 {
			out = append(out, b)
		}
	}
	return out
}

// opened is the studio's example and its dry recording.
func opened(t testing.TB) (session studio.Session, dry []float64) {
	t.Helper()
	session, err := studio.Open("four-fuzzes")
	if err != nil {
		t.Fatal(err)
	}
	if dry, err = session.Dry(); err != nil {
		t.Fatal(err)
	}
	return session, dry
}

func studioDry(t testing.TB) []float64 {
	t.Helper()
	_, dry := opened(t)
	return dry
}

// TestTremolo: the smallest depth that is found on both materials at every rate, of a
// tremolo alone and behind gear whose gain moves as well; a deep one; and one that is faster
// than half of the frames' rate.
func TestTremolo(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	nothing := func(x []float64) []float64 { return x }
	for _, material := range []func(testing.TB) []float64{studioDry, guitar.Dry} {
		dry := material(t)
		pauses := pausesOf(t, dry)
		for _, c := range []struct {
			behind string
			run    func([]float64) []float64
			depth  float64 // dB
			shape  string
			rates  []float64 // Hz
		}{
			{"nothing", nothing, 1, "sine", []float64{2, 5.1, 9}},
			{"nothing", nothing, 1, "triangle", []float64{5.1}},
			{"nothing", nothing, 1, "square", []float64{5.1}},
			{"nothing", nothing, 20, "sine", []float64{5.1}},
			{"nothing", nothing, 3, "sine", []float64{12.3}},
			{"a fast compressor", fast, 8, "sine", []float64{2, 5.1, 9}},
			{"a fuzz", fuzz, 8, "sine", []float64{2, 5.1, 9}},
		} {
			x := c.run(dry)
			for _, hz := range c.rates {
				r := measureOn(t, dry, tremolo(x, hz, c.depth, c.shape), some(dry), pauses)
				if !(math.Abs(float64(r.Pulse)-hz) <= 0.11) || r.Reason.Found != "touch.pulse" {
					t.Errorf("%.0f s, behind %s, %.0f dB %s of %.1f Hz: %.1f Hz, %v", float64(len(dry))/rate, c.behind, c.depth, c.shape, hz, float64(r.Pulse), r.Reason)
				}
			}
		}
		if r := measureOn(t, dry, tremolo(dry, 5.1, 0.2, "sine"), some(dry), pauses); r.Pulse != 0 {
			t.Errorf("%.0f s: 0.2 dB are found", float64(len(dry))/rate)
		}
		campaign.Long(t)
	}
}

// TestNoTremolo: no gear without one has one, however regular the playing.
func TestNoTremolo(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	none := func(what string, dry, take []float64) {
		t.Helper()
		r := measureOn(t, dry, take, some(dry), pausesOf(t, dry))
		if r.Pulse != 0 || r.Reason.Found == "touch.pulse" {
			t.Errorf("%s: %.1f Hz", what, float64(r.Pulse))
		}
	}
	// The same few strokes for half a minute, a second: those that sound most like a tremolo.
	for i, c := range []struct {
		rate    float64
		strokes string
	}{{2.5, "60+52+42 60+52+42m"}, {2, "60+52+42 60m"}, {3, "60+52+42 60+52+42m"}, {6, "60+52+42 60m 60m 60m 63+54+44 60m 60m 60m"}, {8, "60m 60m 60m 60m 63m 60m 60m 60m"}} {
		if i == 2 {
			campaign.Long(t)
		}
		n := int(28 * c.rate / float64(len(strings.Fields(c.strokes))))
		dry, err := studio.Performance(rate, 5, studio.Score{Length: 32, Parts: []studio.Part{{Start: 1.5, Tempo: 60, Step: 1 / c.rate, Notes: strings.Repeat(c.strokes+" ", n)}}})
		if err != nil {
			t.Fatal(err)
		}
		what := fmt.Sprintf("%q, %v a second, ", c.strokes, c.rate)
		none(what+"nothing", dry, dry)
		none(what+"a fast compressor", dry, fast(dry))
		none(what+"a fuzz", dry, fuzz(dry))
	}
	session, dry := opened(t)
	none("studio, a fast compressor", dry, fast(dry))
	none("studio, a fuzz", dry, fuzz(dry))
	for _, take := range session.Takes[:5] {
		c := take.Chain
		c.Lag, c.Extra, c.Mics = 0, 0, c.Mics[:1]
		none(take.Name, dry, studio.Render(dry, c)[0])
	}
	dry = guitar.Dry(t)
	none("guitar, a fast compressor", dry, fast(dry))
	none("guitar, a fuzz", dry, fuzz(dry))
	chains := guitar.Chains(t)
	for _, i := range campaign.Share(t, len(chains), 3) {
		if name := chains[i].Name; name != "tremolo" {
			none(name, dry, guitar.Take(t, name))
		}
	}
	if r := measureOn(t, dry, guitar.Take(t, "tremolo"), some(dry), pausesOf(t, dry)); math.Abs(float64(r.Pulse)-4.5) > 0.11 {
		t.Errorf("the tremolo of 4.5 Hz: %.1f Hz", float64(r.Pulse))
	}
}
