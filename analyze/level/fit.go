package level

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"evenhand/analyze/finding"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

// What is fitted, and what counts as a good fit.
const (
	fitFraction = 6    // bands per octave
	floorError  = 0.02 // dB, of any band: the smearing of filters over segments
	mostError   = 1.0  // dB, of a band that is used
	leastBands  = 20
	goodFit     = 1.3  // the most that chi-square may be, per degree of freedom
	leastError  = 0.02 // dB, of a level, that is stated
)

// reaches are the ranges in Hz in which a shape is looked for, the next where
// nothing fits the one before: far from the middle converters and transformers
// have shapes of their own, which say nothing about its gain.
var reaches = [][2]float64{{20, 20000}, {40, 10000}, {60, 6500}, {80, 4000}}

// band is a narrow band's level, loopback less dry, with its standard error,
// and where in it the dry recording's power lies.
type band struct {
	level, err float64 // dB
	hz, weight []float64
}

// narrow measures the bands that can be measured.
func (s *spectra) narrow() []band {
	var out []band
	m := s.all.independent()
	for _, b := range spectrum.Bands(fitFraction, From, To) {
		if float64(b.High) > 0.42*float64(s.rate) {
			break
		}
		first, last := s.reach(b.Low, b.High)
		var n band
		var dry, coherent, noise, variance float64
		for k := first; k <= last; k++ {
			x := s.all.xx[k]
			if x <= 0 {
				continue
			}
			p := power(s.all.xy[k]) / x
			// What does not follow, as it shows in the part that does.
			q := math.Max(0, s.all.yy[k]-p) / (m - 1)
			dry, coherent, noise, variance = dry+x, coherent+p-q, noise+q, variance+2*math.Max(0, p-q)*q+q*q
			n.put(float64(k)*float64(s.rate)/float64(s.n), x)
		}
		scale := 2 / (float64(s.n) * float64(s.n) * 0.375 * float64(s.all.count))
		if dry*scale <= leastPower/fitFraction || coherent <= 0 {
			continue
		}
		// Neighbouring bins of a Hann window share their noise, 1 + 2·(2/3)² +
		// 2·(1/6)² times. Of a steady tone's spectra, half-overlapped, the noise
		// counts a third more than of noise: the bias that is taken out is known
		// to so much.
		chance := math.Sqrt(1.94*variance) / coherent
		bias := noise / 3 / coherent
		n.err = math.Hypot(10/math.Ln10*math.Hypot(chance, bias), floorError)
		n.level = unit.FromPower(coherent / dry)
		if n.err <= mostError {
			out = append(out, n)
		}
	}
	return out
}

// put adds a bin's dry power, joining bins that lie within a 48th of an octave.
func (b *band) put(hz, weight float64) {
	if n := len(b.hz); n > 0 && hz < 1.0145*b.hz[n-1] {
		sum := b.weight[n-1] + weight
		b.hz[n-1] += (hz - b.hz[n-1]) * weight / sum
		b.weight[n-1] = sum
		return
	}
	b.hz, b.weight = append(b.hz, hz), append(b.weight, weight)
}

// shape is a gain and what the two ends of a response do to it.
type shape struct {
	gain      float64 // dB
	low, high end
	chi2      float64
	err       float64 // of gain, one standard error
}

func (s shape) params() int { return 1 + s.low.params() + s.high.params() }

func (s shape) numbers() []float64 {
	return append(append([]float64{s.gain}, s.low.numbers()...), s.high.numbers()...)
}

func (s shape) with(x []float64) shape {
	k := 1 + s.low.params()
	s.gain, s.low, s.high = x[0], s.low.with(x[1:k]), s.high.with(x[k:])
	return s
}

// misses are by how many standard errors the shape misses the bands; it sets
// chi2.
func (s *shape) misses(bands []band) []float64 {
	out := make([]float64, len(bands))
	s.chi2 = 0
	low, high := s.low.power(), s.high.power()
	for i, b := range bands {
		var sum, all float64
		for k, w := range b.weight {
			sum, all = sum+w*low(b.hz[k])*high(b.hz[k]), all+w
		}
		out[i] = (b.level - s.gain - unit.FromPower(sum/all)) / b.err
		s.chi2 += out[i] * out[i]
	}
	return out
}

// begin sets the gain that fits best with the ends as they are.
func (s *shape) begin(bands []band) {
	s.gain = 0
	var sum, all float64
	for i, r := range s.misses(bands) {
		e := bands[i].err
		sum, all = sum+r/e, all+1/(e*e)
	}
	s.gain = sum / all
	s.misses(bands)
}

// refine moves the numbers to the least chi-square, by the damped method of
// Levenberg and Marquardt, and sets err.
func (s *shape) refine(bands []band) {
	damp := 1e-3
	for range 40 {
		normal, slope := s.normal(bands)
		was := s.chi2
		for try := 0; try < 8 && s.chi2 == was; try++ {
			if next := s.moved(normal, slope, damp); next.improves(bands, was) {
				*s, damp = next, max(damp/5, 1e-9)
			} else {
				damp *= 5
			}
		}
		if was-s.chi2 <= 1e-6*was+1e-9 {
			break
		}
	}
	normal, _ := s.normal(bands)
	first := make([]float64, len(normal))
	first[0] = 1
	if c := solve(damped(normal, 0), first); c != nil && c[0] > 0 {
		s.err = math.Sqrt(c[0])
	} else {
		s.err = math.Inf(1)
	}
}

// damped is a copy of the normal equations with more on the diagonal; a number
// at its bound has nothing there but the least.
func damped(normal [][]float64, by float64) [][]float64 {
	a := make([][]float64, len(normal))
	for i, row := range normal {
		a[i] = slices.Clone(row)
		a[i][i] += by*row[i] + 1e-9
	}
	return a
}

// moved is the shape one damped step on, of at most 1 in each number.
func (s *shape) moved(normal [][]float64, slope []float64, damp float64) shape {
	x := s.numbers()
	for i, d := range solve(damped(normal, damp), slope) {
		x[i] += min(max(d, -1), 1)
	}
	return s.with(x)
}

// improves measures the shape and tells whether its chi-square is less.
func (s *shape) improves(bands []band, chi2 float64) bool {
	s.misses(bands)
	return s.chi2 < chi2
}

// normal returns the normal equations around the numbers.
func (s *shape) normal(bands []band) (a [][]float64, b []float64) {
	r, x := s.misses(bands), s.numbers()
	const h = 1e-4
	d := make([][]float64, len(x))
	for i := range x {
		y := slices.Clone(x)
		y[i] += h
		next := s.with(y)
		d[i] = next.misses(bands)
		for k := range d[i] {
			d[i][k] = (r[k] - d[i][k]) / h
		}
	}
	a, b = make([][]float64, len(x)), make([]float64, len(x))
	for i := range x {
		a[i] = make([]float64, len(x))
		for k := range r {
			b[i] += d[i][k] * r[k]
		}
		for j := range x {
			for k := range r {
				a[i][j] += d[i][k] * d[j][k]
			}
		}
	}
	return a, b
}

// solve returns x of a·x = b, nil where there is none.
func solve(a [][]float64, b []float64) []float64 {
	n := len(b)
	var x mat.VecDense
	err := x.SolveVec(mat.NewDense(n, n, slices.Concat(a...)), mat.NewVecDense(n, b))
	// An ill-conditioned system has its answer all the same.
	var poor mat.Condition
	if err != nil && (!errors.As(err, &poor) || math.IsInf(float64(poor), 1)) {
		return nil
	}
	return x.RawVector().Data
}

// fit returns the shape that explains the bands best for its number of
// parameters, by the criterion of Schwarz, and the standard error of its gain,
// in which the other shapes count by how well they explain the same. ok tells
// whether it explains them within their errors and leaves a passband.
//
// Source: G. Schwarz, Annals of Statistics 6 (2), 1978; S. T. Buckland,
// K. P. Burnham, N. H. Augustin, Biometrics 53 (2), 1997, for the error; from
// memory.
func fit(bands []band) (best shape, ok bool) {
	if len(bands) < leastBands {
		return shape{}, false
	}
	n := float64(len(bands))
	score := func(s shape) float64 { return s.chi2 + float64(s.params())*math.Log(n) }
	var all []shape
	for low := flatEnd; low <= steepShelf; low++ {
		for high := flatEnd; high <= steepShelf; high++ {
			if low < gentleShelf || high < gentleShelf { // what lies between two shelves is a bump
				all = append(all, fitKinds(bands, low, high))
			}
		}
	}
	best = slices.MinFunc(all, func(a, b shape) int { return cmp.Compare(score(a), score(b)) })
	perDegree := best.chi2 / (n - float64(best.params()))
	var sum, weights float64
	for _, s := range all {
		w := math.Exp((score(best) - score(s)) / 2)
		if d := s.gain - best.gain; w > 1e-6 {
			sum, weights = sum+w*(s.err*s.err*max(1, perDegree)+d*d), weights+w
		}
	}
	best.err = math.Sqrt(sum / weights)
	return best, perDegree <= goodFit && !best.low.inMiddle() && !best.high.inMiddle()
}

// fitKinds fits one kind to each end, from the best of several beginnings.
func fitKinds(bands []band, low, high kind) shape {
	best := shape{chi2: math.Inf(1)}
	for _, l := range low.starts(false) {
		for _, h := range high.starts(true) {
			s := shape{low: l, high: h}
			s.begin(bands)
			if s.chi2 < best.chi2 {
				best = s
			}
		}
	}
	best.refine(bands)
	return best
}

// said says what the shape does to each end that is not flat, the lower first.
func (s shape) said() []finding.Text {
	out := []finding.Text{}
	for _, e := range []end{s.low, s.high} {
		if e.kind != flatEnd {
			out = append(out, e.said())
		}
	}
	return out
}

// separate takes the gain of the passband from the fitted shape where that
// explains what was measured; else Level stays the mean of the middle octaves.
func (r *Result) separate(bands []band) {
	var s shape
	var ok bool
	for _, reach := range reaches {
		within := slices.DeleteFunc(slices.Clone(bands), func(b band) bool { return b.hz[0] < reach[0] || b.hz[0] > reach[1] })
		if s, ok = fit(within); ok {
			r.FitFrom, r.FitTo = unit.Hertz(reach[0]), unit.Hertz(reach[1])
			break
		}
	}
	if !ok {
		r.spread(bands)
		return
	}
	r.Separated, r.Shape = true, s.said()
	err := s.err
	if len(r.Shape) == 0 {
		err = math.Hypot(err, s.gain-float64(r.Middle))
	} else {
		r.Level = stored(s.gain)
	}
	r.LevelError = stored(max(leastError, 2*err))
}

// spread states as error by how much the narrow bands of the middle differ: so
// far may the level be off, whichever of them is taken for it.
func (r *Result) spread(bands []band) {
	least, most := math.Inf(1), math.Inf(-1)
	for _, b := range bands {
		if b.hz[0] > 200 && b.hz[0] < 1200 {
			least, most = min(least, b.level), max(most, b.level)
		}
	}
	if most >= least {
		r.LevelError = stored(max(leastError, most-least))
	}
}

// stored rounds to 0.0001 dB, as a level is stored: 0.2 dB is not more than 0.2
// dB.
func stored(db float64) unit.DB { return unit.DB(math.Round(1e4*db) / 1e4) }
