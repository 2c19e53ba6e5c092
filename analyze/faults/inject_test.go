package faults

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"sync"
	"testing"

	"evenhand/analyze/unit"
	"evenhand/examples/studio"
)

// scenes are the material that faults are put into: all but one recorded, or
// modelled, through different gear from the same playing.
func scenes(t testing.TB) []material {
	all, err := allScenes()
	if err != nil {
		t.Fatal(err)
	}
	return all
}

var allScenes = sync.OnceValues(func() ([]material, error) {
	const rate = 48000
	dry, err := studio.Performance(rate, 31, score(0))
	if err != nil {
		return nil, err
	}
	s, err := studio.Open("four-fuzzes")
	if err != nil {
		return nil, err
	}
	c := s.Takes[0].Chain
	c.Extra = 0
	return []material{
		{"dry", rate, dry},
		{"saturated riff, microphone", rate, studio.Render(dry, c)[0]},
		{"saturated riff, cabinet, 16 bits", rate, quantised(fit(cab(driven(dry, rate, 100, 0.2), rate), 0.5), 16)},
		{"crunch, no cabinet", rate, fit(driven(dry, rate, 4, 0.2), 0.5)},
		{"saturated riff, no cabinet", rate, fit(driven(dry, rate, 30, 0.2), 0.5)},
		{"fuzz of full drive, no cabinet", rate, fit(driven(dry, rate, 300, 0), 0.5)},
		{"noise below 6 kHz, −20 dBFS", rate, ends(fit(pass(pass(noise(5, 4*rate), rate, 6000, 0.54, false), rate, 6000, 1.31, false), 0.4), rate)},
	}, nil
})

func clickAt(clicks []Click, at int64) (Click, bool) {
	for _, c := range clicks {
		if c.Frame >= at-3 && c.Frame <= at+3 {
			return c, true
		}
	}
	return Click{}, false
}

// TestClicks adds single wrong samples: those above the floor that the meter
// states are found with their level and to the sample, behind a cabinet down
// to −60 dBFS, and nothing else is.
func TestClicks(t *testing.T) {
	all := scenes(t)
	if raceDetector {
		all = all[1:3]
	}
	for _, m := range all {
		row := fmt.Sprintf("%-34s floor %6.1f |", m.name, float64(measure(t, m.rate, Params{}, m.x).Floor))
		for db := -10.0; db >= -60; db -= 10 {
			rng := rand.New(rand.NewPCG(uint64(-db), 9))
			found, tried, above := 0, 0, 0
			for range 4 {
				x := append([]float64(nil), m.x...)
				var at []int64
				for p := m.rate / 10; p < len(x)-m.rate/10; p += m.rate / 4 {
					i := p + rng.IntN(m.rate/10)
					at = append(at, int64(i))
					x[i] += unit.ToAmplitude(db) * float64(2*rng.IntN(2)-1)
				}
				r := measure(t, m.rate, Params{}, x)
				for _, i := range at {
					tried++
					worst := unit.DBFS(0)
					for _, f := range r.Floors {
						if i >= f.From && i < f.To {
							worst = f.Worst
						}
					}
					c, ok := clickAt(r.Clicks, i)
					if ok {
						found++
					}
					if db >= float64(worst)+3 {
						above++
						if !ok {
							t.Errorf("%s: click of %g dBFS at %d not found, floor there %v", m.name, db, i, worst)
						} else if c.Frame != i || math.Abs(float64(c.Level)-db) > 1.5 {
							t.Errorf("%s: click of %g dBFS at %d found as %+v", m.name, db, i, c)
						}
					}
					if ok && db >= -40 && db < -10 && m.name[:3] == "sat" && math.Abs(float64(c.Level)-db) > 3 {
						t.Errorf("%s: click of %g dBFS has level %v", m.name, db, c.Level)
					}
				}
				if int(r.ClickCount) > len(at) {
					t.Errorf("%s: %d clicks of %g dBFS put in, %d found", m.name, len(at), db, r.ClickCount)
				}
			}
			row += fmt.Sprintf(" %g: %d/%d", db, found, tried)
			if m.name == "saturated riff, microphone" && db >= -40 && found != tried {
				t.Errorf("%s: of %d clicks of %g dBFS %d found", m.name, tried, db, found)
			}
		}
		t.Log(row)
	}
}

// damage is one kind of dropout, applied to n frames from at.
var damages = []struct {
	kind string
	do   func(x []float64, at, n int)
}{
	{Zeros, func(x []float64, at, n int) { clear(x[at : at+n]) }},
	{Held, func(x []float64, at, n int) {
		for i := range n {
			x[at+i] = x[at-1]
		}
	}},
	{Repeat, func(x []float64, at, n int) { copy(x[at:at+n], append([]float64(nil), x[at-n:at]...)) }},
}

// TestDropouts puts dropouts of several lengths into sound.
func TestDropouts(t *testing.T) {
	all := scenes(t)
	if raceDetector {
		all = all[1:3]
	}
	for _, m := range all {
		for _, d := range damages {
			row := fmt.Sprintf("%-34s %-13s", m.name, d.kind)
			for _, n := range []int{16, 32, 64, 128, 512, 2048, 9600} {
				if d.kind == Repeat && n < 64 {
					continue
				}
				rng := rand.New(rand.NewPCG(uint64(n), 5))
				found, tried, clicks, other := 0, 0, int64(0), 0
				for range 12 {
					at := 0
					for at == 0 { // within sound: both ends
						at = m.rate/2 + rng.IntN(len(m.x)-m.rate)
						if rmsLevel(m.x[at-240:at]) < -35 || rmsLevel(m.x[at+n:at+n+240]) < -35 {
							at = 0
						}
					}
					from := max(0, at-n-m.rate/3)
					x := append([]float64(nil), m.x[from:min(len(m.x), at+n+m.rate/3)]...)
					at -= from
					d.do(x, at, n)
					r := measure(t, m.rate, Params{}, x)
					tried++
					ok := false
					for _, f := range r.Dropouts {
						if f.Kind == d.kind && f.Frame >= int64(at)-2 && f.Frame <= int64(at) && f.Frames >= int64(n) && f.Frames <= int64(n)+3 {
							ok = true
						} else {
							other++
						}
					}
					if ok {
						found++
						clicks += r.ClickCount
					}
				}
				row += fmt.Sprintf(" %d: %d/%d", n, found, tried)
				if clicks > 0 || other > 0 {
					t.Errorf("%s, %s of %d: %d clicks beside it, %d wrong dropouts", m.name, d.kind, n, clicks, other)
				}
				least := 9 // a splice may happen to be smooth
				if d.kind == Repeat {
					least = 11
				}
				if strings.HasPrefix(m.name, "saturated") && n >= 64 && (n >= 128 || d.kind != Repeat) && found < least {
					t.Errorf("%s, %s of %d frames: found %d of %d", m.name, d.kind, n, found, tried)
				}
			}
			t.Log(row)
		}
	}
}

func rmsLevel(x []float64) float64 {
	s := 0.0
	for _, v := range x {
		s += v * v
	}
	return unit.FromPower(s / float64(len(x)))
}

func clamped(x []float64, at float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		y[i] = max(-at, min(at, v))
	}
	return y
}

// TestClipping clips at and below full scale, with and without what a later
// change of level and word length does to it.
func TestClipping(t *testing.T) {
	all := scenes(t)
	if raceDetector {
		all = all[1:3]
	}
	for _, m := range all {
		full := fit(m.x, 1)
		row := fmt.Sprintf("%-34s", m.name)
		for _, over := range []float64{0.3, 1, 3, 6} { // dB over
			g := unit.ToAmplitude(over)
			at := clamped(scaled(full, g), 1)
			c := measure(t, m.rate, Params{}, at).Channels[0]
			ideal, first := 0, -1
			for i, run := 0, 0; i < len(at); i++ {
				if math.Abs(at[i]) >= 1-1.5/32768 {
					if run++; run == 3 {
						ideal++
						if first < 0 {
							first = i - 2
						}
					}
				} else {
					run = 0
				}
			}
			if c.Clipped != int64(ideal) || c.FirstClip != int64(first) || c.Over != 0 {
				t.Errorf("%s, %g dB over: %d runs from %d, want %d from %d", m.name, over, c.Clipped, c.FirstClip, ideal, first)
			}
			down := scaled(at, 0.4)
			b := measure(t, m.rate, Params{}, down).Channels[0]
			q := measure(t, m.rate, Params{}, quantised(hissy(down, 3, 0.4*lsb), 16)).Channels[0]
			row += fmt.Sprintf(" | %g dB: %d, at −8 dBFS %d, 16 bits %d", over, c.Clipped, b.FlatTops, q.FlatTops)
			if over >= 3 && m.name != "noise below 6 kHz, −20 dBFS" {
				for _, c := range []Channel{b, q} {
					if c.FlatTops < 3 || math.Abs(float64(c.TopLevel)-unit.FromAmplitude(0.4)) > 0.02 {
						t.Errorf("%s, %g dB over, then lowered: %d flat tops at %v", m.name, over, c.FlatTops, c.TopLevel)
					}
				}
			}
		}
		t.Log(row)
		hot := measure(t, m.rate, Params{}, fit(m.x, 1.25)).Channels[0]
		if hot.Over == 0 || hot.FirstOver < 0 || hot.Clipped != 0 || math.Abs(float64(hot.Peak)-1.938) > 0.001 {
			t.Errorf("%s at +1.94 dBFS: %+v", m.name, hot)
		}
	}
}

// TestChannels: offset, silence, copies and polarity.
func TestChannels(t *testing.T) {
	m := scenes(t)[1]
	one := func(x []float64) Channel { return measure(t, m.rate, Params{}, x).Channels[0] }
	for _, db := range []float64{-30, -50, -59, -61, -80} {
		y := append([]float64(nil), m.x...)
		for i := range y {
			y[i] -= unit.ToAmplitude(db)
		}
		c := one(y)
		if c.HasDC != (db > -60) || db > -60 && math.Abs(float64(c.Offset)-db) > 0.1 || c.Mean > 0 {
			t.Errorf("offset of %g dBFS: %v, %v", db, c.HasDC, c.Offset)
		}
	}
	two := func(y []float64) Channel { return measure(t, m.rate, Params{}, m.x, y).Channels[1] }
	other := pass(m.x, m.rate, 1200, 0.7, false)
	for _, c := range []struct {
		name                          string
		y                             []float64
		same, copy, inverted, opposed bool
		gain                          float64
	}{
		{"itself", m.x, true, true, false, false, 0},
		{"inverted", scaled(m.x, -1), false, true, true, false, 0},
		{"−12 dB", scaled(m.x, unit.ToAmplitude(-12)), false, true, false, false, -12},
		{"−1 dB in 24 bits, inverted", quantised(scaled(m.x, -unit.ToAmplitude(-1)), 24), false, true, true, false, -1},
		{"one frame later", append([]float64{0}, m.x[:len(m.x)-1]...), false, false, false, false, 0},
		{"another microphone", other, false, false, false, false, 0},
		{"another microphone, inverted", scaled(other, -1), false, false, false, true, 0},
	} {
		r := two(c.y)
		if r.Same != c.same || r.Copy != c.copy || r.Inverted != c.inverted || r.Opposed != c.opposed || c.copy && math.Abs(float64(r.Gain)-c.gain) > 0.01 {
			t.Errorf("%s: %+v", c.name, r)
		}
	}
	// A channel and noise beside it, of rms levels: noise far below the music makes no
	// second signal.
	level := float64(one(m.x).RMS)
	for _, c := range []struct {
		noise, gain float64
		copy        bool
	}{{-140, 0, true}, {-98, 0, true}, {-91, 0, true}, {-91, -1, true}, {-89, 0, false}, {-60, 0, false}} {
		y := hissy(scaled(m.x, unit.ToAmplitude(c.gain)), 7, unit.ToAmplitude(c.noise))
		r := two(y)
		if want := c.copy || c.noise <= level-80; r.Copy != want || r.Same || r.Opposed {
			t.Errorf("noise of %g dBFS beside %.1f dBFS: %+v", c.noise, level, r)
		}
		if r.Copy && (math.Abs(float64(r.Within)-c.noise) > 0.1 || math.Abs(float64(r.Gain)-c.gain) > 0.001) {
			t.Errorf("noise of %g dBFS at %g dB: within %v at %v", c.noise, c.gain, r.Within, r.Gain)
		}
	}
	// Two noises at the floor are as low and no copies: there is no music above them.
	if r := measure(t, m.rate, Params{}, hissy(make([]float64, m.rate), 3, 2e-5), hissy(make([]float64, m.rate), 4, 2e-5)).Channels[1]; r.Copy {
		t.Errorf("two noises: %+v", r)
	}
	if c := two(m.x); !math.IsInf(float64(c.Within), -1) {
		t.Errorf("itself: within %v", c.Within)
	}
	if c := two(make([]float64, len(m.x))); !c.Silent || !math.IsNaN(float64(c.Correlation)) || c.Copy {
		t.Errorf("silent channel: %+v", c)
	}
	if c := two(hissy(make([]float64, len(m.x)), 1, 1e-5)); !c.Silent || c.Copy {
		t.Errorf("unused input: %+v", c)
	}
}

// TestCuts: a file that begins or ends in the middle of a note.
func TestCuts(t *testing.T) {
	all := scenes(t)
	if raceDetector {
		all = all[:2]
	}
	for _, m := range all {
		if m.name[0] == 'n' {
			continue // noise that never stops has no beginning of its own
		}
		r := measure(t, m.rate, Params{}, m.x).Channels[0]
		if r.CutHead || r.CutTail {
			t.Errorf("%s: cut before it was cut: %+v", m.name, r)
		}
		from, to := int(0.8*float64(m.rate)), int(3.2*float64(m.rate))
		a := measure(t, m.rate, Params{}, m.x[from:]).Channels[0]
		b := measure(t, m.rate, Params{}, m.x[:to]).Channels[0]
		t.Logf("%s: head %v, tail %v, uncut %v, %v", m.name, a.Head, b.Tail, r.Head, r.Tail)
		if !a.CutHead || a.CutTail || b.CutHead || !b.CutTail {
			t.Errorf("%s: head %+v, tail %+v", m.name, a, b)
		}
	}
}

// TestFades puts fades of several lengths and shapes at the ends, which are found from
// a quarter of a second on, and not where there is none or a short one, as programs
// put at cuts.
func TestFades(t *testing.T) {
	for _, m := range append(scenes(t)[:3], plain(t)[2:5]...) {
		n := len(m.x)
		for _, c := range []struct {
			seconds, power float64
			found          bool
		}{{0, 1, false}, {0.005, 1, false}, {0.02, 1, false}, {0.25, 1, true}, {1, 1, true}, {2.5, 1, true}, {0.5, 2, true}} {
			x := append([]float64(nil), m.x...)
			for i := range min(n, int(c.seconds*float64(m.rate))) {
				g := math.Pow((float64(i)+0.5)/(c.seconds*float64(m.rate)), c.power)
				x[i] *= g
				x[n-1-i] *= g
			}
			got := measure(t, m.rate, Params{}, quantised(x, 24)).Channels[0]
			if got.FadeIn != c.found || got.FadeOut != c.found {
				t.Errorf("%s, %g s, power %g: fade in %v, out %v", m.name, c.seconds, c.power, got.FadeIn, got.FadeOut)
			}
			// A repeat of the whole behind it is another beginning and another end.
			if r := measure(t, m.rate, Params{}, append(append(m.x[:n/2:n/2], x...), m.x[n/2:]...)).Channels[0]; r.FadeIn || r.FadeOut {
				t.Errorf("%s: a fade in the middle is found", m.name)
			}
		}
	}
}

// TestDepth asks for the bits that samples need, at any depth, and for more where a
// gain was applied.
func TestDepth(t *testing.T) {
	for _, m := range plain(t)[1:3] {
		for _, bits := range []int{4, 8, 16, 20, 24} {
			if d := measure(t, m.rate, Params{}, quantised(m.x, bits)).Channels[0].Depth; d != bits {
				t.Errorf("%s: %d bits look like %d", m.name, bits, d)
			}
			if d := measure(t, m.rate, Params{}, scaled(quantised(m.x, bits), 0.7)).Channels[0].Depth; d != mostDepth {
				t.Errorf("%s: %d bits and a gain look like %d", m.name, bits, d)
			}
		}
	}
	if d := measure(t, 48000, Params{}, make([]float64, 9999)).Channels[0].Depth; d != 0 {
		t.Errorf("silence looks like %d bits", d)
	}
}

// TestBlocks: the blocks that a recording comes in change nothing; a gain
// moves levels alone.
func TestBlocks(t *testing.T) {
	m := scenes(t)[1]
	x := append([]float64(nil), m.x...)
	clear(x[70000:70400])
	x[50000] += 0.03
	x[31000] -= 0.1
	y := append([]float64(nil), x...)
	copy(y[100000:100512], y[99488:100000])
	want := measure(t, m.rate, Params{}, x, y)
	if want.ClickCount != 4 || want.DropoutCount != 3 {
		t.Errorf("%d clicks, %d dropouts: %+v", want.ClickCount, want.DropoutCount, want)
	}
	rng := rand.New(rand.NewPCG(1, 1))
	meter := NewMeter(m.rate, 2, Params{})
	for at := 0; at < len(x); {
		n := min(rng.IntN(3000), len(x)-at)
		if err := meter.Write([][]float64{x[at : at+n], y[at : at+n]}); err != nil {
			t.Fatal(err)
		}
		at += n
	}
	if got := meter.Finish(); fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("in blocks:\n%+v\nat once:\n%+v", got, want)
	}
}

// TestBadInput: what cannot be measured is refused, what is empty is not.
func TestBadInput(t *testing.T) {
	for _, m := range []*Meter{NewMeter(100, 1, Params{}), NewMeter(48000, 0, Params{})} {
		if m.Write([][]float64{{0}}) == nil {
			t.Error("no error")
		}
		m.Finish()
	}
	for _, block := range [][][]float64{{{0}}, {{0}, {0, 1}}, {{0}, {math.NaN()}}, {{math.Inf(1)}, {0}}} {
		m := NewMeter(48000, 2, Params{})
		err := m.Write(block)
		for i := 0; i < 2000 && err == nil; i++ {
			err = m.Write([][]float64{{0}, {0}})
		}
		if !errors.Is(err, ErrBlock) {
			t.Errorf("%v: %v", block, err)
		}
		m.Finish()
	}
	for _, n := range []int{0, 1, 7, 20, 1000, 5000} {
		r := measure(t, 48000, Params{}, scaled(noise(1, n), 0.5))
		if r.Frames != int64(n) || r.ClickCount != 0 || r.DropoutCount != 0 || r.Clicks == nil || r.Floors == nil {
			t.Errorf("%d frames: %+v", n, r)
		}
	}
}

func BenchmarkMeter(b *testing.B) {
	s, err := studio.Open("four-fuzzes")
	if err != nil {
		b.Fatal(err)
	}
	dry, err := studio.Performance(48000, 31, score(0))
	if err != nil {
		b.Fatal(err)
	}
	take := studio.Render(dry, s.Takes[0].Chain)
	b.Run("rate=48000/ch=2", func(b *testing.B) {
		for b.Loop() {
			m := NewMeter(48000, 2, Params{})
			for at := 0; at < len(take[0]); at += 1 << 14 {
				to := min(at+1<<14, len(take[0]))
				if err := m.Write([][]float64{take[0][at:to], take[1][at:to]}); err != nil {
					b.Fatal(err)
				}
			}
			m.Finish()
		}
		b.ReportMetric(float64(len(take[0]))/48000*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
	})
}
