package analyze

import (
	"context"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/recording"
	"evenhand/analyze/unit"
)

// Given is a comparison of which an earlier result says what Measure finds out first:
// the timeline, where the takes are on it, and their gains. Package again makes it.
type Given struct {
	// Measured holds what is known: the timeline, Quiet, Anchor, of each take its
	// Frame and, where it is known, its Floor. The steps fill in the rest.
	fairness.Measured
	Recordings Recordings
	// PageTakes is how many takes the page has, when only some are measured.
	PageTakes int
	// RoundedAt is by how many dB rounding may move a window of take i at a gate in
	// LUFS; nil for recordings. NearGate follows from it.
	RoundedAt func(take int, gate unit.LUFS) unit.DB

	close func() error
}

// Recordings are what a comparison is measured from.
type Recordings struct {
	Dry   *recording.Signal // nil for none
	Takes []*recording.Signal
}

// Open reads and hashes every file that a comparison names, and measures nothing. The
// recordings can be read until Close. Errors: those of Measure about files.
func Open(ctx context.Context, c *manifest.Comparison, opts Options) (*Given, error) {
	s := &Session{Measured: fairness.Measured{Manifest: c, Result: fairness.NewResult(c, opts.Version)}, run: opts.Run(), absent: opts.Absent}
	if err := s.readFiles(ctx); err != nil {
		s.Close()
		return nil, err
	}
	return &Given{Measured: s.Measured, Recordings: Recordings{s.dry, s.takes}, close: s.Close}, nil
}

// Close removes what was unpacked of the recordings.
func (g *Given) Close() error { return g.close() }

// Meters runs every meter over the whole span of every take.
func (g *Given) Meters(ctx context.Context, opts Options) error {
	return g.run(opts, func(s *Session) error { return s.measure(ctx) })
}

// Compare runs every meter, then finds what rests on several takes: the noise after
// matching, the spectra's differences, and how alike the takes are.
func (g *Given) Compare(ctx context.Context, opts Options) error {
	return g.run(opts, func(s *Session) error {
		for _, step := range []func(context.Context) error{s.measure, s.finishNoise, s.finishSpectra, s.compareTakes} {
			if err := step(ctx); err != nil {
				return err
			}
		}
		return nil
	})
}

func (g *Given) run(opts Options, steps func(s *Session) error) error {
	s := &Session{Measured: g.Measured, run: opts.Run(), dry: g.Recordings.Dry, takes: g.Recordings.Takes, pageTakes: g.PageTakes, roundedAt: g.RoundedAt}
	err := steps(s)
	g.Measured = s.Measured
	return err
}
