package result

import (
	"math"

	"evenhand/analyze/unit"
)

// Mic is one side of a two-microphone take.
type Mic struct {
	Side     string  `json:"side"`
	Name     string  `json:"name"`
	Blend    unit.DB `json:"blend_db" figure:"blend (dB)"`
	Position string  `json:"position"`
	Notes    string  `json:"notes"`
	File     string  `json:"file,omitempty"` // its impulse response
}

// EqualChannels tells of two channels that are equal but for noise.
type EqualChannels struct {
	// Within is the rms level of their difference; −Inf: equal sample for sample.
	Within unit.DBFS `json:"within_dbfs" figure:"difference of the channels (dBFS)"`
}

// String says how equal they are: "channels equal to within −98.0 dBFS".
func (e EqualChannels) String() string {
	if math.IsInf(float64(e.Within), -1) {
		return "channels equal sample for sample"
	}
	return "channels equal to within " + e.Within.String()
}
