package analyze

import (
	"context"
	"math"
	"sync"

	"evenhand/analyze/align"
	"evenhand/analyze/parts"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/work"
)

// align finds where every take lies on the timeline and relative to the anchor
// take. Takes that went through the same cabinet compare better with each
// other than with the dry recording, so their places relative to each other
// come from the anchor where that comparison is certain.
func (s *Session) align(ctx context.Context) error {
	if s.earlier != nil {
		s.earlier = s.earlier.on(s.source().SHA256, s.Result.Timeline.SampleRate)
	}
	s.beginnings = sync.OnceValues(func() (*parts.Timeline, error) { return listenTo(s.source()) })
	step := s.run.Stage("aligning", int64(len(s.takes)))
	f := s.newFeatures()
	defer f.close()
	anchor := s.takes[s.Anchor]
	err := s.run.Each(ctx, len(s.takes), func(i int) error {
		defer step(1)
		type facts struct {
			ToBase, ToAnchor align.Estimate
			Notes            parts.Placement
		}
		in := struct{ Base, Anchor, Take recording.Heard }{s.source().Heard(), anchor.Heard(), s.takes[i].Heard()}
		found, err := work.Once(s.run, "alignment", in, []*recording.Signal{s.source(), anchor, s.takes[i]}, func() (out facts, err error) {
			if out.ToBase, err = f.between(-1, i); err != nil {
				return out, err
			}
			if out.ToAnchor, err = f.between(s.Anchor, i); err != nil {
				return out, err
			}
			out.Notes, err = f.notes(i)
			return out, err
		})
		x := &s.Takes[i]
		x.ToDry, x.ToAnchor, x.Notes = found.ToBase, found.ToAnchor, found.Notes
		if !s.links() && i != s.Anchor {
			f.drop(i)
		}
		return err
	})
	if err != nil {
		return err
	}
	if s.Silent {
		for i := range s.Takes {
			s.Takes[i].ToDry.Reason = *s.Silence()
		}
	}
	for i := range s.takes {
		s.checkWithNotes(i)
	}
	if err := s.link(f); err != nil {
		return err
	}
	// Where two takes cannot be compared, both may be with another take or with the
	// dry recording.
	for i := range s.Takes {
		x := &s.Takes[i]
		if x.Through >= 0 {
			x.ToAnchor.Polarity = x.Linked.Polarity
		}
		if x.ToAnchor.Polarity == 0 {
			x.ToAnchor.Polarity = x.ToDry.Polarity * s.Takes[s.Anchor].ToDry.Polarity
		}
	}
	origin := s.keptOrigin(s.origin())
	for i := range s.takes {
		a := &s.Result.Takes[i].Alignment
		e, beside := s.Takes[i].ToDry, s.Takes[i].ToAnchor
		*a = result.Alignment{
			Lag: e.Lag, LagToReference: beside.Lag,
			Polarity: result.PolarityName(e.Polarity), PolarityToReference: result.PolarityName(beside.Polarity),
			Confidence: e.Confidence, Certain: e.Certain, Reason: result.Cause{Text: e.Reason},
			Drift: e.Drift, DriftError: e.DriftError, Spread: e.Spread,
		}
		at, next := s.applied(i, origin)
		if at.by == "" && s.Result.Settings.MovesSound(i) != "" { // where it seems to lie is chance
			at.lag = unit.Samples(nan())
		}
		at.lag = asStored(at.lag)
		a.Applied, a.AppliedError, a.PlacedBy = at.lag, at.err, at.by
		a.BesideError, a.BesideBy = next.err, next.by
		if math.IsNaN(float64(a.Applied)) {
			a.Applied = 0
			s.tell(s.Result.Takes[i].Name, "unaligned", "because", e.Reason)
		} else if a.PlacedBy == "" {
			s.tell(s.Result.Takes[i].Name, "uncertain", "because", e.Reason)
		}
		s.keepPlace(i)
		s.Takes[i].Frame = a.Frames()
	}
	return nil
}

// asStored rounds a lag to the decimals that results.json has, so that what is read
// from there gives the same whole frame.
func asStored(lag unit.Samples) unit.Samples {
	return unit.Samples(math.Round(1000*float64(lag)) / 1000)
}

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
	// leadIn is the lag in seconds from which a take is taken for one that begins long
	// before or after the music.
	leadIn = 1.0
	// clearLag is the confidence below which the notes are asked.
	clearLag = 2
)

// listenTo hears where the notes of a recording begin.
func listenTo(sig *recording.Signal) (*parts.Timeline, error) {
	r, err := sig.Open()
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return parts.Listen(r)
}

// asNotes reports whether a take is to be looked for where its notes begin: where
// those are certain and lie beside the phase; and where neither is certain and
// they lie far apart, since notes that scatter say the exact place badly but the
// place well.
func asNotes(e align.Estimate, p parts.Placement, rate int) bool {
	by := apart(e, p, rate)
	if p.Certain {
		return by > besideNotes
	}
	return !e.Certain && float64(p.Margin) >= surePlace && by > farFromNotes
}

// besideNotes is by how many seconds an alignment of take i lies beside the
// beginnings of its notes; 0 where those do not tell.
func (s *Session) besideNotes(i int, e align.Estimate) float64 {
	p := s.Takes[i].Notes
	if !p.Certain {
		return 0
	}
	return apart(e, p, s.source().Info.SampleRate)
}

// apart is by how many seconds an alignment and a place by the notes differ.
func apart(e align.Estimate, p parts.Placement, rate int) float64 {
	return math.Abs(float64(e.LagAt(p.At, rate)-p.Lag)) / float64(rate)
}

// checkWithNotes takes back the certainty of an alignment that the beginnings
// of the notes contradict.
func (s *Session) checkWithNotes(i int) {
	doubt := func(e *align.Estimate, by float64) {
		e.Certain, e.Polarity = false, 0
		e.Reason = result.Say("place.notes", "by_ms", 1000*by)
	}
	if by := s.besideNotes(i, s.Takes[i].ToDry); by > besideNotes {
		doubt(&s.Takes[i].ToDry, by)
	}
	if i == s.Anchor || !s.Takes[i].ToAnchor.Certain {
		return
	}
	if by := s.besideAnchorsNotes(i, s.Takes[i].ToAnchor); by > besideNotes {
		doubt(&s.Takes[i].ToAnchor, by)
	}
}

// besideAnchorsNotes is by how many seconds an estimate of take i against the
// anchor take lies beside the beginnings of its notes; 0 where those do not tell.
func (s *Session) besideAnchorsNotes(i int, e align.Estimate) float64 {
	p, q := s.Takes[i].Notes, s.Takes[s.Anchor].Notes
	if !p.Certain {
		return 0
	}
	rate := s.source().Info.SampleRate
	from := s.Takes[s.Anchor].ToDry.LagAt(p.At, rate)
	if q.Certain {
		from = q.Lag
	} else if !s.Takes[s.Anchor].ToDry.Certain {
		return 0
	}
	return math.Abs(float64(e.LagAt(p.At, rate)-(p.Lag-from))) / float64(rate)
}

// links reports whether takes are also placed by way of third ones: not where each
// is compared with one take alone.
func (s *Session) links() bool { return s.Result.Parameters.PairsWith == "" }

// link compares takes that the anchor take cannot be compared with to those that it
// can: two settings of one device are more alike than two devices. Of several the
// one counts whose lag scatters least, the first by name of equals.
func (s *Session) link(f *features) error {
	rate := s.source().Info.SampleRate
	for i := range s.takes {
		s.Takes[i].Through = -1
		if i == s.Anchor || s.Takes[i].ToAnchor.Certain || !s.links() {
			continue
		}
		for _, k := range s.Result.ByName() {
			x := s.Takes[k].ToAnchor
			if k == s.Anchor || !x.Certain {
				continue
			}
			in := struct{ Base, A, B recording.Heard }{s.source().Heard(), s.takes[k].Heard(), s.takes[i].Heard()}
			e, err := work.Once(s.run, "alignment of two takes", in, []*recording.Signal{s.source(), s.takes[k], s.takes[i]}, func() (align.Estimate, error) { return f.between(k, i) })
			if err != nil {
				return err
			}
			if !e.Certain || s.Takes[i].Through >= 0 && !(e.Spread < s.Takes[i].Linked.Spread) {
				continue
			}
			sum := e
			sum.Lag += x.LagAt(e.At, rate)
			sum.Polarity *= x.Polarity
			sum.Drift += x.Drift
			if s.besideAnchorsNotes(i, sum) <= besideNotes {
				s.Takes[i].Through, s.Takes[i].Linked = k, sum
			}
		}
	}
	return nil
}

// place is a lag, one standard error of it (NaN where it is a guess) and what it
// rests on: ByPhase, ByNotes, "" for a guess.
type place struct {
	lag, err unit.Samples
	by       string
}

// surer reports whether a place rests on more than another.
func (p place) surer(than place) bool {
	return p.by == result.ByPhase && than.by != result.ByPhase || p.by == result.ByNotes && than.by == ""
}

// ownPlace is where take i lies on the timeline by itself.
func (s *Session) ownPlace(i int) place {
	e, p := s.Takes[i].ToDry, s.Takes[i].Notes
	switch {
	case e.Certain:
		return place{e.Lag, lagError(e), result.ByPhase}
	case p.Certain && s.besideNotes(i, e) <= nearNotes && !math.IsNaN(float64(e.Lag)):
		return place{e.Lag, p.Error, result.ByNotes}
	case p.Certain:
		return place{p.Lag, p.Error, result.ByNotes}
	}
	return place{e.Lag, unit.Samples(math.NaN()), ""}
}

// besideAnchor is where take i lies beside the anchor take by their phases, with
// another take between them where they cannot be compared themselves; by is ""
// where nothing tells.
func (s *Session) besideAnchor(i int) place {
	direct, k := s.Takes[i].ToAnchor, s.Takes[i].Through
	switch {
	case i == s.Anchor:
		return place{by: result.ByPhase}
	case direct.Certain:
		return place{direct.Lag, lagError(direct), result.ByPhase}
	case k >= 0:
		return place{s.Takes[i].Linked.Lag, unit.Samples(math.Hypot(float64(lagError(s.Takes[i].Linked)), float64(lagError(s.Takes[k].ToAnchor)))), result.ByPhase}
	}
	return place{err: unit.Samples(math.NaN())}
}

// origin is where the anchor take lies on the timeline: by itself, or, where its
// own place is less sure, through the surest of the takes that lie beside it for
// certain: of several, the one with the least error, the first by name of equals.
func (s *Session) origin() place {
	own := s.ownPlace(s.Anchor)
	best := own
	for _, i := range s.Result.ByName() {
		it, x := s.ownPlace(i), s.besideAnchor(i)
		if x.by == "" || !it.surer(own) {
			continue
		}
		p := place{it.lag - x.lag, unit.Samples(math.Hypot(float64(it.err), float64(x.err))), it.by}
		if p.surer(best) || p.by == best.by && p.err < best.err {
			best = p
		}
	}
	return best
}

// keptOrigin returns where the anchor take lies according to the earlier report,
// so that new takes are placed beside those of then: where it was, or, where it is
// new, beside the first by name of the surest takes of then. Where the earlier report says
// nothing it returns now, the place that all takes together give.
func (s *Session) keptOrigin(now place) place {
	now.lag = asStored(now.lag)
	e := s.onTimeline()
	if e == nil {
		return now
	}
	was := place{err: unit.Samples(math.NaN())}
	known := e.known()
	for _, i := range s.Result.ByName() {
		x := s.besideAnchor(i)
		if old, ok := known[s.takes[i].SHA256]; ok && (i == s.Anchor || x.surer(was)) {
			was = place{lag: asStored(old.Applied - x.lag), by: x.by}
			if i == s.Anchor {
				break
			}
		}
	}
	if was.by == "" || was.lag == now.lag || math.IsNaN(float64(was.lag)) {
		return now
	}
	s.Result.Timeline.PlacesSource = PlacesKept
	off := now.lag - was.lag
	if now.by != "" && math.Abs(float64(off)) > 0.5+2*float64(now.err) {
		s.tell("", "all-kept", "by_samples", math.Abs(float64(off)), "error_samples", 2*now.err, "early", off < 0)
	}
	was.err = unit.Samples(math.Hypot(float64(now.err), float64(off)))
	was.by = now.by
	return was
}

// keepPlace keeps the whole frames by which take i is shifted in the earlier report.
func (s *Session) keepPlace(i int) {
	e := s.onTimeline()
	if e == nil {
		return
	}
	t := &s.Result.Takes[i]
	old, ok := e.known()[s.takes[i].SHA256]
	if !ok || old.Frame == t.Alignment.Frames() || max(old.Frame, -old.Frame) > s.takes[i].Info.Frames {
		return
	}
	t.Alignment.Kept = &old.Frame
	s.Result.Timeline.PlacesSource = PlacesKept
	off, now, then := t.Alignment.Applied-unit.Samples(old.Frame), float64(t.Alignment.BesideError), float64(old.BesideError)
	if math.IsNaN(then) { // it was a guess
		then = 0
	}
	if err := math.Hypot(now, then); t.Alignment.BesideBy != "" && math.Abs(float64(off)) > 0.5+2*err {
		s.tell(t.Name, "kept", "by_samples", math.Abs(float64(off)), "error_samples", 2*err, "early", off < 0)
	}
}

// applied returns the lag that is taken out of take i and how sure its place beside
// the anchor take then is: through the anchor take, whose place is the origin, where
// they can be compared; by itself where both are sure by themselves, or nothing else
// is; else through a third take.
func (s *Session) applied(i int, origin place) (at, beside place) {
	own, beside := s.ownPlace(i), s.besideAnchor(i)
	alone := s.Takes[i].Through >= 0 && own.by == result.ByPhase && origin.by == result.ByPhase
	if beside.by != "" && !alone && !math.IsNaN(float64(origin.lag)) {
		return place{origin.lag + beside.lag, unit.Samples(math.Hypot(float64(origin.err), float64(beside.err))), origin.by}, beside
	}
	beside = place{own.lag - origin.lag, unit.Samples(math.Hypot(float64(own.err), float64(origin.err))), own.by}
	if own.surer(origin) {
		beside.by = origin.by
	}
	return own, beside
}

// placement is the estimate of take i against the timeline along which its notes
// are compared: at the place where it was put.
func (s *Session) placement(i int) align.Estimate {
	e := s.Takes[i].ToDry
	if !e.Certain && s.Takes[i].Notes.Certain && s.besideNotes(i, e) > nearNotes {
		e.Lag, e.At, e.Drift = s.Takes[i].Notes.Lag, s.Takes[i].Notes.At, unit.PPM(math.NaN())
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

// between is align.Between, with a recording compared with itself as the exact
// case that it is.
func between(a, b *align.Feature) (align.Estimate, error) {
	if a == b {
		return align.Estimate{Polarity: 1, Certain: true, Confidence: unit.Number(math.Inf(1)), Drift: 0, DriftError: 0}, nil
	}
	return align.Between(a, b)
}
