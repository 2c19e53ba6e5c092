// Package parts judges a take part by part against the recording that it was made from:
// whether each part is of the same performance, in step and of one polarity, and where
// samples were lost or inserted.
//
// The evidence is of three kinds. Notes begin when they begin, whatever gear does to
// their sound: around each, the rises of the level in four bands say how probable each
// lag is (notes.go). Windows of a third of a second are compared with what all windows
// have in common, which is what the gear does to the phase (phase.go). And a gap leaves
// the level at its floor while the recording plays (gaps.go). Pieces of three seconds are
// looked for in all of the recording, since a part may have been copied from elsewhere
// (far.go).
//
// One dynamic program (path.go) finds the likeliest path through the lags, for notes and
// for windows. Each note and each window says only so much, so that one odd note means
// little and four that agree mean much; nothing is averaged over the take, so the good
// parts cannot outvote a bad one. Where the path leaves a lag and comes back, a part was
// moved; where it does not come back, samples were lost or inserted (runs.go). Windows
// give the size of a step to a fraction of a frame and steps too small for notes
// (windows.go). How clear the windows are, and how far the gear scatters the notes, is
// measured only where the windows are in step: a long part that is not would blur both.
// A second path, with only two states, in place and not, takes notes and windows
// together. It is followed once to find whether any part is not in place and, where one
// is, again at lower prices to find where it begins and ends (join.go). What would have
// been found is not a constant: faults are put into what was measured, and looked for
// again (told.go).
//
//	timeline, err := parts.Listen(dry)
//	judgement, err := timeline.Judge(dry, take, estimate, false)
//
// All limits are common practice, no source. TestFaultsInParts says on which materials and
// gear they hold, TestCleanParts that nothing is found where nothing is.
//
// Limits: behind a circuit that makes octaves, or modulates, the phase says little,
// and only notes tell. Chords that ring have few beginnings. A loss within about three
// seconds of an end, or behind a reverberation that blurs the notes, may stay open. Of
// recordings above ten minutes the first ten are looked at.
package parts
