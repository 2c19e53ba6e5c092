package analyze

import (
	"evenhand/analyze/align"
	"evenhand/analyze/result"
)

// pairsWithOf returns the name of the take that alone others are compared with:
// the one that they are aligned to, where there are more than AllPairs; else "".
func (s *Session) pairsWithOf() string {
	if len(s.takes) <= result.AllPairs {
		return ""
	}
	return s.Result.Takes[s.Anchor].Name
}

// pairs returns the places of the takes of each pair that is compared, the lower
// one first, in the order of the takes.
func (s *Session) pairs() [][2]int {
	with := s.Result.Parameters.PairsWith
	pairs := [][2]int{}
	for a := range s.takes {
		for b := a + 1; b < len(s.takes); b++ {
			if with == "" || s.Result.Takes[a].Name == with || s.Result.Takes[b].Name == with {
				pairs = append(pairs, [2]int{a, b})
			}
		}
	}
	return pairs
}

// group are takes whose excerpts are held while they are compared with each other
// and with others.
type group struct{ held, others []int }

// groups returns the groups in which every pair meets once and every take is read.
func (s *Session) groups() []group {
	n := len(s.takes)
	if with := s.Result.Parameters.PairsWith; with != "" {
		var g group
		for i := range n {
			if s.Result.Takes[i].Name == with {
				g.held = append(g.held, i)
			} else {
				g.others = append(g.others, i)
			}
		}
		return []group{g}
	}
	size := excerptSegments * (align.SegmentLength(s.Result.Timeline.SampleRate)/2 + 1) * 16
	most := max(1, excerptMemory/size)
	var out []group
	for from := 0; from < n; from += most {
		var g group
		for i := from; i < n; i++ {
			if i < from+most {
				g.held = append(g.held, i)
			} else {
				g.others = append(g.others, i)
			}
		}
		out = append(out, g)
	}
	return out
}
