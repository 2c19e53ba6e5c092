package drive_test

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"evenhand/analyze/activity"
	"evenhand/analyze/align"
	"evenhand/analyze/drive"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/touch"
	"evenhand/analyze/unit"
	"evenhand/examples/campaign"
	"evenhand/examples/guitar"
	"evenhand/examples/studio"
)

const rate = guitar.Rate

var thirds = spectrum.Bands(3, 20, 20000)

func blocksOf(x []float64) (out []touch.Stretch) {
	for at := 0; at+4*rate <= len(x); at += 4 * rate {
		out = append(out, touch.Stretch{First: int64(at), Frames: 4 * rate})
	}
	return out
}

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

func measure(t testing.TB, dry, take []float64, pauses []touch.Stretch) (drive.Result, touch.Result) {
	t.Helper()
	return measureOn(t, dry, take, blocksOf(dry), pauses)
}

func measureOn(t testing.TB, dry, take []float64, blocks, pauses []touch.Stretch) (drive.Result, touch.Result) {
	t.Helper()
	var read [2]*touch.Take
	for i, x := range [][]float64{dry, take} {
		var err error
		if read[i], err = touch.Read(align.NewMemory(rate, x), 0, blocks, pauses); err != nil {
			t.Fatal(err)
		}
	}
	slope, fit, err := touch.Measure(read[0], read[1])
	if err != nil {
		t.Fatal(err)
	}
	r, err := drive.Measure(drive.Signal{Source: align.NewMemory(rate, dry)}, drive.Signal{Source: align.NewMemory(rate, take)}, blocks, pauses, framed(fit.Gains), thirds)
	if err != nil {
		t.Fatal(err)
	}
	return r, slope
}

// framed are gains of package touch.
func framed(gains [][]float64) []drive.Gains {
	return []drive.Gains{{Seconds: touch.FrameSeconds, Blocks: gains}}
}

func cabinet(x []float64) []float64 {
	session, _ := studio.Open("four-fuzzes")
	h := studio.Cabinet(rate, session.IR[0])
	y := make([]float64, len(x))
	for i, v := range x {
		for k := 0; k < len(h) && i+k < len(y); k++ {
			y[i+k] += v * h[k]
		}
	}
	return y
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

// TestClean: noise 20 dB below the music and a cabinet read under 0.1 %, compressors under
// 0.5 %. The limits are those of the method as it was tried on other material; common
// practice, no source.
func TestClean(t *testing.T) {
	dry := guitar.Dry(t)
	pauses := pausesOf(t, dry)
	power := 0.0
	for _, v := range dry {
		power += v * v
	}
	r := rand.New(rand.NewPCG(1, 2))
	noisy := make([]float64, len(dry))
	for i, v := range dry {
		noisy[i] = v + 0.1*math.Sqrt(power/float64(len(dry)))*r.NormFloat64()
	}
	for _, c := range []struct {
		name  string
		take  []float64
		allow float64
	}{
		{"a copy", dry, 0.1},
		{"noise at −20 dB", noisy, 0.1},
		{"a cabinet", cabinet(dry), 0.1},
		{"2:1", compress(dry, 2), 0.5},
		{"4:1", compress(dry, 4), 0.5},
		{"4:1 and a cabinet", cabinet(compress(dry, 4)), 0.5},
	} {
		got, _ := measure(t, dry, c.take, pauses)
		t.Logf("%s: %.3f %%, %.3f to %.3f %%; not linear %.2f %% %v", c.name, float64(got.Drive), float64(got.Low), float64(got.High), float64(got.NotLinear), got.Reason)
		if !(float64(got.Drive) <= c.allow) {
			t.Errorf("%s reads %.3f %%, allowed %.1f %%", c.name, float64(got.Drive), c.allow)
		}
	}
	if got, _ := measure(t, dry, dry, nil); got.Reason.Found != "drive.no-pause" {
		t.Errorf("without a pause: %v", got.Reason)
	}
	short := drive.Signal{Source: align.NewMemory(rate, dry)}
	got, err := drive.Measure(short, short, blocksOf(dry[:4*rate]), pauses, framed(make([][]float64, 1)), thirds)
	if err != nil || got.Reason.Found != "drive.short" || got.Reason.With["windows"] != unit.Number(0) {
		t.Errorf("4 s: %v, %v", got.Reason, err)
	}
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

// sway mixes x with itself behind a delay that sways between two times in seconds, as a
// chorus and a flanger do.
func sway(x []float64, hz, least, most, wet float64) []float64 {
	y := make([]float64, len(x))
	for i, v := range x {
		at := float64(i) - rate*(least+(most-least)*(0.5+math.Sin(2*math.Pi*hz*float64(i)/rate)/2))
		k := int(math.Floor(at))
		y[i] = v
		if k >= 0 {
			y[i] += wet * (x[k] + (at-float64(k))*(x[k+1]-x[k]))
		}
	}
	return y
}

// phaser mixes x with itself behind four all-pass filters whose frequency sways from 300 to
// 2400 Hz.
func phaser(x []float64, hz float64) []float64 {
	y := make([]float64, len(x))
	var in, out [4]float64
	for i, v := range x {
		t := math.Tan(math.Pi / rate * 300 * math.Pow(8, 0.5+math.Sin(2*math.Pi*hz*float64(i)/rate)/2))
		c, s := (t-1)/(t+1), v
		for k := range in {
			in[k], out[k], s = s, c*(s-out[k])+in[k], c*(s-out[k])+in[k]
		}
		y[i] = (v + s) / 2
	}
	return y
}

// TestMoves: gear that changes with time is found from 4 s a turn on, on both materials, and
// behind a distortion; TestOrder has the gear that does not change.
func TestMoves(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	_, own := opened(t)
	for _, dry := range [][]float64{own, guitar.Dry(t)} {
		pauses := pausesOf(t, dry)
		clipped := make([]float64, len(dry))
		for i, v := range dry {
			clipped[i] = math.Tanh(64 * v)
		}
		for _, hz := range []float64{0.25, 1, 5} {
			for _, c := range []struct {
				name string
				take []float64
			}{
				{"chorus", sway(dry, hz, 0.018, 0.022, 0.7)},
				{"flanger", sway(dry, hz, 0.001, 0.005, 1)},
				{"phaser", phaser(dry, hz)},
				{"chorus behind a fuzz", sway(clipped, hz, 0.018, 0.022, 0.7)},
			} {
				r, g := measure(t, dry, c.take, pauses)
				t.Logf("%.0f s, %s of %v Hz: %.1f %%, of it %.2f turns, %.2f drifts", float64(len(dry))/rate, c.name, hz, float64(r.Drive), 100*float64(g.Turns/r.Drive), 100*float64(g.Drifts/r.Drive))
				if !drive.Moves(g, r) {
					t.Errorf("%.0f s: a %s of %v Hz is not found", float64(len(dry))/rate, c.name, hz)
				}
			}
			campaign.Long(t)
		}
	}
}

// TestOrder: chains come in the order in which they were built, clean to fuzz, on both
// materials. Those that change with time and those with a
// tail are found.
func TestOrder(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	dry := guitar.Dry(t)
	pauses := pausesOf(t, dry)
	got := map[string]float64{}
	add := func(name string, dry, take []float64, pauses []touch.Stretch) {
		r, g := measure(t, dry, take, pauses)
		got[name] = float64(r.Drive)
		t.Logf("%-11s %6.2f %%, %.2f to %.2f %%; not linear %6.2f %%; touch %.2f, of the drive %.2f turns, %.2f drifts and %.2f trails %v", name, got[name], float64(r.Low), float64(r.High), float64(r.NotLinear), float64(g.Slope), 100*float64(g.Turns/r.Drive), 100*float64(g.Drifts/r.Drive), 100*float64(g.Tail/r.Drive), r.Reason)
		if moves, trails := slices.Contains([]string{"chorus", "vibrato"}, name), slices.Contains([]string{"echo", "reverb"}, name); drive.Moves(g, r) != moves || drive.Trails(g, r) != trails {
			t.Errorf("%s changes with time: %v; has a tail: %v", name, !moves, !trails)
		}
	}
	for _, c := range []string{"clean-1", "clean-2", "compressor", "tremolo", "crunch-1", "crunch-2", "lead", "high-gain", "fuzz-1", "fuzz-2", "octave-up", "reverb", "echo", "chorus", "vibrato"} {
		add(c, dry, guitar.Take(t, c), pauses)
	}
	session, own := opened(t)
	ownPauses := pausesOf(t, own)
	for _, take := range session.Takes[:5] {
		c := take.Chain
		c.Lag, c.Extra = 100, 0
		add(take.Name, own, studio.Render(own, c)[0], ownPauses)
	}
	for _, p := range [][2]string{{"clean-2", "crunch-1"}, {"clean-1", "crunch-1"}, {"crunch-1", "lead"}, {"crunch-1", "high-gain"}, {"lead", "fuzz-1"}, {"high-gain", "fuzz-1"},
		{"Bypass", "Leaning"}, {"Bypass", "Splitting"}, {"Bypass", "Folding"}, {"Bypass", "Sagging"}, {"Leaning", "Folding"}} {
		if !(got[p[0]] < got[p[1]]) {
			t.Errorf("%s reads %.2f %%, %s %.2f %%", p[0], got[p[0]], p[1], got[p[1]])
		}
	}
}

// TestCompressorHasNoTail: gain that recovers after each phrase is not a tail, also in few
// blocks that begin with the phrases; an echo and a reverberation are one there too.
func TestCompressorHasNoTail(t *testing.T) {
	if raced {
		t.Skip("one goroutine only, and long")
	}
	dry := guitar.Dry(t)
	var blocks []touch.Stretch
	for _, s := range []float64{1.1, 8.8, 17.3, 26.9, 47.3, 51.3} {
		blocks = append(blocks, touch.Stretch{First: int64(s * rate), Frames: 4 * rate})
	}
	pauses := pausesOf(t, dry)
	for _, ratio := range []float64{4, 10} {
		// From −45 dBFS on, of the power of 10 ms, in dB: 20 ms down and 150 ms up.
		take, level, gain := make([]float64, len(dry)), 0.0, 0.0
		for i, v := range dry {
			level += (v*v - level) / (0.01 * rate)
			want, time := math.Max(0, 10*math.Log10(level+1e-18)+45)*(1/ratio-1), 0.15
			if want < gain {
				time = 0.02
			}
			gain += (want - gain) / (time * rate)
			take[i] = v * math.Pow(10, gain/20)
		}
		if r, g := measureOn(t, dry, take, blocks, pauses); drive.Trails(g, r) || drive.Moves(g, r) {
			t.Errorf("%.0f:1: drive %.2f %%, of it %.2f trails and %.2f turns", ratio, float64(r.Drive), 100*float64(g.Tail/r.Drive), 100*float64(g.Turns/r.Drive))
		}
	}
	for _, c := range []string{"echo", "reverb"} {
		if r, g := measureOn(t, dry, guitar.Take(t, c), blocks, pauses); !drive.Trails(g, r) {
			t.Errorf("%s: drive %.2f %%, of it %.2f trails", c, float64(r.Drive), 100*float64(g.Tail/r.Drive))
		}
	}
}

func BenchmarkMeasure(b *testing.B) {
	dry := guitar.Dry(b)[:32*rate]
	pauses := pausesOf(b, dry)
	blocks := blocksOf(dry)
	gains := make([][]float64, len(blocks))
	for i := range gains {
		gains[i] = make([]float64, 80)
	}
	s := drive.Signal{Source: align.NewMemory(rate, dry)}
	for b.Loop() {
		if _, err := drive.Measure(s, s, blocks, pauses, framed(gains), thirds); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(32*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
