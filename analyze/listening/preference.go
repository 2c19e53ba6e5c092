package listening

import (
	"errors"
	"fmt"
	"math"
)

// ErrPreferences is wrapped by the errors of [FitPreferences].
var ErrPreferences = errors.New("preferences cannot be fitted")

// Counts holds the answers about pairs of items, over all readers. Numbers
// need not be whole.
type Counts struct {
	Wins [][]float64 // [i][j]: answers that prefer i to j
	Ties [][]float64 // [i][j] for i < j: answers without a preference; the rest is not read
}

// NewCounts returns counts of zero for the number of items.
func NewCounts(items int) Counts {
	c := Counts{Wins: make([][]float64, items), Ties: make([][]float64, items)}
	for i := range items {
		c.Wins[i] = make([]float64, items)
		c.Ties[i] = make([]float64, items)
	}
	return c
}

// Add counts one reader's outcomes of all pairs, in the order of
// [Preference].Pairs.
func (c Counts) Add(pairs []Outcome) {
	k := 0
	for i := range c.Wins {
		for j := i + 1; j < len(c.Wins); j++ {
			switch pairs[k] {
			case Tie:
				c.Ties[i][j]++
			case First:
				c.Wins[i][j]++
			case Second:
				c.Wins[j][i]++
			}
			k++
		}
	}
}

// asked returns the number of answers about a pair, i < j.
func (c Counts) asked(i, j int) float64 { return c.Wins[i][j] + c.Wins[j][i] + c.Ties[i][j] }

// Fit is a fitted Bradley–Terry model. With the abilities a and the tie
// parameter ν = exp(Tie), item i is preferred to j with the probability
// exp(a_i)/s, there is no preference with ν·exp((a_i+a_j)/2)/s, and s is the
// sum of the three.
type Fit struct {
	// Ability is the log ability per item; its mean is 0 in each group. NaN for
	// an item without answers.
	Ability []float64
	// Covariance is that of the abilities from the observed information, as
	// if all answers were independent; ByReader the same from the spread of
	// the readers, who give many answers each. Both cover the constraint of
	// mean 0. ByReader is nil when the readers are not known or fewer than two.
	Covariance [][]float64
	ByReader   [][]float64
	// Tie is log ν, −Inf when no answer was a tie; TieError its standard error.
	Tie      float64
	TieError float64
	// Group numbers the groups of items that no answer connects, from 0; −1
	// for items without answers. Abilities of different groups cannot be
	// compared.
	Group []int
	// Finite says that the likelihood has its maximum at finite abilities. If
	// not, Reason says why, and the estimates are those with Penalty
	// made-up answers for each side of each pair that was asked.
	Finite  bool
	Reason  string
	Penalty float64
	// Tiers are sets of items, group by group: within a set the answers
	// contradict each other, between two sets never, and no item was preferred
	// to one of an earlier set. Finite fits have one set per group.
	Tiers [][]int
	// LogLikelihood and Deviance (against the model with a parameter per
	// pair and outcome) are at the estimates, without the penalty's answers.
	LogLikelihood float64
	Deviance      float64
}

// Penalty is the number of made-up answers for each side of each pair that was
// asked, added when the answers alone have no finite estimate.
const Penalty = 0.5

// Difference returns a_i − a_j and its standard error, the greater of the two
// kinds; NaN when the items are not of one group. It is exact for i = j: 0, 0.
func (f Fit) Difference(i, j int) (d, standardError float64) {
	if f.Group[i] < 0 || f.Group[i] != f.Group[j] {
		return math.NaN(), math.NaN()
	}
	v := f.Covariance[i][i] + f.Covariance[j][j] - 2*f.Covariance[i][j]
	if f.ByReader != nil {
		v = max(v, f.ByReader[i][i]+f.ByReader[j][j]-2*f.ByReader[i][j])
	}
	return f.Ability[i] - f.Ability[j], math.Sqrt(max(0, v))
}

// Error returns the standard error of an ability, the greater of the two
// kinds; NaN for an item without answers.
func (f Fit) Error(i int) float64 {
	if f.Group[i] < 0 {
		return math.NaN()
	}
	v := f.Covariance[i][i]
	if f.ByReader != nil {
		v = max(v, f.ByReader[i][i])
	}
	return math.Sqrt(max(0, v))
}

// FitPreferences fits the Bradley–Terry model by maximum likelihood, with
// Davidson's parameter for ties when there are any. The readers' outcomes, in
// the order of [Preference].Pairs, are optional; they must be those that were
// counted, and only serve the standard errors. The error wraps
// [ErrPreferences]: no answers at all, or counts that are negative, not finite
// or not square.
//
// Source: R. A. Bradley and M. E. Terry, Biometrika 39 (1952), 324–345; ties:
// R. R. Davidson, Journal of the American Statistical Association 65 (1970),
// 317–328, from memory; existence of estimates: L. R. Ford, American
// Mathematical Monthly 64 (1957), 28–33; standard errors by reader: the
// sandwich of H. White, Econometrica 50 (1982), 1–25, over clusters.
func FitPreferences(c Counts, readers [][]Outcome) (Fit, error) {
	items := len(c.Wins)
	if len(c.Ties) != items {
		return Fit{}, fmt.Errorf("%w: %d rows of wins, %d of ties", ErrPreferences, items, len(c.Ties))
	}
	total := 0.0
	for i := range items {
		if len(c.Wins[i]) != items || len(c.Ties[i]) != items {
			return Fit{}, fmt.Errorf("%w: row %d is not %d long", ErrPreferences, i+1, items)
		}
		for j := range items {
			for _, v := range []float64{c.Wins[i][j], c.Ties[i][j]} {
				if !(v >= 0) || math.IsInf(v, 1) {
					return Fit{}, fmt.Errorf("%w: %v answers about items %d and %d", ErrPreferences, v, i+1, j+1)
				}
			}
			if j > i {
				total += c.asked(i, j)
			}
		}
	}
	if total == 0 {
		return Fit{}, fmt.Errorf("%w: no answers", ErrPreferences)
	}
	f := Fit{Finite: true}
	f.Group = c.groups()
	f.Tiers, f.Reason = c.existence(f.Group)
	counted := c
	if f.Reason != "" {
		f.Finite, f.Penalty = false, Penalty
		counted = c.penalised(Penalty)
	}
	m := newModel(counted, f.Group)
	x, covariance, err := m.maximise()
	if err != nil {
		return Fit{}, err
	}
	m.report(&f, x, covariance, readers)
	m.counts = c
	f.LogLikelihood, _, _ = m.at(x)
	f.Deviance = 2 * (c.saturated() - f.LogLikelihood)
	return f, nil
}

// penalised returns the counts with made-up answers for both sides of each
// pair that was asked.
func (c Counts) penalised(each float64) Counts {
	p := NewCounts(len(c.Wins))
	for i := range c.Wins {
		for j := range c.Wins {
			p.Wins[i][j] = c.Wins[i][j]
			if i < j {
				p.Ties[i][j] = c.Ties[i][j]
			}
			if i != j && c.asked(min(i, j), max(i, j)) > 0 {
				p.Wins[i][j] += each
			}
		}
	}
	return p
}

// saturated is the log likelihood when each pair has its own probabilities.
func (c Counts) saturated() float64 {
	sum := 0.0
	for i := range c.Wins {
		for j := i + 1; j < len(c.Wins); j++ {
			n := c.asked(i, j)
			for _, v := range []float64{c.Wins[i][j], c.Wins[j][i], c.Ties[i][j]} {
				if v > 0 {
					sum += v * math.Log(v/n)
				}
			}
		}
	}
	return sum
}
