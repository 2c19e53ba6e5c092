package touch_test

import (
	"math"
	"testing"

	"evenhand/analyze/activity"
	"evenhand/analyze/align"
	"evenhand/analyze/touch"
	"evenhand/analyze/unit"
	"evenhand/examples/guitar"
	"evenhand/examples/studio"
)

const rate = guitar.Rate

// blocksOf cuts a recording into blocks of 4 s.
func blocksOf(x []float64) (out []touch.Stretch) {
	for at := 0; at+4*rate <= len(x); at += 4 * rate {
		out = append(out, touch.Stretch{First: int64(at), Frames: 4 * rate})
	}
	return out
}

// pausesOf finds the pauses of a recording.
func pausesOf(t testing.TB, x []float64) (out []touch.Stretch) {
	t.Helper()
	d := activity.NewDetector(rate, 1, activity.DefaultParams())
	if err := d.Write([][]float64{x}); err != nil {
		t.Fatal(err)
	}
	for _, p := range d.Finish().Pauses {
		out = append(out, touch.Stretch(p))
	}
	return out
}

func measure(t testing.TB, dry, take []float64, pauses []touch.Stretch) touch.Result {
	t.Helper()
	return measureOn(t, dry, take, blocksOf(dry), pauses)
}

func measureOn(t testing.TB, dry, take []float64, blocks, pauses []touch.Stretch) touch.Result {
	t.Helper()
	read := func(x []float64) *touch.Take {
		r, err := touch.Read(align.NewMemory(rate, x), 0, blocks, pauses)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	r, _, err := touch.Measure(read(dry), read(take))
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// compress is a compressor without a threshold, whose gain follows the level of the 25 ms
// around now.
func compress(x []float64, ratio float64) []float64 {
	const half = rate / 80
	y := make([]float64, len(x))
	power := 0.0
	for i := -half; i < len(x); i++ {
		if k := i + half; k < len(x) {
			power += x[k] * x[k]
		}
		if k := i - half; k >= 0 {
			power -= x[k] * x[k]
		}
		if i >= 0 {
			y[i] = x[i] * math.Pow(math.Max(0, power)/(2*half)+1e-12, (1/ratio-1)/2)
		}
	}
	return y
}

// pass is a filter of 12 dB per octave.
//
// Source: R. Bristow-Johnson, Cookbook formulae for audio EQ biquad filter coefficients
// (from memory).
func pass(x []float64, hz float64, high bool) []float64 {
	w := 2 * math.Pi * hz / rate
	c, alpha := math.Cos(w), math.Sin(w)/(2*math.Sqrt2/2)
	b0, b1 := (1-c)/2, 1-c
	if high {
		b0, b1 = (1+c)/2, -1-c
	}
	y := make([]float64, len(x))
	var x1, x2, y1, y2 float64
	for i, v := range x {
		y[i] = (b0*v + b1*x1 + b0*x2 + 2*c*y1 - (1-alpha)*y2) / (1 + alpha)
		x2, x1, y2, y1 = x1, v, y1, y[i]
	}
	return y
}

// cabinet sends x through the response of the studio's first microphone.
func cabinet(x []float64) []float64 {
	session, _ := studio.Open("four-fuzzes")
	h := studio.Cabinet(rate, session.IR[0])
	y := make([]float64, len(x))
	for i, v := range x {
		if v == 0 {
			continue
		}
		for k := 0; k < len(h) && i+k < len(y); k++ {
			y[i+k] += v * h[k]
		}
	}
	return y
}

var filters = []struct {
	name string
	run  func([]float64) []float64
}{
	{"nothing", func(x []float64) []float64 { return x }},
	{"cabinet", cabinet},
	{"high-pass 500 Hz", func(x []float64) []float64 { return pass(x, 500, true) }},
	{"low-pass 400 Hz", func(x []float64) []float64 { return pass(x, 400, false) }},
}

// TestSlope: filters are clean, compressors have the slope that they were built with, also
// behind filters. The limits are those of the method as it was tried on other material;
// common practice, no source.
func TestSlope(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	dry := guitar.Dry(t)
	pauses := pausesOf(t, dry)
	root := make([]float64, len(dry))
	for i, v := range dry {
		root[i] = math.Copysign(math.Sqrt(math.Abs(v)), v)
	}
	for _, c := range []struct {
		name        string
		x           []float64
		want, allow float64
		more        float64 // behind a filter
	}{
		{"linear", dry, 1, 0.01, 0.01},
		{"2:1", compress(dry, 2), 0.5, 0.02, 0.02},
		{"4:1", compress(dry, 4), 0.25, 0.02, 0.02},
		{"10:1", compress(dry, 10), 0.1, 0.02, 0.02},
		{"square root", root, 0.5, 0.03, 0.15},
	} {
		for i, f := range filters {
			allow := c.allow
			if i > 0 {
				allow = c.more
			}
			got := measure(t, dry, f.run(c.x), pauses)
			t.Logf("%s, %s: %.4f, %.3f to %.3f, %d frames", c.name, f.name, float64(got.Slope), float64(got.Low), float64(got.High), got.Frames)
			if !(math.Abs(float64(got.Slope)-c.want) <= allow) {
				t.Errorf("%s behind %s: slope %.3f, want %.2f ± %.2f", c.name, f.name, float64(got.Slope), c.want, allow)
			}
		}
	}
}

// TestOrder: amplifiers come in the order in which they were built, clean to fuzz.
func TestOrder(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	dry := guitar.Dry(t)
	got := map[string]float64{}
	for _, c := range []string{"clean-1", "clean-2", "crunch-1", "crunch-2", "lead", "high-gain", "fuzz-1", "fuzz-2", "compressor", "tremolo", "reverb", "echo", "chorus", "vibrato"} {
		r := measure(t, dry, guitar.Take(t, c), pausesOf(t, dry))
		got[c] = float64(r.Slope)
		t.Logf("%-10s %.3f, %.3f to %.3f %v", c, got[c], float64(r.Low), float64(r.High), r.Reason)
	}
	// A delay that sways has no filter.
	if r := measure(t, dry, guitar.Take(t, "vibrato"), pausesOf(t, dry)); r.Reason.Found != "touch.halves" {
		t.Errorf("vibrato: %v", r.Reason)
	}
	for _, p := range [][2]string{{"clean-1", "crunch-1"}, {"clean-2", "crunch-2"}, {"crunch-1", "lead"}, {"lead", "high-gain"}, {"high-gain", "fuzz-1"}} {
		if !(got[p[0]] > got[p[1]]) {
			t.Errorf("%s has slope %.3f, %s %.3f", p[0], got[p[0]], p[1], got[p[1]])
		}
	}
}

func TestOrderOfTheStudio(t *testing.T) {
	session, dry := opened(t)
	var bypass float64
	got := map[string]float64{}
	for _, take := range session.Takes[:5] {
		c := take.Chain
		c.Lag, c.Extra = 100, 0
		r := measure(t, dry, studio.Render(dry, c)[0], pausesOf(t, dry))
		got[take.Name] = float64(r.Slope)
		if take.Name == "Bypass" {
			bypass = float64(r.Slope)
		}
		t.Logf("%-14s %.3f, %.3f to %.3f %v", take.Name, float64(r.Slope), float64(r.Low), float64(r.High), r.Reason)
	}
	if math.Abs(bypass-1) > 0.05 {
		t.Errorf("the bypassed circuit has slope %.3f", bypass)
	}
	for _, name := range []string{"Leaning", "Splitting", "Sagging"} {
		if !(got[name] < bypass-0.2) {
			t.Errorf("%s has slope %.3f, bypassed it is %.3f", name, got[name], bypass)
		}
	}
}

// TestRefuses: what has too few frames above its noise, or is played evenly.
func TestRefuses(t *testing.T) {
	even := make([]float64, 8*rate)
	for i := range even {
		even[i] = 0.1 * math.Sin(2*math.Pi*220*float64(i)/rate)
	}
	if r := measure(t, even, even, nil); r.Reason.Found != "touch.even" {
		t.Errorf("an even tone: %v", r.Reason)
	}
	if r := measure(t, even, make([]float64, len(even)), nil); r.Reason.Found != "touch.few" || r.Reason.With["frames"] != unit.Number(0) {
		t.Errorf("silence: %v", r.Reason)
	}
	if r := measure(t, even, even, []touch.Stretch{{First: 0, Frames: rate}}); r.Reason.Found != "touch.few" {
		t.Errorf("as loud as its noise: %v", r.Reason)
	}
}

func BenchmarkMeasure(b *testing.B) {
	dry := guitar.Dry(b)[:32*rate]
	take := compress(dry, 4)
	for b.Loop() {
		measure(b, dry, take, nil)
	}
	b.ReportMetric(32*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
