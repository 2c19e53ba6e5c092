package analyze

import (
	"context"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/listening"
	"evenhand/analyze/loudness"
	"evenhand/analyze/match"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// TargetKept is MatchParameters.TargetSource when the target of an earlier
// report was kept.
const TargetKept = "kept from the earlier report"

// The values of Timeline.TimeSource, and PlacesKept that of Timeline.PlacesSource.
const (
	TimeShared = "shared by all takes"
	TimeKept   = "kept from the earlier report"
	PlacesKept = "kept from the earlier report"
)

// Earlier is what a new report needs to know of the one that it replaces.
//
// A take added to a comparison can lower, one removed raise, the highest
// loudness that the ceiling allows, and so change the published audio of every
// other take. So the target of the earlier report stays as long as the ceiling
// allows it, the manifest states none, and at least one recording is the same;
// Options.NewTarget gives it up.
//
// In the same way the published time stays: a new take that begins or ends a
// little inside it gets silence there, see KeptEdge. The takes stay where they are
// on it, and new ones are placed beside them (see Session.keptOrigin).
type Earlier struct {
	Format int // the lowest that it had, see Result.EarlierFormat
	Target unit.LUFS
	Takes  []EarlierTake
	Whole  result.Span // the published time
	Depths Depths
	Source string // SHA-256 of the recording whose time axis the timeline is
	Anchor string // SHA-256 of the recording that takes were aligned to
	// Audience is what its readers heard, nil when nothing was tallied; Audio is
	// what they listened to: that of the report, then what was published before.
	Audience *listening.Result
	Audio    []result.EarlierAudio
}

// EarlierTake is one take of the earlier report.
type EarlierTake struct {
	Name   string
	SHA256 string // of the recording
	Gain   unit.DB
	Frame  int64 // of the recording, at frame 0 of the timeline
	// Applied and BesideError are those of its Alignment.
	Applied, BesideError unit.Samples
	Channels             int // of its published file; 0 for none
}

// KeptEdge is how much of the published time at its beginning and at its end a
// take may lack for the time to stay.
const KeptEdge = unit.Seconds(0.1)

// EarlierFrom returns what a result says to the report that replaces it.
func EarlierFrom(res *result.Result) *Earlier {
	e := &Earlier{Format: res.Format, Target: res.Match.Target, Anchor: result.AnchorSum(res), Depths: DepthsOf(res), Audience: res.Audience, Audio: res.Audio()}
	if res.EarlierFormat > 0 {
		e.Format = res.EarlierFormat
	}
	if len(res.Timeline.Spans) > 0 {
		e.Whole = res.Timeline.Spans[0]
	}
	sums := result.TakeSums(res)
	for _, f := range res.Files {
		if f.Use == "dry" && res.Timeline.Source == "dry" {
			e.Source = f.SHA256
		}
	}
	for i, t := range res.Takes {
		x := t.Alignment
		old := EarlierTake{Name: t.Name, SHA256: sums[i], Gain: t.Gain, Frame: x.Frames(), Applied: x.Applied, BesideError: x.BesideError}
		if t.Published != nil {
			old.Channels = t.Published.Channels
		}
		e.Takes = append(e.Takes, old)
		if e.Source == "" && t.Name == res.Timeline.Source {
			e.Source = sums[i]
		}
	}
	return e
}

// GainChange is what a target does to one take of the earlier report.
type GainChange struct {
	Take     string
	From, To unit.DB
}

// Adding is what becomes of an earlier report's target in a new one.
type Adding struct {
	Earlier unit.LUFS // target of the earlier report
	Highest unit.LUFS // what the ceiling allows now
	Kept    bool      // the earlier target is used
	Stated  bool      // the manifest states its own
	// Changes are the takes of the earlier report, by recording, with their
	// gain then and at the other target: when Kept, at Highest; else at the
	// target now used. Empty when the targets are the same.
	Changes []GainChange
	New     []string // takes without a recording of the earlier report
	// Was and Is are the published time, then and now; a change of it changes
	// every published file, whatever the target. TimeWhy says why it changed.
	Was, Is result.Span
	TimeWhy string
	// Others are takes of the earlier report whose published audio changes for
	// another reason than the target and the time, with the reason.
	Others []AudioChange
}

// AudioChange says why the published audio of a take changes.
type AudioChange struct{ Take, Why string }

// TargetDiffers reports whether the earlier report's target is another than
// the manifest asks for now.
func (a Adding) TargetDiffers() bool { return len(a.Changes) > 0 }

// TimeDiffers reports whether the published time changed.
func (a Adding) TimeDiffers() bool {
	return a.Was.FirstFrame != a.Is.FirstFrame || a.Was.Frames != a.Is.Frames
}

// cannotKeep says that the earlier report's target takes a take over the
// ceiling.
func (a Adding) cannotKeep(over *match.CeilingError) error {
	return mistake.Errorf("match: at the earlier report's target of %s LUFS the true peak of %q would be %s dBTP, above the ceiling of %s dBTP; the highest target is now %s LUFS, which changes the published audio: %s; type --target new to accept this, remove the take, or write to another folder",
		unit.Format(float64(a.Earlier), 1), over.Take, unit.Format(float64(over.Peak), 1), unit.Format(float64(over.Ceiling), 1),
		unit.Format(float64(a.Highest), 1), a.ChangesText())
}

// ChangesText lists the changes in words.
func (a Adding) ChangesText() string {
	parts := make([]string, len(a.Changes))
	for i, c := range a.Changes {
		parts[i] = fmt.Sprintf("%q %s dB", c.Take, unit.Signed(float64(c.To-c.From), 2))
	}
	return strings.Join(parts, ", ")
}

func (e *Earlier) known() map[string]EarlierTake {
	known := map[string]EarlierTake{}
	for _, t := range e.Takes {
		if t.SHA256 != "" {
			known[t.SHA256] = t
		}
	}
	return known
}

// on returns the same with all times on the timeline of a recording: as it is
// where that is Source, and where it is one of the takes, counted from its frame 0.
// For any other recording it is as it is, on another timeline.
func (e *Earlier) on(source string, rate int) *Earlier {
	t, ok := e.known()[source]
	if e.Source == source || !ok {
		return e
	}
	moved := *e
	moved.Source = source
	moved.Whole.FirstFrame += unit.Frames(t.Frame)
	moved.Whole.From += unit.Seconds(float64(t.Frame) / float64(rate))
	moved.Whole.To += unit.Seconds(float64(t.Frame) / float64(rate))
	moved.Takes = slices.Clone(e.Takes)
	for i := range moved.Takes {
		moved.Takes[i].Frame -= t.Frame
		moved.Takes[i].Applied -= t.Applied
	}
	return &moved
}

// onTimeline is the earlier report where its times and places can be kept; nil
// where there is none, where it is given up and where its timeline is another.
func (s *Session) onTimeline() *Earlier {
	if s.earlier == nil || s.newTarget || s.earlier.Source == "" || s.earlier.Source != s.source().SHA256 {
		return nil
	}
	return s.earlier
}

// keepTime returns the earlier report's published time instead of the one that
// all takes share, when that is to be kept and the takes have it, but for
// KeptEdge. Both are frames of the timeline, the end exclusive.
func (s *Session) keepTime(from, to int64) (int64, int64) {
	s.Result.Timeline.TimeSource = TimeShared
	e := s.onTimeline()
	if e == nil {
		return from, to
	}
	known := e.known()
	same := false
	for _, sig := range s.takes {
		_, ok := known[sig.SHA256]
		same = same || ok
	}
	was, end := int64(e.Whole.FirstFrame), int64(e.Whole.FirstFrame+e.Whole.Frames)
	edge := int64(float64(KeptEdge) * float64(s.Result.Timeline.SampleRate))
	if !same || e.Whole.Frames <= 0 || was == from && end == to || from-was > edge || end-to > edge ||
		was < 0 || end > s.source().Info.Frames {
		return from, to
	}
	for i, sig := range s.takes {
		name := s.Result.Takes[i].Name
		if n := -s.Takes[i].Frame - was; n > 0 {
			s.tell(name, "time.starts-late", "by_samples", n)
		}
		if n := end - (sig.Info.Frames - s.Takes[i].Frame); n > 0 {
			s.tell(name, "time.ends-early", "by_samples", n)
		}
	}
	s.Result.Timeline.TimeSource = TimeKept
	return was, end
}

// matchLevels matches the takes, at the earlier report's target when that is
// to be kept.
func (s *Session) matchLevels(context.Context) error {
	spec := s.Manifest.Match
	err := match.Takes(s.Result, spec, s.wholes(), s.checksOnly)
	if s.earlier == nil || err != nil {
		return err
	}
	a := Adding{
		Earlier: s.earlier.Target, Highest: s.Result.Match.Highest, Stated: spec.Target != nil,
		Was: s.earlier.Whole, Is: s.Result.Timeline.Spans[0],
	}
	if a.TimeDiffers() {
		a.TimeWhy = s.timeWhy()
	}
	known := s.earlier.known()
	for i, t := range s.Result.Takes {
		if old, ok := known[s.takes[i].SHA256]; ok {
			if why := s.otherAudio(i, old); why != "" {
				a.Others = append(a.Others, AudioChange{t.Name, why})
			}
			a.Changes = append(a.Changes, GainChange{Take: t.Name, From: old.Gain, To: t.Gain})
		} else {
			a.New = append(a.New, t.Name)
		}
	}
	if len(a.Changes) == 0 {
		return nil // another comparison
	}
	if s.earlier.Format < result.Format {
		s.Result.EarlierFormat = s.earlier.Format
	}
	// Stored targets have four decimals.
	if math.Abs(float64(s.Result.Match.Target-a.Earlier)) < 1e-4 {
		a.Changes = nil
	}
	if a.TargetDiffers() || a.TimeDiffers() || len(a.Others) > 0 {
		s.adding = &a
	}
	if !a.TargetDiffers() || a.Stated || s.newTarget {
		return nil
	}
	spec.Target = &a.Earlier
	err = match.Takes(s.Result, spec, s.wholes(), s.checksOnly)
	var over *match.CeilingError
	if errors.As(err, &over) {
		return a.cannotKeep(over)
	}
	if err != nil {
		return err
	}
	a.Kept = true
	s.Result.Parameters.Match.TargetSource = TargetKept
	return nil
}

// wholes are the measurements of the takes' whole spans.
func (s *Session) wholes() (out []loudness.Measurement) {
	for i := range s.Takes {
		out = append(out, s.Takes[i].Whole)
	}
	return out
}

// timeWhy says why the published time is not that of the earlier report.
func (s *Session) timeWhy() string {
	switch {
	case s.newTarget:
		return "--target new gives up the time of then"
	case s.onTimeline() == nil:
		return s.timelineWhy()
	}
	first, last := s.limits[0], s.limits[1]
	return fmt.Sprintf("all takes share less of it than then: the beginning is limited by %q, the end by %q", first, last)
}

// timelineWhy says that the timeline is that of another recording than then.
func (s *Session) timelineWhy() string {
	return "times are now those of the " + s.SourceName() + ", which they were not then"
}

// otherAudio says why the published audio of take i changes, when that is neither
// the target nor the time; "" when it does not.
func (s *Session) otherAudio(i int, old EarlierTake) string {
	switch ch := s.takes[i].Channels(); {
	case s.onTimeline() == nil && !s.newTarget:
		return s.timelineWhy()
	case old.Frame != s.Takes[i].Frame:
		return fmt.Sprintf("it is placed anew, %d samples from where it was", s.Takes[i].Frame-old.Frame)
	case old.Channels == 1 && ch == 2 && s.Result.Takes[i].Widened:
		return "it has two equal channels now, since another take has two"
	case old.Channels == 2 && ch == 1:
		return "it has one channel now"
	case old.Channels == 1 && ch == 2:
		return "it has two channels now"
	}
	return s.otherDepth(i)
}

// Adding returns what becomes of the earlier report's published audio; nil
// when there was none or nothing that all takes share changed.
func (s *Session) Adding() *Adding { return s.adding }
