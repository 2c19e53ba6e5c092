// Package weighting holds the frequency weightings in which noise and level
// are stated, as functions of frequency: A of IEC 61672-1 and the noise
// weighting of ITU-R BS.468-4.
//
// Each is a factor on power, with which a spectral density is multiplied
// before it is summed. They are the exact analogue responses. A digital filter made from them by the bilinear
// transformation leaves the A curve above about 10 kHz at 44.1 and 48 kHz; a
// weighted spectrum does not.
//
// BS.468 also asks for a quasi-peak detector. A mean power with its curve is an
// rms reading and lies below a quasi-peak reading of the same noise.
package weighting

import "math"

// Corner frequencies of the A response in Hz.
//
// Source: IEC 61672-1:2013, Annex E (from a transcription).
const (
	f1 = 20.598997
	f2 = 107.65265
	f3 = 737.86223
	f4 = 12194.217
)

// a1000 is the response of the unnormalised poles at 1 kHz, as power: the A1000
// of −2.000 dB of IEC 61672-1:2013, Annex E, unrounded, so that 1 kHz is 0 dB
// exactly. A test computes it again.
const a1000 = 0.6310073914391299

// highPass and lowPass are |H|² of one pole with a zero at 0 or at infinity.
// They hold for f = 0 and f = ∞.
func highPass(f, corner float64) float64 { r := corner / f; return 1 / (1 + r*r) }
func lowPass(f, corner float64) float64  { r := f / corner; return 1 / (1 + r*r) }

// APower returns the A weighting at hz as a factor on power: 1 at 1 kHz, 0 at
// 0, 1.34 (+1.27 dB) at most. NaN for NaN; the sign of hz does not matter.
//
// Source: IEC 61672-1:2013, Annex E; its Table 3 holds for the exact
// frequencies 1000·10^(n/10), not for the nominal ones.
func APower(hz float64) float64 {
	h, l := highPass(hz, f1), lowPass(hz, f4)
	return h * h * highPass(hz, f2) * highPass(hz, f3) * l * l / a1000
}

// Poles of the passive weighting network of BS.468-4, Figure 1, in rad/s: two
// real ones and two pairs, with one zero at 0.
//
// Source: solved from the network's component values (from a transcription).
const (
	p1 = 25903.70104781628
	p2 = 62675.1700584679

	q1Re, q1Im = 23615.53521363528, 36379.90893732929
	q2Re, q2Im = 18743.74669072136, 62460.15645250649

	// itu6300 is |H|² of network468 at 6.3 kHz, divided by 10^1.22, so that
	// this fixed point is +12.2 dB exactly. A test computes it again.
	itu6300 = 0.05703927923632118
)

// network468 is |H|² of the network but for a constant.
func network468(hz float64) float64 {
	if math.IsInf(hz, 0) {
		return 0
	}
	w := 2 * math.Pi * hz
	pair := func(re, im float64) float64 {
		m := re*re + im*im
		u := w * w / m
		return 1 / ((1-u)*(1-u) + 4*re*re/m*u)
	}
	return w * w / (p1 * p1) * lowPass(w, p1) * lowPass(w, p2) * pair(q1Re, q1Im) * pair(q2Re, q2Im)
}

// ITU468Power returns the BS.468 noise weighting at hz as a factor on power:
// 10^1.22 (+12.2 dB) at 6.3 kHz, its one point without tolerance, and therefore
// −0.02 dB at 1 kHz; 0 at 0. NaN for NaN; the sign of hz does not matter.
//
// Source: ITU-R BS.468-4 (07/1986), Figure 1 and Table 1 (from a transcription).
func ITU468Power(hz float64) float64 { return network468(hz) / itu6300 }
