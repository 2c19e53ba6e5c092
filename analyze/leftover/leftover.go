package leftover

import (
	"math"
	"math/cmplx"
	"slices"

	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/loudness"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

const (
	from, to = 20, 20000 // Hz: what counts
	// noEnergy is the power of the input, relative to its strongest bin, below which
	// there is no filter: 80 dB down, where a recording has rounding and no music.
	noEnergy = 1e-8
	// leastFrames is the least number of independent windows from which a filter is
	// estimated: with fewer its error alone leaves more than 12 dB below the take.
	leastFrames = 16
	// secondFrom is what a first filter must leave at most, as power, for a second
	// one: the window's bias is some 30 dB below the take, and adds less than 0.2 dB
	// to more than this.
	secondFrom = 0.05
)

// Params are the settings. Zero values mean the defaults.
type Params struct {
	Length int // frames of a window, a power of two; default Length(rate)
	Passes int // how often the filter is estimated; default 2
	Bands  []spectrum.Band
}

// Figure is what remains.
type Figure struct {
	// Unweighted and K are of all blocks, without a weighting and K-weighted.
	Unweighted, K unit.DB
	// Error is one standard error of K, from the scatter of the blocks.
	Error unit.DB
	// Third is of each of Params.Bands, Sections of each section, K-weighted. NaN
	// where there is nothing to measure.
	Third, Sections []unit.DB
}

// Result is what remains of one take after a filter of another.
type Result struct {
	Reason finding.Text // why nothing was measured
	Filter Figure       // after the best filter
	// Equaliser is after the best equaliser.
	Equaliser Figure
	// Bound is what no filter leaves less of, K-weighted: that of a filter that is
	// judged on what it was fitted to.
	Bound unit.DB
	// Curve is the equaliser's gain in each of Params.Bands, fitted on all blocks.
	Curve []unit.DB
}

// Compare returns what remains of y after a filter of x, and of x after a filter of y.
//
// Not measured: takes of fewer than 16 independent windows in each half of the blocks,
// and silent ones. Errors: excerpts of other blocks or rates.
func Compare(x, y *Excerpt, p Params) (ofY, ofX Result, err error) {
	if err := same(x, y); err != nil {
		return ofY, ofX, err
	}
	if p.Length == 0 {
		p.Length = Length(x.rate)
	}
	if p.Passes == 0 {
		p.Passes = 2
	}
	var frames [2]int
	for i, b := range x.blocks {
		frames[i%2] += max(0, windows(int(b.Frames), p.Length))
	}
	if n := min(frames[0], frames[1]); spectrum.EffectiveAverages(n) < leastFrames {
		why := finding.Say("leftover.short", "windows", n, "window_s", float64(p.Length)/float64(x.rate), "least", leastFrames+1)
		return Result{Reason: why}, Result{Reason: why}, nil
	}
	if x.silent() || y.silent() {
		why := finding.Say("leftover.silent")
		return Result{Reason: why}, Result{Reason: why}, nil
	}
	w := newWork(x, y, p)
	return w.measure(false), w.measure(true), nil
}

// windows is how many windows of length n with half overlap a block has.
func windows(frames, n int) int {
	if frames < n {
		return 0
	}
	return (frames-n)/(n/2) + 1
}

// work is what is kept of a pair.
type work struct {
	Params
	rate     int
	h        int // half a window
	x, y     *Excerpt
	fft      *dsp.FFT
	fx, fy   [][][]complex64 // of each block and window, without a taper
	sums     []sums          // of each block
	inner    [][2][]float64  // power of x and y in the windows that are judged, of each block
	k        []float64       // K weighting of each bin
	lo, hi   int             // bins that count
	sections int
	pre      int // taps before time 0
	time     []float64
	spec     []complex128
	spec2    []complex128
	pair     *dsp.Complex
	hann     []float64
	taper    [2][]float64 // what tapered returns
	rest     []float64    // what left returns
	power    []float64
}

// sums are the spectra of x and y under a Hann window, added up.
type sums struct {
	xx, yy []float64
	xy     []complex128 // conj(X)·Y
}

func newSums(bins int) sums {
	return sums{make([]float64, bins), make([]float64, bins), make([]complex128, bins)}
}

func (s sums) add(t sums) {
	for i := range s.xx {
		s.xx[i] += t.xx[i]
		s.yy[i] += t.yy[i]
		s.xy[i] += t.xy[i]
	}
}

// count adds the spectra of a window.
func (s sums) count(x, y []complex128) {
	xx, yy, xy, y := s.xx[:len(x)], s.yy[:len(x)], s.xy[:len(x)], y[:len(x)]
	for k, a := range x {
		b := y[k]
		xx[k] += abs2(a)
		yy[k] += abs2(b)
		xy[k] += complex(real(a)*real(b)+imag(a)*imag(b), real(a)*imag(b)-imag(a)*real(b))
	}
}

// turned are the sums of y and x in place of x and y.
func (s sums) turned() sums {
	t := sums{s.yy, s.xx, make([]complex128, len(s.xy))}
	for i, v := range s.xy {
		t.xy[i] = complex(real(v), -imag(v))
	}
	return t
}

// newTools returns what every filter of a rate and a window of length n is made with.
func newTools(rate, n int) *work {
	bins := n/2 + 1
	w := &work{Params: Params{Length: n}, rate: rate, h: n / 2, fft: dsp.NewFFT(n), pre: n / 8,
		k: make([]float64, bins), time: make([]float64, n), spec: make([]complex128, bins), spec2: make([]complex128, bins),
		pair: dsp.NewComplex(n), hann: dsp.Hann(n), taper: [2][]float64{make([]float64, n), make([]float64, n)}, power: make([]float64, bins)}
	w.lo, w.hi = bandRange(n, rate, from, to)
	for i := range w.k {
		w.k[i] = loudness.KPower(math.Min(24000, float64(i)*float64(rate)/float64(n)))
	}
	return w
}

// tapered returns a window under a Hann window, in one of two places, until the next call for
// that place.
func (w *work) tapered(place int, x []float64) []float64 {
	t := w.taper[place]
	for i, v := range x {
		t[i] = v * w.hann[i]
	}
	return t
}

func newWork(x, y *Excerpt, p Params) *work {
	n, bins := p.Length, p.Length/2+1
	w := newTools(x.rate, n)
	w.Params, w.x, w.y = p, x, y
	a, b := make([]float64, n), make([]float64, n)
	ca, cb := make([]complex128, bins), make([]complex128, bins)
	for i, block := range x.blocks {
		w.sections = max(w.sections, block.Section+1)
		s := newSums(bins)
		inner := [2][]float64{make([]float64, bins), make([]float64, bins)}
		var fx, fy [][]complex64
		many := windows(int(block.Frames), n)
		for j := range many {
			for k := range a {
				a[k], b[k] = float64(x.samples[i][j*w.h+k]), float64(y.samples[i][j*w.h+k])
			}
			w.pair.Pair(ca, cb, a, b)
			fx, fy = append(fx, narrow(ca)), append(fy, narrow(cb))
			hann(ca)
			hann(cb)
			s.count(ca, cb)
			if j > 0 && j+1 < many {
				for k, a := range ca {
					inner[0][k] += abs2(a)
					inner[1][k] += abs2(cb[k])
				}
			}
		}
		w.fx, w.fy, w.sums, w.inner = append(w.fx, fx), append(w.fy, fy), append(w.sums, s), append(w.inner, inner)
	}
	return w
}

func abs2(c complex128) float64 { return real(c)*real(c) + imag(c)*imag(c) }

func narrow(c []complex128) []complex64 {
	out := make([]complex64, len(c))
	for i, v := range c {
		out[i] = complex64(v)
	}
	return out
}

// hann turns the spectrum of a stretch into that under a periodic Hann window.
func hann(c []complex128) {
	last := len(c) - 1
	before, end := cmplx.Conj(c[1]), cmplx.Conj(c[last-1])
	for k, own := range c {
		after := end
		if k < last {
			after = c[k+1]
		}
		c[k] = complex(0.5*real(own)-0.25*(real(before)+real(after)), 0.5*imag(own)-0.25*(imag(before)+imag(after)))
		before = own
	}
}

// of returns the sums of the blocks of a fold, of all for −1.
func (w *work) of(fold int, turned bool) sums {
	t := newSums(w.h + 1)
	for i, s := range w.sums {
		if fold < 0 || i%2 == fold {
			t.add(s)
		}
	}
	if turned {
		return t.turned()
	}
	return t
}

// measure returns what remains of y, or of x if the two are turned.
func (w *work) measure(turned bool) Result {
	in, given, own := w.fx, w.y, 1
	if turned {
		in, given, own = w.fy, w.x, 0
	}
	all := w.of(-1, turned)
	r := Result{Bound: unit.DB(unit.FromPower(w.bound(all)))}
	train := [2]sums{w.of(0, turned), w.of(1, turned)}
	var filter [2][]complex128
	for f := range filter {
		filter[f] = w.filter(train[f].xx, train[f].xy)
	}
	passes := 1
	if w.unweighted(all) < secondFrom {
		passes = w.Passes
	}
	for range passes - 1 {
		more := [2]sums{newSums(w.h + 1), newSums(w.h + 1)}
		for i := range w.sums {
			e := w.left(in[i], given.samples[i], filter[i%2])
			for j := 1; j+1 < len(in[i]); j++ {
				for k, x := range in[i][j] {
					w.spec2[k] = complex128(x)
				}
				hann(w.spec2)
				more[i%2].count(w.spec2, w.fft.Forward(w.spec, w.tapered(0, w.window(e, j))))
			}
		}
		for f, s := range more {
			for k, v := range w.filter(s.xx, s.xy) {
				filter[f][k] += v
			}
		}
	}
	left, whole := make([][]float64, len(w.sums)), make([][]float64, len(w.sums))
	for i := range w.sums {
		left[i], whole[i] = make([]float64, w.h+1), w.inner[i][own]
		e := w.left(in[i], given.samples[i], filter[1-i%2])
		for j := 1; j+1 < len(in[i]); j += 2 {
			var next []float64 // shares the transform
			if j+2 < len(in[i]) {
				next = w.window(e, j+1)
			}
			w.pair.PairPower(w.power, w.window(e, j), next, w.hann)
			for k, v := range w.power {
				left[i][k] += v
			}
		}
	}
	r.Filter = w.figure(left, whole)
	w.equalisers(&r, train, all, turned)
	return r
}

// bound is what the best filter of the same blocks leaves, K-weighted.
func (w *work) bound(s sums) float64      { return w.remains(s, w.k) }
func (w *work) unweighted(s sums) float64 { return w.remains(s, nil) }

func (w *work) remains(s sums, weight []float64) float64 {
	var left, whole float64
	for k := w.lo; k < w.hi; k++ {
		g := 1.0
		if weight != nil {
			g = weight[k]
		}
		whole += g * s.yy[k]
		left += g * s.yy[k]
		if s.xx[k] > 0 {
			left -= g * abs2(s.xy[k]) / s.xx[k]
		}
	}
	return math.Max(0, left/whole)
}

// filter returns the spectrum of the filter that leads from x to y, its response cut to
// half a window: an eighth of a window before the sound and three eighths after it.
func (w *work) filter(xx []float64, xy []complex128) []complex128 {
	top := 0.0
	for k := w.lo; k < w.hi; k++ {
		top = math.Max(top, xx[k])
	}
	h := make([]complex128, w.h+1)
	// An edge at the ends of what counts would ring into it: the filter goes on to half
	// the sample rate, and is level below.
	for k := w.lo; k < w.h; k++ {
		if xx[k] > noEnergy*top {
			h[k] = xy[k] / complex(xx[k], 0)
		}
	}
	for k := range w.lo {
		h[k] = complex(real(h[w.lo]), 0)
	}
	t := w.fft.Inverse(w.time, h)
	n := w.Length
	post := w.h - w.pre
	taper := w.pre / 2
	for i := range t {
		switch after, before := i, n-i; {
		case after < post-taper || before <= w.pre-taper:
		case after < post:
			t[i] *= fade(float64(post-after) / float64(taper))
		case before < w.pre:
			t[i] *= fade(float64(w.pre-before) / float64(taper))
		default:
			t[i] = 0
		}
	}
	return w.fft.Forward(h, t)
}

// fade rises from 0 to 1 like half a cosine.
func fade(u float64) float64 { return 0.5 - 0.5*math.Cos(math.Pi*u) }

// left returns what a filter leaves of the samples y of a block, for window to read, until
// the next call. in are the windows of the input.
func (w *work) left(in [][]complex64, y []float32, filter []complex128) []float64 {
	post := w.h - w.pre
	w.rest = slices.Grow(w.rest[:0], len(in)*w.h)[:len(in)*w.h] // from frame post of the block
	for j, x := range in {
		for k, v := range x {
			w.spec[k] = complex128(v) * filter[k]
		}
		e, given := w.rest[j*w.h:][:w.h], y[j*w.h+post:]
		for i, v := range w.fft.Inverse(w.time, w.spec)[post:][:w.h] {
			e[i] = float64(given[i]) - v
		}
	}
	return w.rest
}

// window is window j, not the first or the last one, of what left returned.
func (w *work) window(left []float64, j int) []float64 { return left[j*w.h-w.h+w.pre:][:w.Length] }

// figure puts together what remains of each block.
func (w *work) figure(left, whole [][]float64) Figure {
	f := Figure{}
	ratio := func(low, high int, weight []float64, use func(block int) bool) unit.DB {
		var l, p float64
		for i := range left {
			if !use(i) {
				continue
			}
			for k := low; k < high; k++ {
				g := 1.0
				if weight != nil {
					g = weight[k]
				}
				l, p = l+g*left[i][k], p+g*whole[i][k]
			}
		}
		return unit.DB(unit.FromPower(l / p))
	}
	all := func(int) bool { return true }
	f.Unweighted, f.K = ratio(w.lo, w.hi, nil, all), ratio(w.lo, w.hi, w.k, all)
	for _, b := range w.Bands {
		low, high := bandRange(w.Length, w.rate, float64(b.Low), float64(b.High))
		f.Third = append(f.Third, ratio(low, high, nil, all))
	}
	for s := range w.sections {
		f.Sections = append(f.Sections, ratio(w.lo, w.hi, w.k, func(i int) bool { return w.x.blocks[i].Section == s }))
	}
	// The jackknife: each block left out in turn.
	n := float64(len(left))
	var each []float64
	mean := 0.0
	for out := range left {
		v := float64(ratio(w.lo, w.hi, w.k, func(i int) bool { return i != out }))
		each, mean = append(each, v), mean+v/n
	}
	sum := 0.0
	for _, v := range each {
		sum += (v - mean) * (v - mean)
	}
	f.Error = unit.DB(math.Sqrt((n - 1) / n * sum))
	return f
}
