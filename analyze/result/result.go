// Package result is what results.json holds: everything that is known about a
// comparison, as plain data with typed words, how it is read back, what versions
// before this one computed otherwise, and what follows from the numbers alone.
package result

import (
	"cmp"
	"slices"
	"strings"

	"evenhand/analyze/listening"
	"evenhand/analyze/manifest"
	"evenhand/analyze/unit"
)

// Format is the version of results.json. It grows with the first released
// change of the meaning of a field or of a rule in Rules; new fields alone do
// not change it.
const Format = 2

// Result is everything that is known about a comparison: what was read, what
// was measured with which parameters, and what follows. The page, the tables
// and the archive are views of it. It is plain data: slices are never nil in
// a finished Result, and everything is in manifest order.
type Result struct {
	Format     int        `json:"format"`
	Tool       Tool       `json:"tool"`
	Comparison Comparison `json:"comparison"`
	Parameters Parameters `json:"parameters"`
	Files      []File     `json:"files"`
	Timeline   Timeline   `json:"timeline"`
	Takes      []Take     `json:"takes"`
	Loopback   *Loopback  `json:"loopback,omitempty"`
	Match      Match      `json:"match"`
	Resolution Resolution `json:"resolution"`
	Spectrum   Spectrum   `json:"spectrum"`
	Likeness   []Likeness `json:"likeness"` // of the pairs that Parameters.PairsWith leaves
	// Leftover is of the pairs of contestants, of each take and its repeat, and of each
	// contestant and a bypass or a room; of more than LeftoverPairs takes, of those with
	// the one that they are aligned to.
	Leftover []Leftover `json:"leftover,omitempty"`
	// Equalised is of each contestant and the take that it is compared with.
	Equalised  []Equalised `json:"equalised,omitempty"`
	Settings   Settings    `json:"settings"`
	Checks     []Check     `json:"checks"`
	Exclusions []Exclusion `json:"exclusions"`
	Warnings   []Warning   `json:"warnings"`
	// Audience is what readers of the published report heard; nil until
	// their answers are tallied. Its Comparison is the start of AudioID or of
	// the ID of one of EarlierAudio.
	Audience *listening.Result `json:"audience,omitempty"`
	// EarlierAudio is what was published before as a comparison of its own and
	// is still here, file by file: answers about it count. The latest first.
	EarlierAudio []EarlierAudio `json:"earlier_audio,omitempty"`
	// EarlierFormat is the lowest format that this report had in earlier builds,
	// where that is lower than Format; else 0. RulesAfter it tells what changed its
	// figures since.
	EarlierFormat int `json:"earlier_format,omitempty"`
}

// Tool names the program that made a Result.
type Tool struct {
	Name    string `json:"name"`
	Version string `json:"version"`
}

// Comparison is the head of the manifest, as written.
type Comparison struct {
	Title      string   `json:"title"`
	By         string   `json:"by"`
	Date       string   `json:"date"`
	URL        string   `json:"url"` // where the report is published, as written; "" when not stated
	Varies     string   `json:"varies"`
	Slot       string   `json:"slot"`    // the varied slot
	Control    string   `json:"control"` // the varied control; "" when the whole slot varies
	Reference  string   `json:"reference"`
	SetBy      string   `json:"set_by"`
	MayDiffer  []string `json:"may_differ"`
	Disclosure string   `json:"disclosure"`
	FullScale  string   `json:"full_scale_in"`
	Instrument string   `json:"instrument"`
	Tuning     string   `json:"tuning"`
	Pickup     string   `json:"pickup"`
	Notes      string   `json:"performance_notes"`
	About      string   `json:"about"` // Markdown text of the notes file
}

// Heading returns the title on one line; "Untitled comparison" where there is none.
func (c Comparison) Heading() string {
	return cmp.Or(strings.Join(strings.Fields(c.Title), " "), "Untitled comparison")
}

// Parameters are all the settings of the measurements that a reader needs to
// repeat them.
type Parameters struct {
	Loudness  LoudnessParameters  `json:"loudness"`
	Spectrum  SpectrumParameters  `json:"spectrum"`
	Noise     NoiseParameters     `json:"noise"`
	Alignment AlignmentParameters `json:"alignment"`
	Match     MatchParameters     `json:"match"`
	Gear      *GearParameters     `json:"gear,omitempty"` // nil where an earlier version measured
	// PairsWith is the take that alone each of the others was compared with, of more
	// than AllPairs takes; "" where every take was compared with every other.
	PairsWith string `json:"pairs_with,omitempty"`
}

// LoudnessParameters: ITU-R BS.1770-5 and EBU Tech 3341/3342.
type LoudnessParameters struct {
	Standard       string       `json:"standard"`
	GatingBlock    unit.Seconds `json:"gating_block_s"`
	GatingHop      unit.Seconds `json:"gating_hop_s"`
	AbsoluteGate   unit.LUFS    `json:"absolute_gate_lufs"`
	RelativeGate   unit.LU      `json:"relative_gate_lu"`
	MomentaryHop   unit.Seconds `json:"momentary_hop_s"`
	ShortTermHop   unit.Seconds `json:"short_term_hop_s"`
	RangeHop       unit.Seconds `json:"range_hop_s"`
	MonoConvention string       `json:"mono_convention"`
	TruePeakFactor int          `json:"true_peak_oversampling"` // at the comparison's rate
}

// SpectrumParameters: the averaged spectrum.
type SpectrumParameters struct {
	Method       string      `json:"method"`
	Window       string      `json:"window"`
	Length       int         `json:"length_samples"`
	Hop          int         `json:"hop_samples"`
	Resolution   unit.Hertz  `json:"bin_width_hz"`
	ENBW         unit.Hertz  `json:"enbw_hz"`
	Detrend      string      `json:"detrend"`
	BandStandard string      `json:"band_standard"`
	Confidence   unit.Number `json:"confidence"`
	// BandConfidence is that of a single band, strict enough that the whole page has Confidence.
	BandConfidence unit.Number `json:"band_confidence"`
	DescriptorFrom unit.Hertz  `json:"descriptor_from_hz"`
	DescriptorTo   unit.Hertz  `json:"descriptor_to_hz"`
	TiltFrom       unit.Hertz  `json:"tilt_from_hz"`
	TiltTo         unit.Hertz  `json:"tilt_to_hz"`
	// HeardWithin, OverFloor and LowestString, 0 where no tuning is stated, are those
	// of Audibility.
	HeardWithin  unit.DB    `json:"heard_within_db"`
	OverFloor    unit.DB    `json:"over_floor_db"`
	LowestString unit.Hertz `json:"lowest_string_hz"`
	LowMid       unit.Hertz `json:"low_mid_corner_hz"`
	MidHigh      unit.Hertz `json:"mid_high_corner_hz"`
	From         unit.Hertz `json:"from_hz"`
	To           unit.Hertz `json:"to_hz"`
}

// NoiseParameters: what counts as a pause and how noise is measured there.
type NoiseParameters struct {
	MinimumPause unit.Seconds `json:"minimum_pause_s"`
	Guard        unit.Seconds `json:"guard_s"`      // left out after the last note and before the next
	Threshold    unit.DB      `json:"threshold_db"` // how far above its floor the timeline's source counts as playing
	Bandwidth    string       `json:"bandwidth"`
	Harmonics    int          `json:"hum_harmonics"`
	Mains        unit.Hertz   `json:"mains_hz"`
	MainsSource  string       `json:"mains_source"` // "stated", "found", "not found"
}

// AlignmentParameters: how lags were found.
type AlignmentParameters struct {
	CoarseBlock unit.Seconds  `json:"coarse_block_s"`
	MaxLag      unit.Seconds  `json:"max_lag_s"`
	FineBand    [2]unit.Hertz `json:"fine_band_hz"`
	FineWindow  int           `json:"fine_window_samples"`
	FineWindows int           `json:"fine_windows"`
	Clocks      string        `json:"clocks"` // how drift and slips were told
	// Anchor is the take that the others are aligned to, and against which their
	// lags and polarities "to the reference" are: the reference, where there is one.
	Anchor string `json:"anchor,omitempty"`
}

// MatchParameters: what levels were matched to.
type MatchParameters struct {
	Ceiling      unit.DBTP `json:"ceiling_dbtp"`
	TargetSource string    `json:"target_source"` // "stated", "highest under the ceiling" or "kept from the earlier report"
	Tolerance    unit.LU   `json:"tolerance_lu"`
	Dither       string    `json:"dither"`
	// CopiesSource says where the depth of the published files comes from: "stated",
	// "kept from the earlier report" or "decided by the noise in the pauses"; "" in
	// results of versions that took it from each recording.
	CopiesSource string `json:"copies_source,omitempty"`
	// CopiesMargin is by how many dB, A-weighted, the softest pause of any take is above
	// the dither of 16 bits, but for pauses that a gate closes or that are silent; NaN
	// where no pause tells.
	CopiesMargin unit.DB `json:"copies_margin_db"`
}

// File is a file that was read.
type File struct {
	Path         string       `json:"path"` // as written in the manifest, with forward slashes
	Use          string       `json:"use"`  // "manifest", "notes", "dry", "loopback", "take", "device file", "photo"
	SHA256       string       `json:"sha256"`
	Bytes        int64        `json:"bytes"`
	Redistribute bool         `json:"redistribute"`
	Audio        *AudioFormat `json:"audio,omitempty"`
}

// Withholds reports whether files of a content may not be passed on: whether one of them, by
// any name and for any use, is marked redistribute: no.
func (r *Result) Withholds(sha256 string) bool {
	return slices.ContainsFunc(r.Files, func(f File) bool { return !f.Redistribute && f.SHA256 == sha256 })
}

// AudioFormat describes a WAV file.
type AudioFormat struct {
	Container  string       `json:"container"`
	Encoding   string       `json:"encoding"` // "16-bit integer", "32-bit float"
	SampleRate int          `json:"sample_rate_hz"`
	Channels   int          `json:"channels"`
	Frames     int64        `json:"frames"`
	Duration   unit.Seconds `json:"duration_s" figure:"duration (s)"`
}

// Timeline is the common time axis: the dry recording's own, or the reference
// take's when there is no dry recording.
type Timeline struct {
	// SourceIs says what the recording is whose own axis it is; "" in results of
	// versions that did not say it, see Result.DryTimeline.
	SourceIs   TimelineSource `json:"source_is"`
	Source     string         `json:"source"` // "dry" or that take's name
	SampleRate int            `json:"sample_rate_hz"`
	// TimeSource says where Spans[0] comes from: "shared by all takes", or
	// "kept from the earlier report", when a take may lack up to 0.1 s at
	// either end, which is silence then.
	TimeSource string `json:"time_source"`
	// PlacesSource is PlacesKept where the takes are placed along the places that
	// they had in the earlier report; else "".
	PlacesSource string `json:"places_source,omitempty"`
	// Spans[0] is the whole: the time that every take and the dry recording
	// cover. The sections follow in order. All measures are per span, in this
	// order.
	Spans          []Span `json:"spans"`
	SectionsSource string `json:"sections_source"` // "manifest", "markers", "pauses", "none"
	Pauses         []Span `json:"pauses"`
	// Overview is the dry recording's (or the source take's) peak level in
	// equal steps over the whole span, at most 1200 values, linear 0 to 1.
	Overview []unit.Number `json:"overview" figure:"peak (linear, full scale 1)"`
}

// TimelineSource is what a timeline's source is.
type TimelineSource string

// The two sources of a timeline.
const (
	SourceDry  TimelineSource = "dry recording"
	SourceTake TimelineSource = "take"
)

// DryTimeline reports whether the timeline is the dry recording's own. A take may be
// called dry: where the result does not say what the source is, the dry recording is it
// wherever one was read.
func (r *Result) DryTimeline() bool {
	if is := r.Timeline.SourceIs; is != "" {
		return is == SourceDry
	}
	return slices.ContainsFunc(r.Files, func(f File) bool { return f.Use == "dry" })
}

// Span is a stretch of the timeline.
type Span struct {
	Name string       `json:"name"`
	From unit.Seconds `json:"from_s" figure:"from (s)"`
	To   unit.Seconds `json:"to_s" figure:"to (s)"`
	// FirstFrame and Frames are the same in frames of the timeline's rate.
	FirstFrame unit.Frames `json:"first_frame" figure:"first frame"`
	Frames     unit.Frames `json:"frames" figure:"frames"`
}

// Take is one take's measurements.
type Take struct {
	Name     string `json:"name"`
	Slug     string `json:"slug"` // for file names and links; unique
	File     string `json:"file"`
	Device   string `json:"device"` // what fills the varied slot
	Role     string `json:"role"`
	RepeatOf string `json:"repeat_of"`
	Notes    string `json:"notes"`
	Signal   string `json:"signal"` // "mono", "stereo", "blend of two microphones", and the first and last "as two equal channels"
	// Widened says that one channel is measured and heard as two equal ones, since
	// another take has two.
	Widened bool `json:"widened"`
	// EqualChannels is nil but for a recording of two channels that carry one signal.
	EqualChannels *EqualChannels `json:"equal_channels,omitempty"`
	Mics          []Mic          `json:"mics"`
	Alignment     Alignment      `json:"alignment"`
	Measures      []Measures     `json:"measures"` // one per span of the timeline
	Noise         Noise          `json:"noise"`
	// Touch and Drive are nil where an earlier version measured.
	Touch *Touch `json:"touch,omitempty"`
	Drive *Drive `json:"drive,omitempty"`
	// Compressor is nil where the gain hardly moves, and where the take distorts.
	Compressor *Compressor `json:"compressor,omitempty"`
	Gain       unit.DB     `json:"gain_db" figure:"gain (dB)"` // applied to match
	// Floor is, after matching, the noise in the pauses or the rounding of the file,
	// whichever is higher; see Audibility.
	Floor []unit.DB `json:"floor_third_octave_db" figure:"floor after matching (dBFS)"`
	// Published is the take's matched audio in the report; nil before it is
	// written, and for a take whose recording is marked redistribute: no:
	// Withheld then says what its matched audio measures.
	Published *Published `json:"published,omitempty"`
	Withheld  *Withheld  `json:"withheld,omitempty"`
}

// Whole returns the measures over the whole span, and false where there are none.
func (t *Take) Whole() (Measures, bool) {
	if len(t.Measures) == 0 {
		return Measures{}, false
	}
	return t.Measures[0], true
}

// Contestant reports what manifest.Contestant says of the take.
func (t *Take) Contestant() bool { return manifest.Contestant(manifest.Role(t.Role), t.RepeatOf) }

// Measures are the figures of one span of one take, as recorded.
type Measures struct {
	AudioMeasures
	// EffectiveAverages is the equivalent number of independent averages.
	EffectiveAverages unit.Number `json:"effective_averages" figure:"effective averages"`
	Warnings          []Cause     `json:"warnings"`
}

// AudioMeasures are the figures that the span's audio alone gives, so that the
// published audio gives them again.
type AudioMeasures struct {
	Span           string    `json:"span"`
	Integrated     unit.LUFS `json:"integrated_lufs" figure:"integrated (LUFS)"`
	MaxMomentary   unit.LUFS `json:"max_momentary_lufs" figure:"max momentary (LUFS)" page:"Max. momentary after matching, LUFS" matched:"yes"`
	MaxShortTerm   unit.LUFS `json:"max_short_term_lufs" figure:"max short-term (LUFS)" page:"Max. short-term after matching, LUFS" matched:"yes"`
	Range          unit.LU   `json:"range_lu" figure:"range (LU)" page:"Loudness range, LU"`
	TruePeak       unit.DBTP `json:"true_peak_dbtp" figure:"true peak (dBTP)"`
	SamplePeak     unit.DBFS `json:"sample_peak_dbfs" figure:"sample peak (dBFS)" page:"Sample peak as recorded, dBFS"`
	RMS            unit.DBFS `json:"rms_dbfs" figure:"rms (dBFS)" page:"RMS as recorded, dBFS"` // a full-scale sine is −3.01; channels averaged
	Crest          unit.DB   `json:"crest_db" figure:"crest factor (dB)" page:"Crest factor, dB"`
	PeakToLoudness unit.LU   `json:"peak_to_loudness_lu" figure:"peak to loudness (LU)" page:"Peak to loudness, LU"`
	// Levels by other weightings, ungated, same span: what the match would
	// have used instead.
	Unweighted  unit.DB `json:"unweighted_db" figure:"unweighted (dBFS)"`
	AWeighted   unit.DB `json:"a_weighted_db" figure:"A-weighted (dBFS)"`
	Weighted468 unit.DB `json:"itu468_weighted_db" figure:"468-weighted (dBFS)"`
	// Series is loudness over time for the plot, only for the whole.
	Series *Series `json:"series,omitempty"`
	// Third, Sixth and Twelfth are band levels after level matching.
	Third       []unit.DB   `json:"third_octave_db" figure:"third octaves after matching (dBFS)"`
	Sixth       []unit.DB   `json:"sixth_octave_db" figure:"sixth octaves after matching (dBFS)"`
	Twelfth     []unit.DB   `json:"twelfth_octave_db" figure:"twelfth octaves after matching (dBFS)"`
	Descriptors Descriptors `json:"descriptors"`
}

// Series is loudness over time, in steps from the span's start.
type Series struct {
	Step      unit.Seconds `json:"step_s" figure:"step (s)"`
	Momentary []unit.LUFS  `json:"momentary_lufs" figure:"momentary as recorded (LUFS)"`   // greatest in each step
	ShortTerm []unit.LUFS  `json:"short_term_lufs" figure:"short-term as recorded (LUFS)"` // greatest in each step
}

// Descriptors sum up a spectrum, by the third octaves that are heard; see Audibility.
type Descriptors struct {
	Centroid unit.Hertz `json:"centroid_hz" figure:"centroid (Hz)" page:"Centroid" digits:"unit"`
	Tilt     unit.DB    `json:"tilt_db_per_octave" figure:"tilt (dB/octave)" page:"Tilt, dB per octave" digits:"+2"`
	Low      unit.DB    `json:"low_db" figure:"low (dB of the whole)" page:"Low, dB of the whole"` // share of the power below the low/mid corner
	Mid      unit.DB    `json:"mid_db" figure:"mid (dB of the whole)" page:"Mid, dB of the whole"`
	High     unit.DB    `json:"high_db" figure:"high (dB of the whole)" page:"High, dB of the whole"`
}

// Noise is what is heard in the pauses.
type Noise struct {
	Measured bool  `json:"measured"`
	Reason   Cause `json:"reason,omitzero"` // why not measured
	Gated    bool  `json:"gated"`           // pauses closed by a noise gate or muted: the figures describe the gate
	// Silent: the pauses hold digital silence or less than a converter's own noise.
	Silent     bool        `json:"silent"`
	GateReason Cause       `json:"gate_reason,omitzero"` // what was seen when Gated or Silent
	AsRecorded NoiseLevels `json:"as_recorded"`
	AsMatched  NoiseLevels `json:"as_matched"`
	// CarriedIn is the part that the dry recording's own noise, scaled by the
	// chain, explains; Added what the chain added. NaN where it cannot be told.
	CarriedIn   unit.DBFS    `json:"carried_in_dbfs" figure:"carried in (dBFS)"`
	Added       unit.DBFS    `json:"added_dbfs" figure:"added (dBFS)"`
	Duration    unit.Seconds `json:"duration_s" figure:"pauses (s)"`
	SplitReason Cause        `json:"split_reason,omitzero"`                                        // why not told apart
	Mains       unit.Hertz   `json:"mains_hz" figure:"mains (Hz)" csv:"no"`                        // found or stated; 0 when neither
	Third       []unit.DB    `json:"third_octave_db" figure:"third octaves after matching (dBFS)"` // after matching
	Warnings    []Cause      `json:"warnings"`
}

// NoiseLevels are noise levels in one state.
type NoiseLevels struct {
	AWeighted   unit.DBFS `json:"a_weighted_dbfs" figure:"A-weighted (dBFS)" page:"A-weighted"`
	Unweighted  unit.DBFS `json:"unweighted_dbfs" figure:"unweighted (dBFS)" page:"Unweighted"`
	Weighted468 unit.DBFS `json:"itu468_weighted_dbfs" figure:"468-weighted rms (dBFS)" page:"468-weighted rms"` // rms, not quasi-peak
	Hum         unit.DBFS `json:"hum_dbfs" figure:"hum (dBFS)" page:"Hum"`
	Hiss        unit.DBFS `json:"hiss_dbfs" figure:"hiss (dBFS)" page:"Hiss"`
	// HumAWeighted is the A-weighted level of the hum; 0, which no pause has, in
	// results that earlier versions wrote.
	HumAWeighted unit.DBFS `json:"hum_a_weighted_dbfs" figure:"A-weighted hum (dBFS)" csv:"no"`
}

// Match is the level match.
type Match struct {
	Target    unit.LUFS `json:"target_lufs" figure:"target (LUFS)"`
	LimitedBy string    `json:"limited_by"` // the take whose true peak sets the target; "" when the target was stated
	// Highest is the highest target that the ceiling allows.
	Highest unit.LUFS `json:"highest_lufs" figure:"highest target (LUFS)"`
	// Alternatives: per span and take, the gains other weightings would ask
	// for, relative to the gain applied.
	Alternatives []Alternative `json:"alternatives"`
	// WorstDeviation is the greatest difference of a published file's
	// re-measured loudness from the target.
	WorstDeviation unit.LU `json:"worst_deviation_lu" figure:"worst deviation (LU)"`
}

// Alternative is what other conventions of matching would do to one take in
// one span: gain relative to the comparison's mean, less the loudness match's.
type Alternative struct {
	Span        string  `json:"span"`
	Take        string  `json:"take"`
	Loudness    unit.DB `json:"loudness_db" figure:"loudness of the span (dB)" page:"This span alone, dB" digits:"+1"` // matching this span alone by BS.1770
	Unweighted  unit.DB `json:"unweighted_db" figure:"unweighted (dB)" page:"Unweighted, dB" digits:"+1"`
	AWeighted   unit.DB `json:"a_weighted_db" figure:"A-weighted (dB)" page:"A-weighted, dB" digits:"+1"`
	Weighted468 unit.DB `json:"itu468_weighted_db" figure:"468-weighted (dB)" page:"468-weighted, dB" digits:"+1"`
	Spread      unit.DB `json:"spread_db" figure:"spread (dB)" page:"Spread, dB"` // greatest less least of the four
}

// Resolution is the smallest difference that counts.
type Resolution struct {
	Source  string   `json:"source"` // "repeat" or "statistics"
	Repeats []Repeat `json:"repeats"`
	// LeftOut are repeats that are not counted here, because they or what they repeat
	// changed while they were recorded.
	LeftOut []Unsteady `json:"left_out,omitempty"`
	Level   unit.DB    `json:"level_db" figure:"level (dB)"`                // NaN without a repeat
	Third   []unit.DB  `json:"third_octave_db" figure:"third octaves (dB)"` // per band, whole span
	Sixth   []unit.DB  `json:"sixth_octave_db" figure:"sixth octaves (dB)"`
	Twelfth []unit.DB  `json:"twelfth_octave_db" figure:"twelfth octaves (dB)"`
}

// Unsteady is a repeat between which and its take something changed.
type Unsteady struct {
	Take string `json:"take"`
	Of   string `json:"of"`
	Text        // what changed, when and by how much
	// Change are the words, as those of Check.
	Change string `json:"change,omitempty"`
}

// Repeat compares a take with its repeat.
type Repeat struct {
	Take  string    `json:"take"`
	Of    string    `json:"of"`
	Level unit.LU   `json:"level_lu" figure:"level (LU)"`                // difference in integrated loudness as recorded
	Third []unit.DB `json:"third_octave_db" figure:"third octaves (dB)"` // differences per band after matching
}

// Spectrum holds what all spectra share and the differences.
type Spectrum struct {
	Third       []Band       `json:"third_octave_bands"`
	Sixth       []Band       `json:"sixth_octave_bands"`
	Twelfth     []Band       `json:"twelfth_octave_bands"`
	Against     string       `json:"against"` // the reference take's name, or "median of all"
	Differences []Difference `json:"differences"`
}

// Band is a fractional-octave band.
type Band struct {
	Label  string     `json:"label"`                          // nominal frequency
	Centre unit.Hertz `json:"centre_hz" figure:"centre (Hz)"` // exact
	Low    unit.Hertz `json:"low_hz" figure:"lower edge (Hz)"`
	High   unit.Hertz `json:"high_hz" figure:"upper edge (Hz)"`
}

// Difference is one take's band levels less the reference's, in one span.
type Difference struct {
	Span    string          `json:"span"`
	Take    string          `json:"take"`
	Third   BandDifferences `json:"third_octave"`
	Sixth   BandDifferences `json:"sixth_octave"`
	Twelfth BandDifferences `json:"twelfth_octave"`
}

// BandDifferences are differences per band; the half width of their uncertainty,
// which is that of a band at SpectrumParameters.BandConfidence or, where it is
// more, what the session's repeats differ by; and whether they exceed it.
type BandDifferences struct {
	Difference []unit.DB `json:"difference_db" figure:"difference (dB)"`
	HalfWidth  []unit.DB `json:"half_width_db" figure:"half width (dB)"`
	Resolved   []bool    `json:"resolved"`
}

// Likeness says how alike two takes are after alignment and matching.
type Likeness struct {
	A string `json:"a"`
	B string `json:"b"`
	// Spectral is the rms difference of the third octaves that count, whole span, each
	// with its weight; see Audibility.
	Spectral unit.DB `json:"spectral_db" figure:"spectral distance (dB)"`
	// Residual is the level of A−B below A after aligning and best gain: the
	// null. Minus infinity for identical audio.
	Residual  unit.DB     `json:"residual_db" figure:"null residual (dB)"`
	Coherence unit.Number `json:"coherence" figure:"coherence"` // power-weighted mean, 0 to 1
	Resolved  bool        `json:"resolved"`                     // a third octave that counts differs by more than the session resolves
}

// Settings is the settings table: what was on each device in each take.
type Settings struct {
	Slots []SlotSettings `json:"slots"` // in signal order
}

// Uncontrolled lists settings that differ although they are neither under
// test nor allowed to.
func (s Settings) Uncontrolled() []string {
	return s.differing(func(r SettingRow) bool { return !r.Allowed })
}

// Allowed lists settings that differ, are not under test, and may differ.
func (s Settings) Allowed() []string {
	return s.differing(func(r SettingRow) bool { return r.Allowed })
}

func (s Settings) differing(is func(SettingRow) bool) []string {
	out := []string{}
	for _, slot := range s.Slots {
		for _, r := range slot.Rows {
			if r.Differs && !r.Varied && is(r) {
				out = append(out, slot.Slot+" "+r.Name)
			}
		}
	}
	return out
}

// SlotSettings is one slot's rows.
type SlotSettings struct {
	Slot string       `json:"slot"`
	Kind string       `json:"kind"`
	Rows []SettingRow `json:"rows"`
}

// SettingRow is one property or control over all takes.
type SettingRow struct {
	Name    string         `json:"name"` // "device", "file", a control's name …
	Control bool           `json:"control"`
	Differs bool           `json:"differs"`    // in the slot under test: between takes that are no bypass
	Varied  bool           `json:"varied"`     // it is what the comparison varies
	Allowed bool           `json:"may_differ"` // listed in may_differ
	Values  []SettingValue `json:"values"`     // one per take
}

// SettingValue is one cell.
type SettingValue struct {
	Written  string      `json:"written"`
	Kind     string      `json:"kind"`                                // manifest.ValueKind for controls
	Fraction unit.Number `json:"fraction" figure:"position (0 to 1)"` // NaN where it has no position
	Stated   bool        `json:"stated"`
	// Absent: the device in this take has no such control written down at
	// all, as against one that is named without a position.
	Absent bool `json:"absent,omitempty"`
	// Travel is how far a control turns, in degrees, and From where that
	// begins, in degrees clockwise from 12 o'clock, −180 to 180, where the
	// manifest states either. Travel 0 stands for the usual 300° from
	// 7 o'clock. Steps are a stepped control's positions, in order.
	Travel float64  `json:"travel,omitempty"`
	From   float64  `json:"from,omitempty"`
	Steps  []string `json:"steps,omitempty"`
}

// Group is what a check is about.
type Group string

// The groups of checks, in the order of the report.
const (
	GroupSound    Group = "sound"
	GroupSettings Group = "settings"
	GroupFiles    Group = "files"
	GroupSafety   Group = "safety"
)

// Groups returns the groups in the order of the report.
func Groups() []Group { return []Group{GroupSound, GroupSettings, GroupFiles, GroupSafety} }

// Outcome is what a check came to.
type Outcome string

// The four outcomes; NotMeasured is counted apart and never as a pass.
const (
	Passed      Outcome = "passed"
	Caution     Outcome = "caution"
	Failed      Outcome = "failed"
	NotMeasured Outcome = "not measured"
)

// Outcomes returns the four outcomes, the most severe first.
func Outcomes() []Outcome { return []Outcome{Failed, Caution, NotMeasured, Passed} }

// UnmarshalText reads an outcome, also by the word of an earlier format. A word
// that is none of the four reads as NotMeasured: nobody can say that it passed.
func (o *Outcome) UnmarshalText(text []byte) error {
	*o = Outcome(Renamed("outcome", string(text)))
	if !slices.Contains(Outcomes(), *o) {
		*o = NotMeasured
	}
	return nil
}

// Check is one question of fairness with its answer, as data: its topic is said by ID,
// what was found by Text. Package report/sentences makes the words.
type Check struct {
	ID      string  `json:"id"` // stable, for links: "lag", "match"
	Group   Group   `json:"group"`
	Subject string  `json:"subject"` // the take or file; "" when it is about all
	Outcome Outcome `json:"outcome"`
	// ConsequenceOf is the id of the check that reports the cause of this finding
	// about the same subject already; "" for a finding of its own. Partly is set where
	// another explains only some of what was found.
	ConsequenceOf string  `json:"consequence_of,omitempty"`
	Partly        *Partly `json:"partly,omitempty"`
	Text
	Measured unit.Number `json:"measured" figure:"measured (in the unit of the check)"` // NaN for none
	Unit     string      `json:"unit"`
	// Allowed is the limit; nil for one that is no number, which follows from ID.
	Allowed *Limit `json:"allowed,omitempty"`

	// The words: "" but in the results of earlier versions, which stored them, and in
	// what package report/sentences returns.
	Name        string `json:"name,omitempty"`
	Reason      string `json:"reason,omitempty"` // for NotMeasured: why; else what was seen
	Value       string `json:"value,omitempty"`  // measured value with unit, as shown
	Limit       string `json:"limit,omitempty"`
	LimitSource string `json:"limit_source,omitempty"` // a standard, "common practice, no source", "set in the manifest"
	Why         string `json:"why,omitempty"`          // why it matters to a listener
	Do          string `json:"do,omitempty"`           // what to do; "" when it passed
}

// Partly says how many of the things found another check, by its id, explains.
type Partly struct {
	Of        string `json:"of"`
	Explained int    `json:"explained"`
	All       int    `json:"all"`
}

// Standing is how an accusation stands.
type Standing string

// The standings of an accusation.
const (
	ExcludedByMeasurement Standing = "excluded by measurement"
	ExcludedByFiles       Standing = "excluded by the published files"
	AuthorsWord           Standing = "rests on the author's word"
	Found                 Standing = "found"
	NotExcluded           Standing = "not excluded"
)

// UnmarshalText reads a standing, also by the words of an earlier format.
func (s *Standing) UnmarshalText(text []byte) error {
	*s = Standing(Renamed("standing", string(text)))
	return nil
}

// Exclusion answers one accusation against a comparison, as data: what it is accused of
// is said by ID, what speaks for or against it by Text. Package report/sentences makes
// the words.
type Exclusion struct {
	ID       string   `json:"id,omitempty"` // "another-pass"; "" in results of earlier versions
	Standing Standing `json:"standing"`
	Text
	Checks []string `json:"checks"` // ids of the checks it rests on

	// The words, as those of Check.
	Accusation string `json:"accusation,omitempty"`
	Because    string `json:"because,omitempty"`
}

// LeftoverOf returns what remains between two takes; nil for a pair that has no such
// figure.
func (r *Result) LeftoverOf(a, other string) *Leftover {
	for i := range r.Leftover {
		if l := &r.Leftover[i]; l.A == a && l.B == other || l.A == other && l.B == a {
			return l
		}
	}
	return nil
}

// PolarityName is the word for a polarity: 1, −1 or 0 where it is uncertain.
func PolarityName(p int) string {
	switch {
	case p > 0:
		return "same"
	case p < 0:
		return "inverted"
	}
	return "uncertain"
}
