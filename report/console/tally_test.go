package console

import (
	"fmt"
	"strings"
	"testing"

	"evenhand/analyze/listening"
	"evenhand/analyze/unit"
)

// Names that begin alike stay whole when the figures leave no room for them.
func TestTerminalTable(t *testing.T) {
	table := terminalTable{heads: []string{"pair", "right"}}
	table.add("Coil / Ribbon", "1")
	table.add("Snapping, low, dark / Snapping, low, bright", "23")
	var out strings.Builder
	table.write(&out, 30)
	want := `pair                     right
Coil / Ribbon                1
Snapping, low, dark /
  Snapping, low, bright
                            23
`
	if got := out.String(); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}

// The hint says how many answers the most one-sided open pair would need, by
// the planner's own search.
func TestTallyLeaning(t *testing.T) {
	pair := func(a, b string, forA, forB int, p, holm float64) listening.PairVote {
		low, high := listening.Interval(forA, forA+forB, listening.Confidence)
		return listening.PairVote{A: a, B: b, ForA: forA, ForB: forB, P: listening.P(p), PHolm: listening.P(holm),
			Share: listening.Share{Value: unit.Number(float64(forA) / float64(forA+forB)), Low: unit.Number(low), High: unit.Number(high)}}
	}
	p := listening.Preferences{Pairs: []listening.PairVote{pair("One", "Two", 40, 10, 0.0001, 0.0003), pair("One", "Three", 17, 33, 0.033, 0.066), pair("Two", "Three", 26, 24, 0.8, 1)}}
	plan, err := listening.Search(0.66, listening.UsualPower, 0.05/6)
	if err != nil {
		t.Fatal(err)
	}
	want := fmt.Sprintf("One / Three; if its share stays the same, about %d answers with a preference are needed to find it; there are 50", plan.Always)
	if got := leaning(p); !strings.Contains(got, want) || plan.Always < 80 || plan.Always > 130 {
		t.Errorf("%s\nexpected %s", got, want)
	}
	if got := leaning(listening.Preferences{Pairs: p.Pairs[:1]}); got != "" {
		t.Errorf("nothing is open: %s", got)
	}
}
