// Package clock tells what the times of two recordings of the same music say:
// whether frames were inserted or lost on the way, how much the clocks differ,
// whether a file carries the label of another sample rate, and whether both
// record the same performance.
//
// The evidence is of three kinds. Notes begin when they begin, whatever gear does
// to their sound: the rises of the level in four bands are compared note by
// note (OnsetLags), to a fraction of a millisecond, and say where a recording
// lies when its phase does not (Place). What is smaller shows in the phase:
// windows of a third of a second are compared with what all windows have in
// common, so that the delay of the gear drops out (FindSlips). A circuit that
// distorts delays each note in its own way, though. So gear is fitted to the take,
// as a sum of filters behind fixed curves, and each passage's lag is that at
// which gear fitted to all other passages foretells it: what drifts or slips
// then is the clock (driftFit). The same gear says when a slip happened: up to then
// it foretells what is heard at the lag before, from then on at the lag behind
// (dated).
//
// A long reverberation blurs the beginnings of notes, and with high gain there may
// be none to see. Where they say little, parts of two seconds are looked for by
// their phase, up to 2.5 s away (parts).
//
// A beginning is a rise that lasts: the beating of a chord that dies away and the
// periods of a low string rise and fall. Where the rises of two recordings are
// alike at several lags, as behind a circuit that saturates, a note counts at
// each with its chance; 19 of 20 notes whose best place stands out by an eighth
// are matched rightly.
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
//	smallest slip found      1 sample (size ±0.02)        20 s and longer: 3 to 12 samples, as Smallest says;
//	                                                      shorter: 5 to 12, an octave circuit 100 to 300
//	slip of 10 to 256        size ±0.1                    size within 1: 15 of 15 found
//	frames, 52 s
//	slip of 480, 14 s        size ±0.2                    size within 9
//	slip of 3000, 14 s       size ±0.01                   size within 0.5
//	when a slip happened     told within 0.2 s            told within 0.2 to 0.8 s, a small one behind high
//	                                                      gain within 6 s; right in 62 of 63, lost frames
//	                                                      included, which come to that
//	slips found in none      0 of 21 pairs, 14 to 52 s    0 of 75 pairs, 14 to 52 s; 0 of 400, 8 to 9 s
//	drift, 52 s              within 0.02 ppm, with        within 0.25 ppm, with errors of 0.07 to 0.4 ppm:
//	                         errors of 0.05 ppm           eleven kinds of gear, on one clock and 3 ppm off
//	drift, 14 s              ±0.05 ppm                    off by up to 2.4 ppm, with errors of 1.5 to 2.4;
//	                                                      between two circuits by up to 7, with errors of 4
//	drift, 52 s, notes       off by up to 4 ppm           off by up to 16 ppm, with errors of 6 to 7 ppm
//	                         with errors of 6 ppm
//
//	a place by the notes     104 of 112 takes of 8 to 9 s placed, 0.1 ms before to 1.3 ms behind the
//	                         delay that was put in (the gear's own included), none at another place
//	one performance          18 of 18 said to be the same; scatter of the notes at most 0.4 ms
//	two performances         31 of 36 said to be different, 5 uncertain, none the same; scatter from
//	                         2.3 ms (11 to 20 notes, uneven by up to ±8 ms in each pass)
//	the same, 8 to 9 s       400 of 400 takes the same; of 112 other passes of 8 to 23 notes 63 different,
//	                         49 uncertain (chords, and parts that begin alike), none the same
//	0.3 to 1.2 s lost, tail  32 of 32 found in takes of 8 and 14 s, behind tails of 1.5 and 3 s at −6 and 0 dB
//	of a reverberation       of the sound itself; of two performances behind those 5 of 8 told, none the same
//	wrong rate label         20 of 20 named, 1:1 included; other music is none
//
// Twice the stated error of the drift held the truth in 12 of 12 takes of 52 s, in
// 36 of 36 pairs of 14 s and in 58 of 60 takes of 17 to 37 s; by the notes in 36
// of 36.
//
// What limits it: a passage through high gain can lie some samples beside the
// others. A slip that one passage makes and the next takes back is therefore
// none, and below 20 s, some two passages, gear alone makes no slip certain.
//
// Over 52 s, one path, a slip of a single sample together with a drift of 1 ppm
// is told from drift: both are found.
package clock
