package loudness

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
)

// The Recommendation's definition, applied to the mixed signal by the meter,
// is the check: no shortcut may change a reading.
func TestBlendEqualsTheMeterOnTheMixture(t *testing.T) {
	for _, rate := range []int{22050, 48000} {
		r := rand.New(rand.NewPCG(1, uint64(rate)))
		n := rate*9 + 1234
		x, y := make([]float64, n), make([]float64, n)
		for i := range x {
			at := float64(i) / float64(rate)
			level := 0.3
			if at > 4 && at < 6 {
				level = 0.001 // a pause that the relative gate leaves out
			}
			x[i] = level * math.Sin(2*math.Pi*180*at)
			y[i] = -0.6*x[i] + level*0.4*r.NormFloat64() // partly cancels x
		}
		b, err := NewBlend(rate)
		if err != nil {
			t.Fatal(err)
		}
		for i := 0; i < n; i += 1000 {
			if err := b.Write(x[i:min(n, i+1000)], y[i:min(n, i+1000)]); err != nil {
				t.Fatal(err)
			}
		}
		for _, g := range [][2]float64{{1, 0}, {0, 1}, {1, 1}, {0.5, 0.8}, {1, 1.6}, {-0.3, 0.2}} {
			mix := make([]float64, n)
			for i := range mix {
				mix[i] = g[0]*x[i] + g[1]*y[i]
			}
			m, err := NewMeter(rate, 1)
			if err != nil {
				t.Fatal(err)
			}
			if err := m.Write([][]float64{mix}); err != nil {
				t.Fatal(err)
			}
			want, got := float64(m.Finish()[0].Integrated), float64(b.Integrated(g[0], g[1], 1))
			if math.Abs(got-want) > 1e-6 {
				t.Errorf("rate %d, gains %v: %.8f LUFS, the meter reads %.8f", rate, g, got, want)
			}
			if two := float64(b.Integrated(g[0], g[1], 2)); math.Abs(two-got-10*math.Log10(2)) > 1e-6 {
				t.Errorf("two equal channels: %.6f LUFS, one: %.6f", two, got)
			}
		}
	}
}

func TestBlendRefuses(t *testing.T) {
	if _, err := NewBlend(10); !errors.Is(err, ErrFormat) {
		t.Errorf("rate of 10 Hz: %v", err)
	}
	b, _ := NewBlend(48000)
	if err := b.Write(make([]float64, 2), make([]float64, 3)); !errors.Is(err, ErrBlock) {
		t.Errorf("unequal channels: %v", err)
	}
	if v := float64(b.Integrated(1, 1, 1)); !math.IsNaN(v) {
		t.Errorf("nothing written: %v", v)
	}
	if err := b.Write(make([]float64, 48000), make([]float64, 48000)); err != nil || !math.IsInf(float64(b.Integrated(1, 1, 1)), -1) {
		t.Errorf("silence: %v, %v", b.Integrated(1, 1, 1), err)
	}
}
