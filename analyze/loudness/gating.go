package loudness

import (
	"math"
	"slices"

	"evenhand/analyze/unit"
)

// Constants of the two standards.
// Source: ITU-R BS.1770-5 (11/2023), Annex 1, eqs (2) and (6); EBU Tech 3342
// (11/2023), 3.1 and 5.
const (
	offset        = -0.691
	absoluteGate  = -70.0
	keptFrom      = -130.0 // LUFS; quieter windows are not kept for IntegratedAt
	relativeGate  = -10.0
	rangeGate     = -20.0
	rangeLow      = 10.0 // percentile
	rangeHigh     = 95.0
	binsPerLU     = 100
	binTop        = 30.0 // LUFS; louder windows share the last bin
	defaultExactN = 36000
)

// loudnessOf returns the loudness of a weighted mean square; −Inf for zero.
func loudnessOf(power float64) float64 { return offset + unit.FromPower(power) }

// powerOf is its inverse.
func powerOf(lufs float64) float64 { return unit.ToPower(lufs - offset) }

// Windows are the powers of windows that are not far below the absolute gate: the
// powers themselves up to ExactN of them (an hour), and beyond that their
// counts and sums in bins of 0.01 LU, so that memory is bounded. Beyond an
// hour only windows within 0.01 LU of a relative gate can fall on its wrong
// side, and percentiles are right to 0.01 LU.
type Windows struct {
	ExactN int
	Exact  []float64
	Bins   []Bin
}

// Bin is a number of windows and the sum of their powers.
type Bin struct {
	N   int64
	Sum float64
}

// add takes one window's power; the caller leaves out what is too quiet.
func (s *Windows) add(power float64) {
	if s.Bins == nil {
		if len(s.Exact) < s.ExactN {
			s.Exact = append(s.Exact, power)
			return
		}
		s.Bins = make([]Bin, int((binTop-keptFrom)*binsPerLU))
		for _, p := range s.Exact {
			s.bin(p)
		}
		s.Exact = nil
	}
	s.bin(power)
}

func (s *Windows) bin(power float64) {
	i := int((loudnessOf(power) - keptFrom) * binsPerLU)
	b := &s.Bins[min(max(i, 0), len(s.Bins)-1)]
	b.N++
	b.Sum += power
}

// groups returns the stored windows as (count, mean power) in ascending order
// of power.
func (s *Windows) groups() []Bin {
	if s.Bins == nil {
		g := make([]Bin, len(s.Exact))
		for i, p := range slices.Sorted(slices.Values(s.Exact)) {
			g[i] = Bin{1, p}
		}
		return g
	}
	var g []Bin
	for _, b := range s.Bins {
		if b.N > 0 {
			g = append(g, b)
		}
	}
	return g
}

func total(g []Bin) (n int64, sum float64) {
	for _, b := range g {
		n += b.N
		sum += b.Sum
	}
	return n, sum
}

// above returns the groups whose mean power is above limit, or at it when
// inclusive.
func above(g []Bin, limit float64, inclusive bool) []Bin {
	i := 0
	for i < len(g) {
		if p := g[i].Sum / float64(g[i].N); p > limit || inclusive && p == limit {
			break
		}
		i++
	}
	return g[i:]
}

// integrated returns the gated loudness of the stored 400 ms windows after a
// gain in dB; −Inf when none passes the absolute gate.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 1, eqs (5) to (7).
func (s *Windows) integrated(gain float64) float64 {
	g := above(s.groups(), powerOf(absoluteGate-gain), false)
	n, sum := total(g)
	if n == 0 {
		return math.Inf(-1)
	}
	n, sum = total(above(g, sum/float64(n)*unit.ToPower(relativeGate), false))
	return loudnessOf(sum/float64(n)) + gain
}

// gates returns an absolute gate and the relative one above it, in LUFS; −Inf for
// the latter when no window passes the former.
func (s *Windows) gates(absolute, relative float64) (float64, float64) {
	n, sum := total(above(s.groups(), powerOf(absolute), false))
	if n == 0 {
		return absolute, math.Inf(-1)
	}
	return absolute, loudnessOf(sum/float64(n)) + relative
}

// near reports whether a window lies within a distance in dB of a gate in LUFS.
func (s *Windows) near(gate, within float64) bool {
	return slices.ContainsFunc(s.groups(), func(b Bin) bool {
		return math.Abs(loudnessOf(b.Sum/float64(b.N))-gate) <= within
	})
}

// loudnessRange returns the difference of the 95th and 10th percentiles of
// the stored 3 s windows after the relative gate; NaN without any.
//
// Source: EBU Tech 3342 (11/2023), section 5 (nearest rank).
func (s *Windows) loudnessRange() float64 {
	g := s.groups()
	n, sum := total(g)
	if n == 0 {
		return math.NaN()
	}
	g = above(g, sum/float64(n)*unit.ToPower(rangeGate), true)
	n, _ = total(g)
	return loudnessOf(ranked(g, n, rangeHigh)) - loudnessOf(ranked(g, n, rangeLow))
}

// ranked returns the power of the nearest rank to percentile p.
func ranked(g []Bin, n int64, p float64) float64 {
	rank := int64(math.Round(float64(n-1) * p / 100))
	for _, b := range g {
		if rank < b.N {
			return b.Sum / float64(b.N)
		}
		rank -= b.N
	}
	return math.NaN()
}
