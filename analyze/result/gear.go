package result

import "evenhand/analyze/unit"

// Touch is how a take answers to how hard one plays; see package touch.
type Touch struct {
	Measured bool  `json:"measured"`
	Reason   Cause `json:"reason,omitzero"` // why not measured
	// Slope is how many dB come out for each dB that goes in, 1 for a clean device and 0
	// for one that is flat; Low and High are those of the two halves of the music.
	Slope unit.Number `json:"slope" figure:"touch (dB for each dB)" digits:"2"`
	Low   unit.Number `json:"slope_low" figure:"touch, lower half (dB for each dB)" digits:"2"`
	High  unit.Number `json:"slope_high" figure:"touch, upper half (dB for each dB)" digits:"2"`
	// From and To are the levels of the dry recording, rms of 50 ms, between which it
	// holds.
	From unit.DBFS `json:"from_dbfs" figure:"touch from (dBFS)"`
	To   unit.DBFS `json:"to_dbfs" figure:"touch to (dBFS)"`
	// In are levels of the dry recording, Gain the median gain at each, relative to that
	// at the last one, Lower and Upper the quartiles.
	In    []unit.DBFS `json:"in_dbfs" figure:"level in (dBFS)"`
	Gain  []unit.DB   `json:"gain_db" figure:"gain (dB)"`
	Lower []unit.DB   `json:"gain_lower_db" figure:"gain, lower quartile (dB)"`
	Upper []unit.DB   `json:"gain_upper_db" figure:"gain, upper quartile (dB)"`
}

// Compressor is what was found of the compressor in a take; see package compressor. What
// was not measured is NaN. Low and high are the least and the greatest of the two halves of
// the music and of other models that fit about as well.
type Compressor struct {
	Measured bool  `json:"measured"`
	Reason   Cause `json:"reason,omitzero"` // why not measured
	// Slope is how many dB come out for each dB that goes in above the threshold and its
	// knee, 1/ratio.
	Slope unit.Number `json:"out_per_db" figure:"compressor above threshold (dB for each dB)" digits:"2"`
	Low   unit.Number `json:"out_low_per_db" figure:"compressor above threshold, low (dB for each dB)" digits:"2"`
	High  unit.Number `json:"out_high_per_db" figure:"compressor above threshold, high (dB for each dB)" digits:"2"`
	// Threshold is the level of the dry recording as the detector has it, NaN where nearly
	// all that is played is above it; the knee is centred on it, NaN where others fit as well.
	Threshold     unit.DBFS `json:"threshold_dbfs" figure:"compressor threshold (dBFS)"`
	ThresholdLow  unit.DBFS `json:"low_threshold_dbfs" figure:"compressor threshold, low (dBFS)"`
	ThresholdHigh unit.DBFS `json:"high_threshold_dbfs" figure:"compressor threshold, high (dBFS)"`
	Knee          unit.DB   `json:"knee_db" figure:"compressor knee (dB)"`
	// Attack and Release are time constants (63 %) of the gain in dB, NaN where low and high
	// are too far apart.
	Attack      unit.Number `json:"attack_time_ms" figure:"attack (ms)" digits:"0"`
	AttackLow   unit.Number `json:"attack_low_time_ms" figure:"attack, low (ms)" digits:"0"`
	AttackHigh  unit.Number `json:"attack_high_time_ms" figure:"attack, high (ms)" digits:"0"`
	Release     unit.Number `json:"release_time_ms" figure:"release (ms)" digits:"0"`
	ReleaseLow  unit.Number `json:"release_low_time_ms" figure:"release, low (ms)" digits:"0"`
	ReleaseHigh unit.Number `json:"release_high_time_ms" figure:"release, high (ms)" digits:"0"`
	// Detector is what the level going in is taken as: "rms" or "peaks", with Decay as its
	// time constant.
	Detector string      `json:"detector"`
	Decay    unit.Number `json:"detector_time_ms" figure:"compressor detector (ms)" digits:"0"`
	// Left is what the model leaves of the gain, rms; Moves is by how much that moves,
	// from its 10th to its 90th percentile.
	Left  unit.DB `json:"left_db" figure:"compressor model leaves (dB)" digits:"2"`
	Moves unit.DB `json:"moves_db" figure:"compressor gain moves by (dB)"`
}

// Drive is how much of a take is new frequencies; see package drive.
type Drive struct {
	Measured bool  `json:"measured"`
	Reason   Cause `json:"reason,omitzero"` // why not measured
	// Drive is the K-weighted part of the take's power that is new frequencies, apart from
	// noise, gain changes slower than a frame of touch and the gain of a compressor that was
	// measured; Low and High are those of the two halves of the music.
	Drive unit.Number `json:"drive_percent" figure:"drive (%)"`
	Low   unit.Number `json:"drive_low_percent" figure:"drive, lower half (%)"`
	High  unit.Number `json:"drive_high_percent" figure:"drive, upper half (%)"`
	// NotLinear is the part that no filter explains: gain changes too.
	NotLinear unit.Number `json:"not_linear_percent" figure:"not linear (%)"`
	// Third is the drive in each third octave, in per cent of the power in it; NaN where
	// the dry recording is less than 10 dB above its own noise.
	Third []unit.Number `json:"third_octave_percent" figure:"drive in third octaves (%)"`
}

// Leftover is what remains between two takes after the best equaliser and the best filter;
// see package leftover. All is K-weighted where it does not say otherwise.
type Leftover struct {
	A      string `json:"a"`
	B      string `json:"b"`
	Reason Cause  `json:"reason,omitzero"` // why not measured
	// Equaliser and Filter are the lesser of both ways, with one standard error; Filter is no
	// more than Equaliser, which is one.
	Equaliser      unit.DB `json:"equaliser_db" figure:"left after an equaliser (dB)"`
	EqualiserError unit.DB `json:"equaliser_error_db" figure:"standard error of that (dB)"`
	Filter         unit.DB `json:"filter_db" figure:"left after a filter (dB)"`
	FilterError    unit.DB `json:"filter_error_db" figure:"standard error after a filter (dB)"`
	// Bound is what no filter leaves less of.
	Bound unit.DB `json:"bound_db" figure:"no filter leaves less than (dB)"`
	// Resolved tells that more remains after an equaliser than is measured, and than
	// between a take and its repeat.
	Resolved bool           `json:"resolved"`
	Ways     []LeftoverWays `json:"ways"` // of B after A, then of A after B; none where it was not measured
}

// LeftoverWays is what remains of a take after another one was equalised to it.
type LeftoverWays struct {
	Of                  string    `json:"of"`
	Filter              unit.DB   `json:"filter_db" figure:"left after a filter (dB)"`
	FilterUnweighted    unit.DB   `json:"filter_unweighted_db" figure:"left after a filter, unweighted (dB)"`
	Equaliser           unit.DB   `json:"equaliser_db" figure:"left after an equaliser (dB)"`
	EqualiserUnweighted unit.DB   `json:"equaliser_unweighted_db" figure:"left after an equaliser, unweighted (dB)"`
	Third               []unit.DB `json:"third_octave_db" figure:"left after a filter in third octaves (dB)"`
	Sections            []unit.DB `json:"sections_db" figure:"left after a filter in each section (dB)"` // in the order of the timeline's spans after the first
	// Curve is the equaliser's gain in each third octave.
	Curve []unit.DB `json:"curve_db" figure:"equaliser (dB)"`
}

// Equalised is the filter through which a contestant can be heard as close to the take
// that the others are compared with as a filter brings it; see leftover.Fit. It is fitted
// on their published files.
type Equalised struct {
	Take   string `json:"take"`
	Of     string `json:"of"`              // the other take, which what is left is of
	Reason Cause  `json:"reason,omitzero"` // why none was fitted
	// Path is the script with the filter, in the report folder.
	Path     string `json:"path,omitempty"`
	SHA256   string `json:"sha256,omitempty"`
	Rate     int    `json:"sample_rate_hz,omitempty"`
	Channels int    `json:"channels,omitempty"` // each has a filter of its own
	Taps     int    `json:"taps,omitempty"`
	Before   int    `json:"taps_before,omitempty"` // of them, before time 0
	// Left and Unweighted are what is left of Of, on the music that the filter was fitted
	// to, all of it; Peak is the highest sample of the equalised take and of what is left.
	Left       unit.DB   `json:"left_db" figure:"left after the filter to be heard (dB)" csv:"no"`
	Unweighted unit.DB   `json:"left_unweighted_db" figure:"left after the filter to be heard, unweighted (dB)" csv:"no"`
	Peak       unit.DBFS `json:"sample_peak_dbfs" figure:"highest sample of what is heard (dBFS)" csv:"no"`
}

// EqualisedFrom returns what a take can be heard through; nil for none.
func (r *Result) EqualisedFrom(take string) *Equalised {
	for i := range r.Equalised {
		if e := &r.Equalised[i]; e.Take == take {
			return e
		}
	}
	return nil
}

// GearParameters: how what the gear does was measured.
type GearParameters struct {
	Blocks      int          `json:"blocks"` // of the music; the same for all takes
	Block       unit.Seconds `json:"block_s"`
	Window      int          `json:"window_samples"` // of leftover and drive
	TouchFrame  unit.Seconds `json:"touch_frame_s"`
	LeastFilter unit.DB      `json:"least_leftover_db"` // less is not resolved
	// Compressor is nil where none was looked for, unless the drive of a take is why.
	Compressor *CompressorParameters `json:"compressor,omitempty"`
}

// CompressorParameters: how compressors were measured.
type CompressorParameters struct {
	Window   unit.Seconds `json:"window_s"`     // of the gain
	MostLeft unit.DB      `json:"most_left_db"` // that the model leaves, rms
	MostPart unit.Number  `json:"most_part"`    // of what the gain moves by
	// MostDrive is the drive from which none is looked for.
	MostDrive unit.Number `json:"most_drive_percent"`
}
