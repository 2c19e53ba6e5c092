package result

import (
	"math"

	"evenhand/analyze/parts"
	"evenhand/analyze/unit"
)

// Alignment is where a take lies on the timeline.
type Alignment struct {
	// Lag is how much later the take is than the timeline's source; positive
	// means later. It contains the gear's own delay.
	Lag unit.Samples `json:"lag_samples" figure:"lag (samples)"`
	// LagToReference is the same against the reference (or first) take.
	LagToReference      unit.Samples `json:"lag_to_reference_samples" figure:"lag against the reference (samples)"`
	Polarity            string       `json:"polarity"` // "same", "inverted", "uncertain": against the dry recording
	PolarityToReference string       `json:"polarity_to_reference"`
	Confidence          unit.Number  `json:"confidence" figure:"coarse peak over the next"` // coarse peak over next best; below 2 nothing is claimed
	Certain             bool         `json:"certain"`
	Reason              Cause        `json:"reason,omitzero"` // why uncertain
	Drift               unit.PPM     `json:"drift_ppm" figure:"drift (ppm)"`
	DriftError          unit.PPM     `json:"drift_error_ppm" figure:"standard error of the drift (ppm)"` // one standard error
	// Spread is the robust standard deviation of the lag over time: below a few
	// samples for one performance, hundreds for another pass at the same music.
	Spread unit.Samples `json:"spread_samples" figure:"spread of the lag (samples)"`
	// Applied is the lag that the published, aligned audio removes, to whole frames.
	Applied unit.Samples `json:"applied_samples" figure:"removed lag (samples)"`
	// Kept is by how many whole frames the take is shifted where that is kept from
	// the earlier report and is not Applied, rounded; nil elsewhere.
	Kept *int64 `json:"kept_frames,omitempty"`
	// AppliedError is one standard error of Applied; NaN where it is a guess.
	AppliedError unit.Samples `json:"applied_error_samples" figure:"standard error of the removed lag (samples)"`
	// PlacedBy says what Applied rests on: "phase", "notes" where the phase is
	// uncertain and the beginnings of the notes are not, "" for a guess.
	PlacedBy string `json:"placed_by"`
	// BesideError is one standard error of where the take, shifted by Applied, lies
	// beside the take that the others are aligned to, 0 for that take itself, NaN
	// for a guess. It is mostly far smaller than AppliedError, since takes are more
	// alike than a take and the dry recording.
	BesideError unit.Samples `json:"beside_error_samples" figure:"standard error beside the other takes (samples)"`
	// BesideBy says what that rests on, in the words of PlacedBy.
	BesideBy string `json:"beside_by"`
	// Slips are where frames were lost or inserted, in order of time; none for
	// most takes.
	Slips []Slip `json:"slips,omitempty"`
	// Parts are the parts of the take that are not what the timeline's source says,
	// in order of time; none for most takes.
	Parts []Part `json:"parts,omitempty"`
	// Detectable is how small a fault in a part of the take would have been found, for
	// each span.
	Detectable []Detectable `json:"detectable,omitempty"`
}

// Slip is a place at which frames were lost or inserted.
type Slip struct {
	// From and To are the times on the timeline between which it happened, in 19
	// of 20 cases; all lost frames lie between them.
	From    unit.Seconds `json:"from_s" figure:"from (s)"`
	To      unit.Seconds `json:"to_s" figure:"to (s)"`
	Lag     unit.Samples `json:"lag_samples" figure:"step of the lag (samples)"`                  // by how much what follows is later; negative where frames were lost
	Error   unit.Samples `json:"lag_error_samples" figure:"standard error of the step (samples)"` // one standard error
	Certain bool         `json:"certain"`                                                         // false where the gear might do the same
}

// Frames returns by how many whole frames the published, aligned audio is shifted:
// its frame 0 of the timeline is that frame of the recording. A lag that is no
// number, or none that a file could have, is 0.
func (a Alignment) Frames() int64 {
	if a.Kept != nil {
		return *a.Kept
	}
	lag := math.Round(float64(a.Applied))
	if math.IsNaN(lag) || math.Abs(lag) > 1<<50 {
		return 0
	}
	return int64(lag)
}

// LagDecimals is how many decimals of the take's lags, in samples, the
// measurement supports: none from half a sample of spread or error on, one from
// a twentieth on, else two.
func (a Alignment) LagDecimals() int {
	worst := 0.0
	for _, v := range []float64{float64(a.Spread), float64(a.AppliedError)} {
		if !math.IsNaN(v) {
			worst = math.Max(worst, v)
		}
	}
	switch {
	case worst >= 0.5:
		return 0
	case worst >= 0.05:
		return 1
	}
	return 2
}

// Part is a part of a take that is not what the timeline's source says.
type Part struct {
	From unit.Seconds `json:"from_s" figure:"from (s)"` // on the timeline
	To   unit.Seconds `json:"to_s" figure:"to (s)"`
	// Kind is one of the kinds of package parts: "moved", "elastic", "pass",
	// "elsewhere", "unlike", "missing", "turned".
	Kind parts.Kind `json:"kind"`
	// Lag is by how much later than the rest a moved part is, and by how much later
	// than it is played one from elsewhere is; 0 for other kinds.
	Lag unit.Samples `json:"lag_samples" figure:"lag (samples)"`
}

// Detectable is how small a fault in a part of a take would have been found: such
// faults were put into what was measured, at several places, and looked for again.
type Detectable struct {
	Shift unit.Seconds `json:"shift_s" figure:"smallest shift (s)"`     // of 5 s, or of the whole span where that is shorter; NaN for none that was tried
	Pass  unit.Seconds `json:"pass_s" figure:"shortest other pass (s)"` // how long another pass must be; NaN for none that was tried
	Turn  bool         `json:"turn"`                                    // whether a turn of the polarity would have been found
}
