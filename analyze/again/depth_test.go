package again_test

import (
	"fmt"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/again"
	"evenhand/report/verify"
)

// Every value that the rounding of a file of 16 bits hides is counted: with those that
// are compared they are as many as with 24 bits, and what is compared is as it was. The
// takes are matched far down, where rounding reaches much.
func TestRoundingIsCounted(t *testing.T) {
	_, c, _ := plainComparison(t, "match: {target: -50 LUFS}\n"+fmt.Sprintf(plainManifest, "}"), 1)
	type counts struct{ compared, rounding int }
	of := map[int]counts{}
	for _, bits := range []int{16, 24} {
		s, err := analyze.Measure(t.Context(), c, analyze.Options{Copies: bits})
		if err != nil {
			t.Fatal(err)
		}
		defer s.Close()
		out := t.TempDir()
		if err := s.Publish(t.Context(), out, analyze.PublishOptions{}); err != nil {
			t.Fatal(err)
		}
		x, err := again.FromPublished(t.Context(), out, t.TempDir(), s.Result, analyze.Options{})
		if err != nil {
			t.Fatal(err)
		}
		stored, err := verify.Tree(s.Result)
		if err != nil {
			t.Fatal(err)
		}
		tree, err := verify.Tree(x)
		if err != nil {
			t.Fatal(err)
		}
		got := verify.Compare(stored, tree, verify.Options{Part: true, Null: true, Tolerances: verify.PublishedTolerances()})
		for _, d := range got.Differences {
			t.Errorf("%d bits: %v", bits, d)
		}
		if x.Bits != bits {
			t.Errorf("%d bits are said to be %d", bits, x.Bits)
		}
		of[bits] = counts{got.Compared, x.Rounding}
	}
	if a, b := of[16], of[24]; a.compared+a.rounding != b.compared+b.rounding || a.rounding <= b.rounding {
		t.Errorf("compared and hidden with 16 bits %d, with 24 bits %d", a, b)
	}
}
