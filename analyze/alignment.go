package analyze

import (
	"context"
	"fmt"
	"math"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/align"
	"evenhand/analyze/clock"
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
	s.byNotes = make([]clock.Placement, len(s.takes))
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
			if err == nil {
				features[i], err = s.placeByNotes(i, base, features[i], s.beginnings.Of(src), readers[i])
			}
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
	if why := s.silence(); why != "" {
		for i := range toBase {
			toBase[i].Reason = why
		}
	}
	s.offsets = make([]int64, len(s.takes))
	s.toDry, s.toAnchor = toBase, toAnchor
	for i := range s.takes {
		s.checkWithNotes(i)
	}
	// Where two takes cannot be compared, both may be with the dry recording.
	for i := range toAnchor {
		if toAnchor[i].Polarity == 0 {
			toAnchor[i].Polarity = toBase[i].Polarity * toBase[s.anchor].Polarity
		}
	}
	for i := range s.takes {
		a := &s.Result.Takes[i].Alignment
		e := toBase[i]
		*a = Alignment{
			Lag: e.Lag, LagToReference: toAnchor[i].Lag,
			Polarity: polarityName(e.Polarity), PolarityToReference: polarityName(toAnchor[i].Polarity),
			Confidence: e.Confidence, Certain: e.Certain, Reason: e.Reason,
			Drift: e.Drift, DriftError: e.DriftError, Spread: e.Spread,
		}
		a.Applied, a.AppliedError, a.PlacedBy = s.applied(i)
		if math.IsNaN(float64(a.Applied)) {
			a.Applied = 0
			s.warn(s.Result.Takes[i].Name, "the take could not be aligned and is compared as it lies in its file: %s", e.Reason)
		} else if a.PlacedBy == "" {
			s.warn(s.Result.Takes[i].Name, "the alignment is uncertain: %s", e.Reason)
		}
		s.offsets[i] = int64(math.Round(float64(a.Applied)))
	}
	return nil
}

// How a take was placed, as it stands in Alignment.PlacedBy.
const (
	byPhase = "phase"
	byNotes = "notes"
)

const (
	// besideNotes is how far from the notes' beginnings an alignment by phase
	// may lie: gear moves those by less than 1 ms.
	besideNotes = 0.002
	// farFromNotes is how far an uncertain one may lie from notes that scatter, and
	// surePlace by how many decades the odds of their place must exceed those of
	// any other.
	farFromNotes = 0.020
	surePlace    = 8
	// nearNotes is how near an uncertain alignment must lie to be kept.
	nearNotes = 0.001
	// clearLag is the confidence below which the notes are asked.
	clearLag = 2
)

// placeByNotes looks where the notes of take i begin, where the comparison by
// phase is not beyond doubt: behind a circuit that distorts much, or for music
// that repeats, it can find another place. The place of the notes is then the
// one at which phases are compared.
func (s *Session) placeByNotes(i int, base, f *align.Feature, src, take align.Source) (*align.Feature, error) {
	e, err := between(base, f)
	if err != nil || e.Certain && e.Confidence >= clearLag {
		return f, err
	}
	p, err := clock.Place(src, take)
	if err != nil {
		return nil, err
	}
	s.byNotes[i] = p
	if !asNotes(e, p, s.source().info.SampleRate) {
		return f, nil
	}
	return base.FollowNear(take, p.Lag, e.Confidence)
}

// asNotes reports whether a take is to be looked for where its notes begin: where
// those are certain and lie beside the phase; and where neither is certain and
// they lie far apart, since notes that scatter say the exact place badly but the
// place well.
func asNotes(e align.Estimate, p clock.Placement, rate int) bool {
	by := apart(e, p, rate)
	if p.Certain {
		return by > besideNotes
	}
	return !e.Certain && float64(p.Margin) >= surePlace && by > farFromNotes
}

// besideNotes is by how many seconds an alignment of take i lies beside the
// beginnings of its notes; 0 where those do not tell.
func (s *Session) besideNotes(i int, e align.Estimate) float64 {
	p := s.byNotes[i]
	if !p.Certain {
		return 0
	}
	return apart(e, p, s.source().info.SampleRate)
}

// apart is by how many seconds an alignment and a place by the notes differ.
func apart(e align.Estimate, p clock.Placement, rate int) float64 {
	return math.Abs(float64(e.LagAt(p.At, rate)-p.Lag)) / float64(rate)
}

// checkWithNotes takes back the certainty of an alignment that the beginnings
// of the notes contradict.
func (s *Session) checkWithNotes(i int) {
	doubt := func(e *align.Estimate, by float64) {
		e.Certain, e.Polarity = false, 0
		e.Reason = fmt.Sprintf("the phase says a place %.1f ms from where the notes begin", 1000*by)
	}
	if by := s.besideNotes(i, s.toDry[i]); by > besideNotes {
		doubt(&s.toDry[i], by)
	}
	p, q := s.byNotes[i], s.byNotes[s.anchor]
	if i == s.anchor || !s.toAnchor[i].Certain || !p.Certain {
		return
	}
	rate := s.source().info.SampleRate
	from := s.toDry[s.anchor].LagAt(p.At, rate)
	if q.Certain {
		from = q.Lag
	} else if !s.toDry[s.anchor].Certain {
		return
	}
	at := float64(s.toAnchor[i].LagAt(p.At, rate) - (p.Lag - from))
	if by := math.Abs(at) / float64(rate); by > besideNotes {
		doubt(&s.toAnchor[i], by)
	}
}

// applied returns the lag that is taken out of take i, one standard error of it
// (NaN when it is not known) and how it was found: relative to the anchor take
// where that is certain, else against the timeline, else by the notes. how is
// "" for a guess.
func (s *Session) applied(i int) (lag, err unit.Samples, how string) {
	own := func(i int) (unit.Samples, unit.Samples, string) {
		e, p := s.toDry[i], s.byNotes[i]
		switch {
		case e.Certain:
			return e.Lag, lagError(e), byPhase
		case p.Certain && s.besideNotes(i, e) <= nearNotes && !math.IsNaN(float64(e.Lag)):
			return e.Lag, p.Error, byNotes
		case p.Certain:
			return p.Lag, p.Error, byNotes
		}
		return e.Lag, unit.Samples(math.NaN()), ""
	}
	lag, err, how = own(i)
	if x := s.toAnchor[i]; x.Certain && i != s.anchor {
		if from, fromErr, fromHow := own(s.anchor); !math.IsNaN(float64(from)) && (fromHow != "" || how == "") {
			return from + x.Lag, unit.Samples(math.Hypot(float64(fromErr), float64(lagError(x)))), fromHow
		}
	}
	return lag, err, how
}

// placement is the estimate of take i against the timeline along which its notes
// are compared: at the place where it was put.
func (s *Session) placement(i int) align.Estimate {
	e := s.toDry[i]
	if !e.Certain && s.byNotes[i].Certain && s.besideNotes(i, e) > nearNotes {
		e.Lag, e.At, e.Drift = s.byNotes[i].Lag, s.byNotes[i].At, unit.PPM(math.NaN())
	}
	return e
}

// lagError is one standard error of a certain lag: that of a median of its
// windows.
func lagError(e align.Estimate) unit.Samples {
	n := 0.0
	for _, w := range e.Windows {
		if w.Weight > 0 {
			n++
		}
	}
	if n == 0 {
		return 0 // compared with itself
	}
	return unit.Samples(1.2533 * float64(e.Spread) / math.Sqrt(n))
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
