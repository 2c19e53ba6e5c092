package noise

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"evenhand/analyze/unit"
)

// band is the level in 20 Hz to 20 kHz of samples in the pauses, from the
// measurement itself.
func band(t *testing.T, c *clip, pauses []Stretch) float64 {
	t.Helper()
	return float64(c.measure(t, Params{}, pauses...).Unweighted)
}

func split(t *testing.T, dry, take *clip, dryPauses, takePauses []Stretch) SplitResult {
	t.Helper()
	r, err := Split(Signal{memory(dry.x), dryPauses, dry.measure(t, Params{}, dryPauses...)},
		Signal{memory(take.x), takePauses, take.measure(t, Params{}, takePauses...)}, testRate, Params{})
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// A chain with gain, a filter, a gentle distortion, a lag that is not whole and
// noise of its own, fed with dry noise: both parts against what they were made
// from.
func TestSplit(t *testing.T) {
	const lag = 237
	n := 0
	for _, pauses := range [][]Stretch{{stretch(0.5, 2)}, {stretch(0.5, 2), stretch(3, 4.2), stretch(6, 9)}} {
		length := float64(pauses[len(pauses)-1].First+pauses[len(pauses)-1].Frames)/testRate + 0.1
		later := make([]Stretch, len(pauses))
		for i, p := range pauses {
			later[i] = Stretch{p.First + lag, p.Frames}
		}
		for _, added := range []float64{-75, -62, -45} {
			for _, drive := range []float64{1, 30} {
				for seed := range uint64(1) {
					if n++; n%min(thin, 5) != 0 {
						continue
					}
					name := fmt.Sprintf("%d pauses, added %g dB, drive %g, seed %d", len(pauses), added, drive, seed)
					dry := newClip(length, seed).pink(-80).white(-85)
					carried := newClip(length, 0)
					copy(carried.x[lag:], dry.x)
					last := 0.0
					carried.each(func(v float64) float64 { y := (v + last) / 2; last = v; return y }) // half a frame later
					carried.each(func(v float64) float64 { return 20 * math.Tanh(drive*v) / drive }).lowpass(5000)
					take := newClip(length, seed+100).white(added).lowpass(6000)
					wantAdded, wantCarried := band(t, take, later), band(t, carried, later)
					for i, v := range carried.x {
						take.x[i] += v
					}
					r := split(t, dry, take, pauses, later)
					if r.Averages < LeastAverages {
						t.Fatalf("%s: %v averages", name, r.Averages)
					}
					if math.IsNaN(float64(r.Added)) && wantCarried-wantAdded > 15 && r.Reason.Found != "" {
						continue
					}
					if math.IsNaN(float64(r.CarriedIn)) && wantAdded-wantCarried > 10 && r.Reason.Found != "" {
						near(t, name+": added", float64(r.Added), wantAdded, 1)
						continue
					}
					near(t, name+": added", float64(r.Added), wantAdded, 1)
					near(t, name+": carried in", float64(r.CarriedIn), wantCarried, 1)
				}
			}
		}
	}
}

// Hum picked up by the amplifier alone is coherent with the dry recording's own
// hum; it must not count as carried in.
func TestSplitIgnoresHum(t *testing.T) {
	pauses := []Stretch{stretch(0.5, 3), stretch(4, 7)}
	dry := newClip(8, 1).white(-80).hum(50, -75, -80, -82)
	take := newClip(8, 2).white(-60).hum(50, -50, -55, -60, -65)
	r := split(t, dry, take, pauses, pauses)
	if !math.IsNaN(float64(r.CarriedIn)) || r.Reason.Found == "" {
		t.Errorf("carried in %v", r.CarriedIn)
	}
	near(t, "added", float64(r.Added), -60.8, 0.5)
}

// Unrelated noise: a carried-in part is claimed in few cases.
func TestSplitFalseAlarms(t *testing.T) {
	claims := 0
	p := []Stretch{stretch(0, 1.3), stretch(1.4, 2.4)}
	for seed := range uint64(24 / thin) {
		dry, take := newClip(2.5, seed).white(-80), newClip(2.5, seed+1000).pink(-60)
		if r := split(t, dry, take, p, p); !math.IsNaN(float64(r.CarriedIn)) {
			claims++
		}
	}
	t.Logf("%d of 24", claims)
	if claims > 2 {
		t.Errorf("%d of 24 pairs of unrelated noise have carried-in noise", claims)
	}
}

func TestSplitNotTold(t *testing.T) {
	p := []Stretch{stretch(0.5, 3)}
	noise := func(seed uint64) *clip { return newClip(4, seed).white(-60) }
	for _, c := range []struct {
		name      string
		dry, take *clip
		pauses    []Stretch
		want      string
	}{
		{"short", noise(1), noise(2), []Stretch{stretch(0.5, 1)}, "split.few"},
		{"silent dry", newClip(4, 1), noise(2), p, "split.dry-gated"},
		{"silent take", noise(1), newClip(4, 2), p, "split.take-gated"},
		{"no pause", noise(1), noise(2), nil, "split.take"},
	} {
		r := split(t, c.dry, c.take, c.pauses, c.pauses)
		if !math.IsNaN(float64(r.CarriedIn)) || !math.IsNaN(float64(r.Added)) || r.Reason.Found != c.want {
			t.Errorf("%s: %+v", c.name, r)
		}
	}
}

type broken struct{}

func (broken) ReadAt([]float64, int64) (int, error) { return 0, errors.New("unreadable") }

func TestSplitBadInput(t *testing.T) {
	c := newClip(4, 1).white(-60)
	p := []Stretch{stretch(0.5, 3)}
	s := Signal{memory(c.x), p, c.measure(t, Params{}, p...)}
	if _, err := Split(s, Signal{memory(c.x), nil, s.Result}, testRate, Params{}); err == nil {
		t.Error("one pause and none: no error")
	}
	if _, err := Split(s, Signal{broken{}, p, s.Result}, testRate, Params{}); err == nil || !strings.Contains(err.Error(), "take at frame") {
		t.Errorf("unreadable take: %v", err)
	}
}

// The levels of both parts follow the take's gain.
func TestSplitLaws(t *testing.T) {
	p := []Stretch{stretch(0.5, 5)}
	dry := newClip(6, 1).white(-70)
	take := newClip(6, 2).white(-65)
	for i, v := range dry.x {
		take.x[i] += 2 * v
	}
	a := split(t, dry, take, p, p)
	take.each(func(v float64) float64 { return -0.25 * v })
	b := split(t, dry, take, p, p)
	near(t, "carried in", float64(b.CarriedIn-a.CarriedIn), unit.FromAmplitude(0.25), 1e-6)
	near(t, "added", float64(b.Added-a.Added), unit.FromAmplitude(0.25), 1e-6)
}

func BenchmarkSplit(b *testing.B) {
	dry, take := newClip(30, 1).white(-80).hum(50, -70), newClip(30, 2).white(-60).hum(50, -50, -60, -70)
	p := []Stretch{stretch(1, 11), stretch(15, 25)}
	m := func(c *clip) Signal { return Signal{memory(c.x), p, c.measure(b, Params{}, p...)} }
	d, t := m(dry), m(take)
	for b.Loop() {
		if _, err := Split(d, t, testRate, Params{}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(20*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
