package spectrum

import (
	"math"
	"math/rand/v2"
	"testing"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

// coloured is noise whose density falls with frequency^−slope, made exactly in
// the frequency domain with random phases and exponential powers.
func coloured(seed uint64, n int, slope float64) []float64 {
	r := rand.New(rand.NewPCG(seed, 5))
	c := make([]complex128, n/2+1)
	for k := 1; k < n/2; k++ {
		a := math.Pow(float64(k), -slope/2)
		c[k] = complex(a*r.NormFloat64(), a*r.NormFloat64())
	}
	return dsp.NewFFT(n).Inverse(nil, c)
}

// Pink noise is even in fractional octaves, white noise rises by 10·log10 G/3 per
// third, 1 dB: within what the degrees of freedom allow for all bands together.
func TestColouredNoise(t *testing.T) {
	const rate, n = 48000, 1 << 20
	all := Bands(3, 20, 20000)
	for name, slope := range map[string]float64{"pink": 1, "white": 0} {
		x := coloured(11, n, slope)
		p := measure(t, rate, DefaultParams(rate), x, Range{0, n})[0]
		bands := Bands(3, 25, 16000)
		level := Levels(p.Bands(bands), 0)
		dof := p.DegreesOfFreedom(bands)
		each := FamilyConfidence(0.95, len(bands))
		at := len(bands) - 1 // the band with most degrees of freedom
		for i, b := range bands {
			want := level[at] + unit.DB((1-slope)*float64(i-at))
			allowed := DifferenceHalfWidth(dof[i], dof[at], each)
			if d := level[i] - want; !(math.Abs(float64(d)) <= float64(allowed)) {
				t.Errorf("%s noise, %s: %v off, allowed %v", name, b.Label, d, allowed)
			}
		}
		d := p.Describe(DefaultFrame(), all, even(len(all)))
		near(t, name+" tilt", float64(d.Tilt), 3.0103*(1-slope), 0.05)
		f := DefaultFrame()
		if slope == 0 {
			near(t, "centroid of white noise", float64(d.Centroid), float64(f.From+f.To)/2, 40)
			near(t, "share of the middle", float64(d.Mid), 10*math.Log10(1750./15960), 0.1)
		} else {
			decades := math.Log(float64(f.To / f.From))
			near(t, "centroid of pink noise", float64(d.Centroid), float64(f.To-f.From)/decades, 60)
			near(t, "share of the low", float64(d.Low), 10*math.Log10(math.Log(250./40)/decades), 0.2)
			near(t, "share of the high", float64(d.High), 10*math.Log10(math.Log(8)/decades), 0.1)
		}
		near(t, "shares together", unit.ToPower(float64(d.Low))+unit.ToPower(float64(d.Mid))+unit.ToPower(float64(d.High)), 1, 1e-12)
	}
}

// even are n weights of 1.
func even(n int) []float64 {
	w := make([]float64, n)
	for i := range w {
		w[i] = 1
	}
	return w
}

// TestTiltWithoutMusic asks that bands without weight do not tilt: equal tones in the
// third octaves from 400 Hz on have a tilt of 0, whatever little noise lies in the
// bands below.
func TestTiltWithoutMusic(t *testing.T) {
	const rate, n = 48000, 1 << 18
	x := coloured(12, n, 0)
	for i := range x {
		x[i] *= 1e-6
	}
	for _, b := range Bands(3, 400, 5000) {
		for i := range x {
			x[i] += 0.05 * math.Sin(2*math.Pi*float64(b.Centre)*float64(i)/rate)
		}
	}
	p := measure(t, rate, DefaultParams(rate), x, Range{0, n})[0]
	all := Bands(3, 20, 20000)
	weight := even(len(all))
	if d := float64(p.Describe(DefaultFrame(), all, weight).Tilt); d < 8 {
		t.Errorf("with all bands the tilt is only %v: the test shows nothing", d)
	}
	for i, b := range all {
		if b.Centre < 390 {
			weight[i] = 0
		}
	}
	near(t, "tilt", float64(p.Describe(DefaultFrame(), all, weight).Tilt), 0, 0.02)
}

// IEC 61260-1: three thirds make an octave; here also two sixths a third and
// four twelfths a third, since edges coincide.
func TestBandsAddUp(t *testing.T) {
	x := coloured(12, 1<<18, 0.7)
	p := measure(t, 48000, DefaultParams(48000), x, Range{0, 1 << 18})[0]
	octaves, thirds := p.Bands(Bands(1, 63, 8000)), p.Bands(Bands(3, 50, 10000))
	sixths, twelfths := p.Bands(Bands(6, 47, 10700)), p.Bands(Bands(12, 45.5, 11000))
	if len(thirds) != 3*len(octaves) || len(sixths) != 2*len(thirds) || len(twelfths) != 4*len(thirds) {
		t.Fatalf("got %d octaves, %d thirds, %d sixths, %d twelfths", len(octaves), len(thirds), len(sixths), len(twelfths))
	}
	for i, v := range octaves {
		near(t, "octave", (thirds[3*i]+thirds[3*i+1]+thirds[3*i+2])/v, 1, 1e-12)
	}
	for i, v := range thirds {
		near(t, "third of sixths", (sixths[2*i]+sixths[2*i+1])/v, 1, 1e-12)
		if s := twelfths[4*i] + twelfths[4*i+1] + twelfths[4*i+2] + twelfths[4*i+3]; !math.IsNaN(s) {
			near(t, "third of twelfths", s/v, 1, 1e-12)
		}
	}
}

// The estimated degrees of freedom over white noise against how band powers
// really vary, and against P. D. Welch's formula for stationary noise.
func TestDegreesOfFreedom(t *testing.T) {
	const trials, frames = 400, 128*9 + 128
	bands := []Band{{Label: "narrow", Low: 495, High: 600}, {Label: "wide", Low: 1000, High: 3500}}
	p := Params{256, 128}
	sum, square, dof := make([]float64, 2), make([]float64, 2), make([]float64, 2)
	var stationary [2]float64
	for s := range uint64(trials) {
		x := white(100+s, 1, frames)
		psd := measure(t, 8000, p, x[0], Range{0, frames})[0]
		for i, b := range bands {
			v := psd.Power(b.Low, b.High)
			sum[i] += v / trials
			square[i] += v * v / trials
			dof[i] += psd.DegreesOfFreedom(bands)[i] / trials
			stationary[i] = psd.StationaryDegreesOfFreedom(b.Low, b.High)
		}
	}
	for i, b := range bands {
		seen := 2 * sum[i] * sum[i] / (square[i] - sum[i]*sum[i])
		t.Logf("%s: seen %.1f, by the formula %.1f, estimated %.1f", b.Label, seen, stationary[i], dof[i])
		// 400 trials know a variance within 7 % (one standard error).
		near(t, b.Label+" formula", stationary[i]/seen, 1, 0.2)
		if r := dof[i] / stationary[i]; r > 1.05 || r < 0.5 {
			t.Errorf("%s: estimated %.1f degrees of freedom, the formula gives %.1f", b.Label, dof[i], stationary[i])
		}
	}
}

func TestCompareSilence(t *testing.T) {
	bands := Bands(3, 500, 2000)
	loud := measure(t, 48000, Params{4096, 2048}, coloured(1, 1<<16, 1), Range{0, 1 << 16})[0]
	silent := measure(t, 48000, Params{4096, 2048}, make([]float64, 1<<16), Range{0, 1 << 16})[0]
	for i, r := range Compare(loud, silent, 0, 0, bands, 0.95).Resolved {
		if !r {
			t.Errorf("%s: sound and silence are not told apart", bands[i].Label)
		}
	}
	both := Compare(silent, silent, 0, 0, bands, 0.95)
	for i, r := range both.Resolved {
		if r || !math.IsNaN(float64(both.Difference[i])) {
			t.Errorf("%s: silence differs from silence by %v", bands[i].Label, both.Difference[i])
		}
	}
	same := Compare(loud, loud, 3, 0, bands, 0.95)
	for _, d := range same.Difference {
		near(t, "gain alone", float64(d), 3, 1e-12)
	}
	if d := silent.Describe(DefaultFrame(), bands, even(len(bands))); !math.IsNaN(float64(d.Centroid)) || !math.IsNaN(float64(d.Tilt)) {
		t.Errorf("silence is described as %+v", d)
	}
}

// A spectrum that was put together elsewhere has no record of how its noise
// went; it counts as stationary.
func TestDegreesOfFreedomWithoutRecord(t *testing.T) {
	p := PSD{Rate: 48000, Length: 4096, Segments: 10, Effective: 9, Density: make([]float64, 2049)}
	for k := range p.Density {
		p.Density[k] = 1e-9
	}
	df := p.Resolution()
	for n, want := range map[int]float64{1: 1, 2: 4 / (2 + 8./9), 1000: 1000 * 1000 / (1000 + 999*8./9 + 998./18)} {
		lo, hi := unit.Hertz(99.5*df), unit.Hertz((99.5+float64(n))*df)
		near(t, "stationary", p.StationaryDegreesOfFreedom(lo, hi), 18*want, 1e-6*want)
		if n > 1 {
			near(t, "without record", p.DegreesOfFreedom([]Band{{Low: lo, High: hi}})[0], 18*want, 1e-6*want)
		}
	}
	if v := p.StationaryDegreesOfFreedom(500, 400); !math.IsNaN(v) {
		t.Errorf("no bins have %g degrees of freedom", v)
	}
}
