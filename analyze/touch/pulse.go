package touch

import (
	"math"
	"slices"
)

const (
	// slowest and fastest are the rates in Hz between which frames show a gain that rises and
	// falls by itself, in steps of pulseStep: a block of 4 s tells rates apart that are 0.25 Hz
	// apart.
	slowest, fastest, pulseStep = 1.5, 9.5, 0.1
	// pulsePart is which part of what the playing does not explain of the gain a rate must
	// explain over all blocks, pulseEach in every one of them; see the package comment.
	pulsePart, pulseEach = 0.5, 0.25
	// leastPulse is by how many dB the gain must rise and fall. Less changes no figure.
	leastPulse = 0.5
	// memory is for how many frames what was played explains the gain: the release of a
	// compressor, and as long as the shortest rhythms that sound like a tremolo.
	memory = 20
	// leastInBlock is how many frames of a block must count for it to be judged.
	leastInBlock = 20
)

// pulse returns how often a second the gain rises and falls by itself, as that of a tremolo
// does, in Hz; 0 where it does not.
func (w *work) pulse() float64 {
	left := w.unexplained()
	hz, part := 0.0, pulsePart
	for k := range int(math.Round((fastest-slowest)/pulseStep)) + 1 {
		f := slowest + pulseStep*float64(k)
		if whole, each, depth := periodic(left, f*FrameSeconds); whole >= part && each >= pulseEach && depth >= leastPulse {
			hz, part = f, whole
		}
	}
	if hz == 0 {
		return 0
	}
	// Frames show a rate above half of theirs as one below it. Halves of them tell which.
	halves := make([][]float64, len(left))
	for i, block := range left {
		in, out := levels(w.filtered[i], w.frame/2), levels(w.y.blocks[i], w.frame/2)
		for k := range 2 * len(block) {
			halves[i] = append(halves[i], out[k]-in[k]-w.gain[i][k/2]+block[k/2])
		}
	}
	mirrored := 1/FrameSeconds - hz
	own, _, _ := periodic(halves, hz*FrameSeconds/2)
	if other, _, _ := periodic(halves, mirrored*FrameSeconds/2); other > own {
		return mirrored
	}
	return hz
}

// unexplained returns of each block and frame what the playing does not explain of the
// gain; NaN where a frame does not count. What explains it is the level going in: straight
// lines that bend at its quartiles, whether it rises or falls, and what it was before.
func (w *work) unexplained() [][]float64 {
	var played []float64
	w.each(func(i, f int) { played = append(played, w.in[i][f]) })
	slices.Sort(played)
	silence := played[0] - 3 // softer is as good as silent
	level := func(i, f int) float64 { return math.Max(silence, w.in[i][min(max(0, f), len(w.in[i])-1)]) }
	var basis [][]float64
	explain := func(value func(i, f int) float64) {
		var c []float64
		w.each(func(i, f int) { c = append(c, value(i, f)) })
		if rest := without(c, basis); norm(rest) > 1e-6*norm(c) { // it is none of the others
			basis = append(basis, scaled(rest, 1/norm(rest)))
		}
	}
	for k := range w.counts { // each block has a gain of its own
		explain(func(i, _ int) float64 {
			if i == k {
				return 1
			}
			return 0
		})
	}
	for lag := -1; lag <= memory; lag++ {
		explain(func(i, f int) float64 { return level(i, f-lag) })
	}
	for _, part := range []float64{0.25, 0.5, 0.75} {
		bend := quantile(played, part)
		explain(func(i, f int) float64 { return math.Max(0, level(i, f)-bend) })
	}
	for lag := range 2 {
		explain(func(i, f int) float64 { return math.Max(0, level(i, f+lag)-level(i, f+lag-1)) })
	}
	var gain []float64
	w.each(func(i, f int) { gain = append(gain, w.gain[i][f]) })
	gain = without(gain, basis)
	left := make([][]float64, len(w.counts))
	for i, counts := range w.counts {
		left[i] = make([]float64, len(counts))
		for f := range counts {
			left[i][f] = math.NaN()
		}
	}
	k := 0
	w.each(func(i, f int) { left[i][f], k = gain[k], k+1 })
	return left
}

// each calls do with the block and the number of each frame that counts.
func (w *work) each(do func(i, f int)) {
	for i, counts := range w.counts {
		for f, c := range counts {
			if c {
				do(i, f)
			}
		}
	}
}

// periodic returns which part of the power of frames, that of each block about its mean, a
// sine of so many periods a frame explains with the best phase in each block, and the least
// of it in a block; and how far, in dB, it swings. Frames that are NaN are missing.
func periodic(frames [][]float64, rate float64) (whole, each, swing float64) {
	var explained, power, n float64
	each = 1
	for _, block := range frames {
		var one, cos, sin, x []float64
		for f, v := range block {
			if !math.IsNaN(v) {
				s, c := math.Sincos(2 * math.Pi * rate * float64(f))
				one, cos, sin, x = append(one, 1), append(cos, c), append(sin, s), append(x, v)
			}
		}
		if len(x) < leastInBlock {
			continue
		}
		var basis [][]float64
		for _, c := range [][]float64{one, cos, sin} {
			c = without(c, basis)
			basis = append(basis, scaled(c, 1/norm(c)))
		}
		about, rest := norm(without(x, basis[:1])), norm(without(x, basis))
		explained, power, n = explained+about*about-rest*rest, power+about*about, n+float64(len(x))
		each = math.Min(each, 1-rest*rest/(about*about))
	}
	if !(power > 0) {
		return 0, 0, 0
	}
	return explained / power, each, 2 * math.Sqrt(2*explained/n)
}

// without returns what is left of x without the parts of it along a basis of unit length
// and right angles: twice, since the first time rounds.
func without(x []float64, basis [][]float64) []float64 {
	out := slices.Clone(x)
	for range 2 {
		for _, b := range basis {
			along := 0.0
			for i, v := range b {
				along += v * out[i]
			}
			for i, v := range b {
				out[i] -= along * v
			}
		}
	}
	return out
}

// norm is the length of x as a vector.
func norm(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return math.Sqrt(sum)
}

// scaled multiplies x by g, in place.
func scaled(x []float64, g float64) []float64 {
	for i := range x {
		x[i] *= g
	}
	return x
}
