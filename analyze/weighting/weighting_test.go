package weighting

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"evenhand/analyze/unit"
)

// table reads the columns named in a CSV with # comments.
func table(t *testing.T, path string, columns ...string) [][]float64 {
	t.Helper()
	f, err := os.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := map[string]int{}
	for i, name := range rows[0] {
		at[name] = i
	}
	var out [][]float64
	for _, row := range rows[1:] {
		v := make([]float64, len(columns))
		for i, c := range columns {
			k, ok := at[c]
			if !ok {
				t.Fatalf("%s has no column %q", path, c)
			}
			if v[i], err = strconv.ParseFloat(row[k], 64); err != nil {
				t.Fatal(err)
			}
		}
		out = append(out, v)
	}
	return out
}

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.6f, want %.6f ± %g", what, got, want, tol)
	}
}

// IEC 61672-1:2013, Table 3 (transcription) and Annex E recomputed; marks S+C.
func TestA(t *testing.T) {
	rows := table(t, "testdata/a_c_weighting.csv", "exact_hz", "a_db", "a_exact_db", "nominal_hz", "a_nominal_db")
	if len(rows) != 34 {
		t.Fatalf("got %d rows, want the 34 of the table", len(rows))
	}
	for i, r := range rows {
		exact := 1000 * math.Pow(10, float64(i-20)/10)
		near(t, "exact frequency", exact, r[0], 6e-5)
		name := unit.Hertz(r[3]).String()
		// Table 3 has one decimal: half a digit and the rounding of the sum.
		near(t, "A table "+name, unit.FromPower(APower(exact)), r[1], 0.05+1e-9)
		near(t, "A "+name, unit.FromPower(APower(exact)), r[2], 5.1e-5)
		near(t, "A nominal "+name, unit.FromPower(APower(r[3])), r[4], 5.1e-5)
	}
}

// IEC 61672-1:2013, Annex E (from memory): −2.000 dB.
func TestNormalisation(t *testing.T) {
	near(t, "A1000", unit.FromPower(a1000), -2.000, 5e-4)
	near(t, "A at 1 kHz", unit.FromPower(APower(1000)), 0, 1e-12)
	near(t, "468 at 6.3 kHz", unit.FromPower(ITU468Power(6300)), 12.2, 1e-12)
}

// ITU-R BS.468-4 (07/1986), Table 1 (transcription), with its tolerances; the
// network recomputed. Marks S+C.
func TestITU468(t *testing.T) {
	rows := table(t, "testdata/itu468_weighting.csv", "frequency_hz", "table_db", "tol_plus_db", "tol_minus_db", "network_db")
	if len(rows) < 20 {
		t.Fatalf("got %d rows", len(rows))
	}
	worst := 0.0
	for _, r := range rows {
		got := unit.FromPower(ITU468Power(r[0]))
		d := got - r[1]
		if d > r[2]+1e-9 || d < r[3]-1e-9 {
			t.Errorf("%g Hz: got %.4f dB, the table allows %g %+g/%g", r[0], got, r[1], r[2], r[3])
		}
		worst = math.Max(worst, math.Abs(d))
		near(t, "network", got, r[4], 5.1e-5)
	}
	near(t, "greatest deviation from the table", worst, 0.067, 0.001)
}

func TestSpecialValues(t *testing.T) {
	for name, power := range map[string]func(float64) float64{"A": APower, "468": ITU468Power} {
		if p := power(0); p != 0 {
			t.Errorf("%s at 0: got %g, want 0", name, p)
		}
		if p := power(math.Inf(1)); p != 0 {
			t.Errorf("%s at infinity: got %g, want 0", name, p)
		}
		if !math.IsNaN(power(math.NaN())) {
			t.Errorf("%s of NaN is a number", name)
		}
		if power(-440) != power(440) {
			t.Errorf("%s depends on the sign of the frequency", name)
		}
	}
}
