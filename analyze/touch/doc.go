// Package touch measures how a device answers to how hard one plays: its level out
// against the level in, from ordinary playing.
//
// Levels of the take alone do not show it. In music, level and spectrum go together, so
// that behind any equaliser even a device that does nothing else seems to compress or to
// expand. So a filter between the dry recording and the take is fitted that is free of
// gain: while it is fitted, every frame of 50 ms has a gain of its own. The gain of the
// device in a frame is then the level of the take less that of the filtered dry
// recording, and the slope is 1 plus the Theil–Sen slope of that gain over the level of
// the dry recording, from the 10th to the 90th percentile of that level: how many dB come
// out for each dB that goes in. 1 is clean, 0 is flat. Frames in which a note begins or is
// muted are left out of the slope.
//
// What is played moves the slope more than the estimate does, so its range comes from the
// two halves of the music: the even and the odd blocks.
//
// Gear whose gain rises and falls by itself, as a tremolo's does, is found by what the level
// that went in, now and up to a second ago, does not explain of the gains: one rate explains
// at least half of that over all blocks, and a quarter in each. Of gear without a tremolo it
// explains 0.11 at most in the guitar's and the studio's playing, 0.27 in the most regular
// rhythm that was tried (two strokes in turn, 2.5 a second for half a minute, into a
// compressor of 20:1 with a release of 30 ms), and 0.35 in two blocks of that. A tremolo of
// 1 dB is found alone, of 8 dB behind a fuzz or a compressor with a release of 20 ms, at 2
// to 9 Hz. It is not found where it runs in step with a regular rhythm, in part of the music
// only, or below 1.5 Hz.
//
// Takes are read at about 16 kHz: that is where the level of a guitar is, and a third of
// the work. Memory: the blocks of two takes at that rate.
//
// Limits: a curve that distorts between two steep filters is off by up to 0.15. A
// reverberation or an echo fills the quiet frames, and lowers the slope.
//
// Source: P. K. Sen, J. Am. Stat. Assoc. 63 (1968), for the slope (from memory). The
// gain-free filter is common practice of alternating least squares, no source. N. R. Lomb,
// Astrophys. Space Sci. 39, 1976, and J. D. Scargle, Astrophys. J. 263, 1982, for the rates
// (from memory).
package touch
