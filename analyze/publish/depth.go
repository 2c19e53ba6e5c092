package publish

import (
	"fmt"
	"math"

	"evenhand/analyze/unit"
	"evenhand/analyze/weighting"
)

// encodingOf is how Published.Encoding says the depth of a file.
const encodingOf = "FLAC, %d-bit"

// EncodingName is Published.Encoding of a file of so many bits.
func EncodingName(bits int) string { return fmt.Sprintf(encodingOf, bits) }

// Depth returns the bits that a Published.Encoding says, 16 or 24; 0 for any other.
func Depth(encoding string) int {
	for _, bits := range []int{16, 24} {
		if encoding == EncodingName(bits) {
			return bits
		}
	}
	return 0
}

// Rounding is the power, relative to full scale, that writing adds to a file: 16 bits
// are dithered, 24 are rounded.
//
// Source: S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, "Quantization
// and Dither: A Theoretical Survey", J. Audio Eng. Soc. 40 (1992): step²/12, and
// step²/4 with triangular dither of two steps (from memory).
func Rounding(bits int) float64 {
	step := math.Ldexp(1, 1-bits)
	if dithered(bits) {
		return step * step / 4
	}
	return step * step / 12
}

func dithered(bits int) bool { return bits <= 16 }

// DitherLevel returns the A-weighted level, from 20 Hz to 20 kHz, of what 16 bits with
// dither add to a file of a sample rate: noise that is white up to half the rate.
func DitherLevel(rate int) unit.DBFS {
	const from, to = 20, 20000 // Hz, as noise is measured
	density, power := Rounding(16)/(float64(rate)/2), 0.0
	for f := from; f < min(to, rate/2); f++ {
		power += density * weighting.APower(float64(f)+0.5)
	}
	return unit.DBFS(unit.FromPower(power))
}
