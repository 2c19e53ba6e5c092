package touch

import (
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

const (
	// FrameSeconds is the length of a frame, as long as a period of the lowest notes
	// and shorter than what a hand does.
	FrameSeconds = 0.05
	// overIn and overOut are by how much a frame is above the noise going in and coming
	// out: noise then adds less than 0.15 dB to the one and 0.5 dB to the other.
	overIn, overOut = 15, 10 // dB
	// lowPart and highPart are the percentiles of the input between which the slope is
	// measured.
	lowPart, highPart = 0.1, 0.9
	// leastSpan is how far these must be apart in dB for a slope to be known.
	leastSpan = 6
	// leastFrames is how many frames must count: a slope of 100 scattered by 1 dB over
	// 10 dB is known to 0.03.
	leastFrames = 100
	// rounds is how often filter and gains are found in turn at most, settled by how
	// much the gains then move, in dB rms, when it is enough.
	rounds, settled = 16, 0.01
	taps            = 1024 // of the filter: 64 ms at 16 kHz, 16 of them before the music
	before          = taps / 4
	window          = 2 * taps
	noEnergy        = 1e-8
	mostPairs       = 200000 // of frames whose slopes are compared
	// rise and fall are by how many dB a frame is at most louder or softer than the one
	// before it, and the next one softer than it, if it counts for the slope. Otherwise a
	// note begins or is muted in it: the two levels then mean different parts of it, and a
	// compressor has not answered yet. Without such frames the halves of the music agree
	// better.
	rise, fall = 1, 3
	// mostApart is by how much the slopes of the two halves of the music may differ: half
	// of what separates clean from flat.
	mostApart = 0.5
	// levelStep is the width of the steps of Result.Curve in dB. Their middles are whole
	// multiples of it, so that takes have the same steps.
	levelStep = 3
)

// Result is how a take answers to level.
type Result struct {
	Reason finding.Text // why nothing was measured
	// Slope is how many dB come out for each dB that goes in; Low and High are the
	// slopes of the two halves of the music, the lower one first.
	Slope, Low, High unit.Number
	// InLow and InHigh are the levels of the dry recording between which it holds:
	// rms of 50 ms, up to 7 kHz.
	InLow, InHigh unit.DBFS
	Curve         []Step // in order of level
	Frames        int    // that count
	// Pulse is how often a second the gain rises and falls by itself, as behind a tremolo;
	// 0 where it does not.
	Pulse unit.Hertz
	// Turns is which part of what the filter explains changes its phase within 64 ms while
	// a note goes on, 0 to 1: next to nothing where the gear does the same all the time.
	// Drifts is how much more of it does so within half a second. Both are 0 where fewer
	// than 30 stretches of 64 ms show it.
	Turns, Drifts unit.Number
	// Tail is which part of the take follows the music by some 50 ms, as far as the filter
	// reaches, to 1.5 s, 0 to 1; 0 where that may be chance.
	Tail unit.Number
}

// Step is one step of the level going in.
type Step struct {
	In unit.DBFS // its middle
	// Gain is the median gain, relative to the gain at the loudest step, Lower and Upper
	// the quartiles.
	Gain, Lower, Upper unit.DB
}

// work is what is kept while the filter and the gains are found.
type work struct {
	x, y       *Take
	frame      int
	segment    int
	fft        *dsp.FFT // of a segment
	small      *dsp.Complex
	back       *dsp.FFT         // of a window
	spectra    [][][]complex128 // of each block and segment of x
	in, out    [][]float64      // levels in dB of each block and frame
	counts     [][]bool         // whether a frame counts
	gain       [][]float64      // dB
	filtered   [][]float64      // blocks
	hann       []float64
	xx         []float64
	xy         []complex128
	time, a, b []float64
	spec       []complex128
	ca, cb     []complex128
}

// Measure compares a take with the dry recording that was sent. It also returns what it
// fitted; nil where there are too few frames for that. Both are read of the same blocks;
// the take may come up to 15 ms early and 45 ms late.
//
// Not measured: a gain that rises and falls by itself, slopes of the two halves that are
// more than 0.5 apart, fewer than 100 frames that are 15 dB above the noise going in and
// 10 dB above that coming out, or less than 6 dB between soft and loud. It is an error if
// the two were read of other blocks.
func Measure(dry, take *Take) (r Result, fit *Fit, err error) {
	if dry.rate != take.rate || len(dry.blocks) != len(take.blocks) {
		return r, nil, fmt.Errorf("touch: %d blocks at %d Hz and %d at %d Hz", len(dry.blocks), dry.rate, len(take.blocks), take.rate)
	}
	w := newWork(dry, take)
	if why := w.findLevels(); why.Found != "" {
		return Result{Reason: why}, nil, nil
	}
	for range rounds {
		if w.round() < settled {
			break
		}
	}
	r = w.result()
	if hz := w.pulse(); hz > 0 {
		r.Pulse, r.Reason = unit.Hertz(hz), finding.Say("touch.pulse", "rate_hz", hz)
	}
	turns, drifts := w.turns()
	r.Turns, r.Drifts = unit.Number(turns), unit.Number(drifts)
	r.Tail = unit.Number(w.tail())
	return r, &Fit{Gains: w.gain, w: w}, nil
}

func newWork(x, y *Take) *work {
	w := &work{x: x, y: y, frame: int(math.Round(FrameSeconds * x.lower)), segment: 4 * taps, hann: dsp.Hann(window),
		xx: make([]float64, taps+1), xy: make([]complex128, taps+1), a: make([]float64, window), b: make([]float64, window),
		ca: make([]complex128, taps+1), cb: make([]complex128, taps+1)}
	w.fft, w.small, w.back = dsp.NewFFT(w.segment), dsp.NewComplex(window), dsp.NewFFT(window)
	w.time, w.spec = make([]float64, w.segment), make([]complex128, w.segment/2+1)
	for _, b := range x.blocks {
		w.spectra = append(w.spectra, w.segments(b))
		w.filtered = append(w.filtered, make([]float64, len(b)))
	}
	return w
}

// segments returns the spectra of the segments of a block.
func (w *work) segments(b []float64) (all [][]complex128) {
	for at := 0; at < len(b); at += w.hop() {
		clear(w.time)
		first := at - (taps - before)
		copy(w.time[max(0, -first):], b[max(0, first):min(len(b), first+w.segment)])
		all = append(all, w.fft.Forward(nil, w.time))
	}
	return all
}

// hop is how many samples of a segment the filter gives.
func (w *work) hop() int { return w.segment - taps }

// levels returns the level in dB of each whole frame of so many samples.
func levels(x []float64, frame int) []float64 {
	out := make([]float64, len(x)/frame)
	for f := range out {
		sum := 0.0
		for _, v := range x[f*frame:][:frame] {
			sum += v * v
		}
		out[f] = unit.FromPower(sum / float64(frame))
	}
	return out
}

// findLevels finds the frames that count, and gains to begin with. It returns why there
// are too few.
func (w *work) findLevels() (why finding.Text) {
	in, out := unit.FromPower(w.x.noise)+overIn, unit.FromPower(w.y.noise)+overOut
	var counted []float64
	for i, x := range w.x.blocks {
		lx, ly := levels(x, w.frame), levels(w.y.blocks[i], w.frame)
		counts, gain := make([]bool, len(lx)), make([]float64, len(lx))
		for f := range lx {
			// Frames at the ends of a block have no whole filter.
			whole := f*w.frame >= taps-before && (f+1)*w.frame <= len(x)-before
			counts[f] = whole && lx[f] > in && ly[f] > out && !math.IsInf(lx[f], 0) && !math.IsInf(ly[f], 0)
			if counts[f] {
				counted = append(counted, lx[f])
				gain[f] = ly[f] - lx[f]
			}
		}
		w.in, w.out, w.counts, w.gain = append(w.in, lx), append(w.out, ly), append(w.counts, counts), append(w.gain, gain)
	}
	if len(counted) < leastFrames {
		return finding.Say("touch.few", "frames", len(counted), "frame_ms", 1000*FrameSeconds, "least", leastFrames)
	}
	slices.Sort(counted)
	if span := quantile(counted, highPart) - quantile(counted, lowPart); span < leastSpan {
		return finding.Say("touch.even", "span_db", span, "least_db", leastSpan)
	}
	return why
}

// quantile of sorted values, the nearest rank.
func quantile(sorted []float64, part float64) float64 {
	return sorted[int(math.Round(part*float64(len(sorted)-1)))]
}

// round fits the filter to the gains and the gains to the filter, and returns by how many
// dB rms these moved, apart from all together.
func (w *work) round() float64 {
	clear(w.xx)
	clear(w.xy)
	for i, x := range w.x.blocks {
		w.fit(i, x, w.y.blocks[i], w.gain[i])
	}
	h := w.filter()
	var sum, square, n float64
	for i := range w.x.blocks {
		w.apply(w.filtered[i], w.spectra[i], h)
		for f, l := range levels(w.filtered[i], w.frame) {
			if w.counts[i][f] {
				d := w.out[i][f] - l - w.gain[i][f]
				w.gain[i][f] += d
				sum, square, n = sum+d, square+d*d, n+1
			}
		}
	}
	return math.Sqrt(math.Max(0, square/n-sum/n*sum/n))
}

// fit adds a block to the spectra that the filter is found from: of the dry recording with
// the gains, and of the take, both brought to the same level in every frame.
func (w *work) fit(block int, x, y, gain []float64) {
	// Both factors are straight lines in dB between the middles of frames.
	gx, gy := make([]float64, len(x)), make([]float64, len(x))
	last := -1
	at := func(f int) int { return f*w.frame + w.frame/2 }
	for f, counts := range w.counts[block] {
		if !counts {
			last = -1
			continue
		}
		if last >= 0 {
			// In steps of a multiplication.
			n := float64(w.frame)
			vy := unit.ToAmplitude(-w.out[block][last])
			vx := vy * unit.ToAmplitude(gain[last])
			ry := unit.ToAmplitude((w.out[block][last] - w.out[block][f]) / n)
			rx := ry * unit.ToAmplitude((gain[f]-gain[last])/n)
			for k := at(last); k < at(f); k++ {
				gx[k], gy[k] = vx, vy
				vx, vy = vx*rx, vy*ry
			}
		}
		last = f
	}
	for from := 0; from+window <= len(x); from += window / 2 {
		any := 0.0
		for k := range w.a {
			w.a[k], w.b[k] = x[from+k]*gx[from+k]*w.hann[k], y[from+k]*gy[from+k]*w.hann[k]
			any += gy[from+k]
		}
		if any == 0 {
			continue
		}
		w.small.Pair(w.ca, w.cb, w.a, w.b)
		for k, v := range w.ca {
			w.xx[k] += real(v)*real(v) + imag(v)*imag(v)
			w.xy[k] += complex(real(v), -imag(v)) * w.cb[k]
		}
	}
}

// filter returns the spectrum of the filter for a segment.
func (w *work) filter() []complex128 {
	top := slices.Max(w.xx)
	for k, v := range w.xx {
		w.ca[k] = 0
		if v > noEnergy*top {
			w.ca[k] = w.xy[k] / complex(v, 0)
		}
	}
	t := w.back.Inverse(w.a, w.ca)
	clear(w.time)
	const fade = before / 2
	for i := -before; i < taps-before; i++ {
		g := 1.0
		if u := min(float64(i+before), float64(taps-before-i)) / fade; u < 1 {
			g = 0.5 - 0.5*math.Cos(math.Pi*u)
		}
		w.time[(i+w.segment)%w.segment] = g * t[(i+window)%window]
	}
	return w.fft.Forward(nil, w.time)
}

// apply filters a block, given the spectra of its segments.
func (w *work) apply(out []float64, spectra [][]complex128, h []complex128) {
	for s, x := range spectra {
		for k, v := range x {
			w.spec[k] = v * h[k]
		}
		t := w.fft.Inverse(w.time, w.spec)
		copy(out[s*w.hop():], t[taps-before:w.segment-before])
	}
}

// result puts together what the gains show.
func (w *work) result() Result {
	var r Result
	var all []point
	for i := range w.in {
		for f, counts := range w.counts[i] {
			if counts && w.steady(w.in[i], f) {
				all = append(all, point{w.in[i][f], w.gain[i][f], i})
			}
		}
	}
	w.fill(w.gain)
	var levels []float64
	for _, p := range all {
		levels = append(levels, p.in)
	}
	slices.Sort(levels)
	low, high := quantile(levels, lowPart), quantile(levels, highPart)
	r.InLow, r.InHigh = unit.DBFS(low), unit.DBFS(high)
	points := slices.DeleteFunc(slices.Clone(all), func(p point) bool { return p.in < low || p.in > high })
	r.Frames = len(points)
	half := func(k int) []point {
		return slices.DeleteFunc(slices.Clone(points), func(p point) bool { return p.block%2 != k })
	}
	r.Slope = unit.Number(1 + theilSen(points))
	a, b := 1+theilSen(half(0)), 1+theilSen(half(1))
	r.Low, r.High = min(unit.Number(min(a, b)), r.Slope), max(unit.Number(max(a, b)), r.Slope)
	r.Curve = steps(all, levels)
	if d := r.High - r.Low; !(d <= mostApart) {
		r.Reason = finding.Say("touch.halves", "low", r.Low, "high", r.High)
	}
	return r
}

// fill gives the frames that do not count the gains of those that do: a gain is that of the
// device and of how loud the take was recorded, so there is none that means nothing.
func (w *work) fill(gains [][]float64) {
	last := math.NaN() // until a block has a frame that counts
	for i := 0; math.IsNaN(last); i++ {
		if f := slices.Index(w.counts[i], true); f >= 0 {
			last = gains[i][f]
		}
	}
	for i, gain := range gains {
		if f := slices.Index(w.counts[i], true); f >= 0 {
			last = gain[f]
		}
		for f, counts := range w.counts[i] {
			if counts {
				last = gain[f]
			}
			gain[f] = last
		}
	}
}

// steady reports whether no note begins or is muted in a frame.
func (w *work) steady(in []float64, f int) bool {
	return f > 0 && in[f] < in[f-1]+rise && in[f] > in[f-1]-fall && (f+1 == len(in) || in[f+1] > in[f]-fall)
}

// point is one frame.
type point struct {
	in, gain float64 // dB
	block    int
}

// theilSen is the median of the slopes between points; of many points, those that are
// some multiples apart in order of time are compared.
func theilSen(p []point) float64 {
	skip := 1
	for len(p)*len(p)/2/skip > mostPairs {
		skip++
	}
	var slopes []float64
	for i := range p {
		for k := i + 1; k < len(p); k += skip {
			if d := p[k].in - p[i].in; d != 0 {
				slopes = append(slopes, (p[k].gain-p[i].gain)/d)
			}
		}
	}
	if len(slopes) == 0 {
		return math.NaN()
	}
	slices.Sort(slopes)
	n := len(slopes)
	return (slopes[(n-1)/2] + slopes[n/2]) / 2
}

// steps returns the gains of steps of the level, between the first and the last
// percentile of it.
func steps(all []point, levels []float64) []Step {
	var out []Step
	top := levelStep * math.Round(quantile(levels, 0.99)/levelStep)
	for from := top - levelStep/2.0; from+levelStep > quantile(levels, 0.01); from -= levelStep {
		var gains []float64
		for _, p := range all {
			if p.in > from && p.in <= from+levelStep {
				gains = append(gains, p.gain)
			}
		}
		if len(gains) < 5 { // fewer have no quartiles
			continue
		}
		slices.Sort(gains)
		out = append(out, Step{unit.DBFS(from + levelStep/2.0), unit.DB(quantile(gains, 0.5)), unit.DB(quantile(gains, 0.25)), unit.DB(quantile(gains, 0.75))})
	}
	if len(out) == 0 {
		return out
	}
	loudest := out[0].Gain
	for i := range out {
		out[i].Gain -= loudest
		out[i].Lower -= loudest
		out[i].Upper -= loudest
	}
	slices.Reverse(out)
	return out
}
