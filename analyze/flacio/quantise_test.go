package flacio

import (
	"math"
	"slices"
	"testing"
)

func TestQuantiseRounds(t *testing.T) {
	q := NewQuantiser(16, false, 0)
	src := []float64{0, 0.5, -0.5, -1, 32767.0 / 32768, 1.4 / 32768, -1.6 / 32768, 0.5 / 32768, 1.5 / 32768,
		1, 1.5, -1.00002, math.Inf(1), math.Inf(-1), math.NaN()}
	want := []int32{0, 16384, -16384, -32768, 32767, 1, -2, 0, 2, 32767, 32767, -32768, 32767, -32768, 0}
	dst := make([]int32, len(src))
	if clipped := q.Quantise(dst, src); clipped != 6 {
		t.Errorf("%d clipped, want 6", clipped)
	}
	if !slices.Equal(dst, want) {
		t.Errorf("got  %v\nwant %v", dst, want)
	}
}

// TestDither: the total error has mean 0 and power 1/4 step squared wherever
// between two steps the signal lies: 1/12 of rounding and 1/6 of the dither.
// Source: Lipshitz, Wannamaker, Vanderkooy 1992 (from memory).
func TestDither(t *testing.T) {
	const n = 200000
	for _, bits := range []int{16, 24} {
		step := math.Ldexp(1, 1-bits)
		for _, level := range []float64{0, 0.25, 0.5, 0.9, 1000.3} {
			q := NewQuantiser(bits, true, 42)
			src, dst := make([]float64, n), make([]int32, n)
			for i := range src {
				src[i] = level * step
			}
			q.Quantise(dst, src)
			var mean, power float64
			for _, v := range dst {
				e := float64(v) - level
				if math.Abs(e) > 1.5 {
					t.Fatalf("an error of %v steps; dither and rounding allow 1.5", e)
				}
				mean += e / n
				power += e * e / n
			}
			// Five standard errors: the mean's is 0.5/sqrt(n); the square's is
			// below 0.35/sqrt(n), as e² stays below 2.25.
			if tol := 5 * 0.5 / math.Sqrt(n); math.Abs(mean) > tol {
				t.Errorf("%d bits, level %v: mean error %v steps, want 0 within %v", bits, level, mean, tol)
			}
			if tol := 5 * 0.35 / math.Sqrt(n); math.Abs(power-0.25) > tol {
				t.Errorf("%d bits, level %v: error power %v, want 0.25 within %v", bits, level, power, tol)
			}
		}
	}
}

func TestDitherIsFixedBySeed(t *testing.T) {
	run := func(seed uint64, step int) []int32 {
		q := NewQuantiser(16, true, seed)
		src, dst := make([]float64, 3000), make([]int32, 3000)
		for at := 0; at < len(src); at += step {
			q.Quantise(dst[at:min(at+step, 3000)], src[at:min(at+step, 3000)])
		}
		return dst
	}
	if !slices.Equal(run(1, 3000), run(1, 7)) {
		t.Error("the same seed gives other noise")
	}
	if slices.Equal(run(1, 3000), run(2, 3000)) {
		t.Error("another seed gives the same noise")
	}
}

func BenchmarkQuantise(b *testing.B) {
	src, dst := make([]float64, 48000), make([]int32, 48000)
	for i := range src {
		src[i] = math.Sin(float64(i)) * 0.9
	}
	q := NewQuantiser(16, true, 1)
	for b.Loop() {
		q.Quantise(dst, src)
	}
	b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "audio_s/s")
}
