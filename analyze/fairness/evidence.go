package fairness

import (
	"math"

	"evenhand/analyze/activity"
	"evenhand/analyze/align"
	"evenhand/analyze/clock"
	"evenhand/analyze/faults"
	"evenhand/analyze/loudness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/noise"
	"evenhand/analyze/parts"
	"evenhand/analyze/result"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/steady"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// Measured is a comparison with all that was measured of it. The checks are
// functions of it alone: see Judge.
type Measured struct {
	Manifest *manifest.Comparison
	Result   *result.Result
	Evidence
}

// Evidence is what was measured of a comparison, as plain data. It says nothing of how
// it was measured, and holds no file and no sound.
type Evidence struct {
	// Dry is the dry recording, nil for none; it is the timeline's source, or else the
	// take Anchor, which others are aligned to.
	Dry    *Recording
	Anchor int
	Takes  []TakeEvidence // in the manifest's order
	// Activity is what the timeline's source plays, Silent that it holds nothing.
	Activity activity.Result
	Silent   bool
	Quiet    []noise.Stretch // the timeline's pauses, in its frames
	DryNoise *noise.Result   // of the dry recording, nil for none
	Files    []*FileEvidence // the recordings as they are on disk
	// Responses are the impulse responses among the devices' files, by File.Path.
	Responses map[string]wavio.Info
}

// Recording is a recorded file.
type Recording struct {
	Path   string // on disk
	SHA256 string // lower-case hexadecimal
	Info   wavio.Info
}

// TakeEvidence is what was measured of one take.
type TakeEvidence struct {
	Recording
	Frame    int64           // of the take at the timeline's frame 0
	ToDry    align.Estimate  // against the timeline's source
	ToAnchor align.Estimate  // against the anchor take
	Through  int             // the take by way of which Linked is; −1 where none is needed or none tells
	Linked   align.Estimate  // against the anchor take, by way of Through
	Notes    parts.Placement // against the timeline's source, where the phase leaves a doubt
	Judged   Judged          // against the timeline's source
	Again    Judged          // against what it repeats
	Ratio    clock.Ratio     // where it is not of the same performance as labelled
	Missing  unit.DB         // see noise.Missing; NaN without a dry recording's noise
	OfDry    align.Copy      // how much of it is the dry recording; zero without one
	Steady   Steadiness
	Mics     MicPair
	TakeFacts
}

// TakeFacts are what the meters find in one take, in one pass over its whole span.
type TakeFacts struct {
	Whole  loudness.Measurement
	Powers [][3]spectrum.BandPowers // [span][third, sixth, twelfth octaves]
	Floor  []unit.DB                // as recorded, see Audibility
	Noise  noise.Result
	// NearGate says of which loudness and which range a window is so near to a gate that
	// rounding may move it across, for each span; nil for recordings.
	NearGate []NearGate
}

// FileEvidence is one recording as it is on disk: every channel that is used, not the
// signal that is compared.
type FileEvidence struct {
	Name string // as shown: "dry recording", "loopback", a take's name
	Use  string // as File.Use
	Take int    // −1 for none
	Recording
	Channels []int // of the file, from 1: what the take's channels: names, else all
	FileFacts
}

// Judged is what the parts of a take say: whether the whole is of the same performance,
// which parts are not, how small a fault in each span would have been found, where
// samples were lost or inserted, and how fast the clock runs. The fields that
// parts.Judgement has too are its.
type Judged struct {
	Judged            bool
	Verdict           parts.Verdict
	Slips             []parts.Slip
	Smallest          unit.Samples
	From, To          unit.Seconds
	Reason            result.Text
	Windows           int
	Scatter           unit.Samples
	OnePath           bool
	Drift, DriftError unit.PPM
	Parts             []result.Part
	Told              []result.Detectable
}

// Steadiness is what a repeat shows of changes during it or the take that it repeats.
type Steadiness struct {
	Asked  bool // the take is a repeat
	Of     string
	Told   bool // there was enough playing
	Change steady.Change
}

// MicPair is how the two microphones of a take lie to each other: the right one
// against the left.
type MicPair struct {
	Described bool // as two microphones
	Compared  bool
	Estimate  align.Estimate
}

// newTakeEvidence is that of a take of which nothing is measured yet.
func NewTakeEvidence(r Recording) TakeEvidence {
	return TakeEvidence{Recording: r, Through: -1, Missing: unit.DB(math.NaN())}
}

// timelineSource returns the recording whose time axis is the timeline.
func (s *Measured) timelineSource() *Recording {
	if s.Dry != nil {
		return s.Dry
	}
	return &s.Takes[s.Anchor].Recording
}

// isSource reports whether the timeline is the time axis of take i.
func (s *Measured) IsSource(i int) bool { return s.Dry == nil && i == s.Anchor }

// FileFacts are what is found in the channels of one file.
type FileFacts struct {
	Peaks  []ChannelPeak
	Faults faults.Result
}

type ChannelPeak struct {
	Sample unit.DBFS
	True   unit.DBTP
}

// highest returns the place in channels of the one with the highest true peak.
func (f *FileEvidence) highest() (channel int, p ChannelPeak) {
	p = ChannelPeak{unit.DBFS(math.Inf(-1)), unit.DBTP(math.Inf(-1))}
	for c, x := range f.Peaks {
		if x.True > p.True {
			channel, p = c, x
		}
	}
	return channel, p
}

// equal returns what the second of two channels is when it is the first but for
// noise, nil otherwise.
func (f *FileEvidence) EqualChannels() *result.EqualChannels {
	if len(f.Faults.Channels) != 2 {
		return nil
	}
	c := f.Faults.Channels[1]
	if !c.Copy || c.Inverted || math.Abs(float64(c.Gain)) >= 0.005 {
		return nil
	}
	return &result.EqualChannels{Within: c.Within}
}

// unsteadyFrom is the change in dB from which a repeat does not tell how small a
// difference the session resolves, whatever the author's limit is.
const UnsteadyFrom = 0.5

// changed reports whether the take or what it repeats changed, by more than a limit
// in dB, while it was recorded.
func (x Steadiness) Changed(limit float64) bool {
	return x.Told && x.Change.Found && math.Abs(float64(x.Change.Size)) > limit
}

// Says tells what changed, when and by how much.
func (x Steadiness) Says() result.Text {
	c := x.Change
	how := "change"
	switch {
	case c.Creeps:
		how = "change.creeps"
	case c.AtStart:
		how = "change.at-start"
	case c.AtEnd:
		how = "change.at-end"
	}
	return result.Say(how, "band", c.Band, "size_db", c.Size, "from_s", c.From, "to_s", c.To)
}

// whyUnmatched says what a take without any loudness has, and what follows.
const WhyUnmatched = "nothing above the absolute gate of −70 LUFS in the time that all takes share, so it cannot be matched"

func Unmatched(m loudness.Measurement) bool {
	return math.IsInf(float64(m.Integrated), -1) || math.IsNaN(float64(m.Integrated))
}

// NearGate says whether rounding decides which windows pass a gate of the
// integrated loudness, and of the loudness range, of a stretch.
type NearGate struct{ Integrated, LoudnessRange bool }
