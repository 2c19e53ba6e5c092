package parts

import (
	"cmp"
	"math"
	"math/cmplx"
	"slices"
	"sync"

	"evenhand/analyze/align"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

const (
	windowSeconds = 0.3    // a window is the power of two from here
	mostWindows   = 768    // spread over the recording, and as many between, 17 MB at 48 kHz
	leastWindows  = 12     // from which the phase tells anything
	phaseLow      = 100    // Hz
	phaseHigh     = 4000   // Hz
	phaseReach    = 0.0065 // s
	phaseQuiet    = 1e-4   // of the loudest window's power, below which none is compared
	phaseSharp    = 30     // by how much the logarithm of a lag's odds grows with the correlation
	phaseRounds   = 2
	heightShare   = 0.67 // quantile of the correlations that says how alike the windows are
	leastNoise    = 0.02
	clearPhase    = 5 // times the correlations' quadrature that they must reach to be believed
	modelRounds   = 40
	plainlyEven   = 2 // times clearer that the windows must be behind a curve that makes octaves
)

var phasePrices = prices{leave: 14, back: 8, creep: 3}

// scatters are the scatters of the windows' lags that are tried, in frames.
var scatters = [...]float64{0.7, 1.5, 3, 6, 12, 24}

// window is a stretch of both recordings.
type window struct {
	time  float64 // s, its middle, on the timeline of a
	first int64   // its first frame in a
	lag   float64 // frames by which b was read later
	off   float64 // frames of these that are rounding
	half  float64 // s: half its length
	// between says that it overlaps its neighbours by half: it is no part of the path,
	// and adds to what the others say of small steps.
	between bool
}

// phases is what windows say: where each lies beside what all have in common, which
// is what the gear does to the phase.
type phases struct {
	windows []window
	lag     []int     // frames beyond window.lag
	fine    []float64 // the same, between frames; NaN where unlike
	sign    []int     // polarity against the common one
	alike   []bool    // says that it lies at its lag, rather than at none
	corr    []float64 // correlation with the others where it lies, −1 to 1
	height  float64   // how well those that do correlate
	noise   float64   // robust rms of their quadrature
	scatter float64   // frames: the windows' own
	n       int       // lags
	main    int       // state of most windows
	halves  []point   // lags of windows between these
	even    bool      // a went through a curve that makes octaves first
}

// clear reports whether the windows have enough in common to be believed.
func (p *phases) clear() bool { return p != nil && p.clarity() >= clearPhase }

// clarity is how much more the windows have in common than their quadrature has.
func (p *phases) clarity() float64 { return p.height / p.noise }

// agreed is the mean of the windows' correlations, 0 for those that are not alike.
func (p *phases) agreed() float64 {
	sum := 0.0
	for i, alike := range p.alike {
		if alike {
			sum += p.corr[i]
		}
	}
	return sum / float64(len(p.alike))
}

// polar reports whether the windows have a polarity: a circuit that makes octaves can turn
// it from passage to passage.
func (p *phases) polar() bool { return p.clear() && !p.even }

// worth is how much windows count: nothing where they have as little in common as
// their quadrature has, 1 where they are clear.
func (p *phases) worth() float64 { return worthOf(p.clarity()) }

func worthOf(clarity float64) float64 {
	return min(1, max(0, (clarity-weakPhase)/(clearPhase-weakPhase)))
}

const (
	leastRow  = 3    // windows of a part
	turnLike  = 0.85 // of how alike the windows are, that a turned part must be
	turnPlain = 10   // times the quadrature, the windows' correlation: circuits that turn the phase of some notes reach less
	turnSame  = 12   // times the quadrature, from which windows are plainly alike in every passage
	turnHalf  = 0.75 // or this share of it, where the windows are plainly alike; octaves of another chord reach less
	turnSure  = 8    // standard errors that the correlation of a turned part must reach
	turnClear = 3    // times the quadrature that the windows' correlation must reach for that
)

// rows returns the parts that lie a little beside the rest, or with the other
// polarity.
func (p *phases) rows(rate int) (out []Part) {
	at, off, _ := p.places(rate)
	half := p.windows[0].half
	for i := 0; i < len(at); i++ {
		k := at[i]
		if k != besideIt && k != inverted {
			continue
		}
		first, last := i, i
		corr := p.corr[i]
		for j := i + 1; j < len(at) && j <= last+2; j++ {
			if at[j] == k && (k == inverted || math.Abs(off[j]-off[last]) < besidePhase*float64(rate)) {
				last = j
				corr += p.corr[j]
			}
		}
		i = last
		like := quantile(p.corr[first:last+1], heightShare) // as height is: the same sound turned is as alike as the rest
		inside := slices.Contains(at[:first], inPlace) && slices.Contains(at[last+1:], inPlace)
		n := float64(last - first + 1)
		x := Part{From: unit.Seconds(p.windows[first].time - half), To: unit.Seconds(p.windows[last].time + half), by: "phase"}
		switch {
		case last-first+1 < leastRow || float64(x.To-x.From) < runTime:
		case k == inverted && p.polar() && (like >= turnLike*p.height || p.clarity() >= turnPlain && like >= turnHalf*p.height || p.clarity() >= turnSame) && corr >= turnSure*p.noise*math.Sqrt(n):
			x.Kind = Turned
			out = append(out, x)
		case k == besideIt && inside && p.clear() && corr >= turnSure*p.noise*math.Sqrt(n):
			x.Kind, x.Lag = Moved, unit.Samples(quantile(off[first:last+1], 0.5))
			out = append(out, x)
		}
	}
	return out
}

// comparePhases compares windows of a with those of b that lie lag(t) frames later.
// keep says which times may be compared. It returns nil for too few windows.
//
// Behind a circuit that makes octaves the phase follows not a but its magnitude;
// where that says more, it is what b is compared with.
func comparePhases(a, b align.Source, lag func(t float64) float64, keep func(from, to float64) bool) (*phases, error) {
	plain, err := compareAfter(a, b, lag, keep, nil)
	if err != nil || plain == nil || plain.agreed() >= clearPhase*plain.noise {
		return plain, err
	}
	even, err := compareAfter(a, b, lag, keep, math.Abs)
	if err != nil || even == nil || !even.clear() || even.agreed()*plain.noise < plainlyEven*plain.agreed()*even.noise {
		return plain, err
	}
	even.even = true
	return even, nil
}

// compareAfter is comparePhases, with a curve that a goes through first.
func compareAfter(a, b align.Source, lag func(t float64) float64, keep func(from, to float64) bool, curve func(float64) float64) (*phases, error) {
	rate := a.Rate()
	size := dsp.NextPow2(int(windowSeconds * float64(rate)))
	hop := max(int64(size), (a.Len()-int64(size))/mostWindows) / 2
	taper := dsp.Hann(size)
	lo := int(math.Ceil(phaseLow * float64(size) / float64(rate)))
	hi := int(min(phaseHigh, 0.45*float64(rate)) * float64(size) / float64(rate))
	type heard struct {
		window
		power float64     // of a
		g     []complex64 // nil where there is nothing to compare
	}
	var all []heard
	for first := int64(0); first+int64(size) <= a.Len(); first += hop {
		from, to := float64(first)/float64(rate), float64(first+int64(size))/float64(rate)
		exact := lag((from + to) / 2)
		w := window{time: (from + to) / 2, first: first, lag: math.Round(exact), half: (to - from) / 2, between: first/hop%2 == 1}
		w.off = w.lag - exact
		if keep(from, to) && first+int64(w.lag) >= 0 && first+int64(w.lag)+int64(size) <= b.Len() {
			all = append(all, heard{window: w})
		}
	}
	var reading sync.Mutex // a source is read by one at a time
	err := inShares(len(all), func(from, to int) error {
		fft := dsp.NewFFT(size)
		x, y := make([]float64, size), make([]float64, size)
		cx, cy := make([]complex128, size/2+1), make([]complex128, size/2+1)
		loud := 0.0
		for i := from; i < to; i++ {
			w := &all[i]
			reading.Lock()
			_, err := a.ReadAt(x, w.first)
			_, err2 := b.ReadAt(y, w.first+int64(w.lag))
			reading.Unlock()
			if err := cmp.Or(err, err2); err != nil {
				return err
			}
			w.power = power(x)
			if loud = max(loud, w.power); w.power <= phaseQuiet*loud || power(y) == 0 {
				continue
			}
			if curve != nil {
				for k, v := range x {
					x[k] = curve(v)
				}
			}
			for k, t := range taper {
				x[k] *= t
				y[k] *= t
			}
			cx, cy = fft.Forward(cx, x), fft.Forward(cy, y)
			w.g = whitened(cx[lo:hi], cy[lo:hi])
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	loud := 0.0
	for _, w := range all {
		loud = max(loud, w.power)
	}
	var kept, halves []window
	var g, h [][]complex64
	for _, w := range all {
		switch {
		case w.g == nil || w.power <= phaseQuiet*loud:
		case w.between:
			halves, h = append(halves, w.window), append(h, w.g)
		default:
			kept, g = append(kept, w.window), append(g, w.g)
		}
	}
	if len(kept) < leastWindows {
		return nil, nil
	}
	r := int(phaseReach * float64(rate))
	out := &phases{windows: kept, n: 2*r + 1, lag: make([]int, len(g)), fine: make([]float64, len(g)),
		sign: make([]int, len(g)), alike: make([]bool, len(g)), corr: make([]float64, len(g))}
	out.follow(g, lo, size, r)
	out.addBetween(g, h, halves, lo, size, r)
	return out, nil
}

func power(x []float64) float64 {
	sum := 0.0
	for _, v := range x {
		sum += v * v
	}
	return sum / float64(len(x))
}

// whitened returns the cross-spectrum of x and y over the root of its magnitude,
// with an energy of 1.
func whitened(x, y []complex128) []complex64 {
	out := make([]complex64, len(x))
	sum := 0.0
	for k := range x {
		c := cmplx.Conj(x[k]) * y[k]
		if m := cmplx.Abs(c); m > 0 {
			c /= complex(math.Sqrt(m), 0)
			sum += m
		}
		out[k] = complex64(c)
	}
	if sum > 0 {
		s := complex(float32(1/math.Sqrt(sum)), 0)
		for k := range out {
			out[k] *= s
		}
	}
	return out
}

// common returns the weights, signs included, with which windows add up to what
// they have most in common: the leading eigenvector of the real parts of their
// products, so that windows of the other polarity do not cancel.
func common(g [][]complex64) []float64 {
	v := make([]float64, len(g))
	for i := range v {
		v[i] = 1 + 0.1*math.Sin(float64(i))
	}
	m := make([]complex128, len(g[0]))
	for range modelRounds {
		clear(m)
		for i, row := range g {
			for k, c := range row {
				m[k] += complex128(c) * complex(v[i], 0)
			}
		}
		norm := 0.0
		for i, row := range g {
			v[i] = dot(row, m)
			norm += v[i] * v[i]
		}
		if norm = math.Sqrt(norm); norm == 0 {
			return v
		}
		for i := range v {
			v[i] /= norm
		}
	}
	sum := 0.0
	for _, u := range v {
		sum += u
	}
	if sum < 0 {
		for i := range v {
			v[i] = -v[i]
		}
	}
	return v
}

// dot returns the real part of Σ c·m̄.
func dot(c []complex64, m []complex128) (sum float64) {
	for k, v := range c {
		sum += float64(real(v))*real(m[k]) + float64(imag(v))*imag(m[k])
	}
	return sum
}

// follow finds the likeliest path of all windows through the lags, of both
// polarities.
func (p *phases) follow(g [][]complex64, lo, size, reach int) {
	n, bins := len(g), len(g[0])
	v := common(g)
	weight := make([]float64, n)
	for i, u := range v {
		weight[i], p.sign[i] = math.Abs(u), 1
		if u < 0 {
			p.sign[i] = -1
		}
	}
	model, own := make([]complex128, bins), make([]complex128, bins)
	curves := make([][]float64, n)
	crosses := make([][]complex64, n)
	for i := range crosses {
		crosses[i] = make([]complex64, bins)
	}
	quad := make([]float64, n)
	tops := make([]float64, n)
	for range phaseRounds {
		clear(model)
		for i := range g {
			p.turned(own, g, i, lo, size, weight[i])
			for k, c := range own {
				model[k] += c
			}
		}
		inShares(n, func(from, to int) error {
			fft := dsp.NewNarrow(size, lo, bins, reach)
			own, rest := make([]complex128, bins), make([]complex128, bins)
			for i := from; i < to; i++ {
				p.turned(own, g, i, lo, size, weight[i])
				norm := 0.0
				for k, c := range own {
					rest[k] = model[k] - c
					norm += real(rest[k])*real(rest[k]) + imag(rest[k])*imag(rest[k])
				}
				scale := complex(1/(math.Sqrt(norm)+1e-12), 0)
				p.turned(own, g, i, lo, size, 1)
				quad[i] = 0
				for k := range rest {
					rest[k] *= scale
					c := own[k] * cmplx.Conj(rest[k])
					quad[i] += imag(c)
					rest[k] = complex128(g[i][k]) * cmplx.Conj(rest[k])
				}
				for k, v := range rest {
					crosses[i][k] = complex64(v)
				}
				c, _ := fft.Lags(rest, nil)
				curves[i] = append(curves[i][:0], c...)
				tops[i] = 0
				for _, u := range c {
					tops[i] = max(tops[i], math.Abs(u))
				}
			}
			return nil
		})
		p.height = quantile(tops, 0.5)
		p.path(curves)
		for i := range weight {
			weight[i] = 0
			if p.alike[i] {
				weight[i] = 1
			}
		}
	}
	var beside, heights []float64
	for i, c := range curves {
		at := p.lag[i] + reach
		p.fine[i], p.corr[i] = math.NaN(), float64(p.sign[i])*c[at]
		if !p.alike[i] {
			continue
		}
		beside, heights = append(beside, math.Abs(quad[i])), append(heights, p.corr[i])
		p.fine[i] = nearestTop(c, at, float64(p.sign[i]), crosses[i], lo, size) - float64(reach) + p.windows[i].off
	}
	p.height, p.noise = 0, 1
	if len(heights) > 0 {
		p.height, p.noise = quantile(heights, heightShare), max(1.4826*quantile(beside, 0.5), leastNoise)
	}
}

// nearestTop returns the place of the top of c, the correlations of the cross-spectrum
// d times a sign, nearest to at, in steps of c and exactly by the cross-spectrum; NaN at
// an end.
func nearestTop(c []float64, at int, sign float64, d []complex64, lo, size int) float64 {
	for at > 0 && sign*c[at-1] > sign*c[at] {
		at--
	}
	for at+1 < len(c) && sign*c[at+1] > sign*c[at] {
		at++
	}
	if at == 0 || at+1 == len(c) {
		return math.NaN()
	}
	// Newton's steps on Σ Re d[k]·exp(iθ(lo+k)τ), which is c at τ = at − len(c)/2.
	theta := 2 * math.Pi / float64(size)
	tau := float64(at - len(c)/2)
	first := tau
	for range 4 {
		z, turn := cmplx.Rect(1, theta*tau*float64(lo)), cmplx.Rect(1, theta*tau)
		r1, r2 := 0.0, 0.0
		for k, v := range d {
			w := theta * float64(lo+k)
			at := complex128(v) * z
			r1 -= w * imag(at)
			r2 -= w * w * real(at)
			z *= turn
		}
		if sign*r2 >= 0 {
			break
		}
		by := -r1 / r2
		if math.Abs(tau+by-first) > 1 {
			break
		}
		if tau += by; math.Abs(by) < 1e-3 {
			break
		}
	}
	return tau + float64(len(c)/2)
}

// addBetween finds the lags of the windows h between those of the path, each from what
// all but its neighbours have in common.
func (p *phases) addBetween(g, h [][]complex64, windows []window, lo, size, reach int) {
	bins := len(g[0])
	model, own := make([]complex128, bins), make([]complex128, bins)
	weight := func(i int) float64 {
		if p.alike[i] {
			return 1
		}
		return 0
	}
	for i := range g {
		p.turned(own, g, i, lo, size, weight(i))
		for k, c := range own {
			model[k] += c
		}
	}
	fft := dsp.NewNarrow(size, lo, bins, reach)
	rest, cross := make([]complex128, bins), make([]complex64, bins)
	last := 0
	for i, w := range windows {
		for last+1 < len(p.windows) && p.windows[last+1].first < w.first {
			last++
		}
		next := last + 1
		if next >= len(p.windows) || p.windows[last].first > w.first || float64(p.windows[next].first-p.windows[last].first) > 1.5*float64(size) ||
			!p.alike[last] || !p.alike[next] || p.sign[last] != p.sign[next] || abs(p.lag[last]-p.lag[next]) > 1 {
			continue
		}
		copy(rest, model)
		for _, k := range []int{last, next} {
			p.turned(own, g, k, lo, size, 1)
			for j, c := range own {
				rest[j] -= c
			}
		}
		norm := 0.0
		for _, c := range rest {
			norm += real(c)*real(c) + imag(c)*imag(c)
		}
		scale := complex(1/(math.Sqrt(norm)+1e-12), 0)
		for k, c := range h[i] {
			rest[k] = complex128(c) * cmplx.Conj(rest[k]*scale)
			cross[k] = complex64(rest[k])
		}
		c, _ := fft.Lags(rest, nil)
		sign := float64(p.sign[last])
		if at := p.lag[last] + reach; sign*c[at] >= weakPhase*p.noise {
			if lag := nearestTop(c, at, sign, cross, lo, size) - float64(reach) + w.off; !math.IsNaN(lag) {
				p.halves = append(p.halves, point{w.time, lag})
			}
		}
	}
}

// turned writes window i moved to where it lies, with its sign and a weight, to dst.
func (p *phases) turned(dst []complex128, g [][]complex64, i, lo, size int, weight float64) {
	theta := 2 * math.Pi * (float64(p.lag[i]) - p.windows[i].off) / float64(size)
	z, turn := cmplx.Rect(float64(p.sign[i])*weight, theta*float64(lo)), cmplx.Rect(1, theta)
	for k, c := range g[i] {
		dst[k] = complex128(c) * z
		z *= turn
	}
}

// path finds the path, given each window's correlation at each lag.
func (p *phases) path(curves [][]float64) {
	chances, spread := make([][]float32, len(curves)), make([][]float32, len(curves))
	scale := phaseSharp / max(p.height, 0.1)
	for i, c := range curves {
		row := make([]float32, 2*p.n)
		top := 0.0
		for _, v := range c {
			top = max(top, math.Abs(v))
		}
		sum := 0.0
		for j, v := range c {
			up, down := math.Exp(scale*(v-top)), math.Exp(scale*(-v-top))
			row[j], row[p.n+j] = float32(up), float32(down)
			sum += up + down
		}
		for j := range row {
			row[j] /= float32(sum)
		}
		chances[i], spread[i] = row, make([]float32, 2*p.n)
	}
	states := float64(2 * p.n)
	best := math.Inf(-1)
	var path []int
	for _, sigma := range scatters {
		inShares(len(chances), func(from, to int) error {
			for i, c := range chances[from:to] {
				row := spread[from+i]
				clear(row)
				blur(row[:p.n], c[:p.n], sigma, 1)
				blur(row[p.n:], c[p.n:], sigma, 1)
			}
			return nil
		})
		sum := make([]float64, 2*p.n)
		never := math.Log(0.4) // of most lags
		for _, row := range spread {
			for j, v := range row {
				if v == 0 {
					sum[j] += never
				} else {
					sum[j] += math.Log(0.6*float64(v)*states + 0.4)
				}
			}
		}
		main := argmax(sum)
		likely := make([]float64, len(spread))
		for i := range spread {
			likely[i] = float64(spread[i][main]) * states
		}
		miss := missRate(likely, leastMiss)
		never = math.Log(miss)
		way, total := likeliest(len(spread), 2*p.n+1, 2*p.n, main, phasePrices, func(row []float64, i int) {
			for j, v := range spread[i] {
				if row[j] = never; v != 0 {
					row[j] = math.Log((1-miss)*float64(v)*states + miss)
				}
			}
			row[2*p.n] = 0
		})
		if total > best {
			best, path, p.scatter, p.main = total, way, sigma, main
			for i, at := range way {
				p.alike[i] = at < 2*p.n && (1-miss)*float64(spread[i][at])*states > miss
			}
		}
	}
	r := p.n / 2
	for i, at := range path {
		if at == 2*p.n {
			at = p.main
		}
		p.lag[i], p.sign[i] = at%p.n-r, 1
		if at >= p.n {
			p.sign[i] = -1
		}
	}
}

// usual returns by how many frames each window lies from the line on which most of
// them lie (NaN where it lies at no lag), how far these do (robust standard deviation)
// and most windows' sign.
func (p *phases) usual(rate int) (off []float64, spread float64, sign int) {
	var seq []point
	signs := 0
	for i, w := range p.windows {
		off = append(off, p.fine[i])
		if p.alike[i] && !math.IsNaN(p.fine[i]) {
			seq = append(seq, point{w.time, p.fine[i]})
			signs += p.sign[i]
		}
	}
	sign = 1
	if signs < 0 {
		sign = -1
	}
	if len(seq) == 0 {
		return off, 0, sign
	}
	within := max(besidePhase*float64(rate), strays*p.scatter)
	lag, slope := commonLine(seq, within/2, mostSlope*float64(rate))
	for i, w := range p.windows {
		off[i] -= lag + slope*w.time
	}
	var x []float64
	for _, s := range seq {
		if d := math.Abs(s.lag - lag - slope*s.time); d <= within {
			x = append(x, d)
		}
	}
	if len(x) == 0 {
		return off, 0, sign
	}
	return off, 1.4826 * quantile(x, 0.5), sign
}

const (
	linesTried = 60  // values through which lines are tried
	lineSpan   = 3.0 // s between two of them
)

// commonLine returns the line, no steeper than steep, near which most of a sequence
// lies: of those through two of its values, or level through one, that with most values
// within about width, fitted to these.
//
// Source: M. A. Fischler, R. C. Bolles, Random sample consensus, Comm. ACM 24(6), 1981
// (the idea, with every pair instead of random ones; from memory).
func commonLine(seq []point, width, steep float64) (lag, slope float64) {
	best := math.Inf(-1)
	try := func(at, by float64) {
		sum := 0.0
		for _, x := range seq {
			d := (x.lag - at - by*x.time) / width
			sum += 1 / (1 + d*d)
		}
		if sum > best {
			best, lag, slope = sum, at, by
		}
	}
	every := (len(seq) + linesTried - 1) / linesTried
	for i := 0; i < len(seq); i += every {
		try(seq[i].lag, 0)
		for j := 0; j < i; j += every {
			dt := seq[i].time - seq[j].time
			if by := (seq[i].lag - seq[j].lag) / dt; dt >= lineSpan && math.Abs(by) <= steep {
				try(seq[i].lag-by*seq[i].time, by)
			}
		}
	}
	for range weightings {
		var n, t, l, tt, tl float64
		for _, x := range seq {
			d := (x.lag - lag - slope*x.time) / width
			w := 1 / ((1 + d*d) * (1 + d*d))
			n, t, l, tt, tl = n+w, t+w*x.time, l+w*x.lag, tt+w*x.time*x.time, tl+w*x.time*x.lag
		}
		if d := n*tt - t*t; d > 0 {
			slope = (n*tl - t*l) / d
		}
		lag = (l - slope*t) / n
	}
	return lag, slope
}

const (
	besidePhase = 2.5e-4 // s from the usual lag beyond which a window lies beside it
	closely     = 5e-5   // s from it, at least, within which one lies in place
	besideTimes = 4      // or times the windows' spread
	weakPhase   = 2      // times the quadrature, below which a correlation says nothing
	tops        = 5e-4   // s: about what tops of chance correlations lie apart
)

// place says where a window lies.
type place int

const (
	inPlace place = iota
	besideIt
	inverted
	nowhere
)

// places returns where each window lies, by how many frames from the usual lag, and
// the chance of a window of something else to lie in place.
func (p *phases) places(rate int) (at []place, off []float64, chance float64) {
	off, spread, sign := p.usual(rate)
	tolerance := max(closely*float64(rate), besideTimes*spread)
	far := max(besidePhase*float64(rate), tolerance)
	for i, d := range off {
		k := inPlace
		switch {
		case !p.alike[i] || p.corr[i] < weakPhase*p.noise || math.IsNaN(d): // or beyond reach
			k = nowhere
		case math.Abs(d) > far:
			k = besideIt
		case math.Abs(d) > tolerance:
			k = nowhere
		case p.sign[i] != sign:
			k = inverted
		}
		at = append(at, k)
	}
	return at, off, min(0.5, max(0.05, tolerance/(tops*float64(rate))))
}
