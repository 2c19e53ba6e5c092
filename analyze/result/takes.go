package result

import (
	"slices"
	"strings"
)

// ByName returns the places of the takes in the order of their names. Wherever the
// first of several takes counts it is the first in this order, so that the order of
// the manifest decides about nothing but rows.
func (r *Result) ByName() []int {
	order := make([]int, len(r.Takes))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return strings.Compare(r.Takes[a].Name, r.Takes[b].Name) })
	return order
}

// AnchorSum returns the SHA-256 of the recording that the takes of a result were
// aligned to, "" where that is not known.
func AnchorSum(res *Result) string {
	if i := res.AnchorTake(); i >= 0 {
		return TakeSums(res)[i]
	}
	return ""
}

// AnchorTake returns the place of the take that the others of a result were aligned to,
// −1 where it is not among them. Versions that did not name it took the reference or,
// without one, the first take.
func (r *Result) AnchorTake() int {
	name := r.Parameters.Alignment.Anchor
	if name == "" {
		name = r.Comparison.Reference
	}
	if name == "" && len(r.Takes) > 0 {
		return 0
	}
	return slices.IndexFunc(r.Takes, func(t Take) bool { return t.Name == name })
}

// TakeSums returns the hash of each take's recording; "" where it is not
// listed.
func TakeSums(res *Result) []string {
	sums := make([]string, len(res.Takes))
	for i, t := range res.Takes {
		for _, f := range res.Files {
			if f.Use == "take" && f.Path == t.File {
				sums[i] = f.SHA256
			}
		}
	}
	return sums
}

// AllPairs is the number of takes up to which every take is compared with every
// other. Of more takes, each is compared with one alone, so that neither the time
// nor the memory nor the page grows with the square of their number: 64 takes make
// 2016 pairs, more than anybody reads.
const AllPairs = 64

// LeftoverPairs is the number of takes up to which leftover is measured between all
// contestants: more have too many pairs.
const LeftoverPairs = 24
