package align

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"evenhand/examples/campaign"
)

func find(t *testing.T, rate int, a, b []float64, opt Options) Estimate {
	t.Helper()
	e, err := Find(NewMemory(rate, a), NewMemory(rate, b), opt)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// chains are the simulated signal paths of the accuracy tests. Certain says
// whether the lag against the dry recording can be told: behind a cabinet it
// cannot.
var chains = []struct {
	name    string
	certain bool
	render  func(x []float64, rate int) []float64
}{
	{"clean", true, func(x []float64, _ int) []float64 { return x }},
	{"drive 4", true, func(x []float64, _ int) []float64 { return driven(x, 4) }},
	{"drive 20", true, func(x []float64, _ int) []float64 { return driven(x, 20) }},
	{"drive 100, inverted, noise −40 dB", true, func(x []float64, _ int) []float64 { return hissy(scaled(driven(x, 100), -1), 3, -40) }},
	{"low-pass 3 kHz", true, func(x []float64, rate int) []float64 { return onePole(x, rate, 3000) }},
	{"cabinet", false, cabinet},
	{"tone, drive 20, cabinet", false, func(x []float64, rate int) []float64 {
		return cabinet(driven(toneStack(x, rate, 8), 20), rate)
	}},
	{"drive 20, scoop, cabinet", false, func(x []float64, rate int) []float64 {
		return cabinet(toneStack(driven(x, 20), rate, -10), rate)
	}},
	{"drive 100, scoop, cabinet, inverted, noise −40 dB", false, func(x []float64, rate int) []float64 {
		return hissy(scaled(cabinet(toneStack(driven(x, 100), rate, -6), rate), -1), 5, -40)
	}},
}

// TestInjectedLags delays renders by known fractions and demands that the lag
// against the undelayed render is as much, and that the lag against the dry
// recording moves by as much, within 0.05 frames.
func TestInjectedLags(t *testing.T) {
	lags := map[int][]float64{44100: {-812.63}, 48000: {1234.37}, 96000: {2468.81}}
	for _, rate := range []int{44100, 48000, 96000} {
		t.Run(fmt.Sprintf("rate=%d", rate), func(t *testing.T) {
			t.Parallel()
			if raced && rate != 44100 {
				t.Skip("no concurrency of its own; run without the race detector")
			}
			x := play(riff(7, 7, 0.006), rate, 8, 0, 0)
			// The takes run a quarter of a second longer at both ends, so that
			// every window lies inside all of them.
			f, err := NewFeature(NewMemory(rate, x[rate/4:len(x)-rate/4]), Options{})
			if err != nil {
				t.Fatal(err)
			}
			follow := func(y []float64) *Feature {
				g, err := f.Follow(NewMemory(rate, y))
				if err != nil {
					t.Fatal(err)
				}
				return g
			}
			for i, c := range chains {
				if rate == 44100 && i%2 == 1 || rate == 96000 && i%4 != 0 {
					continue
				}
				y := c.render(x, rate)
				// Each render has noise of its own; against the dry recording
				// the lag behind a cabinet is known less well in noise, and
				// is asked for without.
				hiss := func(x []float64, seed uint64) []float64 { return hissy(x, seed, -40) }
				if !c.certain {
					hiss = func(x []float64, _ uint64) []float64 { return x }
				}
				g, noisy := follow(hiss(y, 76)), follow(hissy(y, 78, -40))
				zero, err := Between(f, g)
				if err != nil {
					t.Fatal(err)
				}
				for _, d := range lags[rate] {
					z := delayed(y, d)
					h := follow(hiss(z, 77))
					e, err := Between(f, h)
					if err != nil {
						t.Fatal(err)
					}
					pair, err := Between(noisy, follow(hissy(z, 79, -40)))
					if err != nil {
						t.Fatal(err)
					}
					dry, take := float64(e.Lag-zero.Lag)-d, float64(pair.Lag)-d
					t.Logf("%-50s lag %9.2f: against dry %+.4f, against the other take %+.4f; undelayed %.3f (plain %.2f, whitened %.2f)",
						c.name, d, dry, take, float64(zero.Lag)-float64(rate/4), float64(zero.Plain)-float64(rate/4), float64(zero.Whitened)-float64(rate/4))
					if math.Abs(dry) > 0.05 {
						t.Errorf("%s, lag %g: against the dry recording off by %+.4f samples, allowed 0.05", c.name, d, dry)
					}
					if math.Abs(take) > 0.05 || !pair.Certain || pair.Polarity != 1 {
						t.Errorf("%s, lag %g: against the other take off by %+.4f samples, certain %v (%s), polarity %d", c.name, d, take, pair.Certain, pair.Reason, pair.Polarity)
					}
					if e.Confidence < leastConfidence {
						t.Errorf("%s, lag %g: confidence %.2f", c.name, d, float64(e.Confidence))
					}
					if c.certain != e.Certain {
						t.Errorf("%s, lag %g: certain %v, want %v (%s)", c.name, d, e.Certain, c.certain, e.Reason)
					}
					// Where the lag is uncertain the polarity may be known.
					if want := wantPolarity(c.name); e.Polarity != want && (e.Certain || e.Polarity != 0) {
						t.Errorf("%s, lag %g: polarity %d, want %d", c.name, d, e.Polarity, want)
					}
				}
			}
		})
	}
}

func wantPolarity(chain string) int {
	if strings.Contains(chain, "inverted") {
		return -1
	}
	return 1
}

// TestDistortionHasNoDelay: a memoryless curve delays nothing, so its lag is
// that of the dry recording.
func TestDistortionHasNoDelay(t *testing.T) {
	t.Parallel()
	x := dry()
	for _, drive := range []float64{4, 20, 100} {
		e := find(t, low, x, scaled(driven(x, drive), -1), Options{})
		t.Logf("drive %g: %+.4f", drive, float64(e.Lag))
		if math.Abs(float64(e.Lag)) > 0.02 || e.Polarity != -1 || !e.Certain {
			t.Errorf("drive %g: lag %+.4f, polarity %d, certain %v; want 0 within 0.02, −1, true", drive, float64(e.Lag), e.Polarity, e.Certain)
		}
	}
}

// TestWhitenedFindsArrival: behind a cabinet the plain estimate is far off or
// has the wrong sign; the whitened one has the polarity and arrives within
// 0.15 ms of the chain's own first arrival; no lag is claimed, and no wrong
// polarity.
func TestWhitenedFindsArrival(t *testing.T) {
	t.Parallel()
	x := dry()
	for _, c := range chains[5:] {
		e := find(t, low, x, c.render(x, low), Options{})
		inverted := strings.Contains(c.name, "inverted")
		if math.Abs(float64(e.Whitened)) > 0.00015*low || (e.WhitenedPeak < 0) != inverted {
			t.Errorf("%s: whitened lag %.2f, peak %.2f", c.name, float64(e.Whitened), e.WhitenedPeak)
		}
		if e.Certain || e.Polarity != 0 && (e.Polarity < 0) != inverted || e.Reason.Found == "" || e.Lag != e.Whitened {
			t.Errorf("%s: %+v", c.name, e)
		}
	}
}

// TestDifferentCircuits: what a delay adds between takes of different circuits
// through one cabinet is found, whatever the gear's own difference is.
func TestDifferentCircuits(t *testing.T) {
	campaign.Serial(t)
	t.Parallel()
	x := dry()
	f, err := NewFeature(NewMemory(low, x), Options{})
	if err != nil {
		t.Fatal(err)
	}
	var at, later []*Feature
	const d = 321.44
	for _, c := range chains[5:] {
		y := c.render(x, low)
		for _, v := range []struct {
			list *[]*Feature
			x    []float64
		}{{&at, y}, {&later, delayed(y, d)}} {
			g, err := f.Follow(NewMemory(low, v.x))
			if err != nil {
				t.Fatal(err)
			}
			*v.list = append(*v.list, g)
		}
	}
	for i := range at {
		for j := range at {
			if i == j {
				continue
			}
			e0, err := Between(at[i], at[j])
			if err != nil {
				t.Fatal(err)
			}
			e1, err := Between(at[i], later[j])
			if err != nil {
				t.Fatal(err)
			}
			off := float64(e1.Lag-e0.Lag) - d
			t.Logf("%d→%d: lag %.2f, certain %v, added lag off by %+.4f", i, j, float64(e0.Lag), e0.Certain, off)
			if math.Abs(off) > 0.05 {
				t.Errorf("circuits %d and %d: added lag off by %+.4f samples, allowed 0.05", i, j, off)
			}
		}
	}
}

// TestLaws: exchanging the recordings negates the lag; inverting one changes
// the polarity alone; gain changes nothing.
func TestLaws(t *testing.T) {
	t.Parallel()
	x := dry()
	y := hissy(driven(delayed(x, 700.3), 8), 1, -50)
	e := find(t, low, x, y, Options{})
	back := find(t, low, y, x, Options{})
	if d := math.Abs(float64(e.Lag + back.Lag)); d > 0.01 || back.Polarity != e.Polarity {
		t.Errorf("exchanged: lag %.4f and %.4f, polarity %d and %d", float64(e.Lag), float64(back.Lag), e.Polarity, back.Polarity)
	}
	inv := find(t, low, x, scaled(y, -1), Options{})
	if inv.Lag != e.Lag || inv.Polarity != -1 || e.Polarity != 1 {
		t.Errorf("inverted: lag %v and %v, polarity %d and %d", e.Lag, inv.Lag, e.Polarity, inv.Polarity)
	}
	quiet := find(t, low, x, scaled(y, 0.003), Options{})
	if d := math.Abs(float64(quiet.Lag - e.Lag)); d > 1e-6 || quiet.Certain != e.Certain {
		t.Errorf("−50 dB: lag differs by %g", d)
	}
	f, err := NewFeature(NewMemory(low, x), Options{})
	if err != nil {
		t.Fatal(err)
	}
	g, err := f.Follow(NewMemory(low, y))
	if err != nil {
		t.Fatal(err)
	}
	r, err := Between(g, f)
	if err != nil || r.Lag != -e.Lag || r.Drift != -e.Drift {
		t.Errorf("follower to timeline: %v, %v; want %v", r.Lag, err, -e.Lag)
	}
}

// TestUnrelated: other music, and the same music played once more, are
// refused; the second shows in the spread of the window lags.
func TestUnrelated(t *testing.T) {
	campaign.Serial(t)
	t.Parallel()
	const rate = low
	seeds := uint64(4)
	if raced {
		seeds = 1
	}
	for _, seconds := range []float64{2, 5} {
		for seed := range seeds {
			x := play(riff(50+seed, seconds, 0.006), rate, seconds, 0, 0)
			y := driven(play(riff(150+seed, seconds, 0.006), rate, seconds, 0, 0), 20)
			if e := find(t, rate, x, y, Options{}); e.Certain || e.Reason.Found == "" || e.Polarity != 0 {
				t.Errorf("unrelated, %g s, seed %d: %+v", seconds, seed, e)
			}
		}
	}
	notes := riff(7, 12, 0.006)
	x := play(notes, rate, 12, 0, 0)
	same := find(t, rate, x, cabinet(driven(x, 50), rate), Options{})
	for _, jitter := range []float64{0.002, 0.005, 0.010, 0.020} {
		for seed := range min(seeds, 2) {
			y := cabinet(driven(play(replayed(notes, seed, jitter), rate, 12, 0, 0), 50), rate)
			e := find(t, rate, x, y, Options{})
			t.Logf("played again with %g ms: spread %.1f samples (%.2f ms); one performance %.2f", jitter*1000, float64(e.Spread), float64(e.Spread)*1000/rate, float64(same.Spread))
			if e.Certain || float64(e.Spread) < 10*float64(same.Spread) || float64(e.Spread)/rate < constantSeconds {
				t.Errorf("played again with %g ms: certain %v, spread %.2f, of one performance %.2f", jitter*1000, e.Certain, float64(e.Spread), float64(same.Spread))
			}
		}
	}
}

// TestHardPlaces: lags near and beyond the limit, cut heads and tails, long
// silence, repeats.
func TestHardPlaces(t *testing.T) {
	campaign.Serial(t)
	t.Parallel()
	const r = low
	x := dry()
	y := driven(x, 20)
	silence := func(s float64) []float64 { return make([]float64, int(s*r)) }
	cat := func(p ...[]float64) []float64 {
		var out []float64
		for _, s := range p {
			out = append(out, s...)
		}
		return out
	}
	var loop []float64
	for range 8 {
		loop = append(loop, x[4*r:4*r+r*3/2]...)
	}
	var notes []note
	for k := range 8 { // one riff played eight times
		for _, n := range replayed(riff(11, 2.4, 0.006), uint64(k), 0.006) {
			n.at += 1.9 * float64(k)
			notes = append(notes, n)
		}
	}
	eight := play(notes, r, 18, 0, 0)
	grid := play(riff(12, 12, 0), r, 12, 0, 0)
	for _, c := range []struct {
		name    string
		a, b    []float64
		opt     Options
		lag     float64
		certain bool
		reason  string
	}{
		{"head cut off", x, y[3*r/2:], Options{}, -1.5 * r, true, ""},
		{"head of the first cut off", x[3*r/2:], y, Options{}, 1.5 * r, true, ""},
		{"tail cut off", x, y[:8*r], Options{}, 0, true, ""},
		{"near the limit", x, cat(silence(1.999), y), Options{}, 1.999 * r, true, ""},
		{"near the negative limit", cat(silence(1.999), x), y, Options{}, -1.999 * r, true, ""},
		{"beyond the limit", x, cat(silence(2.1), y), Options{}, 2.1 * r, true, ""},
		{"far beyond the limit", x, y[5*r:], Options{}, -5 * r, true, ""},
		{"much farther", x, cat(silence(28.3), y), Options{}, 28.3 * r, true, ""},
		{"larger limit", x, y[5*r:], Options{MaxLag: 6}, -5 * r, true, ""},
		{"silence after the second", x, cat(y, silence(60)), Options{}, 0, true, ""},
		{"silence after the first", cat(x, silence(60)), y, Options{}, 0, true, ""},
		{"loop", loop, driven(delayed(loop, 300.3), 20), Options{}, 300.3, false, "place.repeats"},
		{"loop, limit below its period", loop, driven(delayed(loop, 300.3), 20), Options{MaxLag: 1}, 300.3, true, ""},
		{"riff played eight times", eight, driven(delayed(eight, 300.3), 20), Options{}, 300.3, true, ""},
		{"played by a machine", grid, driven(delayed(grid, 300.3), 20), Options{}, 300.3, true, ""},
	} {
		e := find(t, r, c.a, c.b, c.opt)
		const tol = 0.05
		if math.Abs(float64(e.Lag)-c.lag) > tol || e.Certain != c.certain || e.Reason.Found != c.reason {
			t.Errorf("%s: lag %.3f, certain %v, %q, confidence %.2f; want %.3f, %v, %q", c.name, float64(e.Lag), e.Certain, e.Reason, float64(e.Confidence), c.lag, c.certain, c.reason)
		}
	}
}

// TestDrift: a clock that is off by a known amount.
func TestDrift(t *testing.T) {
	campaign.Serial(t)
	t.Parallel()
	const r = low
	notes := riff(7, 20, 0.006)
	x := dry()
	for _, ppm := range []float64{5, -20, 100} {
		y := play(notes, r, 20, 100, ppm)
		for _, drive := range []float64{1, 20} {
			e := find(t, r, x, driven(y, drive), Options{})
			// The mistaken clock stretches the decays of the strings too.
			want := 100 + ppm*1e-6*float64(e.At)*r
			t.Logf("%g ppm, drive %g: %.3f ± %.3f ppm, lag off by %+.3f", ppm, drive, float64(e.Drift), float64(e.DriftError), float64(e.Lag)-want)
			if math.Abs(float64(e.Drift)-ppm) > 0.2 || math.Abs(float64(e.Lag)-want) > 0.5 || !e.Certain {
				t.Errorf("%g ppm, drive %g: %.3f ppm, lag %.3f, want %.3f; certain %v %s", ppm, drive, float64(e.Drift), float64(e.Lag), want, e.Certain, e.Reason)
			}
			if l := float64(e.LagAt(18, r)); math.Abs(l-(100+ppm*18*r*1e-6)) > 0.6 {
				t.Errorf("lag at 18 s is %.3f", l)
			}
		}
	}
	if e := find(t, r, x[:4*r], driven(x[:4*r], 3), Options{}); !math.IsNaN(float64(e.Drift)) || e.DriftReason.Found == "" || !e.Certain {
		t.Errorf("4 s: drift %v, %q", e.Drift, e.DriftReason)
	}
}

// TestLostFrames: the windows show where and how many frames were inserted.
func TestLostFrames(t *testing.T) {
	campaign.Serial(t)
	t.Parallel()
	const r = low
	x := dry()
	for _, n := range []int{-700, 100, 2000} {
		y := append(append([]float64(nil), x[:12*r]...), make([]float64, max(0, n))...)
		y = append(y, x[12*r+max(0, -n):]...)
		e := find(t, r, x, driven(y, 20), Options{})
		if e.Certain || e.Reason.Found != "place.scatters" || !math.IsNaN(float64(e.Drift)) {
			t.Errorf("%d frames: certain %v, %q, drift %v", n, e.Certain, e.Reason, e.Drift)
		}
		for _, w := range e.Windows {
			want := 0.0
			if w.Time > 12 {
				want = float64(n)
			}
			if math.Abs(float64(w.Time)-12) > 0.4 && math.Abs(float64(w.Lag)-want) > agreeSeconds*r {
				t.Errorf("%d frames: window at %.1f s has lag %.1f, want %g", n, float64(w.Time), float64(w.Lag), want)
			}
		}
	}
}

// endless is an hour of music that is made where it is read: two partials and
// a decay for each of a row of notes with pseudo-random onsets.
type endless struct {
	rate       int
	length     int64
	ppm, delay float64
	read       *int64
}

func (s endless) Rate() int  { return s.rate }
func (s endless) Len() int64 { return s.length }
func (s endless) ReadAt(dst []float64, first int64) (int, error) {
	clear(dst)
	*s.read += int64(len(dst))
	fs := float64(s.rate) * (1 + s.ppm*1e-6)
	from := (float64(first) - s.delay) / fs
	to := from + float64(len(dst))/fs
	for n := max(0, math.Floor((from-1.2)/0.2)); n*0.2 < to+0.2; n++ {
		h := math.Mod(math.Abs(math.Sin(n*12.9898)*43758.5453), 1)
		g := math.Mod(math.Abs(math.Sin(n*78.233)*12543.123), 1)
		onset := (n*0.2+0.12*h)*fs + s.delay
		i := max(0, int(math.Ceil(onset-float64(first))))
		for k, a := range [2]float64{0.2, 0.1} {
			w := 2 * math.Pi * (150 + 500*g) * float64(k*2+1) / fs
			for j := i; j < len(dst) && float64(j)+float64(first)-onset < fs; j++ {
				u := float64(j) + float64(first) - onset
				dst[j] += a * math.Exp(-6*u/fs) * math.Sin(w*u)
			}
		}
	}
	return len(dst), nil
}

// TestHour: over an hour with a drift of 20 ppm every window is found, and
// reading does not grow with the length.
func TestHour(t *testing.T) {
	campaign.Serial(t)
	t.Parallel()
	const rate = 4000
	var n int64
	a := endless{rate, 3600 * rate, 0, 0, &n}
	b := endless{rate, 3600 * rate, 20, 500.3, &n}
	e, err := Find(a, b, Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := 500.3 + 20e-6*float64(e.At)*rate
	if !e.Certain || math.Abs(float64(e.Drift)-20) > 0.05 || math.Abs(float64(e.Lag)-want) > 0.1 {
		t.Errorf("%.3f ppm, lag %.3f, want %.3f; certain %v %s", float64(e.Drift), float64(e.Lag), want, e.Certain, e.Reason)
	}
	if first, last := e.Windows[0].Time, e.Windows[len(e.Windows)-1].Time; first > 225 || last < 3375 {
		t.Errorf("windows from %v to %v s", first, last)
	}
	if n > 2200*rate {
		t.Errorf("%d s read", n/rate)
	}
}
