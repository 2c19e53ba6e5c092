package studio

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/examples/campaign"
)

// one is a score of one note.
func one(token string, length float64) Score {
	return Score{Length: length, Parts: []Part{{Name: token, Start: 0.1, Tempo: 60, Step: length, Notes: token}}}
}

// pitch is the frequency of the partial near hz around second at, from the
// phase that it gains in a quarter of a second.
func pitch(x []float64, rate int, hz, at float64) float64 {
	fs := float64(rate)
	first, gap := int(at*fs), rate/4
	window := rate / 2
	a := demodulate(x[first:first+window], hz, fs)
	b := demodulate(x[first+gap:first+gap+window], hz, fs)
	// Each demodulation counts its phase from its own start.
	turn := cmplx.Phase(b/a) - math.Mod(2*math.Pi*hz*float64(gap)/fs, 2*math.Pi)
	turn -= 2 * math.Pi * math.Round(turn/(2*math.Pi))
	return hz + turn/(2*math.Pi)*fs/float64(gap)
}

// TestTuning: equal temperament with A4 = 440 Hz (ISO 16:1975), within 2 cents
// for all open strings and some frets, at the rates of both scenarios.
func TestTuning(t *testing.T) {
	campaign.Serial(t)
	for _, rate := range []int{44100, 48000} {
		for _, c := range []struct {
			token string
			key   float64 // MIDI note number; A4 is 69
		}{
			{"60", 35}, {"50", 40}, {"40", 45}, {"30", 50}, {"20", 54}, {"10", 59},
			{"66", 41}, {"39", 59}, {"112", 71},
		} {
			x, err := Strings(rate, 1, one(c.token, 2))
			if err != nil {
				t.Fatal(err)
			}
			want := 440 * math.Pow(2, (c.key-69)/12)
			got := pitch(x, rate, want, 0.3)
			cents := 1200 * math.Log2(got/want)
			t.Logf("%s at %d Hz: %+.3f cents", c.token, rate, cents)
			if math.Abs(cents) > 2 {
				t.Errorf("%s at %d Hz: %.3f Hz, want %.3f (%+.2f cents)", c.token, rate, got, want, cents)
			}
		}
	}
}

// TestBend: a whole tone up, within 3 cents once it is reached.
func TestBend(t *testing.T) {
	x, err := Strings(48000, 1, one("39b", 2))
	if err != nil {
		t.Fatal(err)
	}
	want := 440 * math.Pow(2, (59.0+2-69)/12)
	got := pitch(x, 48000, want, 0.6)
	if cents := 1200 * math.Log2(got/want); math.Abs(cents) > 3 {
		t.Errorf("%.2f Hz, want %.2f (%+.2f cents)", got, want, cents)
	}
}

// TestMuteIsShort: half a second after the pluck a muted note lies at least
// 20 dB below an open one.
func TestMuteIsShort(t *testing.T) {
	var after [2]unit.DBFS
	for i, token := range []string{"60", "60m"} {
		x, err := Strings(48000, 1, one(token, 2))
		if err != nil {
			t.Fatal(err)
		}
		after[i] = level(x[48000*6/10 : 48000*8/10])
	}
	if after[0]-after[1] < 20 {
		t.Errorf("open %v, muted %v", after[0], after[1])
	}
}

// TestPauses: half a second after the damping the strings are below −100 dBFS
// until the next part, and what the dry recording holds there is the stated
// noise, which is between −75 and −65 dBFS of hum and less hiss.
func TestPauses(t *testing.T) {
	campaign.Serial(t)
	for _, name := range Scenarios() {
		s, err := Open(name)
		if err != nil {
			t.Fatal(err)
		}
		strings, err := Strings(s.Rate, s.Seed, s.Score)
		if err != nil {
			t.Fatal(err)
		}
		dry := slices.Clone(strings)
		addPickupNoise(dry, s.Rate, s.Seed)
		peak := 0.0
		for _, v := range strings {
			peak = max(peak, math.Abs(v))
		}
		if got := unit.FromAmplitude(peak); math.Abs(got-float64(DryPeak)) > 0.01 {
			t.Errorf("%s: strings peak at %.2f dBFS, want %v", name, got, DryPeak)
		}
		want := unit.FromPower(unit.ToPower(float64(DryHum)) + unit.ToPower(float64(DryHiss)))
		for i, pause := range pauses(s.Score) {
			from, to := pause[0], pause[1]
			if to-from < 1 || to-from > 2.5 {
				t.Errorf("%s: pause %d lasts %.2f s", name, i, to-from)
			}
			a, b := int((from+0.5)*float64(s.Rate)), int(to*float64(s.Rate))
			if got := level(strings[a:b]); got > -100 {
				t.Errorf("%s: strings at %v in pause %d (%.1f to %.1f s)", name, got, i, from, to)
			}
			if got := float64(level(dry[a:b])); math.Abs(got-want) > 0.5 {
				t.Errorf("%s: dry recording at %.2f dBFS in pause %d, want %.2f", name, got, i, want)
			}
		}
	}
}

// pauses returns start and end of each pause between the parts of a score, in s.
func pauses(s Score) [][2]float64 {
	var out [][2]float64
	for i, p := range s.Parts[1:] {
		out = append(out, [2]float64{s.Parts[i].Start + s.Parts[i].Duration(), p.Start})
	}
	return out
}

func TestScoreRefusesNonsense(t *testing.T) {
	for _, token := range []string{"x", "73", "6", "60+", "60+9"} {
		_, err := Performance(48000, 1, one(token, 1))
		if err == nil {
			t.Errorf("%q was played", token)
		} else if want := fmt.Sprintf("part %q, step 1", token); len(err.Error()) < len(want) || err.Error()[:len(want)] != want {
			t.Errorf("%q: %v does not say where", token, err)
		}
	}
}

// TestJitterIsSmall: plucks lie within 10 ms of the written time, strummed
// strings within 11 ms of each other, and not all on it.
func TestJitterIsSmall(t *testing.T) {
	s := fiveRiffs()
	plucks, err := s.play(20260314)
	if err != nil {
		t.Fatal(err)
	}
	part := s.Parts[0]
	step := part.Duration() / 32
	off := 0
	for _, n := range plucks[0] {
		if n.start > part.Start+part.Duration() {
			continue
		}
		u := (n.start - part.Start) / step
		d := math.Abs(u-math.Round(u)) * step
		if d > 0.010 {
			t.Errorf("pluck at %.4f s is %.1f ms off the beat", n.start, d*1000)
		}
		if d > 0.001 {
			off++
		}
	}
	if off < 10 {
		t.Errorf("only %d plucks are off the beat by a millisecond", off)
	}
}
