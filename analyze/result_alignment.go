package analyze

import "math"

// LagDecimals is how many decimals of the take's lags, in samples, the
// measurement supports: none from half a sample of spread or error on, one from
// a twentieth on, else two.
func (a Alignment) LagDecimals() int {
	worst := 0.0
	for _, v := range []float64{float64(a.Spread), float64(a.AppliedError)} {
		if !math.IsNaN(v) {
			worst = math.Max(worst, v)
		}
	}
	switch {
	case worst >= 0.5:
		return 0
	case worst >= 0.05:
		return 1
	}
	return 2
}
