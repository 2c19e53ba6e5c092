package spectrum

import (
	"math"
	"strconv"

	"evenhand/analyze/unit"
)

// Band is a fractional-octave band.
type Band struct {
	Label  string     // nominal frequency for octaves and thirds, else the exact one in three digits
	Centre unit.Hertz // exact mid-band frequency
	Low    unit.Hertz // lower edge
	High   unit.Hertz // upper edge
}

// mantissas of the nominal frequencies, ISO 266:1997 (from memory).
var mantissas = [10]float64{1, 1.25, 1.6, 2, 2.5, 3.15, 4, 5, 6.3, 8}

// Bands returns the bands of 1/fraction octave (1, 3, 6, 12, …) whose mid-band
// frequency lies from from to to, in rising order; one per cent is allowed for,
// so that nominal frequencies may be given: Bands(3, 20, 20000) has 31. Nil when
// fraction, from or to is not positive and finite. Adjacent bands share their
// edges; for even fractions 1 kHz is an edge and not a centre.
//
// Source: IEC 61260-1:2014, equations 1 to 5 (from a transcription), with
// G = 10^(3/10).
func Bands(fraction int, from, to unit.Hertz) []Band {
	if fraction < 1 || !(from > 0) || !(to > 0) || math.IsInf(float64(to), 0) {
		return nil
	}
	// In units of half a band from 1 kHz: centres are even for odd fractions and
	// odd for even ones, edges the others.
	step := 0.3 / float64(2*fraction)
	at := func(j int) unit.Hertz { return unit.Hertz(1000 * math.Pow(10, float64(j)*step)) }
	first := int(math.Ceil(math.Log10(float64(from)/1.01/1000) / step))
	if (first+fraction)%2 == 0 {
		first++
	}
	var out []Band
	for j := first; at(j) <= to*1.01; j += 2 {
		b := Band{Centre: at(j), Low: at(j - 1), High: at(j + 1)}
		b.Label = b.Centre.String()
		if fraction == 1 || fraction == 3 {
			b.Label = nominal(j / 2 * 3 / fraction)
		}
		out = append(out, b)
	}
	return out
}

// nominal names the third octave n bands above 1 kHz.
func nominal(n int) string {
	decade := int(math.Floor(float64(n) / 10))
	f := mantissas[n-10*decade] * math.Pow(10, float64(3+decade))
	if f >= 1000 {
		return strconv.FormatFloat(f/1000, 'g', 4, 64) + " kHz"
	}
	return strconv.FormatFloat(f, 'g', 4, 64) + " Hz"
}
