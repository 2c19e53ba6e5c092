package campaign

import (
	"fmt"
	"slices"
	"testing"
)

func TestChoose(t *testing.T) {
	for _, c := range []struct {
		value         string
		total, sample int
		want          []int
	}{
		{"", 100, 5, []int{0, 20, 40, 60, 80}},
		{"", 7, 3, []int{0, 2, 4}},
		{"", 3, 5, []int{0, 1, 2}},
		{"", 0, 5, []int{}},
		{"", 9, 0, []int{}},
		{"full", 4, 1, []int{0, 1, 2, 3}},
		{"tenth:0", 21, 5, []int{0, 10, 20}},
		{"tenth:9", 21, 5, []int{9, 19}},
		{"tenth:9", 5, 5, []int{}},
	} {
		if got, err := choose(c.value, c.total, c.sample); err != nil || !slices.Equal(got, c.want) {
			t.Errorf("%q of %d: %v, %v; want %v", c.value, c.total, got, err, c.want)
		}
	}
	for _, bad := range []string{"all", "tenth", "tenth:", "tenth:10", "tenth:-1", "tenth:x", "Full"} {
		if _, err := choose(bad, 10, 2); err == nil {
			t.Errorf("%q was accepted", bad)
		}
	}
}

// TestTenths asks that the ten tenths together are the whole series, once.
func TestTenths(t *testing.T) {
	all := []int{}
	for n := range 10 {
		share, err := choose(fmt.Sprintf("tenth:%d", n), 103, 5)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, share...)
	}
	slices.Sort(all)
	if whole, _ := choose("full", 103, 5); !slices.Equal(all, whole) {
		t.Errorf("the tenths are %v", all)
	}
}
