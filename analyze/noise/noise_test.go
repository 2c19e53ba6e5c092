package noise

import (
	"fmt"
	"math"
	"reflect"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
	"evenhand/analyze/weighting"
)

// expected is the level in 20 Hz to 20 kHz of noise with the given density,
// weighted, by the midpoint rule on 1 Hz steps.
func expected(density, weight func(float64) float64) float64 {
	s := 0.0
	for f := 20.5; f < 20000; f++ {
		s += density(f) * weight(f)
	}
	return unit.FromPower(s)
}

// White and pink noise of known density against the integrals of the weighting
// curves (their values are checked in their own package).
func TestLevelsOfNoise(t *testing.T) {
	one := func(float64) float64 { return 1 }
	p := stretch(0.5, 8.5)
	for _, c := range []struct {
		name    string
		clip    *clip
		density func(f float64) float64
	}{
		{"white", newClip(9, 1).white(-70), func(float64) float64 { return unit.ToPower(-70) / (testRate / 2) }},
		{"pink", newClip(9, 2).pink(-60), func(f float64) float64 { return unit.ToPower(-60) / math.Log(1000) / f }},
	} {
		r := c.clip.measure(t, Params{}, p)
		if !r.Measured || r.Gated || r.Silent || r.MainsSource != "not found" || r.Mains != 0 || !math.IsNaN(float64(r.Hum)) {
			t.Errorf("%s: %+v", c.name, r)
		}
		near(t, c.name+" unweighted", float64(r.Unweighted), expected(c.density, one), 0.15)
		near(t, c.name+" A", float64(r.AWeighted), expected(c.density, weighting.APower), 0.15)
		near(t, c.name+" 468", float64(r.Weighted468), expected(c.density, weighting.ITU468Power), 0.15)
		near(t, c.name+" duration", float64(r.Duration), 8, 1e-9)
		if len(r.PSD.Density) != 4097 || r.PerPause[0].Closing != nil {
			t.Errorf("%s: %d bins, pause %+v", c.name, len(r.PSD.Density), r.PerPause[0])
		}
	}
}

// A full-scale sine has an rms level of −3.01 dBFS: the fact that fixes the
// scale; at 1 kHz A-weighting is 0 dB (IEC 61672-1) and BS.468-4 near 0 dB.
func TestLevelOfSine(t *testing.T) {
	r := newClip(3, 1).line(1000, -3.0103).measure(t, Params{}, stretch(0, 3))
	near(t, "unweighted", float64(r.Unweighted), -3.0103, 0.01)
	near(t, "A", float64(r.AWeighted), -3.0103, 0.02)
	near(t, "468", float64(r.Weighted468), -3.0103, 0.05)
}

func TestHum(t *testing.T) {
	buzz := []float64{-60, -70, -62, -75, -66, -80, -70, -82, -74, -84, -78, -86, -82}
	rectified := []float64{math.Inf(-1), -55, math.Inf(-1), -63, math.Inf(-1), -70, math.Inf(-1), -76}
	sum := func(l []float64) float64 {
		s := 0.0
		for _, v := range l {
			s += unit.ToPower(v)
		}
		return unit.FromPower(s)
	}
	n := 0
	for _, mains := range []float64{49.8, 50, 50.2, 60} {
		for _, pauses := range [][]Stretch{{stretch(0.2, 0.75)}, {stretch(0.2, 1.2)}, {stretch(0, 2), stretch(2.2, 2.7), stretch(3, 5)}} {
			for _, c := range []struct {
				name   string
				levels []float64
				white  float64
			}{{"buzz", buzz, -70}, {"rectified", rectified, -70}, {"loud", buzz, -95}, {"fundamental", []float64{-58}, -60}} {
				if n++; n%thin != 0 {
					continue
				}
				name := fmt.Sprintf("%s %g Hz, %d pauses", c.name, mains, len(pauses))
				r := newClip(5, uint64(mains*10)).hum(mains, c.levels...).white(c.white).measure(t, Params{}, pauses...)
				if r.MainsSource != "found" {
					t.Errorf("%s: %s %v", name, r.MainsSource, r.Warnings)
					continue
				}
				near(t, name+": mains", float64(r.Mains), mains, 0.12/float64(len(pauses)))
				near(t, name+": hum", float64(r.Hum), sum(c.levels), 0.3)
				// The noise between 20 Hz and 20 kHz only.
				near(t, name+": hiss", float64(r.Hiss), c.white+unit.FromPower(19980.0/24000), 0.3)
			}
		}
	}
}

// A-weighting of hum by hand: IEC 61672-1, Table 3 gives −30.2 dB at 50 Hz and
// −16.1 dB at 125 Hz; the lines here lie at 50 and 150 Hz (−13.2 dB by the formula
// of Annex E).
func TestHumAWeighted(t *testing.T) {
	r := newClip(5, 9).hum(50, -40, math.Inf(-1), -60).white(-80).measure(t, Params{}, stretch(0, 5))
	near(t, "hum", float64(r.Hum), -40, 0.2)
	near(t, "A-weighted", float64(r.HumAWeighted), unit.FromPower(unit.ToPower(-70.2)+unit.ToPower(-73.2)), 0.3)
}

// Tones at multiples of 1 kHz are no hum beside hum of the mains, and hum that
// reaches that far is.
func TestWhineIsNotHum(t *testing.T) {
	supply := []float64{-60, -70, -62, -75}
	var buzz []float64
	for k := range 40 {
		buzz = append(buzz, -60-0.5*float64(k))
	}
	for _, c := range []struct {
		name   string
		hum    []float64
		whine  []float64
		white  float64
		warned bool
	}{
		{"whine", supply, []float64{1000, 2000, 3000}, -80, true},
		{"quiet whine", supply, []float64{1000}, -60, true},
		{"buzz", buzz, nil, -90, false},
	} {
		clip := newClip(5, 11).hum(50, c.hum...).white(c.white)
		for _, hz := range c.whine {
			clip.line(hz, -55)
		}
		r := clip.measure(t, Params{}, stretch(0.1, 1.4), stretch(2, 4.9))
		want := 0.0
		for _, l := range c.hum {
			want += unit.ToPower(l)
		}
		near(t, c.name, float64(r.Hum), unit.FromPower(want), 0.3)
		if warned := slices.ContainsFunc(r.Warnings, func(w finding.Text) bool { return w.Found == "hum.whine" }); warned != c.warned {
			t.Errorf("%s: %v", c.name, r.Warnings)
		}
	}
}

// Noise alone, white and pink, one short pause or several: nominally one false
// alarm in 1000.
func TestNoHumFalseAlarms(t *testing.T) {
	alarms := 0
	for seed := range uint64(200 / thin) {
		c := newClip(1.9, seed)
		if seed%2 == 0 {
			c.white(-70)
		} else {
			c.pink(-60)
		}
		pauses := [][]Stretch{{stretch(0.1, 0.55)}, {stretch(0, 1.3)}, {stretch(0, 0.6), stretch(0.8, 1.9)}}[seed%3]
		if r := c.measure(t, Params{}, pauses...); r.MainsSource != "not found" {
			alarms++
		}
	}
	t.Logf("%d of %d", alarms, 200/thin)
	if alarms > 2 {
		t.Errorf("%d false alarms in 200, nominally 0.2", alarms)
	}
}

// Notes ringing beside the mains frequencies are not hum: the open strings of
// guitars and baritones at A = 440 Hz.
func TestStringsAreNotHum(t *testing.T) {
	for _, hz := range []float64{61.74, 48.99, 51.91, 58.27, 55, 82.41, 98, 103.83, 110, 123.47, 146.83, 196, 246.94, 329.63} {
		for _, p := range [][]Stretch{{stretch(0.2, 0.8)}, {stretch(0.2, 2.9)}} {
			c := newClip(3, 7).white(-75)
			for k := 1; k < 12; k++ {
				c.line(hz*float64(k), -60-3*float64(k))
			}
			if r := c.measure(t, Params{}, p...); r.MainsSource != "not found" {
				t.Errorf("%g Hz, %.1f s: hum %v at %v", hz, r.Duration, r.Hum, r.Mains)
			}
		}
	}
}

func TestStatedMains(t *testing.T) {
	r := newClip(3, 3).white(-70).measure(t, Params{Mains: 50}, stretch(0, 3))
	if r.MainsSource != "stated" || r.Mains != 50 || !math.IsNaN(float64(r.Hum)) || r.Hiss != r.Unweighted {
		t.Errorf("no hum: %+v", r)
	}
	r = newClip(3, 3).white(-70).hum(60.02, -60, -65).measure(t, Params{Mains: 60}, stretch(0, 3))
	if r.MainsSource != "stated" || math.Abs(float64(r.Mains)-60.02) > 0.02 {
		t.Errorf("hum: %v %v", r.MainsSource, r.Mains)
	}
	near(t, "hum", float64(r.Hum), unit.FromPower(unit.ToPower(-60)+unit.ToPower(-65)), 0.3)
}

func TestNotMeasured(t *testing.T) {
	c := newClip(2, 1).white(-60)
	decaying := newClip(2, 1).line(200, -10)
	for i := range decaying.x {
		decaying.x[i] *= unit.ToAmplitude(-20 * float64(i) / testRate)
	}
	for _, d := range []struct {
		clip   *clip
		pauses []Stretch
		want   finding.Text
	}{
		{c, nil, finding.Say("pauses.none")},
		{c, []Stretch{stretch(0.1, 0.4)}, finding.Say("pauses.short", "least_s", 0.4, "longest_s", 0.3, "guard_s", 0)},
		{c, []Stretch{stretch(5, 7)}, finding.Say("pauses.beyond")},
		{decaying, []Stretch{stretch(0.1, 1.4)}, finding.Say("pauses.all-decaying")},
	} {
		r := d.clip.measure(t, Params{}, d.pauses...)
		if r.Measured || !reflect.DeepEqual(r.Reason, d.want) || !math.IsNaN(float64(r.Unweighted)) || !math.IsNaN(float64(r.Hiss)) {
			t.Errorf("want %v, got %+v", d.want, r)
		}
	}
}

// A note that dies away at the start of a pause is left out.
func TestTailLeftOut(t *testing.T) {
	r := newClip(4, 5).note(110, 0, 0.9, 5, 0.6).white(-70).measure(t, Params{}, stretch(1, 2.2), stretch(2.5, 4))
	near(t, "unweighted", float64(r.Unweighted), -70.8, 0.3)
	if r.PerPause[0].Duration >= 1.19 || r.Gated {
		t.Errorf("%+v", r.PerPause[0])
	}
}

func TestLaws(t *testing.T) {
	c := newClip(6, 11).white(-70).hum(50, -60, -70)
	c.note(82.4, 2, 3, 6, 0.05)
	pauses := []Stretch{stretch(0.3, 1.9), stretch(3.2, 5.8)}
	guarded := Params{Guard: 0.1}
	want := measure(t, [][]float64{c.x}, pauses, guarded, 4096)
	for _, block := range []int{1, 777, 1 << 20} {
		if r := measure(t, [][]float64{c.x}, pauses, guarded, block); !reflect.DeepEqual(r, want) {
			t.Errorf("blocks of %d frames give another result", block)
		}
	}
	base := measure(t, [][]float64{c.x}, pauses, Params{}, 4096)
	if r := measure(t, [][]float64{c.x, c.x}, pauses, Params{}, 4096); math.Abs(float64(r.Unweighted-base.Unweighted)) > 1e-9 ||
		math.Abs(float64(r.Hum-base.Hum)) > 1e-9 || math.Abs(float64(r.Hiss-base.Hiss)) > 1e-9 {
		t.Errorf("two equal channels: %g %g %g %g, want %g %g %g %g", r.Unweighted, r.Hum, r.Hiss, r.Mains, base.Unweighted, base.Hum, base.Hiss, base.Mains)
	}
	for _, g := range []float64{-1, 0.1, -4} {
		y := make([]float64, len(c.x))
		for i, v := range c.x {
			y[i] = g * v
		}
		r := measure(t, [][]float64{y}, pauses, Params{}, 4096)
		db := unit.FromAmplitude(g)
		for i, v := range []unit.DBFS{r.Unweighted, r.AWeighted, r.Weighted468, r.Hum, r.Hiss, r.PerPause[1].Unweighted} {
			w := []unit.DBFS{base.Unweighted, base.AWeighted, base.Weighted468, base.Hum, base.Hiss, base.PerPause[1].Unweighted}[i]
			near(t, fmt.Sprintf("gain %g, level %d", g, i), float64(v-w), db, 1e-6)
		}
		if r.Gated != base.Gated || r.MainsSource != base.MainsSource {
			t.Errorf("gain %g: %+v", g, r)
		}
	}
}

func TestBadInput(t *testing.T) {
	ok := []Stretch{{0, 48000}}
	for _, c := range []struct {
		rate, channels int
		pauses         []Stretch
		p              Params
		want           string
	}{
		{100, 1, ok, Params{}, "sample rate"},
		{48000, 0, ok, Params{}, "channels"},
		{48000, 1, []Stretch{{10, 5}, {12, 5}}, Params{}, "pause 2"},
		{48000, 1, []Stretch{{-1, 5}}, Params{}, "pause 1"},
		{48000, 1, []Stretch{{5, math.MaxInt64}}, Params{}, "pause 1"},
		{48000, 1, ok, Params{Mains: 55}, "mains"},
		{48000, 1, ok, Params{Harmonics: 99}, "harmonics"},
		{48000, 1, ok, Params{From: 30000}, "band"},
		{48000, 1, ok, Params{Guard: -1}, "guard"},
	} {
		if _, err := NewMeter(c.rate, c.channels, c.pauses, c.p); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("want an error with %q, got %v", c.want, err)
		}
	}
	m, err := NewMeter(48000, 2, ok, Params{})
	if err != nil {
		t.Fatal(err)
	}
	if err := m.Write([][]float64{{1}}); err == nil {
		t.Error("one channel for two: no error")
	}
	if err := m.Write([][]float64{{1}, {1, 2}}); err == nil {
		t.Error("channels of two lengths: no error")
	}
	if err := m.Write([][]float64{{0, math.NaN()}, {0, 0}}); err == nil || !strings.Contains(err.Error(), "frame 1") {
		t.Errorf("not a number: %v", err)
	}
}

func BenchmarkMeter(b *testing.B) {
	for _, channels := range []int{1, 2} {
		b.Run(fmt.Sprintf("channels=%d", channels), func(b *testing.B) {
			c := newClip(60, 1).white(-70).hum(50, -60, -70, -65)
			x := make([][]float64, channels)
			for i := range x {
				x[i] = c.x
			}
			var pauses []Stretch
			for s := 4.0; s < 58; s += 6 { // 9 pauses, 18 s
				pauses = append(pauses, stretch(s, s+2))
			}
			for b.Loop() {
				measure(b, x, pauses, Params{}, 8192)
			}
			b.ReportMetric(60*float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
		})
	}
}
