// Package faults finds what went wrong in a recording, in one pass over its
// channels as recorded, with bounded memory: clicks, dropouts, clipping,
// offset, a cut beginning or end, and channels that are silent, copies of each
// other or of opposed polarity.
//
// There is no standard for any of this. Every rule and limit is common
// practice, no source, chosen on synthesized guitar from clean to fully
// saturated; Params changes them.
//
// # Rules
//
// Click: a sample that the eight on each side do not explain. The music is
// taken out by the best interpolation filter of each 1024 frames, which leaves
// a single wrong sample with its own size. It, or up to three in a row, counts if it exceeds ClickRatio
// times what the fourth greatest residual within 96 ms and all but one within
// 7 ms are. A deviation of another shape (a step, a splice) needs StepRatio.
// Where the sound becomes louder to stay, as at every note (by a fifth of its power,
// below −50 dBFS to twice it), an impulse needs
// OnsetRatio and a step is not told from the pick. Floors says what this comes
// to: the smallest click that would have been found, second by second. Behind
// a cabinet or anything else that takes the treble off it is small; in a raw
// fuzz signal every period has edges as sharp as a click, and Floor says that
// clicks cannot be found there.
//
// Dropout: a run of Hold equal samples with sound right before and behind it
// that is not the crest of a wave; a run of zeros above 20 ms only if it
// begins and ends with a jump, since a gate fades; a stretch of Repeat samples
// that is, sample for sample, what was played within the last Within, if it
// holds more than a flat or quiet piece could repeat by chance and is no steady
// tone. Clicks at the edges of a dropout belong to it. None of these counts where it
// is a step of the sound itself (Stepped): where the samples beside it are held
// too, or all samples within 5 ms lie on steps of 13 bits or coarser, as in files
// of few bits and behind crushers. Digital silence before which at least half of
// the file is digital silence too is what lies between the strokes of a count-in.
//
// Clipping: ClipRun samples in a row at full scale (within 1.5 steps of 16
// bits). Flat tops below full scale: crests of at least three samples within
// 1.5 steps of 16 bits that fall off by 64 steps on both sides within their
// own length, at least FlatTops of one level; more where that level lies below
// the greatest sample or below −12 dBFS, since among many crests a few are flat
// by chance, and none where the crests are steps of the sound, as above. A fuzz's
// plateau is tilted by the
// next coupling capacitor and rounded by the next filter and does not count; a
// circuit simulated without either is clipped in this sense. Over: samples
// beyond ±1, which only floating-point files can hold.
//
// Fade: within the first or last quarter of a second the level comes from nothing or
// goes to it at every scale of time: from 100 to 50, 25 and 0 ms before the end by 3, 3
// and 5 dB, and by 14 dB more in the outermost 2.5 ms. A straight fade has 7.5, 6, 8.5
// and 20 dB. Nothing is said beside digital silence of 50 ms or more.
//
// Depth: the least number of bits on whose steps every sample lies, up to 24.
//
// Offset: the mean reaches Offset and four times its own uncertainty.
//
// Cut: the first or last 5 ms stand CutContrast above the quietest 50 ms of
// the file and above CutLevel, and are no floor: that lies within 6 dB of the
// quietest 50 ms of the 1.5 s beside and 15 dB or more below the loudest. What
// never becomes quiet cannot be judged.
//
// Channels, each against the first: the same sample for sample; a scaled or
// inverted copy, if the best scaled copy leaves less than Copy of it; opposed,
// if the correlation is Opposed or less; silent, if the peak is below Silent.
//
// Edge: the spectrum of an eighth of the file, in bands of 125 Hz, falls at a
// frequency from 15.75 to 22.25 kHz (Drops); what counts is judged by what other
// recordings do there. Through conversion to 44.1 kHz and back by a steep filter
// sampled guitar behind 18 chains falls by 47 dB and more, by a slow one by 9 to 14,
// through lossy formats by 12 to 57; not converted by 9 at most.
//
// # What is found
//
// Measured by the tests of this package on four to five seconds of a riff at
// 48 kHz; no finding in 530 clean variants (dry, crunch, saturated with and
// without cabinet, bright, dark, gated, staccato, feedback, noise; 44.1, 48
// and 96 kHz; 16 bits without dither and floating point; the takes of both
// example sessions).
//
//	fault                    smallest found           where
//	single-sample click      −60 dBFS (89 % found)    saturated riff, microphone; all from −40 dBFS
//	                         −60 dBFS (97 %)          saturated riff, cabinet, 16 bits; all from −40 dBFS
//	                         −50 dBFS (93 %)          dry; all from −30 dBFS
//	                         −40 dBFS (99 %)          crunch without cabinet; all from −20 dBFS
//	                         −10 dBFS (99 %)          saturated, no cabinet; −30 dBFS: 63 %, −40 dBFS: none
//	                         not findable             full drive, no cabinet: Floor is +10 dBFS
//	                         −50 dBFS (94 %)          noise below 6 kHz at −20 dBFS
//	zeros within sound       16 samples (100 %)       saturated riff, microphone; 83 to 100 % elsewhere
//	                         2048 and 9600 samples    50 % dry, 67 to 100 % elsewhere: not told from a
//	                                                  gate where an edge happens to be smooth
//	held value               16 samples (92 %)        saturated riff, microphone; 75 to 100 % elsewhere
//	                         9600 samples             25 % dry, 58 % crunch, 92 to 100 % elsewhere
//	repeated part            64 samples (83 to 100 %) all but full drive without cabinet (50 %); all from
//	                                                  512, 92 to 100 % at 128
//	clipping at full scale   0.3 to 1 dB over         as soon as three samples in a row are at full scale
//	flat tops, lowered 8 dB  1 to 3 dB over           as soon as there are three; 16 bits with noise too
//	offset                   −60 dBFS                 the limit; found to 0.1 dB
//	cut beginning or end     the limits               at a sounding note, all six materials
//	copied channel           −80 dB of difference     any gain, inverted, through 24 bits
//
// Found clicks are placed to the sample, and their level is within 1.5 dB where
// they stand 3 dB above the floor.
package faults
