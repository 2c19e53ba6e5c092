package align

import (
	"fmt"
	"math"
	"math/cmplx"
	"slices"

	"evenhand/analyze/unit"
)

// Copy says how much of a recording is another one, but for gain, delay, polarity
// and noise that does not follow the music.
type Copy struct {
	// Deviation is the level, relative to the music, of what follows the music and
	// yet is not explained by one gain and one delay: what a filter, a distortion or
	// an effect adds or takes away. It is that of the worst octave, with two standard
	// errors; NaN where fewer than leastOctaves could be judged.
	Deviation unit.DB
	// Least is by how much the two differ at least: the same of the octave in which
	// it is greatest for certain, or what of the whole is neither b nor noise. −Inf where nothing
	// follows the music for certain, NaN where a or b is silent.
	Least unit.DB
	// From and To bound the octaves that were judged; NaN for none.
	From, To unit.Hertz
}

const (
	leastOctaves = 4    // judged, or nothing is said
	copyReach    = 2.0  // frames that the lag may be off
	copyGrid     = 0.05 // frames between the lags tried first
	// sharpest is the deviation, as a power, to which an octave can be judged if
	// it is to count: noise hides more in the others.
	sharpest = 0.5e-4
	// certain is by how many standard errors a slope must be above 0: noise alone
	// is so in one of some thousand octaves.
	certain = 4
)

// CopyOf returns how much of a is b. Both must be excerpts of one stretch of the
// music with as many segments; the lag that they were read with may be up to two
// frames off.
//
// In each octave from 63 Hz to 16 kHz the power of what is left of a segment, when b
// is subtracted, is a straight line over the power of b in it: its height at no music
// is noise, its slope the deviation. An octave counts where the slope is known to
// −43 dB; another speaks against a copy only by what its noise does not hide.
//
// Errors: ErrRates, and excerpts that are not of one stretch.
func (a *Excerpt) CopyOf(b *Excerpt) (Copy, error) {
	nan := math.NaN()
	out := Copy{Deviation: unit.DB(nan), Least: unit.DB(nan), From: unit.Hertz(nan), To: unit.Hertz(nan)}
	if a.rate != b.rate {
		return out, fmt.Errorf("align: %w: %d Hz and %d Hz; convert one of the recordings first", ErrRates, a.rate, b.rate)
	}
	if a.from != b.from || a.frames != b.frames || len(a.spectra) != len(b.spectra) {
		return out, fmt.Errorf("align: excerpts of different stretches: %d frames from %d and %d from %d", a.frames, a.from, b.frames, b.from)
	}
	gain, lag := a.fit(b)
	if gain == 0 || math.IsNaN(gain) {
		return out, nil
	}
	turn := make([]complex128, a.size/2+1)
	for k := range turn {
		turn[k] = cmplx.Rect(gain, -2*math.Pi*float64(k)*lag/float64(a.size))
	}
	octaves, worst, least := 0, 0.0, a.unlike(b, gain)
	for centre := 62.5; centre*math.Sqrt2 < float64(a.rate)/2; centre *= 2 {
		first := int(math.Ceil(centre / math.Sqrt2 * float64(a.size) / float64(a.rate)))
		last := int(centre * math.Sqrt2 * float64(a.size) / float64(a.rate))
		slope, err := a.follows(b, turn, first, last)
		if v := slope - certain*err; v > least {
			least = v
		}
		if !(2*err < sharpest) {
			continue
		}
		octaves++
		worst = max(worst, max(0, slope)+2*err)
		if octaves == 1 {
			out.From = unit.Hertz(centre / math.Sqrt2)
		}
		out.To = unit.Hertz(centre * math.Sqrt2)
	}
	out.Least = unit.DB(unit.FromPower(max(0, least)))
	if octaves < leastOctaves {
		out.From, out.To = unit.Hertz(nan), unit.Hertz(nan)
		return out, nil
	}
	out.Deviation = unit.DB(unit.FromPower(max(worst, least)))
	return out, nil
}

// unlike returns how much of a's power b with the gain does not explain and noise
// does not either: as much noise as a's quietest segments have at most.
func (a *Excerpt) unlike(b *Excerpt, gain float64) float64 {
	power := func(e *Excerpt) (each []float64, all float64) {
		for _, x := range e.spectra {
			sum := 0.0
			for _, v := range x {
				sum += real(v)*real(v) + imag(v)*imag(v)
			}
			each, all = append(each, sum), all+sum
		}
		return each, all
	}
	own, all := power(a)
	_, other := power(b)
	slices.Sort(own)
	noise := own[len(own)/10] * float64(len(own))
	return (all - gain*gain*other - noise) / all
}

// fit returns the gain, negative for an inverted one, and the further lag in frames
// with which b explains most of a.
func (a *Excerpt) fit(b *Excerpt) (gain, lag float64) {
	cross := make([]complex128, a.size/2+1)
	power := 0.0
	for k := range cross {
		_, pyy, re, im := a.bin(b, k)
		cross[k] = complex(re, -im) // b's conjugate is what turns back
		power += pyy
	}
	at := func(lag float64) float64 {
		sum := 0.0
		step := cmplx.Rect(1, 2*math.Pi*lag/float64(a.size))
		turn := complex(1, 0)
		for _, c := range cross {
			sum += real(c * turn)
			turn *= step
		}
		return sum
	}
	best := 0.0
	for d := -copyReach; d <= copyReach; d += copyGrid {
		if v := at(d); math.Abs(v) > math.Abs(at(best)) {
			best = d
		}
	}
	for step := copyGrid / 2; step > 1e-6; step /= 2 {
		for _, d := range [...]float64{best - step, best + step} {
			if math.Abs(at(d)) > math.Abs(at(best)) {
				best = d
			}
		}
	}
	return at(best) / power, best
}

// follows returns the slope of what is left of a's segments over the power of b's,
// turned, in bins first to last, with its standard error; NaN where b has no power
// there or too few segments.
//
// Source: J. G. MacKinnon and H. White, Journal of Econometrics 29 (1985), 305–325,
// their HC3 (from memory).
func (a *Excerpt) follows(b *Excerpt, turn []complex128, first, last int) (slope, err float64) {
	n := float64(len(a.spectra))
	var sx, sy, sxx, sxy float64
	left, music := make([]float64, len(a.spectra)), make([]float64, len(a.spectra))
	for s := range a.spectra {
		for k := first; k <= last; k++ {
			x := b.spectra[s][k] * turn[k]
			d := a.spectra[s][k] - x
			music[s] += real(x)*real(x) + imag(x)*imag(x)
			left[s] += real(d)*real(d) + imag(d)*imag(d)
		}
		sx, sy = sx+music[s], sy+left[s]
		sxx, sxy = sxx+music[s]*music[s], sxy+music[s]*left[s]
	}
	spread := sxx - sx*sx/n
	if n < 8 || !(spread > 0) {
		return math.NaN(), math.NaN()
	}
	slope = (sxy - sx*sy/n) / spread
	height := (sy - slope*sx) / n
	var each, alike float64
	for s := range left {
		d, x := left[s]-height-slope*music[s], music[s]-sx/n
		// A loud segment draws the line to itself: 1−h of its error is seen.
		d /= 1 - 1/n - x*x/spread
		each, alike = each+d*d*x*x/(spread*spread), alike+d*d/(n*spread)
	}
	// The scatter need not be alike everywhere, and where few segments are loud
	// it is not known there: the greater of two standard errors.
	return slope, math.Sqrt(max(each, alike))
}
