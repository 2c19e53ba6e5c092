package result

import (
	"math"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// Loopback is the reamp level against the dry recording.
type Loopback struct {
	File string `json:"file"`
	// Level differences are loopback less dry: positive is hotter. Level is the
	// gain of the loop's passband, told apart from the losses or shelves that
	// Shape names, where Separated; otherwise it is Middle, the mean of the
	// measured octaves that LevelBands names, from 250 Hz to 1 kHz, or Broadband
	// where none was measured (LevelBands ""). LevelError is how far off it may
	// be: two standard errors, or where nothing was separated, by how much the
	// response differs in the middle. Broadband covers 20 Hz to 20 kHz without
	// what the loop adds.
	Level      unit.DB       `json:"level_db" figure:"level (dB)"`
	LevelError unit.DB       `json:"level_error_db" figure:"error of the level (dB)"`
	Separated  bool          `json:"separated"`
	Shape      []Cause       `json:"shape"`                                 // the lows first; empty for a flat response or one not separated
	FitFrom    unit.Hertz    `json:"fit_from_hz" figure:"fitted from (Hz)"` // where Shape holds; NaN where there is none
	FitTo      unit.Hertz    `json:"fit_to_hz" figure:"fitted to (Hz)"`
	Middle     unit.DB       `json:"middle_db" figure:"middle octaves (dB)"`
	LevelBands string        `json:"level_bands"`
	Broadband  unit.DB       `json:"broadband_db" figure:"20 Hz to 20 kHz (dB)"`
	Loudness   unit.LU       `json:"loudness_lu" figure:"loudness (LU)"`
	Peak       unit.DB       `json:"peak_db" figure:"true peak (dB)"` // true peaks
	Octaves    []OctaveLevel `json:"octaves"`
	// Tolerance is how far off Level may be; Unclear tells that an uneven
	// response, not separated from the level, leaves open whether it is.
	Tolerance unit.DB `json:"tolerance_db" figure:"tolerance (dB)"`
	Unclear   bool    `json:"unclear"`
	// Low and High are the levels at the ends relative to the middle octaves,
	// in the octaves that LowBand and HighBand name ("" when not measured).
	Low      unit.DB `json:"low_db" figure:"low end (dB)"`
	LowBand  string  `json:"low_band"`
	High     unit.DB `json:"high_db" figure:"high end (dB)"`
	HighBand string  `json:"high_band"`
	// Noise is what the loop adds in the pauses (rms).
	Noise       unit.DBFS `json:"noise_added_dbfs" figure:"noise added (dBFS)"`
	NoiseReason Cause     `json:"noise_reason,omitzero"` // why not measured
	// NoiseOwn is the dry recording's noise in the same passages, as it returns;
	// NoiseBelow how far Noise is below the loopback's loudness; NaN where Noise is.
	// Noisy: that is too little, and Noise more than NoiseOwn. Hum is the mains'
	// frequency where most of Noise lies at its multiples, else 0.
	NoiseOwn   unit.DBFS    `json:"noise_of_dry_dbfs" figure:"dry recording's own noise (dBFS)"`
	NoiseBelow unit.DB      `json:"noise_below_playing_db" figure:"noise below the playing (dB)"`
	Noisy      bool         `json:"noisy"`
	Hum        unit.Hertz   `json:"hum_hz" figure:"hum (Hz)"`
	Lag        unit.Samples `json:"lag_samples" figure:"lag (samples)"`
	Polarity   string       `json:"polarity"`
	Drift      unit.PPM     `json:"drift_ppm" figure:"drift (ppm)"`
	DriftError unit.PPM     `json:"drift_error_ppm" figure:"standard error of the drift (ppm)"`
	Tilt       unit.DB      `json:"tilt_db_per_octave" figure:"tilt (dB/octave)"`
	Coherence  unit.Number  `json:"coherence" figure:"coherence"`
	From       unit.Seconds `json:"from_s" figure:"from (s)"`       // of the dry recording
	Shared     unit.Seconds `json:"shared_s" figure:"compared (s)"` // compared
	Certain    bool         `json:"certain"`
	Reason     Cause        `json:"reason,omitzero"`
	Advice     []Cause      `json:"advice"`
	Warnings   []Cause      `json:"warnings"`
}

// OctaveLevel is a level difference in one octave band.
type OctaveLevel struct {
	Band     Band    `json:"band"`
	Level    unit.DB `json:"level_db" figure:"level (dB)"`
	Measured bool    `json:"measured"` // enough signal above the noise in the band
}

// Sound reports whether the loop needs no mending.
func (l *Loopback) Sound() bool {
	return !l.Unclear && math.Abs(float64(l.Level)) <= float64(l.Tolerance) && l.Polarity != "inverted" && !l.Noisy
}

// Where says what Level is the level of.
func (l *Loopback) Where() Text {
	switch {
	case l.LevelBands == "":
		return finding.Say("level.broadband")
	case len(l.Shape) > 0:
		return finding.Say("level.passband", "shape", l.Shape)
	}
	return finding.Say("level.octaves", "bands", l.LevelBands)
}
