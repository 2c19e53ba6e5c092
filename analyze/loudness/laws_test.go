package loudness

import (
	"errors"
	"math"
	"reflect"
	"slices"
	"testing"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

func scaled(x [][]float64, g float64) [][]float64 {
	out := make([][]float64, len(x))
	for c := range x {
		out[c] = make([]float64, len(x[c]))
		for i, v := range x[c] {
			out[c][i] = g * v
		}
	}
	return out
}

func delayed(x [][]float64, n int) [][]float64 {
	out := make([][]float64, len(x))
	for c := range x {
		out[c] = append(make([]float64, n), x[c]...)
	}
	return out
}

func near(t *testing.T, name string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.9f, want %.9f", name, got, want)
	}
}

func TestGain(t *testing.T) {
	x := music(48000, 2, 8, 3, 0.4)
	a, b := measure(t, 48000, x)[0], measure(t, 48000, scaled(x, 2))[0]
	g := 20 * math.Log10(2)
	near(t, "integrated", float64(b.Integrated-a.Integrated), g, 1e-9)
	near(t, "momentary", float64(b.MaxMomentary-a.MaxMomentary), g, 1e-9)
	near(t, "short-term", float64(b.MaxShortTerm-a.MaxShortTerm), g, 1e-9)
	near(t, "true peak", float64(b.TruePeak-a.TruePeak), g, 1e-9)
	near(t, "sample peak", float64(b.SamplePeak-a.SamplePeak), g, 1e-9)
	near(t, "rms", float64(b.RMS-a.RMS), g, 1e-9)
	near(t, "range", float64(b.Range), float64(a.Range), 1e-9)
	near(t, "crest", float64(b.Crest), float64(a.Crest), 1e-9)
	near(t, "peak to loudness", float64(b.PeakToLoudness), float64(a.PeakToLoudness), 1e-9)
}

func TestPolarityAndChannelOrder(t *testing.T) {
	x := music(44100, 2, 5, 20, 0.8)
	a := measure(t, 44100, x)[0]
	if b := measure(t, 44100, scaled(x, -1))[0]; !same(a, b) {
		t.Errorf("inverted: %+v, want %+v", b, a)
	}
	if b := measure(t, 44100, [][]float64{x[1], x[0]})[0]; !same(a, b) {
		t.Errorf("swapped: %+v, want %+v", b, a)
	}
}

// same compares bit for bit, NaN being equal to NaN.
func same(a, b Measurement) bool {
	bits := func(m Measurement) []uint64 {
		var u []uint64
		for _, v := range []float64{float64(m.Integrated), float64(m.MaxMomentary), float64(m.MaxShortTerm), float64(m.Range), float64(m.TruePeak),
			float64(m.SamplePeak), float64(m.RMS), float64(m.Crest), float64(m.PeakToLoudness), float64(m.Momentary.Step), float64(m.ShortTerm.Step)} {
			u = append(u, math.Float64bits(v))
		}
		for _, v := range append(slices.Clone(m.Momentary.Max), m.ShortTerm.Max...) {
			u = append(u, math.Float64bits(float64(v)))
		}
		return u
	}
	return reflect.DeepEqual(bits(a), bits(b)) && reflect.DeepEqual(a.Warnings, b.Warnings)
}

func TestBlockSizeDoesNotMatter(t *testing.T) {
	for _, rate := range []int{22050, 48000} {
		x := music(rate, 3, 4, 5, 0.7)
		n := int64(len(x[0]))
		spans := []Range{{0, n}, {333, 3*int64(rate) + 11}, {int64(rate), 2 * int64(rate)}, {n - 5000, 9000}}
		var want []Measurement
		for _, size := range []int{1, 7, 480, 1024, 4096, int(n)} {
			m, _ := NewMeter(rate, 3)
			m.Track(spans...)
			writeBlocks(t, m, x, size)
			got := m.Finish()
			if want == nil {
				want = got
			}
			for i := range got {
				if !same(got[i], want[i]) {
					t.Errorf("%d Hz, blocks of %d, span %d: %+v, want %+v", rate, size, i, got[i], want[i])
				}
			}
		}
	}
}

// A stretch measured inside a longer stream is the stretch measured alone
// when silence stands before it, at any first frame.
func TestDelayAndSpans(t *testing.T) {
	for _, rate := range []int{11025, 44100, 48000} {
		x := music(rate, 2, 5, 3, 0.4)
		n := int64(len(x[0]))
		alone := measure(t, rate, x)[0]
		for _, d := range []int{1, 220, 12345} {
			y := delayed(x, d)
			in := measure(t, rate, y, Range{0, int64(len(y[0]))}, Range{int64(d), n})[1]
			near(t, "integrated", float64(in.Integrated), float64(alone.Integrated), 1e-9)
			near(t, "momentary", float64(in.MaxMomentary), float64(alone.MaxMomentary), 1e-9)
			near(t, "short-term", float64(in.MaxShortTerm), float64(alone.MaxShortTerm), 1e-9)
			near(t, "range", float64(in.Range), float64(alone.Range), 1e-9)
			near(t, "true peak", float64(in.TruePeak), float64(alone.TruePeak), 1e-12)
			near(t, "rms", float64(in.RMS), float64(alone.RMS), 1e-9)
			if !reflect.DeepEqual(in.Warnings, alone.Warnings) || len(in.Momentary.Max) != len(alone.Momentary.Max) {
				t.Errorf("delay %d: warnings %v and %v", d, in.Warnings, alone.Warnings)
			}
		}
	}
}

// A stretch in the middle of music, on a grid of its own: against the
// definition written out, BS.1770-5 Annex 1 eqs (3) to (7) and EBU Tech 3342
// section 5, on the whole stream's filtered signal.
func TestSpanAgainstDefinition(t *testing.T) {
	for _, rate := range []int{8000, 22050, 44100} {
		x := music(rate, 2, 12, 3, 0.4)
		for c := range x {
			for i := range x[c] {
				if i > 7*rate && i < 9*rate {
					x[c][i] *= 0.05
				}
			}
		}
		r := Range{int64(2*rate + 137), int64(9*rate + 55)}
		s, p := kWeighting(float64(rate))
		sum := make([]float64, r.Frames+1) // running energy of the stretch
		for _, v := range x {
			y := p.direct(s.direct(v))
			e := 0.0
			for i := range r.Frames {
				e += y[r.First+i] * y[r.First+i]
				sum[i+1] += e
			}
		}
		windows := func(frames, hop float64) (z []float64) {
			for k := 0.0; ; k++ {
				from, to := int(k*hop), int(k*hop+frames)
				if to > int(r.Frames) {
					return z
				}
				z = append(z, (sum[to]-sum[from])/float64(to-from))
			}
		}
		mean := func(z []float64, over float64) (m float64) {
			n := 0.0
			for _, v := range z {
				if loudnessOf(v) > over {
					m, n = m+v, n+1
				}
			}
			return loudnessOf(m / n)
		}
		f := float64(rate)
		z := windows(0.4*f, 0.1*f)
		got := measure(t, rate, x, r, Range{0, 5})[0]
		near(t, "integrated", float64(got.Integrated), mean(z, mean(z, -70)-10), 1e-9)
		near(t, "momentary", float64(got.MaxMomentary), loudnessOf(slices.Max(windows(0.4*f, 0.01*f))), 1e-9)
		z = windows(3*f, 0.1*f)
		near(t, "short-term", float64(got.MaxShortTerm), loudnessOf(slices.Max(z)), 1e-9)
		gate := mean(z, -70) - 20
		z = slices.DeleteFunc(z, func(v float64) bool { return loudnessOf(v) < gate })
		slices.Sort(z)
		at := func(p float64) float64 { return loudnessOf(z[int(math.Round(float64(len(z)-1)*p/100))]) }
		near(t, "range", float64(got.Range), at(95)-at(10), 1e-9)
	}
}

func TestLevels(t *testing.T) {
	// A full-scale sine has an rms of 1/√2 (arithmetic) and a crest of √2.
	m := measure(t, 48000, tone(48000, 2, 1000, part{4, 0}))[0]
	near(t, "rms", float64(m.RMS), -3.0103, 1e-4)
	near(t, "crest", float64(m.Crest), 3.0103, 1e-4)
	near(t, "sample peak", float64(m.SamplePeak), 0, 1e-9)
	near(t, "peak to loudness", float64(m.PeakToLoudness), float64(m.TruePeak)-float64(m.Integrated), 1e-12)
	// The power is averaged over channels: one of two silent is −3.01 dB.
	x := tone(48000, 2, 1000, part{4, 0})
	x[1] = make([]float64, len(x[0]))
	near(t, "rms, one side", float64(measure(t, 48000, x)[0].RMS), -6.0206, 1e-4)
	// Powers of channels add up: two equal ones are 3.01 LU louder than one, at one rms.
	a, b := measure(t, 48000, x[:1])[0], measure(t, 48000, [][]float64{x[0], x[0]})[0]
	near(t, "two channels", float64(b.Integrated-a.Integrated), 10*math.Log10(2), 1e-9)
	near(t, "two channels, rms", float64(a.RMS), float64(b.RMS), 1e-9)
}

func TestSilenceAndShortness(t *testing.T) {
	inf := math.Inf(-1)
	m := measure(t, 48000, [][]float64{make([]float64, 48000*4)})[0]
	for name, v := range map[string]float64{"integrated": float64(m.Integrated), "momentary": float64(m.MaxMomentary), "short-term": float64(m.MaxShortTerm),
		"true peak": float64(m.TruePeak), "sample peak": float64(m.SamplePeak), "rms": float64(m.RMS), "series": float64(m.Momentary.Max[5])} {
		if v != inf {
			t.Errorf("silence: %s = %v, want −Inf", name, v)
		}
	}
	for _, c := range []struct {
		seconds           float64
		spans             []Range
		warning           finding.Text
		integrated, short bool // measured
	}{
		{4, nil, finding.Say("loudness.range-unstable"), true, true},
		{2.99, nil, finding.Say("loudness.no-short-term"), true, false},
		{0.39, nil, finding.Say("loudness.none"), false, false},
		{1, []Range{{0, 96000}}, finding.Say("loudness.ends", "missing_s", 1), true, false},
		{1, []Range{{48000, 10}}, finding.Say("loudness.empty"), false, false},
		{1, []Range{{10, 0}}, finding.Say("loudness.empty"), false, false},
	} {
		m := measure(t, 48000, tone(48000, 1, 1000, part{c.seconds, -20}), c.spans...)[0]
		if !slices.ContainsFunc(m.Warnings, func(w finding.Text) bool { return reflect.DeepEqual(w, c.warning) }) {
			t.Errorf("%v s: warnings %v, want %v", c.seconds, m.Warnings, c.warning)
		}
		if got := !math.IsNaN(float64(m.Integrated)); got != c.integrated {
			t.Errorf("%v s: integrated %v", c.seconds, m.Integrated)
		}
		if got := !math.IsNaN(float64(m.MaxShortTerm)); got != c.short {
			t.Errorf("%v s: short-term %v", c.seconds, m.MaxShortTerm)
		}
	}
	if m := measure(t, 48000, tone(48000, 1, 1000, part{60, -20}))[0]; len(m.Warnings) != 0 {
		t.Errorf("60 s: warnings %v, want none", m.Warnings)
	}
}

func TestSeries(t *testing.T) {
	// 250 s at 8 kHz: 2500 steps of 0.1 s are joined to 0.4 s each. A burst
	// of 1 s at 100 s is centred on windows from 99.8 to 101.2 s.
	x := tone(8000, 1, 1000, part{100, -50}, part{1, -20}, part{149, -50})
	m := measure(t, 8000, x)[0]
	if m.Momentary.Step != 0.4 || len(m.Momentary.Max) != 625 || len(m.ShortTerm.Max) != 625 || m.ShortTerm.Step != 0.4 {
		t.Fatalf("step %v, %d and %d points", float64(m.Momentary.Step), len(m.Momentary.Max), len(m.ShortTerm.Max))
	}
	for i, v := range m.Momentary.Max {
		loud := i >= 249 && i <= 252
		if got := v > -40; got != loud {
			t.Errorf("step %d: %v, loud %v", i, v, loud)
		}
	}
	if first, last := m.ShortTerm.Max[0], m.ShortTerm.Max[624]; !math.IsNaN(float64(first)) || !math.IsNaN(float64(last)) {
		t.Errorf("short-term begins with %v and ends with %v, want NaN", first, last)
	}
	if v := slices.Max(m.Momentary.Max); v != m.MaxMomentary {
		t.Errorf("greatest of the series %v, greatest momentary %v", v, m.MaxMomentary)
	}
}

// Beyond an hour powers are kept in bins: the results stay within 0.01 LU.
func TestBoundedStore(t *testing.T) {
	x := music(16000, 1, 40, 2, 0.3)
	long := tone(16000, 1, 1000, part{20, -45})
	x[0] = append(x[0], long[0]...)
	exact := measure(t, 16000, x)[0]
	m, _ := NewMeter(16000, 1)
	m.Track(Range{0, int64(len(x[0]))})
	m.spans[0].gating.ExactN, m.spans[0].ranging.ExactN = 50, 50
	writeBlocks(t, m, x, 4096)
	if b := m.spans[0].gating.Bins; b == nil {
		t.Fatal("no bins in use")
	}
	got := m.Finish()[0]
	near(t, "integrated", float64(got.Integrated), float64(exact.Integrated), 0.01)
	near(t, "range", float64(got.Range), float64(exact.Range), 0.01)
}

func TestErrors(t *testing.T) {
	for _, c := range [][2]int{{7999, 1}, {384001, 1}, {48000, 0}, {48000, 33}} {
		if m, err := NewMeter(c[0], c[1]); m != nil || !errors.Is(err, ErrFormat) {
			t.Errorf("NewMeter(%d, %d) gives %v", c[0], c[1], err)
		}
	}
	try := func(name string, want error, f func(m *Meter) error) {
		m, _ := NewMeter(48000, 2)
		if err := f(m); !errors.Is(err, want) {
			t.Errorf("%s: %v, want %v", name, err, want)
		}
	}
	ok := [][]float64{{0, 0}, {0, 0}}
	try("channels", ErrBlock, func(m *Meter) error { return m.Write(ok[:1]) })
	try("lengths", ErrBlock, func(m *Meter) error { return m.Write([][]float64{{0}, {0, 0}}) })
	for _, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		try("not finite", ErrNotFinite, func(m *Meter) error { return m.Write([][]float64{{0, 0}, {0, v}}) })
	}
	try("late", ErrRange, func(m *Meter) error { _ = m.Write(ok); m.Track(Range{0, 1}); return m.Write(ok) })
	try("negative", ErrRange, func(m *Meter) error { m.Track(Range{-1, 5}); return m.Write(ok) })
	try("finished", ErrFinished, func(m *Meter) error { m.Finish(); return m.Write(ok) })
}

// TestIntegratedAt compares the loudness computed for a gain with that of the
// material with the gain applied, over gains that move quiet passages across
// the absolute gate, where loudness plus gain is wrong.
func TestIntegratedAt(t *testing.T) {
	const rate = 48000
	x := make([]float64, 12*rate)
	for i := range x {
		level := -30.0
		switch s := i / rate; {
		case s >= 8:
			level = -72 // below the absolute gate until gain is applied
		case s >= 4:
			level = -43 // near the relative gate
		}
		x[i] = unit.ToAmplitude(level) * math.Sin(2*math.Pi*997*float64(i)/rate)
	}
	measure := func(gain float64) Measurement {
		y := make([]float64, len(x))
		for i := range x {
			y[i] = x[i] * unit.ToAmplitude(gain)
		}
		m, err := NewMeter(rate, 1)
		if err != nil {
			t.Fatal(err)
		}
		if err := m.Write([][]float64{y}); err != nil {
			t.Fatal(err)
		}
		return m.Finish()[0]
	}
	plain := measure(0)
	moved := false
	for _, gain := range []float64{-20, -6, 0, 3, 6, 12} {
		got, want := plain.IntegratedAt(unit.DB(gain)), measure(gain).Integrated
		if math.Abs(float64(got-want)) > 1e-9 {
			t.Errorf("gain %v dB: computed %v, measured %v", gain, float64(got), float64(want))
		}
		moved = moved || math.Abs(float64(want-plain.Integrated)-gain) > 0.1
	}
	if !moved {
		t.Error("the material never shows the absolute gate's effect")
	}
}
