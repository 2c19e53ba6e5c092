package activity

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

const rate = 16000

// note is a plucked note: partials that decay at rate dB per second from a
// level in dBFS of the fundamental's peak, cut off at the end of its time.
type note struct{ at, seconds, hz, level, decay float64 }

// play adds notes to a recording of some seconds with hiss and 50 Hz hum, each
// at an rms level in dBFS (−Inf: none).
func play(seconds, hiss, hum float64, notes ...note) []float64 {
	r := rand.New(rand.NewPCG(3, 5))
	x := make([]float64, int(seconds*rate))
	if h, m := unit.ToAmplitude(hiss), unit.ToAmplitude(hum)*math.Sqrt2; h+m > 0 {
		for i := range x {
			x[i] = h*r.NormFloat64() + m*math.Sin(2*math.Pi*50*float64(i)/rate)
		}
	}
	for _, n := range notes {
		from := int(n.at * rate)
		for i := from; i < min(len(x), from+int(n.seconds*rate)); i++ {
			t := float64(i-from) / rate
			e := unit.ToAmplitude(n.level-n.decay*t) * min(1, t/0.003)
			for k := 1.0; k <= 3; k++ {
				x[i] += e / k * math.Exp(-3*(k-1)*t) * math.Sin(2*math.Pi*n.hz*k*t)
			}
		}
	}
	return x
}

func detect(t testing.TB, p Params, channels ...[]float64) Result {
	t.Helper()
	d := NewDetector(rate, len(channels), p)
	if err := d.Write(channels); err != nil {
		t.Fatal(err)
	}
	return d.Finish()
}

var off = math.Inf(-1)

// riff is four phrases of plucked notes that ring out, with rests between: the
// strings are damped at 4.0, 10.0, 16.0 and 22.0 s of 24 s.
func riff() []note {
	var notes []note
	for phrase := range 4 {
		for k := range 6 {
			at := float64(phrase)*6 + 0.5 + float64(k)*0.5
			hz := 61.7 * math.Pow(2, float64((k*5)%12)/12)
			notes = append(notes, note{at, 0.6, hz, -10, 25})
		}
		notes[len(notes)-1].seconds = 1
	}
	return notes
}

// Every rest must be found at every noise floor, no rest where there is none,
// and nothing but noise may be left in a pause.
func TestPluckedNotesAtSeveralNoiseFloors(t *testing.T) {
	clean := play(24, off, off, riff()...)
	for _, c := range []struct{ hiss, hum float64 }{{-70, off}, {-60, off}, {-50, off}, {-70, -50}, {-90, off}, {-45, -45}, {-75, -60}} {
		t.Run(fmt.Sprintf("hiss %v hum %v", c.hiss, c.hum), func(t *testing.T) {
			x := play(24, c.hiss, c.hum)
			for i, v := range clean {
				x[i] += v
			}
			r := detect(t, DefaultParams(), x)
			if len(r.Playing) != 4 {
				t.Fatalf("playing %v, want 4", r.Playing)
			}
			for i, p := range r.Playing {
				start, end := float64(p.First)/rate, float64(p.End())/rate
				if math.Abs(start-(0.5+6*float64(i))) > 0.011 {
					t.Errorf("phrase %d starts at %.3f s", i, start)
				}
				if end > 4.02+6*float64(i) || end < 3.0+6*float64(i) {
					t.Errorf("phrase %d ends at %.3f s", i, end)
				}
			}
			if len(r.Pauses) != 4 && len(r.Pauses) != 5 { // the first half second is just long enough
				t.Fatalf("pauses %v", r.Pauses)
			}
			want := unit.FromPower(unit.ToPower(c.hiss) + unit.ToPower(c.hum))
			if math.Abs(float64(r.Floor)-want) > 0.5 {
				t.Errorf("floor %v, want %.1f", r.Floor, want)
			}
			if limit := max(want+6, -75); math.Abs(float64(r.Threshold)-limit) > 0.5 { // the riff's Level is −15 dBFS
				t.Errorf("threshold %v, want %.1f", r.Threshold, limit)
			}
			for _, p := range r.Pauses {
				var sum float64
				for _, v := range clean[p.First:p.End()] {
					sum += v * v
				}
				if left := unit.FromPower(sum / float64(p.Frames)); left > want-6 {
					t.Errorf("pause %.2f to %.2f s holds music at %.1f dBFS over a floor of %.1f", float64(p.First)/rate, float64(p.End())/rate, left, want)
				}
			}
		})
	}
}

// A note left to ring until it is lost in the noise: playing ends near the
// threshold, the pause begins when it is gone.
func TestLongDecay(t *testing.T) {
	for _, hiss := range []float64{-70, -60, -50} {
		x := play(16, hiss, off, note{1, 15, 82.4, -6, 8})
		r := detect(t, DefaultParams(), x)
		if len(r.Playing) != 1 || len(r.Pauses) == 0 {
			t.Fatalf("hiss %v: playing %v, pauses %v", hiss, r.Playing, r.Pauses)
		}
		last := r.Pauses[len(r.Pauses)-1]
		at := float64(last.First)/rate - 1
		if left := -6 - 3 - 8*at; left > hiss+1 || left < hiss-12 {
			t.Errorf("hiss %v: pause begins %.2f s after the note, which then stands at %.1f dBFS", hiss, at, left)
		}
	}
}

func TestSustainedFeedbackHasNoPause(t *testing.T) {
	for _, hz := range []float64{3, 4.5, 6, 8} {
		for _, depth := range []float64{0.5, 0.9, 1} {
			x := play(20, -65, off)
			for i := range x {
				s := float64(i) / rate
				x[i] += 0.3 * (1 - depth*(0.5+0.5*math.Sin(2*math.Pi*hz*s))) * math.Sin(2*math.Pi*220*s)
			}
			r := detect(t, DefaultParams(), x)
			if len(r.Pauses) != 0 || len(r.Playing) != 1 || r.Playing[0] != (Stretch{0, int64(len(x))}) {
				t.Errorf("tremolo of %v Hz, depth %v: playing %v, pauses %v", hz, depth, r.Playing, r.Pauses)
			}
			if len(r.Warnings) == 0 {
				t.Error("no warning")
			}
			if s := Sections(r, rate, 0.8); len(s) != 1 {
				t.Errorf("sections %v", s)
			}
		}
	}
}

func TestStaccatoIsOneStretch(t *testing.T) {
	for _, gap := range []float64{0.07, 0.15, 0.3} {
		var notes []note
		for at := 1.0; at < 11; at += 0.08 + gap {
			notes = append(notes, note{at, 0.08, 110, -8, 30})
		}
		x := play(13, -65, off, notes...)
		r := detect(t, DefaultParams(), x)
		if len(r.Playing) != 1 || len(r.Pauses) != 2 {
			t.Errorf("gaps of %v s: playing %v, pauses %v", gap, r.Playing, r.Pauses)
		}
		if s := Sections(r, rate, 0.8); len(s) != 1 {
			t.Errorf("gaps of %v s: sections %v", gap, s)
		}
		// Without any rest at the ends there is nothing to tell apart.
		if r := detect(t, DefaultParams(), x[rate:10*rate]); len(r.Pauses) != 0 || len(r.Playing) != 1 {
			t.Errorf("gaps of %v s alone: playing %v, pauses %v", gap, r.Playing, r.Pauses)
		}
	}
}

// A dry recording edited or gated to digital silence between the phrases.
func TestDigitalSilence(t *testing.T) {
	for _, floor := range []float64{off, -60} { // off: gated; −60: noise in every second rest
		x := play(24, off, off, riff()...)
		noisy := play(24, floor, off, riff()...)
		for i := range x {
			if (i/rate/6)%2 == 1 || x[i] != 0 {
				x[i] = noisy[i]
			}
		}
		r := detect(t, DefaultParams(), x)
		if len(r.Playing) != 4 || len(r.Pauses) < 4 {
			t.Errorf("floor %v: playing %v, pauses %v", floor, r.Playing, r.Pauses)
		}
		if floor == -60 && math.Abs(float64(r.Floor)+60) > 0.5 {
			t.Errorf("floor %v, want −60", r.Floor)
		}
	}
	silent := detect(t, DefaultParams(), make([]float64, 3*rate))
	if len(silent.Playing) != 0 || !reflect.DeepEqual(silent.Pauses, []Stretch{{0, 3 * rate}}) || !math.IsInf(float64(silent.Peak), -1) || len(silent.Warnings) == 0 {
		t.Errorf("silence: %+v", silent)
	}
}

// A click in a rest is neither playing nor part of a pause.
func TestClickInAPause(t *testing.T) {
	x := play(8, -65, off, note{0.5, 2, 110, -8, 20}, note{6.5, 1, 110, -8, 20})
	at := int(4.2 * rate)
	for i := range 70 {
		x[at+i] += 0.1
	}
	r := detect(t, DefaultParams(), x)
	if len(r.Playing) != 2 {
		t.Errorf("playing %v", r.Playing)
	}
	for _, p := range r.Pauses {
		if p.First < int64(at)+70 && p.End() > int64(at) {
			t.Errorf("pause %v holds the click at %d", p, at)
		}
	}
	if len(r.Pauses) != 2 {
		t.Errorf("pauses %v", r.Pauses)
	}
}

func TestLaws(t *testing.T) {
	x := play(24, -60, -70, riff()...)
	want := detect(t, DefaultParams(), x)

	// Blocks of any size give the same result.
	for _, size := range []int{1, 479, 4096} {
		d := NewDetector(rate, 1, DefaultParams())
		for i := 0; i < len(x); i += size {
			if err := d.Write([][]float64{x[i:min(i+size, len(x))]}); err != nil {
				t.Fatal(err)
			}
		}
		if got := d.Finish(); !reflect.DeepEqual(got, want) {
			t.Errorf("blocks of %d: %+v, want %+v", size, got, want)
		}
	}
	// Gain moves the levels and nothing else; so does a second equal channel.
	half := make([]float64, len(x))
	for i, v := range x {
		half[i] = v / 2
	}
	got := detect(t, DefaultParams(), half)
	if !reflect.DeepEqual(got.Playing, want.Playing) || !reflect.DeepEqual(got.Pauses, want.Pauses) {
		t.Errorf("at −6 dB: %v %v, want %v %v", got.Playing, got.Pauses, want.Playing, want.Pauses)
	}
	if d := float64(want.Floor - got.Floor); math.Abs(d-6.0206) > 1e-3 {
		t.Errorf("floor moved by %v dB", d)
	}
	if got := detect(t, DefaultParams(), x, x); !reflect.DeepEqual(got.Playing, want.Playing) {
		t.Errorf("stereo: %v, want %v", got.Playing, want.Playing)
	}
	// A delay of whole blocks moves everything by it.
	pad := play(1, -60, -70)
	got = detect(t, DefaultParams(), append(pad, x...))
	for i := range want.Playing {
		if got.Playing[i].First != want.Playing[i].First+rate || got.Playing[i].Frames != want.Playing[i].Frames {
			t.Errorf("delayed by 1 s: %v, want %v", got.Playing[i], want.Playing[i])
		}
	}
	// Playing and pauses do not overlap and keep the guard.
	all := append(append([]Stretch(nil), want.Playing...), want.Pauses...)
	for i, a := range all {
		for _, b := range all[i+1:] {
			if a.First < b.End() && b.First < a.End() {
				t.Errorf("%v and %v overlap", a, b)
			}
		}
	}
	for _, a := range want.Playing {
		for _, b := range want.Pauses {
			if gap := max(b.First-a.End(), a.First-b.End()); gap < rate*15/100 {
				t.Errorf("pause %v lies %d frames from playing %v, the guard is %d", b, gap, a, rate*15/100)
			}
		}
	}
}

func TestOverview(t *testing.T) {
	x := make([]float64, 30*rate)
	x[17*rate+5] = -0.5
	x[20*rate] = 1.7
	r := detect(t, DefaultParams(), x)
	if r.OverviewStep != rate/100*4 || len(r.Overview) != 750 {
		t.Fatalf("%d steps of %d frames", len(r.Overview), r.OverviewStep)
	}
	for i, v := range r.Overview {
		want := map[int]float64{17 * rate / (rate / 25): 0.5, 20 * rate / (rate / 25): 1}[i]
		if v != want {
			t.Errorf("step %d: %v, want %v", i, v, want)
		}
	}
	if p := float64(r.Peak); math.Abs(p-20*math.Log10(1.7)) > 1e-12 {
		t.Errorf("peak %v", p)
	}
}

// Blocks are joined in pairs when there are too many; the result holds to the
// coarser blocks. Simulated at a low sample rate: 4 hours of 1 kHz sampling.
func TestLongRecordingIsBounded(t *testing.T) {
	const low = 1000
	d := NewDetector(low, 1, DefaultParams())
	r := rand.New(rand.NewPCG(1, 2))
	block := make([]float64, 10*low)
	for k := range 1440 {
		for i := range block {
			block[i] = 1e-3 * r.NormFloat64()
			if k%2 == 0 && i >= 2*low && i < 8*low {
				block[i] += 0.3 * math.Sin(2*math.Pi*110*float64(i)/low)
			}
		}
		if err := d.Write([][]float64{block}); err != nil {
			t.Fatal(err)
		}
	}
	if cap(d.powers) > 2*maxBlocks || cap(d.overview) > 2*overviewPoints || d.joined != 4 {
		t.Errorf("room for %d powers and %d points, %d joined", cap(d.powers), cap(d.overview), d.joined)
	}
	got := d.Finish()
	if len(got.Playing) != 720 || len(got.Overview) > overviewPoints {
		t.Fatalf("%d stretches of playing, %d points", len(got.Playing), len(got.Overview))
	}
	for i, p := range got.Playing {
		if math.Abs(float64(p.First)/low-float64(20*i+2)) > 0.041 || math.Abs(float64(p.Frames)/low-6) > 0.081 {
			t.Errorf("stretch %d: %v", i, p)
		}
	}
}

func TestSections(t *testing.T) {
	s := func(from, to float64) Stretch {
		return Stretch{int64(from * 1000), int64(math.Round((to - from) * 1000))}
	}
	for _, c := range []struct {
		name    string
		playing []Stretch
		want    []Stretch
	}{
		{"none", nil, []Stretch{}},
		{"padding at the edges", []Stretch{s(0.05, 19.8)}, []Stretch{s(0, 20)}},
		{"short gap", []Stretch{s(1, 5), s(5.7, 10)}, []Stretch{s(0.9, 10.5)}},
		{"long gap", []Stretch{s(1, 5), s(5.8, 10)}, []Stretch{s(0.9, 5.4), s(5.7, 10.5)}},
		{"tiny joins the nearer", []Stretch{s(1, 5), s(7, 8), s(9, 14)}, []Stretch{s(0.9, 5.5), s(6.9, 14.5)}},
		{"tiny at the end", []Stretch{s(1, 5), s(7, 12), s(15, 16)}, []Stretch{s(0.9, 5.5), s(6.9, 16.5)}},
		{"tiny alone", []Stretch{s(3, 4)}, []Stretch{s(2.9, 4.5)}},
		{"many tiny", []Stretch{s(1, 2), s(3, 4), s(6, 7), s(8, 9)}, []Stretch{s(0.9, 4.5), s(5.9, 9.5)}},
	} {
		r := Result{Playing: c.playing, Frames: 20000}
		if got := Sections(r, 1000, 0.8); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
	r := detect(t, DefaultParams(), play(24, -60, off, riff()...))
	if got := Sections(r, rate, 0.8); len(got) != 4 {
		t.Errorf("riff: %v, want 4 sections", got)
	}
}

func TestMisuse(t *testing.T) {
	for name, err := range map[string]error{
		"rate":     NewDetector(0, 1, DefaultParams()).Write([][]float64{{0}}),
		"channels": NewDetector(rate, 2, DefaultParams()).Write([][]float64{{0}}),
		"lengths":  NewDetector(rate, 2, DefaultParams()).Write([][]float64{{0}, {}}),
		"NaN":      NewDetector(rate, 1, DefaultParams()).Write([][]float64{{math.NaN()}}),
	} {
		if !errors.Is(err, ErrBlock) {
			t.Errorf("%s: %v", name, err)
		}
	}
	r := NewDetector(rate, 1, DefaultParams()).Finish()
	if len(r.Playing)+len(r.Pauses) != 0 || !reflect.DeepEqual(r.Warnings, []finding.Text{finding.Say("playing.empty")}) {
		t.Errorf("empty: %+v", r)
	}
	if r := detect(t, DefaultParams(), make([]float64, 100)); len(r.Overview) != 1 {
		t.Errorf("100 frames: %+v", r)
	}
}

func BenchmarkDetector(b *testing.B) {
	x := play(24, -60, off, riff()...)
	for b.Loop() {
		d := NewDetector(rate, 1, DefaultParams())
		for i := 0; i < len(x); i += 8192 {
			if err := d.Write([][]float64{x[i:min(i+8192, len(x))]}); err != nil {
				b.Fatal(err)
			}
		}
		d.Finish()
	}
	b.ReportMetric(24*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
