// Package clock tells what the times of two recordings of the same music say:
// whether frames were inserted or lost on the way, how much the clocks differ,
// whether a file carries the label of another sample rate, and whether both
// record the same performance.
//
// The evidence is of two kinds. Notes begin when they begin, whatever gear does
// to their sound: the rises of the level in four bands are compared note by
// note (OnsetLags), to a fraction of a millisecond. What is smaller shows in the
// phase: windows of a third of a second are compared with what all windows have
// in common, so that the delay of the gear drops out (FindSlips).
//
// All limits are common practice, no source, chosen on synthesized guitar.
//
// # What is found
//
// Measured on the demo's circuits and scores at 48 kHz, 8 to 52 s long. "One
// path" is a recording against another of the same device, or against the dry
// recording where the device is clean; elsewhere stand circuits that saturate
// the sound in different ways, against each other and against the dry recording.
//
//	                         one path                     other circuits
//	smallest slip found      1 sample (size ±0.02,        5 to 10 samples, as Smallest says (20 samples:
//	                         place within 5 ms)           size within 5, place within 5 ms); 96 to 150 for
//	                                                      an octave circuit
//	slip of 480 frames       size ±0.01, within 15 ms     size within 20, within 50 ms
//	slip of 3000 frames      size ±0.01, within 60 ms     size within 24, within 0.25 s
//	slips found in none      0 of 7 pairs, 14 and 52 s    0 of 9 pairs, 14 and 52 s
//	drift, 52 s              within 0.01 ppm of −5, 0     off by 0.7 to 2.2 ppm, with errors of 1.1 to
//	                         and 1 ppm, a slip or not     2 ppm: music moves the gear's own lag
//	drift, 14 s              ±0.02 ppm                    off by 5 to 14 ppm, with errors of 4 to 8 ppm
//
//	one performance          18 of 18 said to be the same; scatter of the notes at most 0.5 ms
//	two performances         34 of 36 said to be different, 2 uncertain, none the same; scatter from
//	                         4.4 ms (two passes of 18 to 36 notes, onsets uneven by up to ±8 ms)
//	wrong rate label         20 of 20 named, 1:1 included; other music is none
//
// With half as many notes more pairs of two performances stay uncertain (14 of
// 48 with 13 to 20 notes), but none is taken for one.
//
// Over 52 s, one path, a slip of a single sample together with a drift of 1 ppm
// is told from drift: both are found.
package clock
