package spectrum

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"evenhand/analyze/unit"
)

// tableOf reads a CSV with # comments.
func tableOf(t *testing.T, path string) []map[string]string {
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
	var out []map[string]string
	for _, row := range rows[1:] {
		m := map[string]string{}
		for i, name := range rows[0] {
			m[name] = row[i]
		}
		out = append(out, m)
	}
	return out
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatalf("%q is not a number: %v", s, err)
	}
	return v
}

func table(t *testing.T, path string, columns ...string) [][]float64 {
	t.Helper()
	var out [][]float64
	for _, row := range tableOf(t, path) {
		v := make([]float64, len(columns))
		for i, c := range columns {
			v[i] = number(t, row[c])
		}
		out = append(out, v)
	}
	return out
}

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

// IEC 61260-1:2014 formulas, recomputed (mark C); nominal frequencies of ISO
// 266:1997 from memory (mark M).
func TestThirdOctaves(t *testing.T) {
	rows := tableOf(t, "testdata/third_octave_bands.csv")
	bands := Bands(3, 20, 20000)
	if len(rows) != 31 || len(bands) != 31 {
		t.Fatalf("got %d bands and %d rows, want 31", len(bands), len(rows))
	}
	for i, r := range rows {
		b := bands[i]
		near(t, b.Label+" centre", float64(b.Centre), number(t, r["exact_hz"]), 5.1e-7)
		near(t, b.Label+" low", float64(b.Low), number(t, r["lower_edge_hz"]), 5.1e-7)
		near(t, b.Label+" high", float64(b.High), number(t, r["upper_edge_hz"]), 5.1e-7)
		want := r["nominal_hz"] + " Hz"
		if n := number(t, r["nominal_hz"]); n >= 1000 {
			want = strconv.FormatFloat(n/1000, 'g', -1, 64) + " kHz"
		}
		if b.Label != want {
			t.Errorf("band %d is named %q, want %q", i, b.Label, want)
		}
	}
}

// IEC 61260-1:2014 formulas, recomputed (mark C).
func TestOtherFractions(t *testing.T) {
	bands := map[string][]Band{"1": Bands(1, 16, 16000), "6": Bands(6, 20, 20000), "12": Bands(12, 19.3, 20500)}
	at := map[string]int{}
	for _, r := range tableOf(t, "testdata/fractional_octave_bands.csv") {
		f := r["b"]
		i := at[f]
		at[f]++
		if i >= len(bands[f]) {
			t.Fatalf("1/%s octave: only %d bands", f, len(bands[f]))
		}
		b := bands[f][i]
		near(t, "1/"+f+" octave centre", float64(b.Centre), number(t, r["exact_hz"]), 5.1e-7)
		near(t, "1/"+f+" octave low", float64(b.Low), number(t, r["lower_edge_hz"]), 5.1e-7)
		near(t, "1/"+f+" octave high", float64(b.High), number(t, r["upper_edge_hz"]), 5.1e-7)
	}
	for f, b := range bands {
		if at[f] != len(b) {
			t.Errorf("1/%s octave: %d bands, the table has %d", f, len(b), at[f])
		}
	}
	labels := map[string]bool{}
	for _, b := range bands["12"] {
		if labels[b.Label] {
			t.Errorf("two twelfth octaves are named %q", b.Label)
		}
		labels[b.Label] = true
	}
	if b := Bands(1, 31.5, 16000); b[0].Label != "31.5 Hz" || b[len(b)-1].Label != "16 kHz" || len(b) != 10 {
		t.Errorf("octaves: got %d from %q", len(b), b[0].Label)
	}
	for _, b := range [][]Band{Bands(0, 20, 20000), Bands(3, 0, 100), Bands(3, 20, unit.Hertz(math.Inf(1))), Bands(3, unit.Hertz(math.NaN()), 100), Bands(3, 100, 20)} {
		if len(b) != 0 {
			t.Errorf("got %d bands from an impossible range", len(b))
		}
	}
}
