package cut

import (
	"math/rand/v2"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
)

// takeOrder returns the takes, as places in the manifest, in the order of
// playing: those of Order, or those of byRole. With Shuffle it is the order that the
// seed gives: takes are put into the manifest's order, then each place from the last is
// swapped with one drawn from those up to it. The draws are those of the PCG generator with the seed
// and 0, without the ones that would make some places likelier. (PCG-DXSM:
// M. E. O'Neill, as in Go's math/rand/v2.)
func takeOrder(o Options, c *manifest.Comparison) ([]int, error) {
	var names []string
	for i := range c.Takes {
		names = append(names, c.Takes[i].Name)
	}
	order, err := pick("order", "take", o.Order, names)
	if err != nil {
		return nil, err
	}
	if o.Shuffle {
		seen := make([]bool, len(names))
		for _, t := range order {
			if seen[t] {
				return nil, bad("order", "%q is listed twice; with --shuffle each take is listed once", names[t])
			}
			if of := c.Takes[t].RepeatOf; of != "" {
				return nil, bad("order", "%q repeats %q, so nobody can guess which it is; remove it, or remove --shuffle", names[t], of)
			}
			seen[t] = true
		}
	}
	if o.Order == nil {
		if order, err = byRole(o, c); err != nil {
			return nil, err
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

// byRole returns the contestants and the takes of Options.Include, as in the manifest or,
// with Options.ReferenceFirst, the reference first.
func byRole(o Options, c *manifest.Comparison) ([]int, error) {
	found := map[string]bool{}
	var order []int
	for i := range c.Takes {
		t := &c.Takes[i]
		as := string(t.Role)
		if t.RepeatOf != "" {
			as = "repeats"
		}
		if t.Contestant() || slices.Contains(o.Include, as) {
			order = append(order, i)
			found[as] = true
		}
	}
	for _, word := range o.Include {
		switch {
		case !slices.Contains(Includes(), word):
			return nil, bad("include", "%q; allowed: %s", word, strings.Join(Includes(), ", "))
		case word == "repeats" && o.Shuffle:
			return nil, bad("include", "nobody can guess which of two takes is the repeat; remove repeats, or remove --shuffle")
		case !found[word]:
			return nil, bad("include", "the manifest has no take for %s; remove it", word)
		}
	}
	if o.ReferenceFirst {
		at := slices.IndexFunc(order, func(i int) bool { return c.Takes[i].Name == c.Reference })
		if at < 0 {
			return nil, bad("reference-first", "no take of the edit is the reference; state one in the manifest, such as reference: %s, or remove --reference-first", manifest.Scalar(c.Takes[order[0]].Name))
		}
		order = append([]int{order[at]}, slices.Delete(slices.Clone(order), at, at+1)...)
	}
	return order, nil
}

// pick returns the places in names of those that words list; see next.
func pick(option, what string, words, names []string) ([]int, error) {
	var out []int
	for rest := words; len(rest) > 0; {
		at, used := next(rest, names)
		want := strings.TrimSpace(rest[0])
		rest = rest[used:]
		if at < 0 {
			hint := "allowed: " + manifest.Join(names)
			if n := manifest.Nearest(want, names); n != "" {
				hint = "did you mean \"" + n + "\"?"
			}
			return nil, bad(option, "there is no %s %q; %s", what, want, hint)
		}
		out = append(out, at)
	}
	return out, nil
}

// next returns the place in names of the one that words begin with, −1 for
// none, and how many words it takes, at least 1: a name that holds a comma
// is several, and the longest name counts. Case does not matter; a slug stands for
// its name.
func next(words, names []string) (at, used int) {
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
