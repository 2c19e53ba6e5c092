package leftover_test

import (
	"bufio"
	"math"
	"math/rand/v2"
	"os"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"evenhand/analyze/align"
	"evenhand/analyze/finding"
	"evenhand/analyze/leftover"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

const rate = 48000

var thirds = spectrum.Bands(3, 20, 20000)

// noise is Gaussian noise of variance 1.
func noise(seed uint64, seconds float64) []float64 {
	r := rand.New(rand.NewPCG(seed, 7))
	x := make([]float64, int(seconds*rate))
	for i := range x {
		x[i] = r.NormFloat64()
	}
	return x
}

// coloured is Gaussian noise through a low-pass of 12 dB per octave at 2 kHz, of
// variance 1.
func coloured(seed uint64, seconds float64) []float64 {
	x := noise(seed, seconds)
	section{lowPass, 2000, 0.7, 0}.run(x)
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	g := 1 / math.Sqrt(sum/float64(len(x)))
	for i := range x {
		x[i] *= g
	}
	return x
}

func through(x []float64, curve func(float64) float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = curve(v)
	}
	return y
}

// compare compares y with x over all of their time.
func compare(t testing.TB, x, y []float64, p leftover.Params) (ofY, ofX leftover.Result) {
	t.Helper()
	whole := []leftover.Stretch{{First: 0, Frames: int64(len(x))}}
	blocks := leftover.Blocks(rate, whole, whole, 1000)
	var e [2]*leftover.Excerpt
	for i, s := range [][]float64{x, y} {
		var err error
		if e[i], err = leftover.Read(align.NewMemory(rate, s), 0, blocks); err != nil {
			t.Fatal(err)
		}
	}
	ofY, ofX, err := leftover.Compare(e[0], e[1], p)
	if err != nil {
		t.Fatal(err)
	}
	return ofY, ofX
}

func curveOf(t *testing.T, name string, a float64) func(float64) float64 {
	switch name {
	case "cubic":
		return func(x float64) float64 { return x + a*x*x*x }
	case "square":
		return func(x float64) float64 { return x + a*x*x }
	case "hard clip":
		return func(x float64) float64 { return math.Max(-a, math.Min(a, x)) }
	case "half wave":
		return func(x float64) float64 { return math.Max(x, 0) }
	case "sign":
		return func(x float64) float64 { return math.Copysign(1, x) }
	case "tanh":
		return func(x float64) float64 { return math.Tanh(a * x) }
	}
	t.Fatalf("no curve %q", name)
	return nil
}

// TestGaussian: what a memoryless curve leaves of Gaussian noise, against the closed
// forms of J. J. Bussgang (1952), recomputed. 0.1 dB is allowed for white noise and
// 0.2 dB for coloured noise of 60 s.
func TestGaussian(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	f, err := os.Open("testdata/gaussian_leftover.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	white, brown := noise(1, 60), coloured(2, 60)
	rows := 0
	for in := bufio.NewScanner(f); in.Scan(); {
		line := in.Text()
		if strings.HasPrefix(line, "#") || strings.HasPrefix(line, "curve,") {
			continue
		}
		rows++
		cells := strings.Split(line, ",")
		a, err1 := strconv.ParseFloat(cells[1], 64)
		want, err2 := strconv.ParseFloat(cells[4], 64)
		if err1 != nil || err2 != nil {
			t.Fatal(line)
		}
		curve := curveOf(t, cells[0], a)
		for _, c := range []struct {
			name  string
			x     []float64
			allow float64
		}{{"white", white, 0.1}, {"coloured", brown, 0.2}} {
			got, _ := compare(t, c.x, through(c.x, curve), leftover.Params{})
			d := float64(got.Filter.Unweighted) - want
			t.Logf("%s %g, %s: %.3f dB, %+.3f dB off", cells[0], a, c.name, float64(got.Filter.Unweighted), d)
			if !(math.Abs(d) <= c.allow) {
				t.Errorf("%s %g of %s noise leaves %.3f dB, want %.3f ± %.1f", cells[0], a, c.name, float64(got.Filter.Unweighted), want, c.allow)
			}
		}
	}
	if rows != 11 {
		t.Fatalf("%d rows", rows)
	}
}

// TestFiltered: a filtered copy leaves less than −45 dB with the default window, and less
// than −60 dB with twice the window and four passes (common practice, no source).
func TestFiltered(t *testing.T) {
	x := noise(3, 60)
	for _, f := range []struct {
		name    string
		filters []section
		delay   int
	}{
		{"tone", []section{{highShelf, 2000, 0.7, 8}}, 0},
		{"cabinet", []section{{highPass, 92, 1.5, 0}, {peak, 420, 0.9, -3}, {peak, 2500, 1.4, 5}, {lowPass, 5000, 0.54, 0}, {lowPass, 5000, 1.31, 0}}, 40},
	} {
		y := append(make([]float64, f.delay), x[:len(x)-f.delay]...)
		for _, s := range f.filters {
			s.run(y)
		}
		for _, c := range []struct {
			p    leftover.Params
			most unit.DB
		}{{leftover.Params{Bands: thirds}, -45}, {leftover.Params{Length: 32768, Passes: 4}, -60}} {
			got, _ := compare(t, x, y, c.p)
			t.Logf("%s, window %d: %.1f dB after a filter, equaliser %.1f dB", f.name, c.p.Length, float64(got.Filter.Unweighted), float64(got.Equaliser.Unweighted))
			if !(got.Filter.Unweighted < c.most) {
				t.Errorf("%s: %.1f dB remains, allowed less than %.0f dB", f.name, float64(got.Filter.Unweighted), float64(c.most))
			}
		}
	}
}

// TestNoise: a copy with independent noise 20 dB below it leaves −20 ± 0.3 dB. Its
// equaliser does nothing.
func TestNoise(t *testing.T) {
	x, n := coloured(4, 60), coloured(5, 60)
	y := make([]float64, len(x))
	for i := range y {
		y[i] = -x[i] + 0.1*n[i]
	}
	got, turned := compare(t, x, y, leftover.Params{Bands: thirds})
	// The noise is 1/101 of y's power.
	want := unit.FromPower(0.01 / 1.01)
	t.Logf("%.3f dB, the other way %.3f dB, equaliser %.3f dB, bound %.3f dB", float64(got.Filter.Unweighted), float64(turned.Filter.Unweighted), float64(got.Equaliser.Unweighted), float64(got.Bound))
	for _, v := range []unit.DB{got.Filter.Unweighted, got.Equaliser.Unweighted} {
		if math.Abs(float64(v)-want) > 0.3 {
			t.Errorf("%.3f dB remains, want %.3f ± 0.3", float64(v), want)
		}
	}
	if !(got.Bound <= got.Filter.K) {
		t.Errorf("no filter leaves less than %.3f dB, and one leaves %.3f dB", float64(got.Bound), float64(got.Filter.K))
	}
	for b, g := range got.Curve {
		if f := thirds[b].Centre; f > 60 && f < 5000 && math.Abs(float64(g)) > 0.3 {
			t.Errorf("the equaliser of a copy has %.2f dB at %s", float64(g), thirds[b].Label)
		}
	}
}

// TestRefuses: too little music and silence are not measured, excerpts of other blocks
// are an error.
func TestRefuses(t *testing.T) {
	x := noise(6, 8)
	if got, _ := compare(t, x, x, leftover.Params{}); got.Reason.Found != "" {
		t.Errorf("8 s: %v", got.Reason)
	}
	if got, _ := compare(t, x[:7*rate], x[:7*rate], leftover.Params{}); !reflect.DeepEqual(got.Reason, finding.Say("leftover.short", "windows", 0, "window_s", 16384.0/rate, "least", 17)) {
		t.Errorf("7 s: %v", got.Reason)
	}
	if got, _ := compare(t, x, make([]float64, len(x)), leftover.Params{}); got.Reason.Found != "leftover.silent" {
		t.Errorf("silence: %v", got.Reason)
	}
	read := func(first int64) *leftover.Excerpt {
		e, err := leftover.Read(align.NewMemory(rate, x), 0, []leftover.Block{{Stretch: leftover.Stretch{First: first, Frames: 4 * rate}}})
		if err != nil {
			t.Fatal(err)
		}
		return e
	}
	if _, _, err := leftover.Compare(read(0), read(1), leftover.Params{}); err == nil {
		t.Error("excerpts of other blocks were compared")
	}
}

func TestBlocks(t *testing.T) {
	sections := []leftover.Stretch{{First: 100, Frames: 9 * rate}, {First: 10 * rate, Frames: 3 * rate}, {First: 20 * rate, Frames: 100 * rate}}
	playing := []leftover.Stretch{{First: 0, Frames: 3 * rate}, {First: 21 * rate, Frames: 99 * rate}}
	got := leftover.Blocks(rate, sections, playing, 8)
	if len(got) != 8 || got[0].First == 100 && got[1].First < 20*rate {
		t.Fatal(got)
	}
	last := int64(-1)
	for _, b := range got {
		s := sections[b.Section]
		if b.First < s.First || b.First+b.Frames > s.First+s.Frames || b.First <= last || b.Frames != 4*rate {
			t.Errorf("block %+v of section %+v", b, s)
		}
		last = b.First
	}
	if all := leftover.Blocks(rate, sections, playing, 1000); len(all) != 26 {
		t.Errorf("%d blocks, want 26: 1 of 2 in the first section, none of the second, 25 of the third", len(all))
	}
}

func BenchmarkCompare(b *testing.B) {
	x := noise(1, 32)
	y := through(x, math.Tanh)
	whole := []leftover.Stretch{{Frames: int64(len(x))}}
	blocks := leftover.Blocks(rate, whole, whole, 8)
	ex, _ := leftover.Read(align.NewMemory(rate, x), 0, blocks)
	ey, _ := leftover.Read(align.NewMemory(rate, y), 0, blocks)
	for b.Loop() {
		if _, _, err := leftover.Compare(ex, ey, leftover.Params{Bands: thirds}); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(32*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}

// section is a filter of two poles and two zeros.
//
// Source: R. Bristow-Johnson, Cookbook formulae for audio EQ biquad filter coefficients
// (from memory).
type section struct {
	kind  int
	hz, q float64
	db    float64
}

const (
	lowPass = iota
	highPass
	peak
	highShelf
)

func (s section) run(x []float64) {
	w := 2 * math.Pi * s.hz / rate
	c, alpha, a := math.Cos(w), math.Sin(w)/(2*s.q), math.Pow(10, s.db/40)
	var b0, b1, b2, a0, a1, a2 float64
	switch s.kind {
	case lowPass:
		b0, b1, b2, a0, a1, a2 = (1-c)/2, 1-c, (1-c)/2, 1+alpha, -2*c, 1-alpha
	case highPass:
		b0, b1, b2, a0, a1, a2 = (1+c)/2, -1-c, (1+c)/2, 1+alpha, -2*c, 1-alpha
	case peak:
		b0, b1, b2, a0, a1, a2 = 1+alpha*a, -2*c, 1-alpha*a, 1+alpha/a, -2*c, 1-alpha/a
	case highShelf:
		r := 2 * math.Sqrt(a) * alpha
		b0, b1, b2 = a*((a+1)+(a-1)*c+r), -2*a*((a-1)+(a+1)*c), a*((a+1)+(a-1)*c-r)
		a0, a1, a2 = (a+1)-(a-1)*c+r, 2*((a-1)-(a+1)*c), (a+1)-(a-1)*c-r
	}
	var x1, x2, y1, y2 float64
	for i, v := range x {
		y := (b0*v + b1*x1 + b2*x2 - a1*y1 - a2*y2) / a0
		x2, x1, y2, y1 = x1, v, y1, y
		x[i] = y
	}
}
