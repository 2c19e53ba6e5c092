package analyze

// anchorOf returns the place of the take that the others are aligned to: the
// reference; where none is named, the take whose recording an earlier report aligned
// them to, so that what it published stays; else the first by name of the takes that
// are compared. The order of the manifest says nothing.
func (s *Session) anchorOf(earlier string) int {
	order := s.Result.ByName()
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
		if earlier != "" && s.takes[i].SHA256 == earlier {
			return i
		}
	}
	return max(first, 0)
}
