package analyze

import (
	"math"

	"evenhand/analyze/manifest"
	"evenhand/analyze/noise"
	"evenhand/analyze/recording"
	"evenhand/analyze/unit"
)

// lowestString is the pitch of the lowest string that a tuning names, 0 for none.
func lowestString(tuning string) unit.Hertz {
	lowest := unit.Hertz(math.Inf(1))
	for _, p := range manifest.Pitches(tuning) {
		lowest = min(lowest, p.Frequency)
	}
	if math.IsInf(float64(lowest), 1) {
		return 0
	}
	return lowest
}

// floorOf is the floor of a take in every third octave as recorded, in dB: the noise in
// its pauses or the rounding of its file, whichever is higher. −Inf for a file of
// floating point without a pause.
func (s *Session) floorOf(sig *recording.Signal, n noise.Result) []unit.DB {
	out := make([]unit.DB, len(s.bands.third))
	rounding := 0.0
	if !sig.Info.Float {
		step := math.Ldexp(1, 1-sig.Info.Bits)
		for _, gains := range sig.Mix {
			for _, g := range gains {
				// A step's square over 12, as in publish.Rounding; what dither adds is in
				// the pauses.
				rounding += g * g * step * step / 12
			}
		}
	}
	var pauses []float64
	if n.Measured {
		pauses = n.PSD.Bands(s.bands.third)
	}
	nyquist := float64(sig.Info.SampleRate) / 2
	for k, b := range s.bands.third {
		power := rounding * float64(b.High-b.Low) / nyquist
		if pauses != nil && pauses[k] > power {
			power = pauses[k]
		}
		out[k] = unit.DB(unit.FromPower(power))
	}
	return out
}
