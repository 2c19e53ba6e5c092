package result

import (
	"evenhand/analyze/unit"
)

// What a take was placed by, as it stands in Alignment.PlacedBy and BesideBy; "" is a
// guess.
const (
	ByPhase = "phase"
	ByNotes = "notes"
)

// Range of the levels, spectra and noise: the audible one.
const (
	AudibleFrom = unit.Hertz(20)
	AudibleTo   = unit.Hertz(20000)
)

// Defaults of the level match.
const (
	// DefaultCeiling is the true peak that no matched take exceeds.
	//
	// Source: EBU R 128, maximum permitted true-peak level −1 dBTP (from memory).
	DefaultCeiling = unit.DBTP(-1)
	// MatchTolerance is how far a published file's loudness may be from the
	// target. It is far below the smallest level difference that is heard
	// under test conditions (0.1 to 0.2 dB; common practice, no source).
	MatchTolerance = unit.LU(0.05)
	// ClearOfDither is by how many dB, A-weighted, the noise in a pause must be above
	// the dither of 16 bits, so that published files of 16 bits are enough: the dither
	// then adds 0.4 dB to it. Common practice, no source.
	ClearOfDither = unit.DB(10)
)
