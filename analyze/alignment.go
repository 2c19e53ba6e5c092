package analyze

import (
	"context"
	"math"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/align"
	"evenhand/analyze/unit"
)

// align finds where every take lies on the timeline and relative to the anchor
// take. Takes that went through the same cabinet compare better with each
// other than with the dry recording, so their places relative to each other
// come from the anchor where that comparison is certain.
func (s *Session) align(ctx context.Context) error {
	opt := align.Options{}
	src, err := s.source().open()
	if err != nil {
		return err
	}
	defer src.Close()
	step := s.progress("aligning", int64(len(s.takes)+1))
	base, err := align.NewFeature(src, opt)
	if err != nil {
		return err
	}
	step(1)
	features := make([]*align.Feature, len(s.takes))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(s.workers)
	readers := make([]*reader, len(s.takes))
	defer func() {
		for _, r := range readers {
			if r != nil {
				r.Close()
			}
		}
	}()
	for i, sig := range s.takes {
		if s.dry == nil && i == s.anchor {
			features[i] = base
			step(1)
			continue
		}
		g.Go(func() (err error) {
			if err := ctx.Err(); err != nil {
				return err
			}
			if readers[i], err = sig.open(); err != nil {
				return err
			}
			features[i], err = base.Follow(readers[i])
			step(1)
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}

	toBase := make([]align.Estimate, len(s.takes))
	toAnchor := make([]align.Estimate, len(s.takes))
	// Between may read the recordings again, so readers are not shared by
	// goroutines here.
	for i := range s.takes {
		if toBase[i], err = between(base, features[i]); err != nil {
			return err
		}
		if toAnchor[i], err = between(features[s.anchor], features[i]); err != nil {
			return err
		}
	}
	s.offsets = make([]int64, len(s.takes))
	s.toDry, s.toAnchor = toBase, toAnchor
	for i := range s.takes {
		a := &s.Result.Takes[i].Alignment
		e := toBase[i]
		*a = Alignment{
			Lag: e.Lag, LagToReference: toAnchor[i].Lag,
			Polarity: polarityName(e.Polarity), PolarityToReference: polarityName(toAnchor[i].Polarity),
			Confidence: e.Confidence, Certain: e.Certain, Reason: e.Reason,
			Drift: e.Drift, DriftError: e.DriftError, Spread: e.Spread,
		}
		a.Applied = e.Lag
		if toAnchor[i].Certain && !math.IsNaN(float64(toBase[s.anchor].Lag)) {
			a.Applied = toBase[s.anchor].Lag + toAnchor[i].Lag
		}
		if math.IsNaN(float64(a.Applied)) {
			a.Applied = 0
			s.warn(s.Result.Takes[i].Name, "the take could not be aligned and is compared as it lies in its file: %s", e.Reason)
		} else if !e.Certain && !toAnchor[i].Certain {
			s.warn(s.Result.Takes[i].Name, "the alignment is uncertain: %s", e.Reason)
		}
		s.offsets[i] = int64(math.Round(float64(a.Applied)))
	}
	return nil
}

func polarityName(p int) string {
	switch {
	case p > 0:
		return "same"
	case p < 0:
		return "inverted"
	}
	return "uncertain"
}

// between is align.Between, with a recording compared with itself as the exact
// case that it is.
func between(a, b *align.Feature) (align.Estimate, error) {
	if a == b {
		return align.Estimate{Polarity: 1, Certain: true, Confidence: unit.Number(math.Inf(1)), Drift: 0, DriftError: 0}, nil
	}
	return align.Between(a, b)
}
