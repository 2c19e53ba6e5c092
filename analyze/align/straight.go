package align

import (
	"math"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

// straight is a source on another clock.
type straight struct {
	Source
	step   float64 // frames of the source for each of its own
	origin int64
	kernel [][]float64 // of each phase; read only
}

const (
	straightPhases = 256 // between which kernels are straight lines: that is 90 dB down
	straightHalf   = 24
	straightBeta   = 8.0
)

// Straight returns a source in which drift is taken off: frame origin is the same, and n
// frames later is n·drift/10⁶ frames later still in src. It is src itself for no drift.
// Errors are below −80 dB up to 0.8 of the Nyquist frequency.
func Straight(src Source, drift unit.PPM, origin int64) Source {
	if drift == 0 {
		return src
	}
	s := &straight{Source: src, step: 1 + float64(drift)*1e-6, origin: origin}
	for p := range straightPhases + 1 {
		k := make([]float64, 2*straightHalf)
		sum := 0.0
		for i := range k {
			u := float64(i-straightHalf+1) - float64(p)/straightPhases
			v := u / straightHalf
			k[i] = dsp.BesselI0(straightBeta * math.Sqrt(math.Max(0, 1-v*v)))
			if u != 0 {
				k[i] *= math.Sin(math.Pi*u) / (math.Pi * u)
			}
			sum += k[i]
		}
		for i := range k {
			k[i] /= sum
		}
		s.kernel = append(s.kernel, k)
	}
	return s
}

// ReadAt fills dst as Source says.
func (s *straight) ReadAt(dst []float64, first int64) (int, error) {
	// Whole frames and the rest apart, so that far from the origin none is lost.
	whole := func(n int64) (int64, float64) {
		d := float64(n-s.origin) * (s.step - 1)
		f := math.Floor(d)
		return n + int64(f), d - f
	}
	from, _ := whole(first)
	to, _ := whole(first + int64(len(dst)))
	in := make([]float64, to-from+2*straightHalf+1)
	n, err := s.Source.ReadAt(in, from-straightHalf+1)
	if err != nil {
		return 0, err // the source names the file and the place
	}
	for i := range dst {
		at, part := whole(first + int64(i))
		phase := part * straightPhases
		p := int(phase)
		u := phase - float64(p)
		x := in[at-from:][:2*straightHalf]
		a, b := s.kernel[p], s.kernel[p+1]
		var sa, sb float64
		for k, v := range x {
			sa += a[k] * v
			sb += b[k] * v
		}
		dst[i] = sa + u*(sb-sa)
	}
	return min(n, len(dst)), nil
}
