package report

import (
	"math"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// Places on a line are put in their order, whatever order they came in, and the way is
// never longer than the one that they came in.
func TestShortWay(t *testing.T) {
	at := []float64{7, 0, 3.5, 9, 1, 12, 5}
	apart := func(i, j int) float64 { return math.Abs(at[i] - at[j]) }
	all := []int{0, 1, 2, 3, 4, 5, 6}
	got := shortWay(all, apart)
	if want := []int{1, 4, 2, 6, 0, 3, 5}; !slices.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
	if !slices.Equal(all, []int{0, 1, 2, 3, 4, 5, 6}) {
		t.Error("the places were changed")
	}
	if got := shortWay([]int{0}, apart); !slices.Equal(got, []int{0}) {
		t.Error(got)
	}
	// Two groups far apart: no take is between those of the other group.
	group := []int{0, 1, 0, 1, 1, 0, 1, 0}
	got = shortWay([]int{0, 1, 2, 3, 4, 5, 6, 7}, func(i, j int) float64 {
		if group[i] != group[j] {
			return 10
		}
		return 1 + 0.1*float64((i*j)%3)
	})
	changes := 0
	for k := 1; k < len(got); k++ {
		if group[got[k]] != group[got[k-1]] {
			changes++
		}
	}
	if changes != 1 {
		t.Errorf("%v changes the group %d times", got, changes)
	}
}

// Each pair is in the table once, like takes next to each other; where all pairs are with
// one take, the nearest first.
func TestLikenessTable(t *testing.T) {
	res := fixture()
	n := len(res.Takes)
	b := &builder{res: res}
	for i, k := range res.Takes {
		b.labels = append(b.labels, label{Name: k.Name, Slug: k.Slug, Take: i})
	}
	v := b.likeness()
	seen := map[string]int{}
	for _, r := range v.Spectral.Rows {
		for _, c := range r.Cells {
			if c.Pair != "" {
				seen[c.Pair]++
			}
		}
	}
	if len(seen) != n*(n-1)/2 {
		t.Errorf("%d pairs of %d takes", len(seen), n)
	}
	for p, k := range seen {
		if k != 1 {
			t.Errorf("%s is there %d times", p, k)
		}
	}
	for _, l := range res.Likeness {
		i, j := number(b.index(l.A)), number(b.index(l.B))
		if seen[i+" "+j] != 1 {
			t.Errorf("%s and %s are not in the table", l.A, l.B)
		}
	}

	res.Parameters.PairsWith = res.Takes[1].Name
	far := 10.0
	res.Likeness = []result.Likeness{}
	for i, k := range res.Takes {
		if i != 1 {
			far = math.Mod(far*7, 11)
			res.Likeness = append(res.Likeness, result.Likeness{A: res.Takes[1].Name, B: k.Name, Spectral: unit.DB(far), Resolved: true})
		}
	}
	last := 0.0
	rows := b.likeness().Spectral.Rows
	if len(rows) != n-1 {
		t.Errorf("%d rows", len(rows))
	}
	for _, r := range rows {
		i := slices.IndexFunc(res.Likeness, func(l result.Likeness) bool { return r.Cells[0].Text == l.B })
		if d := float64(res.Likeness[i].Spectral); d < last {
			t.Errorf("%s is nearer than the one before", r.Cells[0].Text)
		} else {
			last = d
		}
	}
}

// What is left after the best equaliser is next to the distance of the pairs for which it
// was measured, on the page and in the CSV.
func TestLikenessShowsWhatIsLeft(t *testing.T) {
	res := fixture()
	a, other := res.Takes[0].Name, res.Takes[1].Name
	res.Leftover = []result.Leftover{{A: other, B: a, Equaliser: -12.34, Filter: -15.67}, {A: a, B: res.Takes[2].Name, Reason: result.Cause{Words: "too short"}}}
	b, err := newBuilder(res, Options{})
	must(t, err)
	left := 0
	for _, r := range b.likeness().Spectral.Rows {
		for _, c := range r.Cells {
			if !strings.Contains(c.Text, "(") {
				continue
			}
			left++
			if (c.Pair != "0 1" && c.Pair != "1 0") || !strings.HasSuffix(c.Text, " (−12.3)") {
				t.Errorf("%+v", c)
			}
		}
	}
	if left != 1 {
		t.Errorf("%d figures of what is left", left)
	}
	for _, line := range rowsOf(t, res, "data/likeness.csv") {
		want := []string{"", ""}
		if slices.Contains(line[:2], a) && slices.Contains(line[:2], other) {
			want = []string{"-12.34", "-15.67"}
		}
		if !slices.Equal(line[len(line)-2:], want) {
			t.Errorf("%q", line)
		}
	}
}
