package align

import (
	"math"

	"evenhand/analyze/internal/dsp"
)

const (
	candidateShare = 0.45 // of the best peak, from which on another is tried too
	maxCandidates  = 6
	lobeBlocks     = 10 // peaks nearer than this are one
	leastStrength  = 10 // a peak this many times the rms of the search is no chance
	wideSeconds    = 30 // how far a lag beyond the limit is looked for
)

// candidate is a peak of the coarse search. Lags are in blocks.
type candidate struct {
	lag   int
	drift float64 // blocks per second
	value float64
}

// coarse is the outcome of the coarse search.
type coarse struct {
	candidates []candidate // strongest first, at least one
	ratio      float64     // best over next best
	strength   float64     // best over the rms of the whole search
	curves     [][]float64 // per stretch: correlation at lags −margin … margin
	peak       float64     // normalised
}

// search correlates src's envelope with the timeline's.
func (f *Feature) search(src Source) (coarse, error) {
	p := f.plan
	fft := dsp.NewFFT(p.fftLen)
	all := make([][]float64, len(p.contexts))
	for k, c := range p.contexts {
		// Stretches overlap by their margins: what is known is not read again.
		all[k] = make([]float64, c.blocks+2*p.margin)
		known := 0
		if k > 0 {
			if by := int((p.start(k) - p.start(k-1)) / int64(p.block)); by < len(all[k-1]) {
				known = copy(all[k], all[k-1][by:])
			}
		}
		if err := p.blockPowers(all[k][known:], src, p.start(k)+int64(known)*int64(p.block)); err != nil {
			return coarse{}, err
		}
	}
	level := meanOf(all)
	var out coarse
	if level == 0 {
		return out, nil
	}
	x := make([]float64, p.fftLen)
	var spec []complex128
	ea, eb := 0.0, 0.0
	for k := range p.contexts {
		clear(x)
		flux(x, all[k], level)
		// The recording's own ends are no onsets.
		for _, end := range [2]int64{0, src.Len()} {
			if i := int((end - p.start(k)) / int64(p.block)); end > p.start(k) && i >= 0 && i < len(all[k]) {
				x[i] = 0
				if i+1 < len(all[k]) {
					x[i+1] = 0
				}
			}
		}
		eb += dsp.MeanSquare(x[p.margin:p.margin+p.contexts[k].blocks]) * float64(p.contexts[k].blocks)
		ea += f.energy[k]
		spec = fft.Forward(spec, x)
		for i, a := range f.envelope[k] {
			spec[i] *= complex(real(a), -imag(a))
		}
		x = fft.Inverse(x, spec)
		// The timeline's stretch begins at margin: index 0 is lag −0.
		curve := make([]float64, 2*p.margin+1)
		for l := -p.margin; l <= p.margin; l++ {
			curve[l+p.margin] = x[(l+p.fftLen)%p.fftLen]
		}
		out.curves = append(out.curves, curve)
	}
	out.join(p)
	if ea > 0 && eb > 0 && len(out.candidates) > 0 {
		out.peak = out.candidates[0].value / math.Sqrt(ea*eb)
	}
	return out, nil
}

// join adds the stretches' curves along lines of constant drift and finds the
// peaks.
func (c *coarse) join(p *plan) {
	n := 2*p.margin + 1
	mid := p.middle()
	span := 0.0
	times := make([]float64, len(p.contexts))
	for k, x := range p.contexts {
		times[k] = (float64(x.first)+float64(x.blocks*p.block)/2)/float64(p.rate) - mid
		span = max(span, math.Abs(times[k]))
	}
	perBlock := float64(p.block) / float64(p.rate)
	steps := int(math.Floor(float64(p.opt.MaxDrift) * 1e-6 * span / perBlock))
	best := make([]float64, n)
	drift := make([]float64, n)
	sum := make([]float64, n)
	rms := 0.0
	// No drift first, then outwards: of equals the smallest drift stays.
	for i := 0; i <= 2*steps; i++ {
		s := (i + 1) / 2
		if i%2 == 0 {
			s = -s
		}
		d := 0.0
		if span > 0 {
			d = float64(s) / span
		}
		clear(sum)
		for k, curve := range c.curves {
			o := int(math.Round(d * times[k]))
			for l := max(0, -o); l < min(n, n-o); l++ {
				sum[l] += curve[l+o]
			}
		}
		for l, v := range sum {
			if i == 0 {
				best[l] = v
				rms += v * v
			} else if v > best[l]*(1+1e-12) && v > 0 {
				best[l], drift[l] = v, d
			}
		}
	}
	rms = math.Sqrt(rms / float64(n))
	taken := make([]bool, n)
	for len(c.candidates) < maxCandidates {
		at := -1
		for l, v := range best {
			if !taken[l] && v > 0 && (at < 0 || v > best[at]) {
				at = l
			}
		}
		if at < 0 {
			break
		}
		if len(c.candidates) > 0 && best[at] < candidateShare*c.candidates[0].value {
			break
		}
		c.candidates = append(c.candidates, candidate{at - p.margin, drift[at], best[at]})
		for l := max(0, at-lobeBlocks); l <= min(n-1, at+lobeBlocks); l++ {
			taken[l] = true
		}
	}
	if len(c.candidates) == 0 {
		return
	}
	// The peak may lie between blocks.
	first, lag := 0.0, c.candidates[0].lag+p.margin
	next := 0.0
	for l, v := range best {
		v = max(v, halfway(best, l))
		switch d := abs(l - lag); {
		case d <= 1:
			first = max(first, v)
		case d > lobeBlocks:
			next = max(next, v)
		}
	}
	c.ratio = math.Inf(1)
	if next > 0 {
		c.ratio = first / next
	}
	if rms > 0 {
		c.strength = first / rms
	}
}

// halfway returns x halfway from i to i+1, by six terms of the sinc series.
func halfway(x []float64, i int) float64 {
	s := 0.0
	for k := range 3 {
		w := 2 / math.Pi / float64(2*k+1)
		if k%2 == 1 {
			w = -w
		}
		if i-k >= 0 {
			s += w * x[i-k]
		}
		if i+1+k < len(x) {
			s += w * x[i+1+k]
		}
	}
	return s
}

// beyond looks up to 30 s either way and returns the lags in frames, the likeliest
// first, of the places beyond the largest lag, where the likeliest of all is there; and
// by how much that is likelier than any within it.
func (f *Feature) beyond(src Source) (lags []int64, contrast float64, err error) {
	if f.plan.bound {
		return nil, 0, nil
	}
	wide, err := f.wide()
	if err != nil {
		return nil, 0, err
	}
	c, err := wide.search(src)
	if err != nil || len(c.candidates) == 0 || c.strength < leastStrength {
		return nil, 0, err
	}
	contrast = math.Inf(1)
	for _, x := range c.candidates {
		switch {
		case abs(x.lag) > f.plan.margin:
			lags = append(lags, int64(x.lag)*int64(wide.plan.block))
		case lags == nil:
			return nil, 0, nil
		case math.IsInf(contrast, 1):
			contrast = c.candidates[0].value / x.value
		}
	}
	return lags, contrast, nil
}

// start returns the first frame of a follower's stretch k.
func (p *plan) start(k int) int64 { return p.contexts[k].first - int64(p.margin*p.block) }

func abs(i int) int { return max(i, -i) }

// middle returns the middle of the windows on the timeline, in seconds.
func (p *plan) middle() float64 {
	if len(p.windows) == 0 {
		return 0
	}
	s := 0.0
	for _, w := range p.windows {
		s += p.centre(w.first)
	}
	return s / float64(len(p.windows))
}

// offsets returns where each window is read for a candidate: along its drift,
// and, where the curves of some stretches clearly say another lag because
// frames were lost or inserted before, with those stretches' own lags as well;
// own is nil where none does.
func (c *coarse) offsets(p *plan, x candidate) (along, own []int64) {
	mid := p.middle()
	jumped := false
	local := make([]int, len(p.contexts))
	for k, curve := range c.curves {
		t := (float64(p.contexts[k].first)+float64(p.contexts[k].blocks*p.block)/2)/float64(p.rate) - mid
		at := x.lag + int(math.Round(x.drift*t)) + p.margin
		here, best := 0.0, 0
		for l := max(0, at-3); l <= min(len(curve)-1, at+3); l++ {
			here = max(here, curve[l])
		}
		rms := math.Sqrt(dsp.MeanSquare(curve))
		top := 0.0
		for l, v := range curve {
			if v > top {
				best, top = l, v
			}
		}
		if top > leastStrength*rms && top > 1.5*here {
			local[k], jumped = best-at, true
		}
	}
	along, own = make([]int64, len(p.windows)), make([]int64, len(p.windows))
	for i, w := range p.windows {
		lag := float64(x.lag) + x.drift*(p.centre(w.first)-mid)
		along[i] = int64(math.Round(lag * float64(p.block)))
		own[i] = along[i] + int64(local[w.context])*int64(p.block)
	}
	if !jumped {
		own = nil
	}
	return along, own
}
