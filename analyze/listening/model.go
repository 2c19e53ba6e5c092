package listening

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/optimize"
)

// model is the log likelihood over the free parameters: the abilities of all
// items but the first of each group, which is 0, and log ν when there are ties.
type model struct {
	counts Counts
	group  []int
	index  []int // of an item's parameter; −1 for none
	tie    int   // index of log ν; −1 for none
	size   int
}

func newModel(c Counts, group []int) *model {
	m := &model{counts: c, group: group, index: make([]int, len(group)), tie: -1}
	seen := map[int]bool{}
	for i, g := range group {
		m.index[i] = -1
		if g < 0 {
			continue
		}
		if seen[g] {
			m.index[i] = m.size
			m.size++
		}
		seen[g] = true
	}
	for i := range c.Ties {
		for j := i + 1; j < len(c.Ties); j++ {
			if c.Ties[i][j] > 0 && m.tie < 0 {
				m.tie = m.size
				m.size++
			}
		}
	}
	return m
}

// feature is how much a parameter adds to the scores of the three outcomes:
// the first preferred, the second, neither.
type feature struct {
	at    int
	score [3]float64
}

// features returns those of a pair's parameters.
func (m *model) features(i, j int) []feature {
	f := make([]feature, 0, 3)
	if k := m.index[i]; k >= 0 {
		f = append(f, feature{k, [3]float64{1, 0, 0.5}})
	}
	if k := m.index[j]; k >= 0 {
		f = append(f, feature{k, [3]float64{0, 1, 0.5}})
	}
	if m.tie >= 0 {
		f = append(f, feature{m.tie, [3]float64{0, 0, 1}})
	}
	return f
}

// probabilities returns the logarithms of the three outcomes' probabilities.
func (m *model) probabilities(features []feature, x []float64) [3]float64 {
	var s [3]float64
	for _, f := range features {
		for o := range s {
			s[o] += x[f.at] * f.score[o]
		}
	}
	if m.tie < 0 {
		s[2] = math.Inf(-1)
	}
	top := max(s[0], s[1], s[2])
	sum := math.Log(math.Exp(s[0]-top)+math.Exp(s[1]-top)+math.Exp(s[2]-top)) + top
	return [3]float64{s[0] - sum, s[1] - sum, s[2] - sum}
}

// at returns the log likelihood, its gradient and the observed information
// (which is the expected one, as the model is log-linear).
func (m *model) at(x []float64) (value float64, gradient []float64, information *mat.SymDense) {
	gradient = make([]float64, m.size)
	information = mat.NewSymDense(m.size, nil)
	c := m.counts
	for i := range c.Wins {
		for j := i + 1; j < len(c.Wins); j++ {
			n := c.asked(i, j)
			if n == 0 {
				continue
			}
			seen := [3]float64{c.Wins[i][j], c.Wins[j][i], c.Ties[i][j]}
			features := m.features(i, j)
			logs := m.probabilities(features, x)
			var p [3]float64
			for o := range p {
				p[o] = math.Exp(logs[o])
				if seen[o] > 0 {
					value += seen[o] * logs[o]
				}
			}
			mean := func(f feature) float64 { return p[0]*f.score[0] + p[1]*f.score[1] + p[2]*f.score[2] }
			for a, f := range features {
				e := mean(f)
				for o := range seen {
					gradient[f.at] += seen[o] * (f.score[o] - e)
				}
				for _, g := range features[a:] {
					eg := mean(g)
					v := 0.0
					for o := range p {
						v += p[o] * (f.score[o] - e) * (g.score[o] - eg)
					}
					information.SetSym(f.at, g.at, information.At(f.at, g.at)+n*v)
				}
			}
		}
	}
	return value, gradient, information
}

// maximise returns the maximum and the inverse of the information there. The
// caller has made sure that there is one.
func (m *model) maximise() ([]float64, *mat.SymDense, error) {
	total := 0.0
	for i := range m.counts.Wins {
		for j := i + 1; j < len(m.counts.Wins); j++ {
			total += m.counts.asked(i, j)
		}
	}
	problem := optimize.Problem{
		Func: func(x []float64) float64 { v, _, _ := m.at(x); return -v / total },
		Grad: func(grad, x []float64) {
			_, g, _ := m.at(x)
			for i := range g {
				grad[i] = -g[i] / total
			}
		},
		Hess: func(hess *mat.SymDense, x []float64) {
			_, _, h := m.at(x)
			hess.ScaleSym(1/total, h)
		},
	}
	settings := &optimize.Settings{GradientThreshold: 1e-9, Converger: optimize.NeverTerminate{}, MajorIterations: 500}
	result, err := optimize.Minimize(problem, make([]float64, m.size), settings, &optimize.Newton{})
	if result == nil {
		return nil, nil, fmt.Errorf("%w: %w", ErrPreferences, err)
	}
	// A line search may give up in the last digits; two whole steps of Newton
	// settle them, and the gradient decides.
	x := result.X
	var chol mat.Cholesky
	for range 3 {
		_, g, h := m.at(x)
		if !chol.Factorize(h) {
			return nil, nil, fmt.Errorf("%w: the information is singular", ErrPreferences)
		}
		var step mat.VecDense
		if err := chol.SolveVecTo(&step, mat.NewVecDense(m.size, g)); err != nil {
			return nil, nil, fmt.Errorf("%w: %w", ErrPreferences, err)
		}
		for i := range x {
			x[i] += step.AtVec(i)
		}
	}
	_, g, h := m.at(x)
	for _, v := range g {
		if !(math.Abs(v) <= 1e-6*total) {
			return nil, nil, fmt.Errorf("%w: the maximum was not reached (%v)", ErrPreferences, result.Status)
		}
	}
	covariance := mat.NewSymDense(m.size, nil)
	if !chol.Factorize(h) || chol.InverseTo(covariance) != nil {
		return nil, nil, fmt.Errorf("%w: the information is singular", ErrPreferences)
	}
	return x, covariance, nil
}

// report writes the estimates and their covariances into the fit.
func (m *model) report(f *Fit, x []float64, covariance *mat.SymDense, readers [][]Outcome) {
	n := len(m.group)
	f.Ability = make([]float64, n)
	members := map[int]float64{}
	for _, g := range m.group {
		members[g]++
	}
	// centre maps the parameters to abilities with mean 0 in each group.
	centre := mat.NewDense(n, m.size, nil)
	for i, g := range m.group {
		if g < 0 {
			f.Ability[i] = math.NaN()
			continue
		}
		for j, h := range m.group {
			k := m.index[j]
			if h != g || k < 0 {
				continue
			}
			w := -1 / members[g]
			if i == j {
				w++
			}
			centre.Set(i, k, w)
			f.Ability[i] += w * x[k]
		}
	}
	f.Tie, f.TieError = math.Inf(-1), math.NaN()
	if m.tie >= 0 {
		f.Tie, f.TieError = x[m.tie], math.Sqrt(covariance.At(m.tie, m.tie))
	}
	f.Covariance = m.spread(centre, covariance)
	if len(readers) < 2 {
		return
	}
	sandwich := mat.NewDense(m.size, m.size, nil)
	sandwich.Product(covariance, m.scatter(x, readers), covariance)
	f.ByReader = m.spread(centre, sandwich)
}

// spread returns centre·covariance·centreᵀ; NaN for items without answers.
func (m *model) spread(centre *mat.Dense, covariance mat.Matrix) [][]float64 {
	var c mat.Dense
	c.Product(centre, covariance, centre.T())
	rows := make([][]float64, len(m.group))
	for i, g := range m.group {
		rows[i] = make([]float64, len(m.group))
		for j, h := range m.group {
			rows[i][j] = c.At(i, j)
			if g < 0 || h < 0 {
				rows[i][j] = math.NaN()
			}
		}
	}
	return rows
}

// scatter returns the sum over readers of the outer products of their
// gradients, times R/(R−1).
func (m *model) scatter(x []float64, readers [][]Outcome) *mat.SymDense {
	n := len(m.group)
	// scores[pair][outcome] is the gradient of one answer.
	type scored struct {
		at    []int
		score [3][]float64
	}
	var pairs []scored
	for i := range n {
		for j := i + 1; j < n; j++ {
			var s scored
			if m.group[i] >= 0 && m.group[i] == m.group[j] {
				features := m.features(i, j)
				logs := m.probabilities(features, x)
				for _, f := range features {
					s.at = append(s.at, f.at)
					mean := 0.0
					for o := range logs {
						mean += math.Exp(logs[o]) * f.score[o]
					}
					for o := range s.score {
						s.score[o] = append(s.score[o], f.score[o]-mean)
					}
				}
			}
			pairs = append(pairs, s)
		}
	}
	sum := mat.NewSymDense(m.size, nil)
	g := mat.NewVecDense(m.size, nil)
	for _, outcomes := range readers {
		g.Zero()
		for k, o := range outcomes {
			at := -1
			switch o {
			case First:
				at = 0
			case Second:
				at = 1
			case Tie:
				at = 2
			default:
				continue
			}
			for q, p := range pairs[k].at {
				g.SetVec(p, g.AtVec(p)+pairs[k].score[at][q])
			}
		}
		sum.SymRankOne(sum, 1, g)
	}
	r := float64(len(readers))
	sum.ScaleSym(r/(r-1), sum)
	return sum
}
