package clock

import (
	"math"
	"math/cmplx"
	"slices"

	"evenhand/analyze/align"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

const (
	partSeconds = 2      // s of sound that is looked for at a time, half overlapped
	partStretch = 128    // stretches at most, spread over the recording
	partTick    = 0.0005 // s: how finely a place is told
	partRate    = 16000  // Hz, at least, at which they are compared
	partTaps    = 16     // of the low-pass before, for each sample that is left out
	partJump    = 6      // by how much a place must be more alike to be another part's
	leastPart   = 2      // stretches of a part
	leastPeak   = 1.1    // peak of a part over the next best
	shortPeak   = 1.5    // the same of two stretches
	clearPeak   = 1.25   // the same of each, of parts that are clear
	clearMean   = 1.6    // or the geometric mean of all
	leastFar    = 0.1    // s by which parts lie apart with a slip between them; those of two passes lie nearer
	unevenLag   = 0.002  // s by which they do where there are two
	leastCover  = 0.8    // of the stretches, that lie in parts
	silentNotes = 3      // decades for two passes, below which the notes leave it open
)

// part is a row of stretches that are found best at one place, lag seconds later
// than the line: those with their middles at from … to, in seconds.
type part struct {
	from, to float64
	lag      float64
	peak     float64 // how alike they are there, over the next best place
}

// parts looks for stretches of a within lagReach of where they should be in b, by
// the phase: a long reverberation blurs the beginnings of notes, and gear that
// distorts makes new ones, but what is heard first stays sharp there. It returns
// those that lie at one place each; clear says that they are nearly all, and that
// no other place comes near.
func (t *tracker) parts() (out []part, clear bool, err error) {
	f := newFarFinder(t)
	total := float64(t.a.Len()) / float64(t.rate)
	hop := max(partSeconds/2, (total-partSeconds)/partStretch)
	var times []float64
	var curves [][]float32
	for from := 0.0; from+partSeconds <= total+hop; from += hop {
		c, err := f.curve(from)
		if err != nil {
			return nil, false, err
		}
		if c != nil {
			times, curves = append(times, from+partSeconds/2), append(curves, c)
		}
	}
	covered, least, mean := 0, math.Inf(1), 0.0
	for _, w := range pathThrough(curves) {
		p, n := partOf(curves, times, w), w.to-w.from
		if n > leastPart && p.peak >= leastPeak || n == leastPart && p.peak >= shortPeak {
			out = append(out, p)
			covered += n
			least = min(least, p.peak)
			mean += math.Log(p.peak)
		}
	}
	clear = len(out) > 0 && float64(covered) >= leastCover*float64(len(curves)) &&
		(least >= clearPeak || mean >= math.Log(clearMean)*float64(len(out)))
	return out, clear, nil
}

// way is a piece of a path: curves from ≤ i < to at one place.
type way struct{ from, to, at int }

// pathThrough returns the path of most likeness through all curves, with a price
// on each change of place.
//
// Source: A. J. Viterbi, Error bounds for convolutional codes and an asymptotically
// optimum decoding algorithm, IEEE Trans. IT-13(2), 1967 (from memory).
func pathThrough(curves [][]float32) (ways []way) {
	if len(curves) == 0 {
		return nil
	}
	sum := make([]float64, len(curves[0]))
	highest := func() (top int) {
		for j, v := range sum {
			if v > sum[top] {
				top = j
			}
		}
		return top
	}
	changed, tops := make([][]bool, len(curves)), make([]int, len(curves))
	for i, c := range curves {
		tops[i], changed[i] = highest(), make([]bool, len(c))
		best := sum[tops[i]] - partJump
		for j, v := range c {
			if sum[j] < best {
				sum[j], changed[i][j] = best, true
			}
			sum[j] += float64(v)
		}
	}
	to, at := len(curves), highest()
	for i := len(curves) - 1; i >= 0; i-- {
		if i == 0 || changed[i][at] {
			ways = append(ways, way{i, to, at})
			to, at = i, tops[i]
		}
	}
	slices.Reverse(ways)
	return ways
}

// partOf is the part of a piece of the path.
func partOf(curves [][]float32, times []float64, w way) part {
	sum := make([]float64, len(curves[0]))
	for _, c := range curves[w.from:w.to] {
		for j, v := range c {
			sum[j] += float64(v)
		}
	}
	next := 0.0
	for j, v := range sum {
		if abs(j-w.at) > int(leastCoarse/partTick) {
			next = max(next, v)
		}
	}
	p := part{times[w.from], times[w.to-1], (float64(w.at)+0.5)*partTick - lagReach, math.Inf(1)}
	if next > 0 {
		p.peak = sum[w.at] / next
	}
	return p
}

// partSlips finds slips of more than 0.1 s between parts, where the notes say
// little along the line with those found, say of some that they lie elsewhere, or
// said so and were few: if the notes then speak clearly for one performance, or do
// not tell two passes from it.
func (t *tracker) partSlips(r *rises, found []Slip, doubt bool) ([]Slip, farParts, error) {
	notes := r.lags(lineOf(t.e, found, t.rate), 0)
	was := notes.odds(oneHand).decades
	if len(found) == 0 && !doubt && (was >= sureDecades || t.steady()) {
		return found, farParts{}, nil
	}
	parts, clear, err := t.parts()
	if err != nil || !clear {
		return found, farParts{uneven: uneven(parts)}, err
	}
	moved := t.e
	moved.Lag += unit.Samples(parts[0].lag * float64(t.rate))
	var more []Slip
	last := parts[0]
	for _, p := range parts[1:] {
		if d := p.lag - last.lag; math.Abs(d) >= leastFar {
			at := r.split(lineOf(moved, more, t.rate), d, last.to-partSeconds/2, p.from+partSeconds/2)
			more = append(more, Slip{At: unit.Seconds(at), Lag: unit.Samples(d * float64(t.rate)), Error: unit.Samples(partTick * float64(t.rate))})
		}
		last = p
	}
	need := gainDecades
	if len(found) > 0 {
		need = 0
	}
	gain := r.lags(lineOf(moved, more, t.rate), 0).odds(oneHand).decades - was
	if len(more) == 0 || len(more) > MaxSlips || gain < float64(need) && notes.odds(twoHands).decades >= silentNotes {
		return found, farParts{uneven: uneven(parts)}, nil
	}
	t.e = moved
	return more, farParts{found: true}, nil
}

// farParts is what parts told: whether they lie apart with a slip between them, and
// whether they lie beside each other as those of two passes do.
type farParts struct{ found, uneven bool }

// uneven reports whether neighbouring parts lie beside each other by more than gear
// and less than a slip of notes explains.
func uneven(parts []part) bool {
	for i := 1; i < len(parts); i++ {
		p, q := parts[i-1], parts[i]
		d := math.Abs(q.lag - p.lag)
		if d > unevenLag && d < leastFar && min(p.peak, q.peak) >= clearPeak {
			return true
		}
	}
	return false
}

// steady reports whether the windows of the estimate, all over the recording, keep
// its lag.
func (t *tracker) steady() bool {
	windows := 0
	for _, w := range t.e.Windows {
		if w.Weight > 0 {
			windows++
		}
	}
	return windows >= steadyWindows && float64(t.e.Spread) <= steady*float64(t.rate)
}

// farFinder compares stretches at a low sample rate.
type farFinder struct {
	t            *tracker
	by           int // frames of a sample
	n, reach     int // samples of a stretch, and by how many it is looked for either way
	lo, hi, half int // bins
	taps, taper  []float64
	fft          *dsp.Complex
	in, x, y     []float64
	cx, cy, c    []complex128
	pa, pb       []float64
}

func newFarFinder(t *tracker) *farFinder {
	f := &farFinder{t: t, by: max(1, t.rate/partRate), taps: []float64{1}}
	rate := float64(t.rate) / float64(f.by)
	f.n, f.reach = int(partSeconds*rate), int(lagReach*rate)
	size := dsp.NextPow2(f.n + 2*f.reach)
	bin := rate / float64(size)
	f.lo, f.hi, f.half = int(math.Ceil(float64(t.p.Low)/bin)), int(min(float64(t.p.High), 0.45*rate)/bin), int(smoothHertz/bin)
	if f.by > 1 {
		f.taps = make([]float64, partTaps*f.by+1)
		for i := range f.taps {
			u := float64(i-len(f.taps)/2) / float64(f.by)
			f.taps[i] = (0.5 + 0.5*math.Cos(2*math.Pi*u/(partTaps+1))) / float64(f.by)
			if u != 0 {
				f.taps[i] *= math.Sin(math.Pi*u) / (math.Pi * u)
			}
		}
	}
	f.taper, f.fft = dsp.Hann(f.n), dsp.NewComplex(size)
	f.x, f.y, f.c = make([]float64, size), make([]float64, size), make([]complex128, size)
	f.pa, f.pb = make([]float64, f.hi-f.lo+1), make([]float64, f.hi-f.lo+1)
	return f
}

// read reads n samples of s from a frame on to dst, at the low rate.
func (f *farFinder) read(s align.Source, dst []float64, first int64) error {
	f.in = slices.Grow(f.in[:0], len(dst)*f.by+len(f.taps))[:len(dst)*f.by+len(f.taps)]
	if err := read(s, f.in, first-int64(len(f.taps)/2)); err != nil {
		return err
	}
	for i := range dst {
		v := 0.0
		x := f.in[i*f.by:][:len(f.taps)]
		for j, g := range f.taps {
			v += g * x[j]
		}
		dst[i] = v
	}
	return nil
}

// curve returns how alike the stretch of a from a time on is to b where it lies
// −lagReach … lagReach later than the line, in ticks, over the mean of all; nil
// where either is silent.
func (f *farFinder) curve(from float64) ([]float32, error) {
	t := f.t
	first := int64(from * float64(t.rate))
	lag := int64(math.Round(t.lag(from+partSeconds/2, nil)))
	clear(f.x)
	clear(f.y)
	if err := f.read(t.a, f.x[:f.n], first); err != nil {
		return nil, err
	}
	for i, v := range f.taper {
		f.x[i] *= v
	}
	if err := f.read(t.b, f.y[:f.n+2*f.reach], first+lag-int64(f.reach*f.by)); err != nil {
		return nil, err
	}
	f.cx, f.cy = f.fft.Pair(f.cx, f.cy, f.x, f.y)
	cx, cy := f.cx[f.lo:f.hi], f.cy[f.lo:f.hi]
	for k := range cx {
		f.pa[k+1] = f.pa[k] + abs2(cx[k])
		f.pb[k+1] = f.pb[k] + abs2(cy[k])
	}
	clear(f.c)
	for k := range cx {
		p, q := max(0, k-f.half), min(len(cx), k+f.half+1)
		if d := math.Sqrt((f.pa[q] - f.pa[p]) * (f.pb[q] - f.pb[p])); d > 0 {
			f.c[f.lo+k] = cx[k] * cmplx.Conj(cy[k]) / complex(d, 0)
		}
	}
	f.fft.Forward(f.c)
	out := make([]float32, int(2*lagReach/partTick))
	perTick, sum := float64(f.reach)/(lagReach/partTick), 0.0
	for i := range out {
		for j := int(float64(i) * perTick); j < int(float64(i+1)*perTick); j++ {
			out[i] = max(out[i], float32(cmplx.Abs(f.c[j])))
		}
		sum += float64(out[i]) / float64(len(out))
	}
	if !(sum > 0) {
		return nil, nil
	}
	for i, v := range out {
		out[i] = v/float32(sum) - 1
	}
	return out, nil
}
