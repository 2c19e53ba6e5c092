package analyze

import (
	"cmp"
	"context"
	"math"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/parts"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/store"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/analyze/work"
)

// Options say how a comparison is measured.
type Options struct {
	// Version is the program's version, stored in the result.
	Version string
	// Workers is how many takes a step works on at once; 0 means one per
	// processor. The result does not depend on it.
	Workers int
	// Progress is called when work advances: what is being done, how much is
	// done and how much there is, in units of its own. It may be nil, and is
	// never called by two goroutines at once.
	Progress func(stage string, done, total int64)
	// ChecksOnly says that nothing will be published: a take without any loudness is
	// then a finding of the checks, and no error.
	ChecksOnly bool
	// Store keeps what is made from recordings, facts and encoded audio; nil: all is
	// made anew.
	Store *store.Store
	// Earlier is the report that this one will replace, nil for none: its
	// target loudness and time are kept unless NewTarget is set, see Earlier.
	Earlier   *Earlier
	NewTarget bool
	// Anchor is the SHA-256 of the recording that takes are aligned to where the
	// manifest names no reference; "" for that of Earlier, or else to choose one.
	Anchor string
	// Depths are those that the copies keep; zero for those of Earlier, or else to
	// decide. Copies is how many bits they have instead, 16 or 24; 0 for what the
	// manifest states, if it states it.
	Depths Depths
	Copies int
	// Absent answers for files that the manifest names and that are not
	// there, by their path as written: nil for one that must be there. Only
	// files that nothing is measured from can be absent.
	Absent func(path string) *result.File
}

// Run returns how the steps are run.
func (o Options) Run() work.Run {
	return work.Run{Workers: o.Workers, Store: o.Store, Progress: o.Progress}
}

// Session is a comparison being measured: the result and what is needed to
// publish its audio. Make one with Measure; Close it when its audio is no longer
// read.
type Session struct {
	fairness.Measured

	run     work.Run
	inputs  []recording.Input // every file that was hashed
	absent  func(path string) *result.File
	reused  int // files whose audio the store had
	earlier *Earlier
	// anchorSum is Options.Anchor or that of earlier.
	anchorSum string
	depths    Depths // see Options
	copies    int    // bits of every published file as stated; 0 where it is not
	bits      []int  // of each take's published file
	// newTarget gives up what was published before.
	newTarget  bool
	limits     [2]string         // what begins last and what ends first: a take, "dry" or a take's name for the timeline's source
	adding     *Adding           // nil: the earlier target, if any, is no question
	dry        *recording.Signal // nil without a dry recording
	loopback   *recording.Signal // nil without one
	takes      []*recording.Signal
	beginnings func() (*parts.Timeline, error) // of the timeline's source, listened to when first asked for
	// roundedAt is Given.RoundedAt.
	roundedAt func(take int, gate unit.LUFS) unit.DB
	bands     bandSets
	// confidence of a single band, so that the whole page has pageConfidence.
	confidence float64
	// pageTakes is Given.PageTakes.
	pageTakes int
	// repeatSpread is what a repeated take shows to be beyond the session's
	// resolution: [span][resolution][band]; nil without a repeat.
	repeatSpread [][3][]unit.DB
	checksOnly   bool
	scratch      recording.Scratch // of recordings that are not WAVE
}

// Measure reads every file of a comparison and measures it: alignment,
// loudness, spectra, noise, the level match, differences and checks. What
// remains is to publish the audio (Session.Publish) and to finish the checks
// (Session.Check).
//
// Errors: *recording.ChangedError when a file changes meanwhile, *mistake.Error for files
// that cannot be compared or matched and for limits of checks that mean
// nothing, *CeilingError from the level match, those of recording for damaged
// files, and ctx's error when it is done.
func Measure(ctx context.Context, c *manifest.Comparison, opts Options) (_ *Session, err error) {
	s := &Session{Measured: fairness.Measured{Manifest: c}, run: opts.Run(), checksOnly: opts.ChecksOnly,
		absent: opts.Absent, earlier: opts.Earlier, newTarget: opts.NewTarget, anchorSum: opts.Anchor, depths: opts.Depths, copies: cmp.Or(opts.Copies, c.Copies)}
	if e := opts.Earlier; e != nil {
		s.anchorSum = cmp.Or(s.anchorSum, e.Anchor)
		if s.depths.Of == nil {
			s.depths = e.Depths
		}
	}
	if err := fairness.CheckLimits(c); err != nil {
		return nil, err
	}
	defer func() {
		if err != nil {
			s.Close()
		}
	}()
	s.Result = fairness.NewResult(c, opts.Version)
	if err := s.readFiles(ctx); err != nil {
		return nil, s.orChanged(err)
	}
	steps := []func(context.Context) error{
		s.findActivity,
		s.align,
		s.layTimeline,
		s.measure,
		s.matchLevels,
		s.finishNoise,
		s.decideCopies,
		s.compareClocks,
		s.measureLoopback,
		s.compareRepeats,
		s.finishSpectra,
		s.compareTakes,
		s.measureGear,
	}
	// Looking for faults asks for nothing but the files: it goes on beside the
	// other steps, where those leave a processor idle.
	g, ctx := errgroup.WithContext(ctx)
	if s.run.Limit() > 1 {
		g.Go(func() error { return s.scanFiles(ctx) })
	} else {
		steps = append(steps, s.scanFiles)
	}
	g.Go(func() error {
		for _, step := range steps {
			if err := ctx.Err(); err != nil {
				return err
			}
			if err := step(ctx); err != nil {
				return err
			}
		}
		return nil
	})
	if err := g.Wait(); err != nil {
		return nil, s.orChanged(err)
	}
	s.noteEqualChannels()
	return s, nil
}

// Close removes what was unpacked of the recordings. The result stays.
func (s *Session) Close() error { return s.scratch.Close() }

// Unchanged returns a *recording.ChangedError when a file of the comparison is no longer
// the one that was hashed and measured. It looks at what the system says of the
// files (identity, length, time of the last change), not into them. Whoever
// publishes what was measured calls it last.
func (s *Session) Unchanged() error {
	for _, in := range s.inputs {
		if err := in.Unchanged(); err != nil {
			return err
		}
	}
	return nil
}

// orChanged returns err, or why it came when that is a file that changed under
// the measurement.
func (s *Session) orChanged(err error) error {
	if err != nil {
		if changed := s.Unchanged(); changed != nil {
			return changed
		}
	}
	return err
}

// tell warns of what was found, by its code, and figures and names.
func (s *Session) tell(where, found string, with ...any) {
	s.Result.Warnings = append(s.Result.Warnings, result.Warning{Where: where, Text: result.Say(found, with...)})
}

// monoChannels picks the first channel of a dry or loopback recording with
// more than two.
func monoChannels(i wavio.Info) []int {
	if i.Channels > 2 {
		return []int{1}
	}
	return nil
}

func nan() float64 { return math.NaN() }

// recordingOf returns the file of a signal.
func recordingOf(sig *recording.Signal) fairness.Recording {
	return fairness.Recording{Path: sig.Path, SHA256: sig.SHA256, Info: sig.Info}
}
