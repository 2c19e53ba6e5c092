// Package unit holds the types of the quantities that Evenhand measures. Each
// type has one unit, one way to be printed and one way to be stored, so that
// the page, the terminal and results.json cannot disagree. It imports nothing
// of the project.
//
// Printing uses the digits that the measurement supports: one decimal for
// loudness and levels on the page (EBU Tech 3341, 2.8, asks for no more), two
// where a difference or a check needs them. Storing keeps four decimals, so
// that files do not change with the last bits of the arithmetic.
//
// Silence has a level of minus infinity; a quantity that was not measured is
// NaN. JSON knows neither: silence is stored as the string "-inf" and an
// unmeasured value as null.
package unit

import (
	"bytes"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Level quantities. All are float64 in the unit that their name says.
type (
	LUFS  float64 // loudness relative to full scale, ITU-R BS.1770-5 (LKFS there)
	LU    float64 // loudness difference or range
	DBFS  float64 // level relative to a full-scale sine's peak (peak levels) or rms (rms levels), see the field that uses it
	DBTP  float64 // true-peak level relative to full scale, ITU-R BS.1770-5 Annex 2
	DB    float64 // level difference, gain or ratio
	Hertz float64 // frequency
	// Seconds is a time or duration on the comparison's timeline.
	Seconds float64
	// Samples is a possibly fractional count of sample frames.
	Samples float64
	// PPM is a relative clock difference in parts per million.
	PPM float64
	// Number is a pure number (a ratio, a coefficient, a probability).
	Number float64
)

// Frames is a whole number of sample frames: one sample of every channel.
type Frames int64

// minus is the typographic minus sign, as wide as a plus.
const minus = "−"

// Format prints v with the given number of decimals and a typographic minus;
// −0.00 is printed as 0.00, silence as −∞ and an unmeasured value as an en dash.
func Format(v float64, decimals int) string {
	switch {
	case math.IsNaN(v):
		return "–"
	case math.IsInf(v, -1):
		return minus + "∞"
	case math.IsInf(v, 1):
		return "∞"
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', decimals, 64)
	if v < 0 && strings.Trim(s, "0.") != "" {
		return minus + s
	}
	return s
}

// DecimalsBeside returns how many decimals, at least those given and at most 6,
// v needs for its magnitude not to look equal to a limit's that it is not.
func DecimalsBeside(v, limit float64, decimals int) int {
	v, limit = math.Abs(v), math.Abs(limit)
	for decimals < 6 && v != limit && Format(v, decimals) == Format(limit, decimals) {
		decimals++
	}
	return decimals
}

// Signed prints like Format with an explicit plus for positive values: for
// gains and differences.
func Signed(v float64, decimals int) string {
	s := Format(v, decimals)
	if v > 0 && !math.IsInf(v, 0) && strings.Trim(s, "0.") != "" {
		return "+" + s
	}
	return s
}

// Within prints v and by how much, either way, it may be off: −0.1 ± 0.5. The
// range is printed upwards, with one decimal, or two below 0.1, never as nothing;
// where it is not known, v stands alone.
func Within(v, half float64) string {
	if math.IsNaN(v) || math.IsNaN(half) {
		return Signed(v, 1)
	}
	decimals := 1
	if half < 0.1 {
		decimals = 2
	}
	scale := math.Pow10(decimals)
	return Signed(v, decimals) + " ± " + Format(max(1, math.Ceil(scale*half-1e-9))/scale, decimals)
}

func (v LUFS) String() string { return Format(float64(v), 1) + " LUFS" }
func (v LU) String() string   { return Format(float64(v), 1) + " LU" }
func (v DBFS) String() string { return Format(float64(v), 1) + " dBFS" }
func (v DBTP) String() string { return Format(float64(v), 1) + " dBTP" }
func (v DB) String() string   { return Signed(float64(v), 1) + " dB" }
func (v PPM) String() string  { return Signed(float64(v), 1) + " ppm" }

// String prints with three significant digits: 61.7 Hz, 440 Hz, 1.26 kHz.
func (v Hertz) String() string {
	f := float64(v)
	switch {
	case math.IsNaN(f) || math.IsInf(f, 0):
		return Format(f, 0) + " Hz"
	case math.Abs(f) >= 9995:
		return Format(f/1000, 1) + " kHz"
	case math.Abs(f) >= 999.5:
		return Format(f/1000, 2) + " kHz"
	case math.Abs(f) >= 99.95:
		return Format(f, 0) + " Hz"
	}
	return Format(f, 1) + " Hz"
}

// String prints with two decimals, which is a hundredth of a frame.
func (v Samples) String() string { return Signed(float64(v), 2) + " samples" }

// String prints minutes, seconds and tenths: 1:02.5.
func (v Seconds) String() string {
	f := float64(v)
	if math.IsNaN(f) || math.IsInf(f, 0) {
		return Format(f, 0)
	}
	sign := ""
	if f < 0 {
		sign, f = minus, -f
	}
	tenths := int64(math.Round(f * 10))
	if tenths == 0 {
		sign = ""
	}
	return fmt.Sprintf("%s%d:%02d.%d", sign, tenths/600, tenths/10%60, tenths%10)
}

func (v Number) String() string { return Format(float64(v), 2) }

// stored rounds to decimals and writes the JSON form.
func stored(v float64, decimals int) ([]byte, error) {
	switch {
	case math.IsNaN(v):
		return []byte("null"), nil
	case math.IsInf(v, -1):
		return []byte(`"-inf"`), nil
	case math.IsInf(v, 1):
		return []byte(`"inf"`), nil
	}
	p := math.Pow(10, float64(decimals))
	r := math.Round(v*p) / p
	if r == 0 {
		r = 0 // no negative zero
	}
	return strconv.AppendFloat(nil, r, 'f', -1, 64), nil
}

func restore(b []byte) (float64, error) {
	switch b = bytes.TrimSpace(b); string(b) {
	case "null":
		return math.NaN(), nil
	case `"-inf"`:
		return math.Inf(-1), nil
	case `"inf"`:
		return math.Inf(1), nil
	}
	v, err := strconv.ParseFloat(string(b), 64)
	if err != nil {
		return 0, fmt.Errorf("unit: %q is not a number, null, \"-inf\" or \"inf\"", b)
	}
	return v, nil
}

func restoreInto[T ~float64](v *T, b []byte) error {
	f, err := restore(b)
	if err == nil {
		*v = T(f)
	}
	return err
}

// MarshalJSON and UnmarshalJSON store the quantities as the package comment says.

func (v LUFS) MarshalJSON() ([]byte, error)    { return stored(float64(v), 4) }
func (v LU) MarshalJSON() ([]byte, error)      { return stored(float64(v), 4) }
func (v DBFS) MarshalJSON() ([]byte, error)    { return stored(float64(v), 4) }
func (v DBTP) MarshalJSON() ([]byte, error)    { return stored(float64(v), 4) }
func (v DB) MarshalJSON() ([]byte, error)      { return stored(float64(v), 4) }
func (v Hertz) MarshalJSON() ([]byte, error)   { return stored(float64(v), 3) }
func (v Seconds) MarshalJSON() ([]byte, error) { return stored(float64(v), 6) }
func (v Samples) MarshalJSON() ([]byte, error) { return stored(float64(v), 3) }
func (v PPM) MarshalJSON() ([]byte, error)     { return stored(float64(v), 3) }
func (v Number) MarshalJSON() ([]byte, error)  { return stored(float64(v), 5) }

func (v *LUFS) UnmarshalJSON(b []byte) error    { return restoreInto(v, b) }
func (v *LU) UnmarshalJSON(b []byte) error      { return restoreInto(v, b) }
func (v *DBFS) UnmarshalJSON(b []byte) error    { return restoreInto(v, b) }
func (v *DBTP) UnmarshalJSON(b []byte) error    { return restoreInto(v, b) }
func (v *DB) UnmarshalJSON(b []byte) error      { return restoreInto(v, b) }
func (v *Hertz) UnmarshalJSON(b []byte) error   { return restoreInto(v, b) }
func (v *Seconds) UnmarshalJSON(b []byte) error { return restoreInto(v, b) }
func (v *Samples) UnmarshalJSON(b []byte) error { return restoreInto(v, b) }
func (v *PPM) UnmarshalJSON(b []byte) error     { return restoreInto(v, b) }
func (v *Number) UnmarshalJSON(b []byte) error  { return restoreInto(v, b) }

// FromAmplitude returns 20·log10(a) in dB; −Inf for zero.
func FromAmplitude(a float64) float64 { return 20 * math.Log10(math.Abs(a)) }

// FromPower returns 10·log10(p) in dB; −Inf for zero and below.
func FromPower(p float64) float64 {
	if p <= 0 {
		return math.Inf(-1)
	}
	return 10 * math.Log10(p)
}

// ToAmplitude returns the factor on amplitude that db decibels mean.
func ToAmplitude(db float64) float64 { return math.Pow(10, db/20) }

// ToPower returns the factor on power that db decibels mean.
func ToPower(db float64) float64 { return math.Pow(10, db/10) }
