// Package leftover measures what remains of one take after the best filter of
// another: whether two devices differ by equalisation only. It also finds what remains
// after what an equaliser can do.
//
// The filter is the best linear approximation of what leads from one take to the
// other. It is estimated with Welch's method in windows of Length frames (periodic
// Hann, half overlap) and cut to half a window with tapered ends. Where it leaves less than
// a twentieth of the power, it is estimated a second time on what it leaves, which removes
// the window's bias. There is no filter where the input has no energy, nor below 20 Hz.
//
// The figure is cross-validated: the music is cut into blocks of 4 s, a filter from the
// even blocks is judged on the odd ones and the other way round. All of leftover is
// 10·log10 of the power of what remains to the power of the take, from 20 Hz to 20 kHz:
// 0 dB means that the filter explains nothing, −20 dB that a hundredth of the power
// remains. Noise, distortion, compression and anything that changes with time remain, and
// so does a tail of more than an eighth of a second, as a reverberation has it. Of music,
// less than about −55 dB is not resolved.
//
// The equaliser has a third-octave curve of minimum phase, and a gain, a polarity and a
// delay: what a graphic equaliser does. It is judged on the other blocks like the filter,
// by the spectra alone, which do not resolve less than about −40 dB.
//
// Memory: the blocks of a take as 32-bit numbers, and twice that for each pair that is
// being compared.
//
// Source: J. J. Bussgang, Crosscorrelation functions of amplitude-distorted Gaussian
// signals, MIT RLE report 216, 1952, for what a memoryless curve leaves; J. S. Bendat and
// A. G. Piersol, Random Data, for the estimate; P. D. Welch, IEEE Trans. AU-15(2), 1967
// (all from memory).
package leftover
