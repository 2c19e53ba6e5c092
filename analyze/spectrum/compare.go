package spectrum

import (
	"math"

	"gonum.org/v1/gonum/stat/distuv"

	"evenhand/analyze/unit"
)

// Interval returns the factors on an estimated power between which the true
// power lies with the given confidence (0 to 1), for an estimate with the given
// degrees of freedom: ν/χ²((1+c)/2; ν) and ν/χ²((1−c)/2; ν). 1 and 1 for +Inf,
// NaN for what is not positive.
//
// Source: P. D. Welch 1967 (from memory); chi-square quantiles.
func Interval(dof, confidence float64) (low, high float64) {
	switch {
	case !(dof > 0) || !(confidence > 0 && confidence < 1):
		return math.NaN(), math.NaN()
	case math.IsInf(dof, 1):
		return 1, 1
	case dof > 1e5:
		// Wilson and Hilferty's cube root: better than 1e-8 here.
		z := distuv.UnitNormal.Quantile((1 + confidence) / 2)
		a, b := 2/(9*dof), z*math.Sqrt(2/(9*dof))
		return math.Pow(1-a+b, -3), math.Pow(1-a-b, -3)
	}
	chi := distuv.ChiSquared{K: dof}
	return dof / chi.Quantile((1+confidence)/2), dof / chi.Quantile((1-confidence)/2)
}

// DifferenceHalfWidth returns the half width in dB of the range around 0 in which
// the difference of two levels of equal true power, measured independently with
// the given degrees of freedom, lies with at least the given confidence: the
// larger side of the F distribution's. 0 for +Inf twice, NaN for what is not
// positive.
func DifferenceHalfWidth(dofA, dofB, confidence float64) unit.DB {
	if !(dofA > 0 && dofB > 0 && confidence > 0 && confidence < 1) {
		return unit.DB(math.NaN())
	}
	p := (1 + confidence) / 2
	if math.Min(dofA, dofB) > 200 {
		// Abramowitz and Stegun, Handbook of Mathematical Functions, 26.6.16 (from
		// memory): within 0.1 % of F here.
		z := distuv.UnitNormal.Quantile(p)
		ra, rb := 1/(dofA-1), 1/(dofB-1)
		if ra+rb == 0 {
			return 0
		}
		h, l := 2/(ra+rb), (z*z-3)/6
		w := z*math.Sqrt(h+l)/h + math.Abs(ra-rb)*math.Abs(l+5./6-2/(3*h))
		return unit.DB(20 / math.Ln10 * w)
	}
	// F with infinite degrees of freedom is as good as with a million.
	a, b := math.Min(dofA, 1e6), math.Min(dofB, 1e6)
	up := distuv.F{D1: a, D2: b}.Quantile(p)
	down := distuv.F{D1: b, D2: a}.Quantile(p)
	return unit.DB(10 * math.Log10(math.Max(up, down)))
}

// FamilyConfidence returns the confidence that each of a number of comparisons
// needs for all of them to be right together with the given confidence:
// c^(1/n). For n below 1 it returns c.
//
// Source: Z. Šidák, J. Amer. Statist. Assoc. 62, 1967 (from memory).
func FamilyConfidence(confidence float64, comparisons int) float64 {
	if comparisons < 1 {
		return confidence
	}
	return math.Pow(confidence, 1/float64(comparisons))
}

// SmallestDifference is the least half width that Compare returns: a level match
// holds to 0.05 LU on either side, so no smaller difference of matched levels
// can be told from the match (common practice, no source).
const SmallestDifference unit.DB = 0.1

// Comparison holds, per band, how two takes differ.
type Comparison struct {
	Difference []unit.DB // a less b; NaN where a band is not resolved or silent in both
	// HalfWidth is what chance alone does not exceed, at least
	// SmallestDifference; NaN where it cannot be told.
	HalfWidth []unit.DB
	Resolved  []bool // Difference is larger than HalfWidth
}

// BandPowers are what is kept of a spectrum to compare it: per band its power in
// full scale squared and its degrees of freedom, as PSD.Bands and
// PSD.DegreesOfFreedom give them.
type BandPowers struct{ Power, Freedom []float64 }

// BandPowers returns the powers of bands and how far they may be trusted.
func (p PSD) BandPowers(bands []Band) BandPowers {
	return BandPowers{p.Bands(bands), p.DegreesOfFreedom(bands)}
}

// Compare compares the band levels of a and b after gains in dB. The confidence
// is that of each band; see FamilyConfidence. A band that is silent in one only
// is resolved.
func Compare(a, b PSD, gainA, gainB unit.DB, bands []Band, confidence float64) Comparison {
	return CompareBands(a.BandPowers(bands), b.BandPowers(bands), gainA, gainB, confidence)
}

// CompareBands is Compare for the powers of the same bands.
func CompareBands(a, b BandPowers, gainA, gainB unit.DB, confidence float64) Comparison {
	n := len(a.Power)
	c := Comparison{make([]unit.DB, n), make([]unit.DB, n), make([]bool, n)}
	la, lb := Levels(a.Power, gainA), Levels(b.Power, gainB)
	for i := range n {
		c.Difference[i] = la[i] - lb[i]
		c.HalfWidth[i] = DifferenceHalfWidth(a.Freedom[i], b.Freedom[i], confidence)
		if c.HalfWidth[i] < SmallestDifference {
			c.HalfWidth[i] = SmallestDifference
		}
		d := math.Abs(float64(c.Difference[i]))
		c.Resolved[i] = d > float64(c.HalfWidth[i]) || math.IsInf(d, 1)
	}
	return c
}
