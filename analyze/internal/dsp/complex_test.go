package dsp

import (
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/dsp/fourier"
)

func noise(seed uint64, n int) []float64 {
	r := rand.New(rand.NewPCG(seed, 1))
	x := make([]float64, n)
	for i := range x {
		x[i] = r.NormFloat64()
	}
	return x
}

// Against the definition for short lengths and gonum v0.17.0 for long ones.
func TestComplexForward(t *testing.T) {
	for bit := 0; bit <= 16; bit++ {
		n := 1 << bit
		x, y := noise(1, n), noise(2, n)
		z := make([]complex128, n)
		for i := range z {
			z[i] = complex(x[i], y[i])
		}
		want := make([]complex128, n)
		if n <= 256 {
			for k := range want {
				for i, v := range z {
					s, c := math.Sincos(2 * math.Pi * float64(k*i%n) / float64(n))
					want[k] += v * complex(c, -s)
				}
			}
		} else {
			fourier.NewCmplxFFT(n).Coefficients(want, z)
		}
		f := NewComplex(n)
		f.Forward(z)
		tol := 1e-14 * math.Sqrt(float64(n)) * float64(bit+1)
		for k := range z {
			if d := cmplx.Abs(z[k] - want[k]); d > tol {
				t.Fatalf("length %d, bin %d: got %v, want %v (off by %g, allowed %g)", n, k, z[k], want[k], d, tol)
			}
		}
	}
}

func TestPairIsTwoRealTransforms(t *testing.T) {
	for _, n := range []int{2, 4, 8, 1024, 2048} {
		x, y, w := noise(3, n), noise(4, n), Hann(n)
		f, r := NewComplex(n), NewFFT(n)
		cx, cy := f.Pair(nil, nil, x, y)
		wx, wy := r.Forward(nil, x), r.Forward(nil, y)
		for k := range cx {
			if d := cmplx.Abs(cx[k]-wx[k]) + cmplx.Abs(cy[k]-wy[k]); d > 1e-11 {
				t.Fatalf("length %d, bin %d: off by %g", n, k, d)
			}
		}
		one, both := make([]float64, n/2+1), make([]float64, n/2+1)
		f.PairPower(one, x, nil, w)
		f.PairPower(both, x, y, w)
		for i := range x {
			x[i] *= w[i]
			y[i] *= w[i]
		}
		r.Forward(wx, x)
		r.Forward(wy, y)
		for k := range one {
			px := math.Pow(cmplx.Abs(wx[k]), 2)
			py := math.Pow(cmplx.Abs(wy[k]), 2)
			if math.Abs(one[k]-px) > 1e-10*(1+px) || math.Abs(both[k]-px-py) > 1e-10*(1+px+py) {
				t.Fatalf("length %d, bin %d: got %g and %g, want %g and %g", n, k, one[k], both[k], px, px+py)
			}
		}
	}
}

// TestFFT: against gonum v0.17.0, and back.
func TestFFT(t *testing.T) {
	for _, n := range []int{1, 2, 3, 4, 8, 12, 16, 1000, 1024, 1 << 15} {
		x := noise(uint64(n), n)
		want := fourier.NewFFT(n).Coefficients(nil, x)
		f := NewFFT(n)
		got := f.Forward(nil, x)
		tol := 1e-13 * math.Sqrt(float64(n))
		for k := range want {
			if d := cmplx.Abs(got[k] - want[k]); d > tol {
				t.Fatalf("length %d, bin %d: got %v, want %v", n, k, got[k], want[k])
			}
		}
		// What Forward cannot give, the library leaves out as well.
		got[0] += 3i
		if n%2 == 0 {
			got[n/2] -= 2i
		}
		for i, v := range f.Inverse(make([]float64, n), got) {
			if math.Abs(v-x[i]) > 1e-13 {
				t.Fatalf("length %d, sample %d: got %v back, want %v", n, i, v, x[i])
			}
		}
	}
}

func TestNewComplexRefusesOtherLengths(t *testing.T) {
	for _, n := range []int{-4, 0, 3, 12} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("length %d was accepted", n)
				}
			}()
			NewComplex(n)
		}()
	}
}

func BenchmarkTwoChannels(b *testing.B) {
	for _, n := range []int{1 << 14, 1 << 15} {
		x, y, w := noise(5, n), noise(6, n), Hann(n)
		report := func(b *testing.B) {
			b.ReportMetric(float64(b.N)*float64(n)/48000/b.Elapsed().Seconds(), "audio_s/s")
		}
		b.Run(fmt.Sprintf("by=complex/n=%d", n), func(b *testing.B) {
			f := NewComplex(n)
			dst := make([]float64, n/2+1)
			for b.Loop() {
				f.PairPower(dst, x, y, w)
			}
			report(b)
		})
		b.Run(fmt.Sprintf("by=real/n=%d", n), func(b *testing.B) {
			f := NewFFT(n)
			dst := make([]complex128, n/2+1)
			for b.Loop() {
				f.Forward(dst, x)
				f.Forward(dst, y)
			}
			report(b)
		})
	}
}
