package listening

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s = %.9g, want %.9g ± %g", what, got, want, tolerance)
	}
}

// Citations between four statistics journals: S. Stigler, Statistical Science
// 9 (1994), 94–108, as used by A. Agresti, Categorical Data Analysis, 2nd ed.
// (2002), p. 448. The estimates −2.94907, −0.47957 and 0.26895 relative to the
// first journal and the deviance 4.2934 on 3 degrees of freedom: H. Turner and
// D. Firth, Journal of Statistical Software 48(9) (2012), from memory; further
// digits and the standard errors recomputed by the fixed-point iteration
// p_i = W_i / Σ N_ij/(p_i+p_j) and the inverse information.
func TestCitations(t *testing.T) {
	c := NewCounts(4)
	c.Wins = [][]float64{{0, 730, 498, 221}, {33, 0, 68, 17}, {320, 813, 0, 142}, {284, 276, 325, 0}}
	f, err := FitPreferences(c, nil)
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][2]float64{{0, 0}, {-2.9490725, 0.1025453}, {-0.4795698, 0.0605887}, {0.2689541, 0.0708300}} {
		d, e := f.Difference(i, 0)
		near(t, "ability", d, want[0], 6e-8)
		near(t, "standard error", e, want[1], 6e-8)
	}
	near(t, "deviance", f.Deviance, 4.2933840, 6e-8)
	near(t, "sum of abilities", f.Ability[0]+f.Ability[1]+f.Ability[2]+f.Ability[3], 0, 1e-12)
	if !f.Finite || f.Reason != "" || !math.IsInf(f.Tie, -1) || f.ByReader != nil || len(f.Tiers) != 1 {
		t.Errorf("fit %+v", f)
	}
}

// Seven baseball teams that met 13 times each in 1987: A. Agresti, Categorical
// Data Analysis, 2nd ed. (2002), section 10.6. Estimates and standard errors
// relative to the last team as in D. Firth, Journal of Statistical Software
// 12(1) (2005), and the deviance 15.74 on 15 degrees of freedom, from memory.
func TestBaseball(t *testing.T) {
	wins := [][]float64{ // Milwaukee, Detroit, Toronto, New York, Boston, Cleveland, Baltimore
		{0, 7, 9, 7, 7, 9, 11}, {6, 0, 7, 5, 11, 9, 9}, {4, 6, 0, 7, 7, 8, 12}, {6, 8, 6, 0, 6, 7, 10},
		{6, 2, 6, 7, 0, 7, 12}, {4, 4, 5, 6, 6, 0, 6}, {2, 4, 1, 3, 1, 7, 0},
	}
	c := NewCounts(len(wins))
	c.Wins = wins
	f, err := FitPreferences(c, nil)
	if err != nil || !f.Finite {
		t.Fatal(f.Reason, err)
	}
	for i, want := range [][2]float64{{1.5814, 0.3433}, {1.4364, 0.3396}, {1.2945, 0.3367}, {1.2476, 0.3359}, {1.1077, 0.3339}, {0.6839, 0.3319}} {
		d, e := f.Difference(i, len(wins)-1)
		near(t, "estimate", d, want[0], 0.00006)
		near(t, "error", e, want[1], 0.00006)
	}
	near(t, "deviance", f.Deviance, 15.74, 0.006)
}

// Two items: Davidson's model is saturated, so it meets the counts exactly.
// log(π1/π2) = log(w1/w2) with the variance 1/w1 + 1/w2, and
// ν = t/√(w1·w2) with that of log t − (log w1 + log w2)/2.
func TestTwoItemsWithTies(t *testing.T) {
	for _, c := range [][3]float64{{17, 5, 9}, {3, 40, 1}, {2, 2, 100}, {20000, 30000, 50000}} {
		w1, w2, ties := c[0], c[1], c[2]
		counts := NewCounts(2)
		counts.Wins[0][1], counts.Wins[1][0], counts.Ties[0][1] = w1, w2, ties
		f, err := FitPreferences(counts, nil)
		if err != nil {
			t.Fatal(err)
		}
		d, e := f.Difference(0, 1)
		near(t, "difference", d, math.Log(w1/w2), 1e-9)
		near(t, "its error", e, math.Sqrt(1/w1+1/w2), 1e-9)
		near(t, "log ν", f.Tie, math.Log(ties/math.Sqrt(w1*w2)), 1e-9)
		near(t, "its error", f.TieError, math.Sqrt(1/ties+1/(4*w1)+1/(4*w2)), 1e-9)
		near(t, "deviance", f.Deviance, 0, 1e-7)
	}
}

// Twelve readers, four items, 66 answers of which some are missing. Estimates
// by SciPy 1.10.1 minimize (Nelder–Mead) on Davidson's likelihood written out
// with numpy, errors from its numerically differentiated Hessian and readers'
// gradients.
func TestFourItemsWithTies(t *testing.T) {
	readers := [][]Outcome{
		{2, 2, 3, 2, 2, 2}, {2, 0, 2, 2, 3, 3}, {0, 1, 2, 3, 3, 2}, {2, 3, 1, 1, 3, 3}, {1, 3, 1, 2, 1, 3}, {1, 2, 2, 2, 3, 2},
		{1, 2, 3, 3, 2, 3}, {3, 2, 2, 1, 3, 2}, {2, 1, 1, 3, 3, 2}, {3, 2, 3, 3, 3, 0}, {2, 2, 1, 3, 0, 3}, {1, 3, 0, 2, 2, 0},
	}
	c := NewCounts(4)
	for _, r := range readers {
		c.Add(r)
	}
	f, err := FitPreferences(c, readers)
	if err != nil {
		t.Fatal(err)
	}
	ability := []float64{0.40943745, -0.40435801, -0.18777031, 0.18269087}
	byModel := []float64{0.30243651, 0.29778295, 0.29731173, 0.30174508}
	byReader := []float64{0.24556062, 0.31998815, 0.24757434, 0.26315551}
	for i := range 4 {
		near(t, "ability", f.Ability[i], ability[i], 1e-6)
		near(t, "error by the model", math.Sqrt(f.Covariance[i][i]), byModel[i], 1e-5)
		near(t, "error by reader", math.Sqrt(f.ByReader[i][i]), byReader[i], 1e-5)
		near(t, "error", f.Error(i), max(byModel[i], byReader[i]), 1e-5)
	}
	// The error of a difference is the greater of the two kinds, pair by pair.
	kinds := map[bool]int{}
	for i := range 4 {
		for j := range i {
			v := func(c [][]float64) float64 { return c[i][i] + c[j][j] - 2*c[i][j] }
			_, e := f.Difference(i, j)
			near(t, "error of a difference", e, math.Sqrt(max(v(f.Covariance), v(f.ByReader))), 1e-12)
			kinds[v(f.Covariance) > v(f.ByReader)]++
		}
	}
	if len(kinds) != 2 {
		t.Errorf("one kind of error is always the greater: %v", kinds)
	}
	near(t, "log ν", f.Tie, -0.6798568579755958, 1e-6)
	near(t, "its error", f.TieError, 0.31152641304451684, 1e-5)
	near(t, "log likelihood", f.LogLikelihood, -67.8090976295456, 1e-9)
}

// R readers who answer one pair each: the gradients y − p add up to
// Rp(1−p), so the error by reader is the model's times √(R/(R−1)). And when
// each reader stands in the list twice as two readers who always agree, the
// model believes in twice the answers.
func TestErrorsByReader(t *testing.T) {
	c := NewCounts(2)
	var readers [][]Outcome
	for i := range 30 {
		o := First
		if i%3 == 0 {
			o = Second
		}
		readers = append(readers, []Outcome{o})
		c.Add([]Outcome{o})
	}
	f, err := FitPreferences(c, readers)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "ratio of variances", f.ByReader[0][0]/f.Covariance[0][0], 30.0/29, 1e-9)

	// Three items; each reader prefers one item of (0, 2) and answers alike
	// about (0, 1) and (1, 2): one opinion counted three times.
	c, readers = NewCounts(3), nil
	for i := range 40 {
		o := First
		if i%2 == 0 {
			o = Second
		}
		readers = append(readers, []Outcome{o, o, o})
		c.Add(readers[i])
	}
	if f, err = FitPreferences(c, readers); err != nil {
		t.Fatal(err)
	}
	if r := f.ByReader[0][0] / f.Covariance[0][0]; r < 2 {
		t.Errorf("variance by reader is %.2f times the model's; three answers of one opinion must raise it", r)
	}
}

// Simulated from known abilities, the estimates come back, and the 95 %
// intervals cover them about as often as they say.
func TestRecovery(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	truth := []float64{0.8, 0.3, 0, -0.4, -0.7}
	const tie = -0.5
	covered, all := 0, 0
	for range 60 {
		c := NewCounts(5)
		var readers [][]Outcome
		for range 80 {
			var o []Outcome
			for i := range truth {
				for j := i + 1; j < len(truth); j++ {
					a, b, n := math.Exp(truth[i]), math.Exp(truth[j]), math.Exp((truth[i]+truth[j])/2+tie)
					switch u := rng.Float64() * (a + b + n); {
					case u < a:
						o = append(o, First)
					case u < a+b:
						o = append(o, Second)
					default:
						o = append(o, Tie)
					}
				}
			}
			c.Add(o)
			readers = append(readers, o)
		}
		f, err := FitPreferences(c, readers)
		if err != nil {
			t.Fatal(err)
		}
		for i, v := range truth {
			all++
			if math.Abs(f.Ability[i]-v) < 1.96*f.Error(i) {
				covered++
			}
			near(t, "ability", f.Ability[i], v, 5*f.Error(i))
		}
	}
	// 300 intervals, expected 285 or more (the wider error is used); at least
	// 273 in 99.9 % of such runs if they covered exactly 95 %.
	if covered < 273 {
		t.Errorf("%d of %d intervals cover the truth", covered, all)
	}
	t.Logf("%d of %d intervals cover the truth", covered, all)
}

// Source: L. R. Ford, American Mathematical Monthly 64 (1957): the estimate
// exists exactly when every split of the items has a win each way. For the
// model with ties, see the likelihood of two items: without a win of one side
// it rises for ever.
func TestExistence(t *testing.T) {
	type pair struct{ i, j, wins, losses, ties int }
	for _, c := range []struct {
		name   string
		items  int
		pairs  []pair
		finite bool
		tiers  string
		groups []int
	}{
		{"cycle", 3, []pair{{0, 1, 1, 0, 0}, {1, 2, 1, 0, 0}, {0, 2, 0, 1, 0}}, true, "012", []int{0, 0, 0}},
		{"one wins everything", 3, []pair{{0, 1, 2, 0, 0}, {0, 2, 3, 0, 0}, {1, 2, 1, 1, 0}}, false, "0 12", []int{0, 0, 0}},
		{"one loses everything", 3, []pair{{0, 1, 2, 0, 0}, {2, 1, 3, 0, 0}, {0, 2, 1, 1, 0}}, false, "02 1", []int{0, 0, 0}},
		{"two sets", 4, []pair{{2, 3, 1, 2, 0}, {0, 1, 2, 2, 0}, {3, 0, 4, 0, 0}, {2, 1, 1, 0, 0}}, false, "23 01", []int{0, 0, 0, 0}},
		{"two groups", 4, []pair{{0, 2, 1, 2, 0}, {1, 3, 2, 2, 1}}, true, "02 13", []int{0, 1, 0, 1}},
		{"one never asked", 3, []pair{{0, 2, 1, 2, 0}}, true, "02", []int{0, -1, 0}},
		{"a tie but no loss", 2, []pair{{0, 1, 3, 0, 2}}, false, "01", []int{0, 0}},
		{"ties only", 3, []pair{{0, 1, 0, 0, 2}, {1, 2, 0, 0, 1}}, false, "012", []int{0, 0, 0}},
		{"tie with a third", 3, []pair{{0, 1, 1, 0, 0}, {1, 2, 0, 0, 1}}, false, "0 12", []int{0, 0, 0}},
		// 0 over 1 and 1 over 2 ask for a distance of 2 between 0 and 2, who tie.
		{"ties against a chain", 3, []pair{{0, 1, 1, 0, 0}, {1, 2, 1, 0, 0}, {0, 2, 0, 0, 1}}, true, "012", []int{0, 0, 0}},
		{"ties in a chain", 3, []pair{{0, 1, 1, 0, 1}, {1, 2, 1, 0, 1}}, false, "012", []int{0, 0, 0}},
	} {
		counts := NewCounts(c.items)
		for _, p := range c.pairs {
			counts.Wins[p.i][p.j] += float64(p.wins)
			counts.Wins[p.j][p.i] += float64(p.losses)
			counts.Ties[min(p.i, p.j)][max(p.i, p.j)] += float64(p.ties)
		}
		f, err := FitPreferences(counts, nil)
		if err != nil {
			t.Errorf("%s: %v", c.name, err)
			continue
		}
		var tiers []string
		for _, tier := range f.Tiers {
			s := ""
			for _, i := range tier {
				s += string(rune('0' + i))
			}
			tiers = append(tiers, s)
		}
		if f.Finite != c.finite || strings.Join(tiers, " ") != c.tiers || !slices.Equal(f.Group, c.groups) {
			t.Errorf("%s: finite %v, tiers %v, groups %v; want %v, %s, %v", c.name, f.Finite, tiers, f.Group, c.finite, c.tiers, c.groups)
		}
		if f.Finite != (f.Reason == "") || f.Finite != (f.Penalty == 0) {
			t.Errorf("%s: reason %q, penalty %g", c.name, f.Reason, f.Penalty)
		}
		for i, a := range f.Ability {
			if math.IsNaN(a) != (f.Group[i] < 0) || math.IsInf(a, 0) || math.Abs(a) > 20 {
				t.Errorf("%s: ability %d is %g", c.name, i, a)
			}
		}
	}
}

// The condition of existence against the likelihood itself: where it says
// finite, the likelihood falls in every direction far out; where not, the
// unpenalised likelihood keeps rising along some direction. Random small
// counts.
func TestExistenceAgainstLikelihood(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	seen := map[bool]int{}
	for range 300 {
		n := 2 + rng.IntN(3)
		c := NewCounts(n)
		for i := range n {
			for j := i + 1; j < n; j++ {
				c.Wins[i][j] = float64(rng.IntN(3) / 2)
				c.Wins[j][i] = float64(rng.IntN(3) / 2)
				c.Ties[i][j] = float64(rng.IntN(3) / 2)
			}
		}
		f, err := FitPreferences(c, nil)
		if err != nil {
			continue // no answers
		}
		seen[f.Finite]++
		m := newModel(c, f.Group)
		// Steepest ascent by damped Newton steps from 0; a finite maximum is
		// reached and has a small gradient within bounds.
		x := make([]float64, m.size)
		for range 200 {
			_, g, h := m.at(x)
			for k := range x {
				h.SetSym(k, k, h.At(k, k)+1e-9)
			}
			step := solveFor(h, g)
			length := 0.0
			for _, s := range step {
				length = max(length, math.Abs(s))
			}
			for k := range x {
				x[k] += step[k] / max(1, length)
			}
		}
		far := 0.0
		for _, v := range x {
			far = max(far, math.Abs(v))
		}
		if f.Finite != (far < 8) {
			t.Errorf("finite is %v, but the ascent ends at %v for wins %v ties %v", f.Finite, x, c.Wins, c.Ties)
		}
	}
	if seen[true] < 30 || seen[false] < 30 {
		t.Errorf("cases %v: too few of one kind", seen)
	}
}

func TestFitErrors(t *testing.T) {
	bad := NewCounts(2)
	bad.Wins[0][1] = -1
	nan := NewCounts(2)
	nan.Ties[0][1] = math.NaN()
	for name, c := range map[string]Counts{"none": NewCounts(3), "empty": NewCounts(0), "negative": bad, "nan": nan,
		"ragged": {Wins: [][]float64{{0, 1}, {1}}, Ties: [][]float64{{0, 0}, {0, 0}}}, "short": {Wins: [][]float64{{0}}}} {
		if _, err := FitPreferences(c, nil); !errors.Is(err, ErrPreferences) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}
