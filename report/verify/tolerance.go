package verify

import (
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Tolerance is how far a recomputed quantity may be from the stored one.
//
// The same program on the same processor gives the same bits. Processors that
// fuse multiply and add differ in the last bits of sums over millions of
// samples; the tolerances are far above that, and at most half of the last
// digit that a report shows.
type Tolerance struct {
	Quantity string  `json:"quantity"`
	Suffix   string  `json:"field_suffix"` // of the field's name; "" for all others
	Absolute float64 `json:"absolute"`
	Relative float64 `json:"relative"` // of the larger value, added
	Unit     string  `json:"unit"`
	level    bool
}

// inaudible is the level below which two levels count as the same: a 24-bit
// sample step is at −144.5 dB of a full-scale sine.
const inaudible = -150

// Tolerances returns the tolerance of each quantity, by the ending of its
// field's name in results.json. Whole numbers of other fields must be equal.
func Tolerances() []Tolerance {
	return []Tolerance{
		{Quantity: "loudness", Suffix: "_lufs", Absolute: 0.005, Unit: "LU", level: true},
		{Quantity: "loudness difference", Suffix: "_lu", Absolute: 0.005, Unit: "LU", level: true},
		{Quantity: "true peak", Suffix: "_dbtp", Absolute: 0.005, Unit: "dB", level: true},
		// A search ends within these of the best settings, wherever it begins.
		{Quantity: "compressor threshold", Suffix: "threshold_dbfs", Absolute: 0.05, Unit: "dB"},
		{Quantity: "compressor knee", Suffix: "knee_db", Absolute: 0.05, Unit: "dB"},
		{Quantity: "compressor slope", Suffix: "_per_db", Absolute: 0.002},
		{Quantity: "compressor time", Suffix: "_time_ms", Absolute: 0.05, Relative: 0.002, Unit: "ms"},
		{Quantity: "level", Suffix: "_dbfs", Absolute: 0.005, Unit: "dB", level: true},
		{Quantity: "spectral tilt", Suffix: "_db_per_octave", Absolute: 0.005, Unit: "dB"},
		{Quantity: "level difference, gain, band level", Suffix: "_db", Absolute: 0.005, Unit: "dB", level: true},
		{Quantity: "frequency", Suffix: "_hz", Absolute: 0.002, Relative: 1e-4, Unit: "Hz"},
		{Quantity: "time", Suffix: "_s", Absolute: 2e-6, Unit: "s"},
		{Quantity: "spread or shift of time", Suffix: "_ms", Absolute: 0.005, Unit: "ms"},
		{Quantity: "lag", Suffix: "_samples", Absolute: 0.005, Unit: "samples"},
		{Quantity: "clock drift", Suffix: "_ppm", Absolute: 0.01, Unit: "ppm"},
		{Quantity: "other numbers", Absolute: 1e-4, Relative: 1e-4},
	}
}

// PublishedTolerances are those for what was measured again from published
// audio without the recordings: it was rounded to the depth of its file, and
// its gain is known to four decimals. Levels that the rounding reaches are not
// compared at all (see again.FromPublished).
func PublishedTolerances() []Tolerance {
	return []Tolerance{
		{Quantity: "loudness", Suffix: "_lufs", Absolute: 0.05, Unit: "LU", level: true},
		{Quantity: "loudness difference", Suffix: "_lu", Absolute: 0.05, Unit: "LU", level: true},
		{Quantity: "true peak", Suffix: "_dbtp", Absolute: 0.05, Unit: "dB", level: true},
		{Quantity: "level", Suffix: "_dbfs", Absolute: 0.05, Unit: "dB", level: true},
		{Quantity: "spectral tilt", Suffix: "_db_per_octave", Absolute: 0.01, Unit: "dB"},
		{Quantity: "statistical half width", Suffix: "half_width_db", Absolute: 0.1, Relative: 0.01, Unit: "dB", level: true},
		{Quantity: "band level", Suffix: "_octave_db", Absolute: 0.15, Relative: 0.001, Unit: "dB", level: true},
		{Quantity: "band level difference", Suffix: "difference_db", Absolute: 0.2, Unit: "dB", level: true},
		{Quantity: "spectral distance", Suffix: "spectral_db", Absolute: 0.1, Unit: "dB", level: true},
		{Quantity: "level difference, gain", Suffix: "_db", Absolute: 0.05, Unit: "dB", level: true},
		{Quantity: "frequency", Suffix: "_hz", Absolute: 0.01, Relative: 1e-3, Unit: "Hz"},
		{Quantity: "time", Suffix: "_s", Absolute: 2e-6, Unit: "s"},
		{Quantity: "other numbers", Absolute: 1e-3, Relative: 1e-3},
	}
}

func toleranceOf(all []Tolerance, field string) Tolerance {
	for _, t := range all {
		if t.Suffix != "" && strings.HasSuffix(field, t.Suffix) {
			return t
		}
	}
	return all[len(all)-1]
}

// counts tells whether two values are whole numbers of something, which are the
// same or not.
func (t Tolerance) counts(a, b float64) bool {
	return t.Suffix == "" && a == math.Trunc(a) && b == math.Trunc(b)
}

func (t Tolerance) holds(a, b float64) bool {
	switch {
	case a == b:
		return true
	case t.level && a <= inaudible && b <= inaudible:
		return true
	}
	return math.Abs(a-b) <= t.Absolute+t.Relative*max(math.Abs(a), math.Abs(b))
}

func (t Tolerance) String() string {
	s := "±" + strconv.FormatFloat(t.Absolute, 'g', -1, 64)
	if t.Unit != "" {
		s += " " + t.Unit
	}
	if t.Relative > 0 {
		s += fmt.Sprintf(" and %s %% of the value", strconv.FormatFloat(100*t.Relative, 'g', -1, 64))
	}
	return s
}
