// Package compressor finds the settings of a compressor from ordinary playing that was sent
// through it: ratio, threshold, knee, attack and release.
//
// A model is fitted to the gain of the take in windows of 4 ms: a detector of the level
// going in (rms, or peaks that decay), a threshold with a knee and a ratio, and a gain in dB
// that follows with one time constant while it falls, the attack, and another one while it
// recovers, the release: after such a time it has done 63 % of its way. Ratio and gain
// are the slope and the offset of a straight line; the other four are found by the method
// of Nelder and Mead, and the detector that leaves least is taken.
//
// The gain is what the take's level is over that of the dry recording behind the filter
// between the two, which package touch fits. Where a loudspeaker follows the compressor, its
// resonances blur the gain. So the filter is fitted again to the dry recording with the gain
// of the model, the gain read again by what the take then differs, and the model fitted
// again, until it settles.
//
// A fit counts only where the model leaves less than 0.3 dB rms of the gain, and less than
// 15 % of what it moves by. Amplifiers and fuzzes distort, and are not fitted at all from
// 5 % of drive on; others of them leave more than that.
//
// Limits: of 27 compressors as the tests build them (2:1, 4:1, 10:1; attacks of 5, 20, 50 ms;
// releases of 80, 200, 500 ms; thresholds of −26 to −60 dBFS) one attack is off by more than
// 2 ms: 53.3 for 50 ms, of peaks that decay in 3 ms. For those the steps of 0.5 ms are coarse:
// 53.8 for 50 ms twice became 51.5 and 50.2 in steps of half that. Of 27 others (the same
// ratios and times, thresholds of −26 to −40 dBFS, rms and peaks of 3 to 30 ms, behind a
// cabinet) the gain of two hardly moves, five are refused, and two have wrong times: of peaks
// that decay in 10 ms, 64 and 155 ms for 50 and 200, and 17.7 and 211 for 20 and 200. Refused
// were also another program's compressors of 4:1 and 8:1, which smooth the level rather than
// the gain, and its limiter that looks ahead. Above a threshold far below the playing, a fast
// gain of 10:1 reads as more than 5 % of drive, and is not looked for. Two time constants of
// one release, as of some optical gear, are not in the model.
//
// Memory: some copies of the blocks that package touch reads, at 16 kHz.
//
// Source: D. Giannoulis, M. Massberg and J. D. Reiss, J. Audio Eng. Soc. 60(6), 2012, for
// the model (gain computer, and smoothing of the gain in dB with branches); J. A. Nelder
// and R. Mead, Computer J. 7, 1965 (both from memory).
package compressor
