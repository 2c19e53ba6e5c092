package guitar

import (
	"math"
	"slices"
	"testing"

	"evenhand/analyze/unit"
)

// level is the RMS of x from one time to another, and the peak of that.
func level(x []float64, from, to unit.Seconds) (rms, peak unit.DBFS) {
	sum, top := 0.0, 0.0
	x = x[int(from*Rate):int(to*Rate)]
	for _, v := range x {
		sum += v * v
		top = max(top, math.Abs(v))
	}
	return unit.DBFS(unit.FromPower(sum / float64(len(x)))), unit.DBFS(unit.FromAmplitude(top))
}

// TestEveryChain renders everything and asks of each recording that its passages
// sound, that it does not clip, and that a repeat is near and not the same.
func TestEveryChain(t *testing.T) {
	dry := Dry(t)
	checkPassages(t, "dry", dry, -7)
	chains := Chains(t)
	kinds := map[string]int{}
	for _, c := range chains {
		x := Take(t, c.Name)
		kinds[c.Kind]++
		checkPassages(t, c.Name, x, -30)
		if slices.Equal(x, dry) {
			t.Errorf("%s changes nothing", c.Name)
		}
	}
	for _, k := range []string{"clean", "crunch", "high gain", "fuzz", "octave", "time-based"} {
		if kinds[k] < 2 {
			t.Errorf("%d chains are %s, want 2", kinds[k], k)
		}
		delete(kinds, k)
	}
	if len(kinds) > 0 {
		t.Errorf("unknown kinds: %v", kinds)
	}
	for _, name := range []string{"clean-1", "crunch-1", "lead", "fuzz-1", "octave-up", "echo"} {
		x, y := Take(t, name), Repeat(t, name)
		d := make([]float64, len(x))
		for i := range d {
			d[i] = x[i] - y[i]
		}
		loud, _ := level(x, 0, Length)
		off, _ := level(d, 0, Length)
		t.Logf("%s: the repeat differs by %.1f dB", name, float64(off-loud))
		if off > loud-20 || off < loud-100 {
			t.Errorf("%s: the repeat differs by %.1f dB", name, float64(off-loud))
		}
	}
}

func checkPassages(t *testing.T, name string, x []float64, least unit.DBFS) {
	t.Helper()
	if len(x) != frames {
		t.Fatalf("%s has %d frames, want %d", name, len(x), frames)
	}
	_, peak := level(x, 0, Length)
	before, _ := level(x, 0.2, 1)
	t.Logf("%-12s peak %v, before the first note %v", name, peak, before)
	if peak > -0.5 || peak < least {
		t.Errorf("%s: peak %v", name, peak)
	}
	for k, s := range Sections() {
		loud, _ := level(x, s.From, s.To)
		if loud < before+20 {
			t.Errorf("%s: %s has %v, before the first note are %v", name, s.Name, loud, before)
		}
		end := Length
		if k+1 < len(Sections()) {
			end = Sections()[k+1].From
		}
		if pause := end - s.To; pause < 1 || pause > 2.6 {
			t.Errorf("%s: %.2f s of pause behind %s", name, pause, s.Name)
		}
		tail, _ := level(x, end-0.4, end-0.05)
		t.Logf("    %-14s %v, at the end of the pause %v", s.Name, loud, tail)
	}
}

// TestPass asks of another pass that every note is within a few milliseconds of
// the first, and not in one place.
func TestPass(t *testing.T) {
	if slices.Equal(midi(0), midi(1)) || slices.Equal(midi(1), midi(2)) || !slices.Equal(midi(1), midi(1)) {
		t.Error("passes are alike, or one differs from itself")
	}
	a, b := Pass(t, 0), Pass(t, 1)
	d := make([]float64, len(a))
	for i := range d {
		d[i] = a[i] - b[i]
	}
	for _, s := range Sections() {
		one, _ := level(a, s.From, s.To)
		two, _ := level(b, s.From, s.To)
		off, _ := level(d, s.From, s.To)
		t.Logf("%s: %v and %v, apart %v", s.Name, one, two, off)
		if math.Abs(float64(one-two)) > 1.5 || off < one-12 {
			t.Errorf("%s: %v and %v, apart %v", s.Name, one, two, off)
		}
	}
}
