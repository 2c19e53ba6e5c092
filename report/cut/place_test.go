package cut

import (
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/cut/timecode"
)

// handmade is a plan of two voices with given audio and one cut between them.
func handmade(t *testing.T, nominal int64, a, b []float64) (*plan, string) {
	t.Helper()
	dir := t.TempDir()
	fps, err := timecode.Parse("50")
	if err != nil {
		t.Fatal(err)
	}
	p := &plan{res: &result.Result{}, fps: fps, rate: 48000, frames: int64(len(a)), sound: int64(len(a)), fade: 960, o: Options{Reach: DefaultReach}}
	p.res.Timeline.SampleRate = 48000
	p.whole = result.Span{Frames: unit.Frames(len(a))}
	for i, x := range [][]float64{a, b} {
		name := []string{"a.wav", "b.wav"}[i]
		if err := writeMono(filepath.Join(dir, name), 48000, x); err != nil {
			t.Fatal(err)
		}
		p.voices = append(p.voices, voice{file: name})
	}
	p.parts = []part{{voice: 0}, {voice: 1, nominal: nominal, cut: nominal}}
	return p, dir
}

func hiss(n int, level float64) []float64 {
	r := rand.New(rand.NewPCG(1, uint64(n)))
	x := make([]float64, n)
	for i := range x {
		x[i] = level * (2*r.Float64() - 1)
	}
	return x
}

func place(t *testing.T, p *plan, dir string) int64 {
	t.Helper()
	if err := p.placeCuts(t.Context(), dir); err != nil {
		t.Fatal(err)
	}
	c := p.parts[1].cut
	if c%960 != 0 {
		t.Errorf("the cut at sample %d is on no frame of 50 a second", c)
	}
	return c
}

// Both takes are quiet only from 2.10 to 2.16 s: the fade goes there whole.
// Where one of them alone is quiet, or beyond the reach, it does not.
func TestCutInTheGapOfBoth(t *testing.T) {
	a, b := hiss(4*48000, 0.3), hiss(4*48000, 0.2)
	quiet := func(x []float64, from, to float64) {
		for i := int(from * 48000); i < int(to*48000); i++ {
			x[i] *= 0.001
		}
	}
	quiet(a, 2.10, 2.16)
	quiet(b, 2.10, 2.16)
	quiet(a, 1.90, 1.96)
	quiet(a, 2.30, 2.36)
	quiet(b, 2.30, 2.36)
	p, dir := handmade(t, 2*48000, a, b)
	c := place(t, p, dir)
	if from, to := c-480, c+480; from < 2.10*48000 || to > 2.16*48000 {
		t.Errorf("the fade lies from %.3f to %.3f s", float64(from)/48000, float64(to)/48000)
	}
	if l := float64(p.parts[1].level); l > -60 {
		t.Errorf("the level there is given as %.1f dB", l)
	}
}

// In silence nothing is gained by moving.
func TestSilenceKeepsTheNearestFrame(t *testing.T) {
	p, dir := handmade(t, 2*48000+500, make([]float64, 4*48000), make([]float64, 4*48000))
	if c := place(t, p, dir); c != 2*48000+960 {
		t.Errorf("the cut went to %d", c)
	}
}

// A fade does not smear an attack: of two equally loud places the one without a
// rise is taken.
func TestNoCutOnAnAttack(t *testing.T) {
	const at = 2 * 48000
	x := hiss(4*48000, 0.03)
	for i := at; i < len(x); i++ { // a note that dies away within 60 ms
		x[i] += 0.5 * math.Exp(-float64(i-at)/600) * math.Sin(float64(i))
	}
	p, dir := handmade(t, at, x, x)
	c := place(t, p, dir)
	if c+480+240 > at && c-480-240 < at {
		t.Errorf("the fade about %d smears the attack at %d", c, at)
	}
	if r := float64(p.parts[1].rise); r > 6 {
		t.Errorf("a rise of %.1f dB is left", r)
	}
}

// A pause of the performance is taken before a place that is quieter by chance.
func TestPauseComesFirst(t *testing.T) {
	a, b := hiss(4*48000, 0.01), hiss(4*48000, 0.01)
	for i := int(1.8 * 48000); i < int(1.9*48000); i++ {
		a[i], b[i] = 0, 0
	}
	p, dir := handmade(t, 2*48000, a, b)
	p.res.Timeline.Pauses = []result.Span{{FirstFrame: 2.1 * 48000, Frames: 4800}}
	c := place(t, p, dir)
	if c-480 < 2.1*48000 || c+480 > 2.2*48000 || !p.parts[1].inPause {
		t.Errorf("the cut is at %.3f s, in a pause %v", float64(c)/48000, p.parts[1].inPause)
	}
	p.res.Timeline.Pauses = nil
	if c := place(t, p, dir); c < 1.8*48000 || c > 1.9*48000 {
		t.Errorf("without pauses the cut is at %.3f s", float64(c)/48000)
	}
}

// Fades of cuts that are wanted close together never overlap, whatever the
// reach.
func TestFadesStayApart(t *testing.T) {
	x := hiss(6*48000, 0.1)
	p, dir := handmade(t, 48000, x, x)
	p.o.Reach, p.fade = maxReach, int64(maxFade*48000)
	p.parts = []part{{voice: 0}}
	for at := int64(24000); at < p.frames-24000; at += 24000 {
		p.parts = append(p.parts, part{voice: len(p.parts) % 2, nominal: at})
	}
	place(t, p, dir)
	end := int64(0)
	for i, q := range p.parts[1:] {
		if q.cut-p.fade/2 < end {
			t.Errorf("the fade of cut %d begins at %d, the one before ends at %d", i+1, q.cut-p.fade/2, end)
		}
		end = q.cut + p.fade/2
	}
	if end > p.frames {
		t.Errorf("the last fade ends at %d of %d", end, p.frames)
	}
}
