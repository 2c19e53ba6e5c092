package parts

import (
	"math"
	"math/cmplx"
	"slices"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

const (
	leastWindows = 12     // from which the phase tells anything
	phaseReach   = 0.0065 // s
	phaseSharp   = 30     // by how much the logarithm of a lag's odds grows with the correlation
	phaseRounds  = 2
	heightShare  = 0.67 // quantile of the correlations that says how alike the windows are
	leastNoise   = 0.02
	clearPhase   = 5 // times the correlations' quadrature that they must reach to be believed
	modelRounds  = 40
	plainlyEven  = 2 // times clearer that the windows must be behind a curve that makes octaves
)

var phasePrices = prices{leave: 14, back: 8, creep: 3}

// scatters are the scatters of the windows' lags that are tried, in frames.
var scatters = [...]float64{0.7, 1.5, 3, 6, 12, 24}

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
func (x *crossing) comparePhases(lag func(t float64) float64, keep func(from, to float64) bool) (*phases, error) {
	best, err := x.compareAfter(asItIs, lag, keep)
	if err != nil || best == nil {
		return nil, err
	}
	if plain := best; plain.agreed() < clearPhase*plain.noise {
		even, err := x.compareAfter(magnitude, lag, keep)
		if err != nil {
			return nil, err
		}
		if even != nil && even.clear() && !(even.agreed()*plain.noise < plainlyEven*plain.agreed()*even.noise) {
			even.even = true
			best = even
		}
	}
	best.addBetween(best.g, best.h, best.between, x.lo, x.size, best.n/2)
	return best.phases, nil
}

// compared is what windows say, with the cross-spectra of these and of those between them.
type compared struct {
	*phases
	g, h    [][]complex64
	between []window
}

// compareAfter compares windows, those between them aside, with a curve that a goes through
// first.
func (x *crossing) compareAfter(curve curve, lag func(t float64) float64, keep func(from, to float64) bool) (*compared, error) {
	all := x.windows(lag, keep)
	spectra, err := x.spectra(curve, all)
	if err != nil {
		return nil, err
	}
	var kept []window
	var out compared
	for i, w := range all {
		switch {
		case spectra[i] == nil:
		case w.between:
			out.between, out.h = append(out.between, w), append(out.h, spectra[i])
		default:
			kept, out.g = append(kept, w), append(out.g, spectra[i])
		}
	}
	n := len(kept)
	if n < leastWindows {
		return nil, nil
	}
	r := int(phaseReach * float64(x.a.Rate()))
	out.phases = &phases{windows: kept, n: 2*r + 1, lag: make([]int, n), fine: make([]float64, n),
		sign: make([]int, n), alike: make([]bool, n), corr: make([]float64, n)}
	out.follow(out.g, x.lo, x.size, r)
	return &out, nil
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
		whole := len(g) &^ 3
		for i := 0; i < whole; i += 4 {
			addFour(m, g[i:i+4], v[i:i+4])
		}
		for i, row := range g[whole:] {
			for k, c := range row {
				m[k] += times(c, v[whole+i])
			}
		}
		for i := 0; i < whole; i += 4 {
			dotFour(v[i:i+4], g[i:i+4], m)
		}
		for i, row := range g[whole:] {
			v[whole+i] = dot(row, m)
		}
		norm := 0.0
		for _, u := range v {
			norm += u * u
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

// times is c·v.
func times(c complex64, v float64) complex128 {
	return complex(float64(real(c))*v, float64(imag(c))*v)
}

// addFour adds four windows, each with its weight, to m.
func addFour(m []complex128, g [][]complex64, v []float64) {
	a, b, c, d := g[0][:len(m)], g[1][:len(m)], g[2][:len(m)], g[3][:len(m)]
	va, vb, vc, vd := v[0], v[1], v[2], v[3]
	for k, sum := range m {
		m[k] = sum + times(a[k], va) + times(b[k], vb) + times(c[k], vc) + times(d[k], vd)
	}
}

// dot returns the real part of Σ c·m̄.
func dot(c []complex64, m []complex128) (sum float64) {
	for k, v := range c {
		sum += float64(real(v))*real(m[k]) + float64(imag(v))*imag(m[k])
	}
	return sum
}

// dotFour writes the dots of four windows to dst: one sum waits for itself, four do not
// wait for each other.
func dotFour(dst []float64, g [][]complex64, m []complex128) {
	a, b, c, d := g[0][:len(m)], g[1][:len(m)], g[2][:len(m)], g[3][:len(m)]
	var sa, sb, sc, sd float64
	for k, v := range m {
		re, im := real(v), imag(v)
		sa += float64(real(a[k]))*re + float64(imag(a[k]))*im
		sb += float64(real(b[k]))*re + float64(imag(b[k]))*im
		sc += float64(real(c[k]))*re + float64(imag(c[k]))*im
		sd += float64(real(d[k]))*re + float64(imag(d[k]))*im
	}
	dst[0], dst[1], dst[2], dst[3] = sa, sb, sc, sd
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
	model := make([]complex128, bins)
	curves := make([][]float64, n)
	crosses := make([][]complex64, n)
	for i := range crosses {
		crosses[i] = make([]complex64, bins)
	}
	quad := make([]float64, n)
	tops := make([]float64, n)
	for range phaseRounds {
		clear(model)
		p.add(model, g, lo, size, weight)
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
				if weight[i] != 1 {
					p.turned(own, g, i, lo, size, 1)
				}
				scale := 1 / (math.Sqrt(norm) + 1e-12)
				quad[i] = 0
				for k, c := range rest {
					c = complex(real(c)*scale, -imag(c)*scale)
					quad[i] += imag(own[k] * c)
					rest[k] = complex128(g[i][k]) * c
					crosses[i][k] = complex64(rest[k])
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
		weight = p.weights()
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
	p.add(model, g, lo, size, p.weights())
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
		scale := 1 / (math.Sqrt(norm) + 1e-12)
		for k, c := range h[i] {
			rest[k] = complex128(c) * complex(real(rest[k])*scale, -imag(rest[k])*scale)
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

// weights are 1 for each window that lies where the path goes, 0 for the others.
func (p *phases) weights() []float64 {
	out := make([]float64, len(p.alike))
	for i, alike := range p.alike {
		if alike {
			out[i] = 1
		}
	}
	return out
}

// add adds the windows, each moved to where it lies, with its sign and a weight, to dst.
func (p *phases) add(dst []complex128, g [][]complex64, lo, size int, weight []float64) {
	own := make([]complex128, len(dst))
	for i, w := range weight {
		if w == 0 {
			continue
		}
		p.turned(own, g, i, lo, size, w)
		for k, c := range own {
			dst[k] += c
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
	// atMost is how many nats a chance adds to a path at most, whatever the misses are.
	atMost := func(chance float64) float64 { return max(0, math.Log((1-leastMiss)*chance*states+leastMiss)) }
	best := math.Inf(-1)
	var path []int
	tops := make([]float64, len(chances))
	for _, sigma := range scatters {
		if float64(len(chances))*atMost(topOf(sigma)) < best {
			continue // spread so far, they cannot be likelier
		}
		inShares(len(chances), func(from, to int) error {
			for i, c := range chances[from:to] {
				row := spread[from+i]
				clear(row)
				blur(row[:p.n], c[:p.n], sigma, 1)
				blur(row[p.n:], c[p.n:], sigma, 1)
				tops[from+i] = float64(slices.Max(row))
			}
			return nil
		})
		most := 0.0
		for _, top := range tops {
			most += atMost(top)
		}
		if most < best-roundings {
			continue
		}
		sum := make([]float64, 2*p.n)
		never := math.Log(firstMiss) // of most lags
		for _, row := range spread {
			for j, v := range row {
				if v == 0 {
					sum[j] += never
				} else {
					sum[j] += math.Log((1-firstMiss)*float64(v)*states + firstMiss)
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

// roundings are more nats than the sums along a path are rounded by.
const roundings = 1e-6

// topOf is more than the greatest of chances that are spread by a scatter, in frames: the top
// of a normal distribution, and a thousandth for what is rounded and cut.
func topOf(sigma float64) float64 { return 1.001 / (sigma * math.Sqrt(2*math.Pi)) }

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
