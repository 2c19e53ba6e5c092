package finding

import (
	"encoding/json"
	"math"
	"path/filepath"
	"testing"

	"evenhand/analyze/store"
	"evenhand/analyze/unit"
)

// TestStored asks that a text that comes back from the store or from JSON gives the same
// JSON again, figure by figure.
func TestStored(t *testing.T) {
	type facts struct {
		Why  Text
		None Text
		All  []Text
	}
	want := facts{Why: Say("a", "x_db", -3.141592653, "y_dbfs", math.Inf(-1), "n", 1<<30, "small", 1e-5, "of", []string{"A", "B"}, "name", "Ä", "true", true, "left_out", math.NaN(),
		"why", Say("b", "z", unit.LU(0.1)), "all", []Text{Say("c"), Say("d", "e_s", 2)}), All: []Text{Say("f")}}
	dir := filepath.Join(t.TempDir(), "store")
	for k := range 2 {
		s := store.Open(dir)
		got, err := store.Do(s, "facts", k*0, func() (facts, error) { return want, nil })
		if err != nil || s.Err() != nil || s.Had()["facts"] != k {
			t.Fatal(err, s.Err(), s.Had())
		}
		var read facts
		a, err1 := json.Marshal(want)
		b, err2 := json.Marshal(got)
		err3 := json.Unmarshal(b, &read)
		c, err4 := json.Marshal(read)
		if string(a) != string(b) || string(a) != string(c) {
			t.Errorf("%s\n%s\n%s %v %v %v %v", a, b, c, err1, err2, err3, err4)
		}
		if got.None.Found != "" || got.None.With != nil || got.All[0].With != nil {
			t.Errorf("%+v", got)
		}
	}
}
