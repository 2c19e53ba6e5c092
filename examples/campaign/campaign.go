// Package campaign chooses how much of a long series of cases a test run makes.
// Only tests import it.
package campaign

import (
	"fmt"
	"os"
	"strings"
	"testing"
)

// Variable is the environment variable that chooses: unset for a small sample,
// "full" for every case, "tenth:0" to "tenth:9" for every tenth case from that
// one on. The ten tenths together are the whole series.
const Variable = "EVENHAND_CAMPAIGN"

// Share returns which cases of a series of total to run, as indices from 0 in
// increasing order: sample of them, evenly spread, unless Variable asks for
// more. Case i must be the same however many others run. A value of Variable
// that is not allowed fails the test.
func Share(t testing.TB, total, sample int) []int {
	t.Helper()
	share, err := choose(os.Getenv(Variable), total, sample)
	if err != nil {
		t.Fatal(err)
	}
	return share
}

func choose(value string, total, sample int) ([]int, error) {
	first, step := 0, 1
	switch n, tenth := strings.CutPrefix(value, "tenth:"); {
	case value == "":
		share := make([]int, 0, min(sample, total))
		for k := range min(sample, total) {
			share = append(share, k*total/min(sample, total))
		}
		return share, nil
	case value == "full":
	case tenth && len(n) == 1 && n >= "0" && n <= "9":
		first, step = int(n[0]-'0'), 10
	default:
		return nil, fmt.Errorf("%s: %q; allowed: full, tenth:0 to tenth:9; unset it for a small sample", Variable, value)
	}
	share := []int{}
	for i := first; i < total; i += step {
		share = append(share, i)
	}
	return share, nil
}

// Long skips a test of more than about 20 s of processor time, or a case of a series that
// repeats a claim and takes as much altogether, unless the environment says CI, where all
// tests run. One case of such a series runs anywhere.
func Long(t testing.TB) {
	t.Helper()
	if os.Getenv("CI") == "" {
		t.Skip("long; runs where CI is set")
	}
}

// Serial skips a test under the race detector: one in which nothing runs at once, or the
// same as in a test that is left in.
func Serial(t testing.TB) {
	t.Helper()
	if Raced {
		t.Skip("nothing new for the race detector")
	}
}
