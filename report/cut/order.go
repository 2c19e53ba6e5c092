package cut

import (
	"math/rand/v2"
	"strings"

	"evenhand/analyze/manifest"
)

// takeOrder returns the takes, as places in the manifest, in the order of
// playing. With Shuffle it is the order that the seed gives: takes are put into
// the manifest's order, then each place from the last is swapped with one drawn
// from those up to it. The draws are those of the PCG generator with the seed
// and 0, without the ones that would make some places likelier. (PCG-DXSM:
// M. E. O'Neill, as in Go's math/rand/v2.)
func takeOrder(o Options, c *manifest.Comparison) ([]int, error) {
	var names []string
	for i := range c.Takes {
		names = append(names, c.Takes[i].Name)
	}
	var order []int
	seen := make([]bool, len(names))
	for _, want := range o.Order {
		want = strings.TrimSpace(want)
		at := -1
		for i, n := range names {
			if n == want || at < 0 && (strings.EqualFold(n, want) || manifest.Slug(n) == want) {
				at = i
			}
		}
		if at < 0 {
			hint := "allowed: " + strings.Join(names, ", ")
			if n := manifest.Nearest(want, names); n != "" {
				hint = "did you mean \"" + n + "\"?"
			}
			return nil, bad("order", "no take is called %q; %s", want, hint)
		}
		if seen[at] && o.Shuffle {
			return nil, bad("order", "%q is listed twice; with --shuffle each take is listed once", names[at])
		}
		seen[at] = true
		order = append(order, at)
	}
	if o.Order == nil {
		for i := range names {
			order = append(order, i)
		}
	}
	distinct := map[int]bool{}
	for _, t := range order {
		distinct[t] = true
	}
	if len(distinct) < 2 {
		return nil, bad("order", "%d take; an edit changes between at least two of: %s", len(distinct), strings.Join(names, ", "))
	}
	if o.Shuffle {
		var sorted []int
		for i := range names {
			if distinct[i] {
				sorted = append(sorted, i)
			}
		}
		order = sorted
		draw := rand.NewPCG(o.Seed, 0)
		for i := len(order) - 1; i > 0; i-- {
			n := uint64(i + 1)
			v := draw.Uint64()
			for most := -n % n; v < most; {
				v = draw.Uint64()
			}
			k := int(v % n)
			order[i], order[k] = order[k], order[i]
		}
	}
	return order, nil
}

// letter returns A to Z, then AA, AB and so on.
func letter(i int) string {
	s := ""
	for i++; i > 0; i = (i - 1) / 26 {
		s = string(rune('A'+(i-1)%26)) + s
	}
	return s
}
