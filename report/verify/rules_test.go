package verify

import (
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/result"
)

// TestRules asks that figures which an earlier rule gave are counted and not
// compared, whatever names stand in their place, and all others are compared.
func TestRules(t *testing.T) {
	rules := []result.Rule{
		{Since: 2, Fields: []string{"likeness.spectral_db", "takes.noise"}, Says: "Distances count bands that are heard."},
		{Since: 2, Fields: []string{"checks[drift]"}, Says: "A drift is told by more windows."},
		{Since: 2, Fields: []string{"match"}, Says: "Nothing here."},
	}
	stored := `{"likeness":[{"a":"likeness.b]","b":"x","spectral_db":1,"spectral_db_2":1}],
		"checks":[{"id":"drift","subject":"A","measured":1,"outcome":"holds"},{"id":"drift","subject":"B","measured":1,"outcome":"holds"},{"id":"drift-2","measured":1}],
		"takes":[{"name":"A","noise":{"a_dbfs":[1,2]}},{"name":"checks[drift]","gain_db":1}]}`
	again := strings.ReplaceAll(stored, ":1", ":3")
	again = strings.ReplaceAll(strings.ReplaceAll(again, "[1,2]", "[5]"), `,{"id":"drift","subject":"B","measured":3,"outcome":"holds"}`, "")
	opts := Options{File: "r", OtherVersion: true, Rules: rules}
	c := Compare(tree(t, stored), tree(t, again), opts)
	var got []string
	for _, d := range c.Differences {
		got = append(got, d.Quantity)
	}
	want := []string{"checks[drift-2].measured", "likeness[likeness.b], x].spectral_db_2", "takes[checks[drift]].gain_db"}
	if !slices.Equal(got, want) || len(c.NotCompared) != 0 {
		t.Errorf("differ: %q, want %q; not compared: %q", got, want, c.NotCompared)
	}
	// spectral_db and two levels; id, subject, measured and outcome of two checks.
	if !slices.Equal(c.ByRule, []int{3, 8, 0}) {
		t.Errorf("by an earlier rule: %v", c.ByRule)
	}
	r := New("r", "published report")
	r.Add(c, rules)
	r.Add(c, rules)
	var out strings.Builder
	if err := r.Write(&out, false); err != nil {
		t.Fatal(err)
	}
	if line := "not compared: 16 values, computed by an earlier rule. The rule is now: A drift is told by more windows.\n"; !strings.Contains(out.String(), line) || strings.Contains(out.String(), "Nothing here") {
		t.Error(out.String())
	}
}
