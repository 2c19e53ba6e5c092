package noise

import (
	"cmp"
	"errors"
	"io"
	"math"
	"slices"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

// Limits of Missing; common practice, no source.
const (
	tailWindow  = 0.04 // s; a window is the power of two from here
	tailLength  = 0.5  // s of a pause in which notes may die away, and as much before it
	tailPauses  = 24   // more are not read: 2 MB of spectra
	leastTails  = 8    // windows with a tail for an octave to be judged
	leastRest   = 20   // windows without
	tailAbove   = 10.0 // dB above the dry recording's noise, from which a window has a tail
	tailBelow   = 40.0 // dB above it, up to which a circuit may be driven little
	ownAbove    = 6.0  // dB above the take's own noise
	mostExpands = 2.0  // dB by which softer tails may have less gain than louder ones
	leastLinear = 0.7  // coherence of tails, below which no gain can be told
	noisePower  = 1e-12
)

// tailBands are the octaves that are compared: those in which a guitar has tails.
func tailBands() []spectrum.Band { return spectrum.Bands(1, 125, 4000) }

// tails are the spectra of a recording in short windows around the beginnings of
// pauses, and its power in the rest of the pauses.
type tails struct {
	spectra [][]complex128
	powers  [][]float64 // by octave, then by window
	noise   []float64   // by octave
	rest    int         // windows
}

func readTails(src Source, pauses []Stretch, rate int) (*tails, error) {
	n := dsp.NextPow2(int(tailWindow * float64(rate)))
	bands := tailBands()
	t := &tails{powers: make([][]float64, len(bands)), noise: make([]float64, len(bands))}
	fft, taper, x := dsp.NewComplex(n), dsp.Hann(n), make([]float64, n)
	read := func(at int64) ([]complex128, []float64, error) {
		if _, err := src.ReadAt(x, at); err != nil && !errors.Is(err, io.EOF) {
			return nil, nil, err
		}
		for i, w := range taper {
			x[i] *= w
		}
		z, _ := fft.Pair(nil, nil, x, x)
		sums := make([]float64, len(bands))
		for b := range bands {
			first, last := reach(bands[b], rate, n)
			for _, v := range z[first : last+1] {
				sums[b] += (real(v)*real(v) + imag(v)*imag(v)) * 2 / (float64(n) * float64(n) * 0.375)
			}
		}
		return z, sums, nil
	}
	_, top := reach(bands[len(bands)-1], rate, n)
	tail := int64(tailLength * float64(rate))
	still := make([][]float64, len(bands))
	for _, p := range pauses[:min(len(pauses), tailPauses)] {
		for at := p.First - tail; at+int64(n) <= p.First+p.Frames; at += int64(n) {
			z, sums, err := read(at)
			if err != nil {
				return nil, err
			}
			inTail := at < p.First+tail
			if inTail {
				t.spectra = append(t.spectra, slices.Clone(z[:top+1]))
			} else {
				t.rest++
			}
			for b, v := range sums {
				if inTail {
					t.powers[b] = append(t.powers[b], v)
				} else {
					still[b] = append(still[b], v)
				}
			}
		}
	}
	for b, v := range still {
		if len(v) > 0 {
			slices.Sort(v)
			t.noise[b] = v[len(v)/2]
		}
	}
	return t, nil
}

// reach returns the first and the last bin of a band.
func reach(b spectrum.Band, rate, n int) (first, last int) {
	df := float64(rate) / float64(n)
	return max(1, int(math.Ceil(float64(b.Low)/df))), min(n/2, int(float64(b.High)/df))
}

// Missing returns by how many dB the noise in a take's pauses is below what the dry
// recording's noise must come to there, with the gain that the quiet tails of the notes
// show: that of the octave in which most is missing, but one; NaN where fewer than
// three octaves can be judged. The gain is that of the part of the tails which is
// coherent with the dry recording's. A circuit that limits has more gain for noise
// than for tails, so this is the least that is missing. One that has less gain for
// softer sounds, such as a crossover gap, is not judged: there a gate, which is open or
// closed, has the same gain for all tails. The lists of pauses have the same length and order and are aligned to the
// frame.
//
// Errors are those of reading.
func Missing(dry, take Signal, rate int) (unit.DB, error) {
	nan := unit.DB(math.NaN())
	d, err := readTails(dry.Source, dry.Pauses, rate)
	if err != nil {
		return nan, err
	}
	t, err := readTails(take.Source, take.Pauses, rate)
	if err != nil {
		return nan, err
	}
	if min(d.rest, t.rest) < leastRest || len(d.spectra) != len(t.spectra) {
		return nan, nil
	}
	var all []float64
	n := dsp.NextPow2(int(tailWindow * float64(rate)))
	for b, band := range tailBands() {
		nd, nt := d.noise[b], t.noise[b]
		if nd < noisePower {
			continue
		}
		var windows []int
		for w, v := range d.powers[b] {
			if v > nd*unit.ToPower(tailAbove) && v < nd*unit.ToPower(tailBelow) && t.powers[b][w] > nt*unit.ToPower(ownAbove) {
				windows = append(windows, w)
			}
		}
		if len(windows) < leastTails {
			continue
		}
		if expands(windows, d.powers[b], t.powers[b], nd, nt) {
			continue
		}
		first, last := reach(band, rate, n)
		var own, both, coherent float64
		for k := first; k <= last; k++ {
			var xx, yy float64
			var xy complex128
			for _, w := range windows {
				x, y := d.spectra[w][k], t.spectra[w][k]
				xx += real(x)*real(x) + imag(x)*imag(x)
				yy += real(y)*real(y) + imag(y)*imag(y)
				xy += y * complex(real(x), -imag(x))
			}
			own, both = own+xx, both+yy
			if xx > 0 {
				coherent += (real(xy)*real(xy) + imag(xy)*imag(xy)) / xx
			}
		}
		if coherent < leastLinear*both || own == 0 {
			continue
		}
		all = append(all, unit.FromPower(nd*coherent/own/max(nt, noisePower*noisePower)))
	}
	if len(all) < 3 {
		return nan, nil
	}
	slices.Sort(all)
	return unit.DB(all[len(all)-2]), nil
}

// expands reports whether the softer half of some windows comes through with less gain
// than the louder half.
func expands(windows []int, dry, take []float64, dryNoise, takeNoise float64) bool {
	windows = slices.Clone(windows)
	slices.SortFunc(windows, func(a, b int) int { return cmp.Compare(dry[a], dry[b]) })
	gain := func(half []int) float64 {
		var g []float64
		for _, w := range half {
			g = append(g, (take[w]-takeNoise)/(dry[w]-dryNoise))
		}
		slices.Sort(g)
		return unit.FromPower(g[len(g)/2])
	}
	n := len(windows) / 2
	return gain(windows[:n]) < gain(windows[n:])-mostExpands
}
