package cut

import (
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
)

// takeOrder returns the takes, as places in the manifest, in the order of
// playing: those of Order, or every contestant (manifest.Contestant). With Shuffle it is the order that the seed gives: takes are put into
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
	for rest := o.Order; len(rest) > 0; {
		at, used := nextTake(rest, names)
		want := strings.TrimSpace(rest[0])
		rest = rest[used:]
		if at < 0 {
			hint := "allowed: " + manifest.Join(names)
			if n := manifest.Nearest(want, names); n != "" {
				hint = "did you mean \"" + n + "\"?"
			}
			return nil, bad("order", "there is no take %q; %s", want, hint)
		}
		if seen[at] && o.Shuffle {
			return nil, bad("order", "%q is listed twice; with --shuffle each take is listed once", names[at])
		}
		if of := c.Takes[at].RepeatOf; of != "" && o.Shuffle {
			return nil, bad("order", "%q repeats %q, so nobody can guess which it is; remove it, or remove --shuffle", names[at], of)
		}
		seen[at] = true
		order = append(order, at)
	}
	if o.Order == nil {
		for i := range c.Takes {
			if c.Takes[i].Contestant() {
				order = append(order, i)
			}
		}
		if len(order) < 2 && len(names) > 1 {
			return nil, bad("order", "%d of %d takes is neither a bypass, nor the room, nor a repeat, and an edit changes between at least two; name the takes to play, such as --order %s", len(order), len(names), strconv.Quote(names[0]+","+names[1]))
		}
	}
	distinct := map[int]bool{}
	for _, t := range order {
		distinct[t] = true
	}
	if len(distinct) < 2 {
		return nil, bad("order", "%d take; an edit changes between at least two of: %s", len(distinct), manifest.Join(names))
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

// nextTake returns the place in names of the take that words begin with, −1 for
// none, and how many words it takes, at least 1: a name that holds a comma
// is several, and the longest name counts. Case does not matter; a slug stands for
// its name.
func nextTake(words, names []string) (at, used int) {
	for used = len(words); used > 0; used-- {
		want := strings.TrimSpace(strings.Join(words[:used], ","))
		if i := slices.Index(names, want); i >= 0 {
			return i, used
		}
		if i := slices.IndexFunc(names, func(n string) bool { return strings.EqualFold(n, want) || manifest.Slug(n) == want }); i >= 0 {
			return i, used
		}
	}
	return -1, 1
}

// letter returns A to Z, then AA, AB and so on.
func letter(i int) string {
	s := ""
	for i++; i > 0; i = (i - 1) / 26 {
		s = string(rune('A'+(i-1)%26)) + s
	}
	return s
}
