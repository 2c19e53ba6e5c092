package analyze

import (
	"context"
	"fmt"
	"math"

	"evenhand/analyze/publish"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// The values of MatchParameters.CopiesSource.
const (
	CopiesStated  = "stated"
	CopiesKept    = "kept from the earlier report"
	CopiesDecided = "decided by the noise in the pauses"
)

// Depths are the depths in bits that a report published its takes with.
type Depths struct {
	Of     map[string]int // by the SHA-256 of the recording
	Others int            // of a take that is not among them: the deepest of all; 0 where nothing is published
}

// DepthsOf returns the depths of what a result says is published.
func DepthsOf(res *result.Result) Depths {
	d := Depths{Of: map[string]int{}}
	sums := result.TakeSums(res)
	for i, t := range res.Takes {
		if t.Published == nil {
			continue
		}
		if bits := publish.Depth(t.Published.Encoding); bits > 0 && sums[i] != "" {
			d.Of[sums[i]] = bits
			d.Others = max(d.Others, bits)
		}
	}
	return d
}

// has tells whether any of the takes was published then, so that its depth is to be kept.
func (d Depths) has(s *Session) bool {
	for _, sig := range s.takes {
		if d.Of[sig.SHA256] > 0 {
			return true
		}
	}
	return false
}

// decideCopies decides how many bits the published files have: as stated; else as the
// earlier report has them; else 16 where every pause that is measured, but for those
// that a gate closes or that are silent, is clear of the dither of 16 bits, and 24
// where one is not.
func (s *Session) decideCopies(context.Context) error {
	p := &s.Result.Parameters.Match
	above := make([]unit.DB, len(s.takes))
	least, decided := unit.DB(math.Inf(1)), 16
	for i := range s.takes {
		above[i] = s.aboveDither(i)
		least = min(least, above[i])
	}
	if least < result.ClearOfDither {
		decided = 24
	}
	if p.CopiesMargin = least; math.IsInf(float64(least), 1) {
		p.CopiesMargin = unit.DB(math.NaN())
	}
	s.bits = make([]int, len(s.takes))
	kept := s.depths.has(s)
	for i, sig := range s.takes {
		switch {
		case s.copies > 0:
			s.bits[i], p.CopiesSource = s.copies, CopiesStated
		case kept && s.depths.Of[sig.SHA256] > 0:
			s.bits[i], p.CopiesSource = s.depths.Of[sig.SHA256], CopiesKept
		case kept:
			s.bits[i], p.CopiesSource = s.depths.Others, CopiesKept
		default:
			s.bits[i], p.CopiesSource = decided, CopiesDecided
		}
		if s.bits[i] == 16 && above[i] < result.ClearOfDither {
			s.tell(s.Result.Takes[i].Name, "copies.near-dither", "above_db", above[i], "least_db", result.ClearOfDither)
		}
	}
	return nil
}

// aboveDither is by how many dB, A-weighted, the softest pause of take i is above the
// dither of 16 bits after matching; +Inf where no pause tells.
func (s *Session) aboveDither(i int) unit.DB {
	least := unit.DB(math.Inf(1))
	n, t := s.Takes[i].Noise, &s.Result.Takes[i]
	if !n.Measured || t.Noise.Gated || t.Noise.Silent {
		return least
	}
	dither := publish.DitherLevel(s.takes[i].Info.SampleRate)
	for _, pause := range n.PerPause {
		if pause.Silent || pause.Closing != nil || math.IsNaN(float64(pause.AWeighted)) {
			continue
		}
		least = min(least, unit.DB(pause.AWeighted-dither)+t.Gain)
	}
	return least
}

// otherDepth says that take i is published with other bits than then; "" where it is not.
func (s *Session) otherDepth(i int) string {
	then := s.depths.Of[s.takes[i].SHA256]
	if s.copies == 0 || then == 0 || then == s.copies {
		return ""
	}
	return fmt.Sprintf("its copy has %d bits now and had %d", s.copies, then)
}
