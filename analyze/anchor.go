package analyze

import (
	"slices"
	"strings"
)

// anchorOf returns the place of the take that the others are aligned to: the
// reference; where none is named, the take whose recording an earlier report aligned
// them to, so that what it published stays; else the first by name of the takes that
// are compared. The order of the manifest says nothing.
func (s *Session) anchorOf(earlier string) int {
	order := s.Result.byName()
	first := -1
	for _, i := range order {
		if s.Result.Takes[i].Name == s.Manifest.Reference {
			return i
		}
		if first < 0 && s.countsForMedian(i) {
			first = i
		}
	}
	for _, i := range order {
		if earlier != "" && s.takes[i].sha256 == earlier {
			return i
		}
	}
	return max(first, 0)
}

// byName returns the places of the takes in the order of their names. Wherever the
// first of several takes counts it is the first in this order, so that the order of
// the manifest decides about nothing but rows.
func (r *Result) byName() []int {
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
	if i := res.anchor(); i >= 0 {
		return takeSums(res)[i]
	}
	return ""
}

// anchor returns the place of the take that the others of a result were aligned to,
// −1 where it is not among them. Versions that did not name it took the reference or,
// without one, the first take.
func (r *Result) anchor() int {
	name := r.Parameters.Alignment.Anchor
	if name == "" {
		name = r.Comparison.Reference
	}
	if name == "" && len(r.Takes) > 0 {
		return 0
	}
	return slices.IndexFunc(r.Takes, func(t Take) bool { return t.Name == name })
}
