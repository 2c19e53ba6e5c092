package dsp

import (
	"fmt"
	"math"
	"testing"
)

// TestNarrow: against the definition, for bins from the first to the last and
// with all their energy at one other lag.
func TestNarrow(t *testing.T) {
	for _, c := range []struct{ n, lo, bins, reach int }{
		{8192, 28, 2021, 72}, {16384, 55, 4042, 144}, {4096, 1, 2047, 30}, {512, 3, 100, 12}, {64, 1, 20, 31}, {8, 1, 2, 0}, {256, 5, 0, 4},
	} {
		f := NewNarrow(c.n, c.lo, c.bins, c.reach)
		random := func(seed uint64) []complex128 {
			r := noise(seed, 2*c.bins)
			x := make([]complex128, c.bins)
			for k := range x {
				x[k] = complex(r[2*k], r[2*k+1])
			}
			return x
		}
		far := make([]complex128, c.bins)
		for k := range far {
			s, co := math.Sincos(2 * math.Pi * float64(c.lo+k) * float64(3*c.reach+5) / float64(c.n))
			far[k] = complex(co, -s)
		}
		for _, pair := range [][2][]complex128{{random(1), random(2)}, {far, random(3)}, {random(4), nil}, {random(5), far}} {
			rx, ry := f.Lags(pair[0], pair[1])
			for m, r := range [][]float64{rx, ry} {
				total := 0.0
				for _, v := range pair[m] {
					total += math.Hypot(real(v), imag(v))
				}
				for l := -c.reach; l <= c.reach; l++ {
					want := 0.0
					for k, v := range pair[m] {
						s, co := math.Sincos(2 * math.Pi * float64((c.lo+k)*l%c.n) / float64(c.n))
						want += real(v)*co - imag(v)*s
					}
					if d := math.Abs(r[l+c.reach] - want); d > 1.5e-4*total+1e-12 {
						t.Fatalf("%+v, lag %d: got %g, want %g; off by %g of %g", c, l, r[l+c.reach], want, d, total)
					}
				}
			}
		}
	}
}

func TestNarrowRefuses(t *testing.T) {
	for _, c := range [][4]int{{100, 1, 10, 5}, {64, 0, 10, 5}, {64, 1, 40, 5}, {64, 1, 10, 32}, {64, 1, 10, -1}} {
		func() {
			defer func() {
				if recover() == nil {
					t.Errorf("%v was accepted", c)
				}
			}()
			NewNarrow(c[0], c[1], c[2], c[3])
		}()
	}
}

func BenchmarkNarrow(b *testing.B) {
	const n, lo, bins, reach = 8192, 28, 2021, 72
	r := noise(1, 2*bins)
	x := make([]complex128, bins)
	for k := range x {
		x[k] = complex(r[2*k], r[2*k+1])
	}
	report := func(b *testing.B) {
		b.ReportMetric(float64(b.N)*2*8192/48000/b.Elapsed().Seconds(), "audio_s/s")
	}
	b.Run(fmt.Sprintf("by=groups/n=%d", n), func(b *testing.B) {
		f := NewNarrow(n, lo, bins, reach)
		for b.Loop() {
			f.Lags(x, x)
		}
		report(b)
	})
	b.Run(fmt.Sprintf("by=whole/n=%d", n), func(b *testing.B) {
		f := NewComplex(n)
		z := make([]complex128, n)
		for b.Loop() {
			clear(z)
			copy(z[lo:], x)
			f.Forward(z)
		}
		report(b)
	})
}

// TestBesselI0: values of scipy.special.i0, SciPy 1.10.1.
func TestBesselI0(t *testing.T) {
	for x, want := range map[float64]float64{0: 1, 0.5: 1.0634833707413234, 1: 1.2660658777520082, 5: 27.239871823604442, 9: 1093.5883545113745, 13.5: 79965.36811945887} {
		if got := BesselI0(x); math.Abs(got-want) > 1e-15*want {
			t.Errorf("I0(%g) = %v, want %v", x, got, want)
		}
	}
}
