// Package spectrum estimates power spectra by Welch's method, sums them into
// fractional-octave bands and says which differences between two spectra are
// larger than chance.
//
// # Estimate
//
// Segments of Length frames, Hop apart on one grid that starts with the first
// frame written, are multiplied by the periodic Hann window and transformed;
// the squared magnitudes are averaged. Nothing is detrended. The powers of all
// channels are added: a stereo recording's density is that of left plus that of
// right, so a signal that is equal in both channels reads 3.01 dB above the same
// signal in one. A span of time is a list of ranges; a segment counts for each
// span that has it wholly inside one of its ranges, and is transformed once.
//
// # What is chance in a take
//
// Two takes are made from the same performance. What the performance puts into
// a band is common to both and no matter of chance, however few notes it has;
// what varies between two passes is noise. The spread of a band's level is
// therefore estimated from the noise that can be told from the signal: in each
// segment, the level between the partials. Bins are taken in blocks of 32, each
// block in groups of four, and the fifth least of the eight groups' means, M, is
// an estimate of the noise power in each of the block's bins that no one or
// two partials in the block can raise. A bin with power P then has noise M and
// signal P − M, and its variance is
//
//	var P = M² + 2·(P − M)·M
//
// The first term is that of noise alone, whose power is exponentially
// distributed; the second comes from noise beating with the signal. The estimate
// leans to the safe side: over white noise in one channel the variance comes out
// about 1.4 times as large as it is, over independent noise in two channels
// twice that, since the channels are taken to be alike. It follows noise that
// comes and goes in the course of the take, because it is formed segment by
// segment and not from the average. Where partials lie so close that they fill
// the block, or in a stroke's attack, the signal itself counts as noise: the
// spread is then larger than it need be, and a small difference stays unclaimed
// that a repeated take could confirm. It assumes that the noise density is smooth
// over a block (47 Hz at 48 kHz with the default length) and that lines of hum
// are steady.
//
// Sums over bins and segments count their correlation: the amplitudes of bins
// one and two apart have correlations −2/3 and 1/6 under the Hann window, those
// of segments half a window apart 1/6; powers of noise have the squares of
// these. From mean and variance of a band's power follow its equivalent degrees
// of freedom, ν = 2·mean²/variance, as if it were a chi-square.
//
// What it does not cover is whatever else changes between two passes: a warmer
// valve, a touched knob, a moved microphone. Only a repeated take shows that.
//
// # Families
//
// A page that shows hundreds of bands at 95 % each would report dozens of
// differences between two passes of one chain. FamilyConfidence makes each
// comparison strict enough that the whole page is wrong in at most 5 % of all
// cases (Šidák's bound, which also holds for bands that vary together in the
// same direction).
//
// Source: P. D. Welch, IEEE Trans. Audio Electroacoust. AU-15 (2), 1967 (from
// memory); F. E. Satterthwaite, Biometrics Bulletin 2 (6), 1946 (from memory);
// Z. Šidák, J. Amer. Statist. Assoc. 62, 1967 (from memory). The estimate of
// the noise between the partials is this package's own.
package spectrum
