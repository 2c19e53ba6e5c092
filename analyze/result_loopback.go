package analyze

import "evenhand/analyze/unit"

// Loopback is the reamp level against the dry recording.
type Loopback struct {
	File string `json:"file"`
	// Level differences are loopback less dry: positive is hotter. Level is the
	// mean of the measured octaves that LevelBands names, from 250 Hz to 1 kHz,
	// or Broadband where none was measured (LevelBands ""). Broadband
	// covers 20 Hz to 20 kHz without what the loop adds.
	Level      unit.DB       `json:"level_db"`
	LevelBands string        `json:"level_bands"`
	Broadband  unit.DB       `json:"broadband_db"`
	Loudness   unit.LU       `json:"loudness_lu"`
	Peak       unit.DB       `json:"peak_db"` // true peaks
	Octaves    []OctaveLevel `json:"octaves"`
	// Tolerance is how far off Level may be.
	Tolerance unit.DB `json:"tolerance_db"`
	// Low and High are the levels at the ends relative to the middle octaves,
	// in the octaves that LowBand and HighBand name ("" when not measured).
	Low      unit.DB `json:"low_db"`
	LowBand  string  `json:"low_band"`
	High     unit.DB `json:"high_db"`
	HighBand string  `json:"high_band"`
	// Noise is what the loop adds in the pauses, in dBFS (rms).
	Noise       unit.DB      `json:"noise_added_dbfs"`
	NoiseReason string       `json:"noise_reason"` // why not measured; "" otherwise
	Lag         unit.Samples `json:"lag_samples"`
	Polarity    string       `json:"polarity"`
	Drift       unit.PPM     `json:"drift_ppm"`
	DriftError  unit.PPM     `json:"drift_error_ppm"`
	Tilt        unit.DB      `json:"tilt_db_per_octave"`
	Coherence   unit.Number  `json:"coherence"`
	From        unit.Seconds `json:"from_s"`   // of the dry recording
	Shared      unit.Seconds `json:"shared_s"` // compared
	Certain     bool         `json:"certain"`
	Reason      string       `json:"reason"`
	Advice      []string     `json:"advice"`
	Warnings    []string     `json:"warnings"`
}

// OctaveLevel is a level difference in one octave band.
type OctaveLevel struct {
	Band     Band    `json:"band"`
	Level    unit.DB `json:"level_db"`
	Measured bool    `json:"measured"` // enough signal above the noise in the band
}

// where names the frequencies that Level was taken from.
func (l *Loopback) where() string {
	if l.LevelBands == "" {
		return "from 20 Hz to 20 kHz"
	}
	return "in the octaves of " + l.LevelBands
}
