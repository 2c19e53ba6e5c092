package spectrum

import (
	"math"
	"testing"
)

// Chi-square table, three decimals as in the usual printed tables (20: 9.591 and
// 34.170), and the factors that follow. Mark C.
func TestIntervalTable(t *testing.T) {
	rows := table(t, "testdata/chi_square_intervals.csv", "dof", "chi2_0025", "chi2_0975", "factor_low", "factor_high")
	for _, r := range rows {
		low, high := Interval(r[0], 0.95)
		near(t, "factor low", low, r[3], 5.1e-6)
		near(t, "factor high", high, r[4], 5.1e-6)
		near(t, "chi-square 0.975", r[0]/low, r[2], 5.1e-4)
		near(t, "chi-square 0.025", r[0]/high, r[1], 5.1e-4)
	}
	if len(rows) < 9 {
		t.Fatalf("got %d rows", len(rows))
	}
}

// P. D. Welch 1967 (formula from memory), recomputed; mark C.
func TestEffectiveAverages(t *testing.T) {
	n := 0
	for _, r := range tableOf(t, "testdata/welch_dof.csv") {
		if r["window"] != "hann" || r["overlap"] != "0.5" {
			continue
		}
		n++
		k := int(number(t, r["segments"]))
		eff := EffectiveAverages(k)
		near(t, "equivalent averages", eff, number(t, r["equivalent_averages"]), 5.1e-5)
		near(t, "variance", 1/eff, number(t, r["variance_over_mean_squared"]), 5.1e-7)
		low, high := Interval(2*eff, 0.95)
		near(t, "factor low", low, number(t, r["ci95_factor_low"]), 5.1e-6)
		near(t, "factor high", high, number(t, r["ci95_factor_high"]), 5.1e-6)
	}
	if n < 4 {
		t.Fatalf("got %d rows for the window in use", n)
	}
	if EffectiveAverages(0) != 0 {
		t.Error("no segments are worth something")
	}
}

// scipy 1.10.1, 10·log10(max(f.ppf(p, a, b), f.ppf(p, b, a))) with p = (1+c)/2 and
// for the family c = 0.95^(1/8862); d/chi2.ppf(p, d).
func TestQuantilesAgainstScipy(t *testing.T) {
	family := FamilyConfidence(0.95, 8862)
	for _, r := range []struct{ a, b, c, want, tolerance float64 }{
		{2, 2, 0.95, 15.9106461, 1e-6},
		{2, 2, family, 55.3850115, 1e-6},
		{4, 12, 0.95, 9.42065571, 1e-6},
		{4, 12, family, 29.5280936, 1e-6},
		{12.5, 40, 0.95, 4.53316694, 1e-6},
		{12.5, 40, family, 12.1460413, 1e-6},
		{30, 1e+06, 0.95, 2.52053017, 1e-6},
		{30, 1e+06, family, 6.46268058, 1e-6},
		{150, 150, 0.95, 1.39530312, 1e-6},
		{150, 150, family, 3.25783562, 1e-6},
		{199, 201, 0.95, 1.20765908, 1e-6},
		{199, 201, family, 2.81385493, 1e-6},
		{201, 201, 0.95, 1.20419507, 1e-3},
		{201, 201, family, 2.80502277, 1e-3},
		{201, 1e+06, 0.95, 0.893407323, 1e-3},
		{201, 1e+06, family, 2.14173731, 1e-3},
		{1000, 300, 0.95, 0.813384028, 1e-3},
		{1000, 300, family, 1.91857984, 1e-3},
	} {
		got := float64(DifferenceHalfWidth(r.a, r.b, r.c))
		if d := math.Abs(got/r.want - 1); !(d <= r.tolerance) {
			t.Errorf("half width for %g and %g at %g: got %.6f dB, want %.6f within %g %%", r.a, r.b, r.c, got, r.want, 100*r.tolerance)
		}
		if got != float64(DifferenceHalfWidth(r.b, r.a, r.c)) {
			t.Errorf("half width for %g and %g depends on the order", r.a, r.b)
		}
	}
	for _, r := range []struct{ dof, c, low, high float64 }{
		{2.5, 0.95, 0.297892283, 21.0751812},
		{2.5, family, 0.0924583249, 30501.3562},
		{99999, 0.95, 0.991292293, 1.00882348},
		{99999, family, 0.980000874, 1.02056072},
		{110000, 0.95, 0.991695028, 1.00841022},
		{110000, family, 0.980919491, 1.01959104},
		{1e6, 0.95, 0.997233971, 1.00277761},
		{1e6, family, 0.993615946, 1.00644021},
	} {
		low, high := Interval(r.dof, r.c)
		near(t, "low", low, r.low, 1e-6*r.low)
		near(t, "high", high, r.high, 1e-6*r.high)
	}
}

func TestStatisticsOfNothing(t *testing.T) {
	inf, nan := math.Inf(1), math.NaN()
	if v := DifferenceHalfWidth(inf, inf, 0.95); v != 0 {
		t.Errorf("without any noise: got %v, want 0", v)
	}
	if v := float64(DifferenceHalfWidth(inf, 30, 0.95)); math.Abs(v/float64(DifferenceHalfWidth(1e6, 30, 0.95))-1) > 1e-4 {
		t.Errorf("one side without noise: got %v", v)
	}
	if low, high := Interval(inf, 0.95); low != 1 || high != 1 {
		t.Errorf("interval without noise: %v, %v", low, high)
	}
	for _, v := range []float64{nan, 0, -1} {
		low, _ := Interval(v, 0.95)
		if !math.IsNaN(low) || !math.IsNaN(float64(DifferenceHalfWidth(v, 10, 0.95))) || !math.IsNaN(float64(DifferenceHalfWidth(10, 10, v))) {
			t.Errorf("%g gives a number", v)
		}
	}
	near(t, "Šidák", FamilyConfidence(0.95, 2), math.Sqrt(0.95), 1e-15)
	near(t, "family of none", FamilyConfidence(0.95, 0), 0.95, 0)
}
