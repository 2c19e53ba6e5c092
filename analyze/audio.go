package analyze

import (
	"context"
	"math"

	"evenhand/analyze/equalise"
	"evenhand/analyze/manifest"
	"evenhand/analyze/publish"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// PublishOptions say what is published.
type PublishOptions struct {
	// Pieces also finds the pieces that the player loads, and writes one microphone alone
	// of each take that has two, see publish.Plan.Write.
	Pieces bool
}

// MeasureAndPublish measures a comparison, writes its audio into dir, with
// PublishOptions.Pieces, and answers the checks: all of a report but its pages. The Session
// comes back closed: its result stays, but it plays and publishes nothing more. The errors
// are those of Measure and of Session.Publish.
func MeasureAndPublish(ctx context.Context, c *manifest.Comparison, dir string, opts Options) (*Session, error) {
	s, err := Measure(ctx, c, opts)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	if err := s.Publish(ctx, dir, PublishOptions{Pieces: true}); err != nil {
		return nil, err
	}
	s.Check()
	return s, nil
}

// Publish writes the comparison's audio into dir as its plan says, see
// publish.Plan.Write, and with pieces what takes can be heard equalised with. It fills in
// Take.Published and Take.Withheld, Match.WorstDeviation and Equalised.
//
// The files have the depth that was decided, see decideCopies: 16 bits, with dither, or
// 24.
func (s *Session) Publish(ctx context.Context, dir string, opts PublishOptions) error {
	res := s.Result
	plan := s.plan()
	made, err := plan.Write(ctx, dir, opts.Pieces, s.run)
	if err := s.orChanged(err); err != nil {
		return err
	}
	res.Match.WorstDeviation = 0
	res.Parameters.Match.Dither = "none: every file has 24 bits"
	for i, m := range made {
		t := &res.Takes[i]
		t.Published, t.Withheld = m.Published, m.Withheld
		d := unit.LU(0)
		if m.Published != nil {
			d = m.Published.Deviation
		} else {
			d = m.Withheld.Deviation
		}
		if math.Abs(float64(d)) > math.Abs(float64(res.Match.WorstDeviation)) {
			res.Match.WorstDeviation = d
		}
		if m.Reused {
			s.reused++
		}
		if plan.Takes[i].Bits == 16 {
			res.Parameters.Match.Dither = "16-bit files: triangular, ±1 step, seeded from the recording's SHA-256; 24-bit files: none"
		}
	}
	if !opts.Pieces {
		return nil
	}
	res.Equalised = equalise.Pairs(s.Manifest, res, s.Anchor, func(take int) bool { return s.drift(take) != 0 })
	return s.orChanged(equalise.Write(ctx, dir, res, res.Equalised, plan, s.run))
}

// plan is what is published, by what was measured.
func (s *Session) plan() *publish.Plan {
	p := &publish.Plan{Timeline: s.Result.Timeline, Target: s.Result.Match.Target, Ceiling: s.Result.Parameters.Match.Ceiling}
	for i := range s.takes {
		p.Takes = append(p.Takes, s.audioOf(i))
	}
	return p
}

// audioOf is what is published of take i.
func (s *Session) audioOf(i int) publish.Take {
	t := publish.Take{Name: s.Result.Takes[i].Name, Slug: s.Result.Takes[i].Slug, Signal: s.takes[i], Frame: s.Takes[i].Frame,
		Gain: s.Result.Takes[i].Gain, Bits: s.bits[i], Withheld: s.Withheld(i)}
	m := s.Manifest.Takes[i]
	if m.Mics == nil {
		return t
	}
	t.Mics = &[2]publish.Mic{{Channel: 1, Blend: m.Mics.Left.Blend}, {Channel: 2, Blend: m.Mics.Right.Blend}}
	for k, c := range m.Channels {
		t.Mics[k].Channel = c
	}
	return t
}

// Withheld tells whether the recording of take i may not be passed on: when it,
// or a file of the same content such as the dry recording, is marked
// redistribute: no.
func (s *Session) Withheld(i int) bool {
	return s.Result.Withholds(s.takes[i].SHA256)
}

// Play hands the matched, aligned audio of take i in a span of the timeline to f, see
// publish.Take.Play. Every take has the same number of frames in a span, at the
// timeline's sample rate, and one or two channels, as Take.Signal tells.
func (s *Session) Play(ctx context.Context, i int, span result.Span, f func(block [][]float64) error) error {
	t := s.audioOf(i)
	return t.Play(ctx, span, f)
}

// Channels returns how many channels Play hands out for take i.
func (s *Session) Channels(i int) int { return s.takes[i].Channels() }

// Reused returns how many published files came from the store.
func (s *Session) Reused() int { return s.reused }
