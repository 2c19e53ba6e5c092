package listening

import (
	"gonum.org/v1/gonum/mathext"

	"math"
	"math/big"
	"testing"
)

// exactTails holds P(X ≥ k) at 1/2 for k = 0 to n, integer sums over 2ⁿ.
func exactTails(n int) []float64 {
	tails := make([]float64, n+1)
	sum, term := new(big.Int), big.NewInt(1)
	all := new(big.Int).Lsh(big.NewInt(1), uint(n))
	for k := n; k >= 0; k-- {
		sum.Add(sum, term)
		tails[k], _ = new(big.Rat).SetFrac(sum, all).Float64()
		if k > 0 {
			term.Mul(term, big.NewInt(int64(k))).Quo(term, big.NewInt(int64(n-k+1)))
		}
	}
	return tails
}

// exactTailAt is P(X ≥ k) at the probability num/den as a rational number.
func exactTailAt(k, n int, num, den int64) float64 {
	p, q := big.NewRat(num, den), big.NewRat(den-num, den)
	power := func(r *big.Rat, e int) *big.Rat {
		return new(big.Rat).SetFrac(new(big.Int).Exp(r.Num(), big.NewInt(int64(e)), nil), new(big.Int).Exp(r.Denom(), big.NewInt(int64(e)), nil))
	}
	sum := new(big.Rat)
	for i := max(0, k); i <= n; i++ {
		term := new(big.Rat).SetInt(new(big.Int).Binomial(int64(n), int64(i)))
		sum.Add(sum, term.Mul(term, power(p, i)).Mul(term, power(q, n-i)))
	}
	f, _ := sum.Float64()
	return f
}

func TestTailAgainstIntegerSums(t *testing.T) {
	worst := 0.0
	for _, n := range []int{0, 1, 2, 5, 10, 16, 25, 40, 63, 100, 255, 400, 1000} {
		for k, want := range exactTails(n) {
			worst = max(worst, math.Abs(Tail(k, n, 0.5)/want-1))
		}
		if a, b := Tail(-1, n, 0.5), Tail(n+1, n, 0.5); a != 1 || b != 0 {
			t.Errorf("beyond the ends of %d: %g and %g, want 1 and 0", n, a, b)
		}
	}
	if worst > 2e-12 {
		t.Errorf("greatest relative deviation %g", worst)
	}
	t.Logf("greatest relative deviation at 1/2: %.1e", worst)
	for _, c := range []struct {
		k, n     int
		num, den int64
	}{{7, 10, 3, 5}, {0, 10, 1, 10}, {1, 50, 1, 100}, {50, 50, 9, 10}, {108, 192, 59, 100}, {3, 80, 1, 2}, {80, 80, 1, 10}} {
		got, want := Tail(c.k, c.n, float64(c.num)/float64(c.den)), exactTailAt(c.k, c.n, c.num, c.den)
		if math.Abs(got/want-1) > 1e-12 {
			t.Errorf("Tail(%d, %d, %d/%d) = %.16g, want %.16g", c.k, c.n, c.num, c.den, got, want)
		}
	}
	for _, v := range []float64{Tail(1, -1, 0.5), Tail(1, 2, -0.1), Tail(1, 2, math.NaN())} {
		if !math.IsNaN(v) {
			t.Errorf("bad arguments give %g, want NaN", v)
		}
	}
}

// Twenty thousand trials: De Moivre's limit says that P(X ≥ n/2) is
// 1/2 + P(X = n/2)/2 exactly, with P(X = n/2) = √(2/(πn))·(1 − 1/(4n) + …).
func TestTailOfMany(t *testing.T) {
	n := 20_000
	want := 0.5 + 0.5*math.Sqrt(2/(math.Pi*float64(n)))*(1-1/(4*float64(n)))
	if got := Tail(n/2, n, 0.5); math.Abs(got-want) > 1e-11 {
		t.Errorf("Tail = %.14f, want %.14f", got, want)
	}
	if got := Tail(n, n, 0.5); got != 0 {
		t.Errorf("2 to the minus twenty thousand is %g, want 0", got)
	}
}

// Source: exact integer sums; the same numbers stand in the binomial tables of
// the handbooks.
func TestCritical(t *testing.T) {
	for _, c := range []struct {
		n         int
		alpha     float64
		k         int
		at, below float64
	}{
		{5, 0.05, 5, 0.03125, 0.1875}, {6, 0.05, 6, 0.015625, 0.109375}, {8, 0.05, 7, 0.03515625, 0.14453125},
		{8, 0.01, 8, 0.00390625, 0.03515625}, {10, 0.05, 9, 0.0107421875, 0.0546875}, {10, 0.01, 10, 0.0009765625, 0.0107421875},
		{12, 0.05, 10, 0.01928710938, 0.07299804688}, {14, 0.01, 12, 0.006469726563, 0.02868652344},
		{16, 0.05, 12, 0.03840637207, 0.1050567627}, {16, 0.01, 14, 0.002090454102, 0.01063537598},
		{18, 0.05, 13, 0.0481262207, 0.1189422607}, {20, 0.05, 15, 0.02069473267, 0.05765914917}, {20, 0.01, 16, 0.005908966064, 0.02069473267},
		{25, 0.05, 18, 0.02164262533, 0.05387607217}, {25, 0.01, 19, 0.00731664896, 0.02164262533},
		{30, 0.05, 20, 0.04936857335, 0.100244211}, {50, 0.01, 34, 0.007673338916, 0.01641956878},
		{60, 0.05, 37, 0.04623049054, 0.077500952}, {80, 0.01, 51, 0.009158048758, 0.01649630921},
		{100, 0.05, 59, 0.04431304006, 0.0666053096}, {100, 0.01, 63, 0.006016487863, 0.01048936784},
	} {
		k, ok := Critical(c.n, c.alpha)
		if !ok || k != c.k {
			t.Errorf("Critical(%d, %g) = %d, %v, want %d", c.n, c.alpha, k, ok, c.k)
		}
		if p := Tail(c.k, c.n, 0.5); math.Abs(p/c.at-1) > 1e-9 {
			t.Errorf("P(X ≥ %d of %d) = %.12g, want %.12g", c.k, c.n, p, c.at)
		}
		if p := Tail(c.k-1, c.n, 0.5); math.Abs(p/c.below-1) > 1e-9 {
			t.Errorf("P(X ≥ %d of %d) = %.12g, want %.12g", c.k-1, c.n, p, c.below)
		}
	}
	for _, c := range []struct {
		n     int
		alpha float64
	}{{0, 0.05}, {-3, 0.05}, {4, 0.05}, {5, 0.01}, {6, 0.01}} {
		if k, ok := Critical(c.n, c.alpha); ok {
			t.Errorf("Critical(%d, %g) = %d, want none", c.n, c.alpha, k)
		}
	}
}

func TestInterval(t *testing.T) {
	for _, c := range []struct {
		k, n      int
		low, high float64
		source    string
	}{
		{81, 263, 0.252737, 0.367622, "R. G. Newcombe, Statistics in Medicine 17 (1998), Table I: 0.2527 to 0.3676, from memory; further digits by beta quantiles"},
		{0, 20, 0, 0.168433, "same table: 0.0000 to 0.1684, from memory; 1 − 0.025^(1/20)"},
		{12, 16, 0.476229, 0.927338, "beta quantiles"},
		{10, 10, 0.691503, 1, "0.025^(1/10)"},
		{9, 10, 0.554984, 0.997471, "beta quantiles"},
		{8, 16, 0.246510, 0.753490, "beta quantiles"},
		{0, 0, 0, 1, "nothing is known"},
	} {
		low, high := Interval(c.k, c.n, 0.95)
		if math.Abs(low-c.low) > 5.1e-7 || math.Abs(high-c.high) > 5.1e-7 {
			t.Errorf("Interval(%d, %d) = %.6f to %.6f, want %.6f to %.6f (%s)", c.k, c.n, low, high, c.low, c.high, c.source)
		}
	}
	// Analytic ends: nothing and everything.
	for _, n := range []int{1, 7, 50, 1000} {
		_, high := Interval(0, n, 0.9)
		low, _ := Interval(n, n, 0.9)
		want := 1 - math.Pow(0.05, 1/float64(n))
		if math.Abs(high-want) > 1e-13 || math.Abs(low-(1-want)) > 1e-13 {
			t.Errorf("n = %d: %.15f and %.15f, want %.15f and its complement", n, high, low, want)
		}
	}
	// The law that defines the interval: at its ends each tail is α/2.
	for _, c := range [][2]int{{3, 11}, {70, 140}, {199, 200}, {12345, 20000}} {
		low, high := Interval(c[0], c[1], 0.99)
		if a, b := Tail(c[0], c[1], low), 1-Tail(c[0]+1, c[1], high); math.Abs(a-0.005) > 1e-10 || math.Abs(b-0.005) > 1e-10 {
			t.Errorf("%d of %d: tails %.12f and %.12f, want 0.005", c[0], c[1], a, b)
		}
	}
}

func TestTwoSided(t *testing.T) {
	for _, c := range []struct {
		k, n int
		want float64
	}{{0, 0, 1}, {5, 10, 1}, {1, 10, 22.0 / 1024}, {9, 10, 22.0 / 1024}, {0, 6, 2.0 / 64}} {
		if got := TwoSided(c.k, c.n); math.Abs(got-c.want) > 1e-14 {
			t.Errorf("TwoSided(%d, %d) = %g, want %g", c.k, c.n, got, c.want)
		}
	}
}

// By hand from the definition: the least p times 4, then the running maximum.
func TestHolm(t *testing.T) {
	got := Holm([]float64{0.03, 0.005, 0.04, 0.01})
	for i, want := range []float64{0.06, 0.02, 0.06, 0.03} {
		if math.Abs(got[i]-want) > 1e-15 {
			t.Errorf("Holm[%d] = %g, want %g", i, got[i], want)
		}
	}
	if got := Holm([]float64{0.9, 0.8}); got[0] != 1 || got[1] != 1 {
		t.Errorf("Holm = %v, want ones", got)
	}
}

// Source: SciPy binom.sf searched over every n below 400 (version 1.10.1, from
// the exact definition of least n and of the n from which on the power holds).
func TestSearch(t *testing.T) {
	for _, c := range []struct {
		p             float64
		least, always int
	}{{0.59, 192, 205}, {0.6, 158, 169}, {0.65, 69, 76}, {0.7, 37, 42}, {0.75, 23, 28}, {0.8, 18, 18}, {0.9, 8, 11}, {0.95, 8, 8}} {
		plan, err := Search(c.p, 0.8, 0.05)
		if err != nil {
			t.Fatal(err)
		}
		if plan.Answers != c.least || plan.Always != c.always {
			t.Errorf("p = %g: %d answers, %d always, want %d and %d", c.p, plan.Answers, plan.Always, c.least, c.always)
		}
		// The power at the least number and just below, as rational sums.
		num := int64(math.Round(c.p * 100))
		if got := exactTailAt(plan.Critical, plan.Answers, num, 100); got < 0.8 || math.Abs(got-plan.Reached) > 1e-12 {
			t.Errorf("p = %g: power %.12f, exactly %.12f", c.p, plan.Reached, got)
		}
		k, _ := Critical(plan.Answers-1, 0.05)
		if got := exactTailAt(k, plan.Answers-1, num, 100); got >= 0.8 {
			t.Errorf("p = %g: one answer less has the power %.4f", c.p, got)
		}
	}
	for _, c := range [][3]float64{{0.5, 0.8, 0.05}, {1, 0.8, 0.05}, {math.NaN(), 0.8, 0.05}, {0.6, 0.2, 0.05}, {0.6, 0.8, 0}, {0.6, 1, 0.05}} {
		if _, err := Search(c[0], c[1], c[2]); err == nil {
			t.Errorf("Search%v gave no error", c)
		}
	}
	if plan, err := Search(0.51, 0.8, 0.05); err != nil || plan.Answers < 15000 || plan.Answers > 16000 {
		t.Errorf("a share of 0.51: %+v, %v; the normal approximation says 15 454", plan, err)
	}
}

func TestPlannerTables(t *testing.T) {
	last := math.MaxInt
	for _, share := range []float64{0.55, 0.57, 0.59, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95} {
		p, err := Search(share, UsualPower, UsualAlpha)
		if err != nil || p.Answers == 0 || p.Reached < p.Power || p.Always < p.Answers || math.Abs(p.Heard-(2*p.Proportion-1)) > 1e-12 {
			t.Errorf("%g: %+v, %v", share, p, err)
		}
		if p.Answers > last {
			t.Errorf("%g needs more answers than a smaller share", share)
		}
		last = p.Answers
	}
	rows := trialRows()
	for _, r := range rows {
		if got := Tail(r.Critical, r.Trials, r.Finds); math.Abs(got-UsualPower) > 1e-9 {
			t.Errorf("%d trials: power %.9f at %g", r.Trials, got, r.Finds)
		}
	}
	if r := rows[0]; r.Trials != 10 || r.Critical != 9 || math.Abs(r.Chance-11.0/1024) > 1e-15 {
		t.Errorf("first row %+v", r)
	}
}

func TestMedian(t *testing.T) {
	// Source: the classic table of sign-test intervals: for 10 values at 95 %,
	// the second least to the second greatest, covering 97.9 %; for 20 the
	// sixth, 95.9 %; six values are the fewest, covering 96.9 %.
	for _, c := range []struct {
		n         int
		low, high float64
		covers    float64
	}{{6, 1, 6, 1 - 2.0/64}, {10, 2, 9, 1 - 22.0/1024}, {20, 6, 15, 0.958611}, {25, 8, 18, 0.956714}} {
		values := make([]float64, c.n)
		for i := range values {
			values[(i*7)%c.n] = float64(i + 1)
		}
		if c.n%7 == 0 {
			t.Fatal("not a permutation")
		}
		median, low, high, covers := Median(values, 0.95)
		if median != float64(c.n+1)/2 || low != c.low || high != c.high || math.Abs(covers-c.covers) > 1e-6 {
			t.Errorf("n = %d: median %g, %g to %g covering %.6f, want %g to %g covering %.6f", c.n, median, low, high, covers, c.low, c.high, c.covers)
		}
	}
	if m, low, _, _ := Median([]float64{3, 1, 2, 5, 4}, 0.95); m != 3 || !math.IsNaN(low) {
		t.Errorf("five values: median %g, low %g; want 3 and no interval", m, low)
	}
	if m, _, _, _ := Median(nil, 0.95); !math.IsNaN(m) {
		t.Errorf("no values: median %g", m)
	}
}

// trialRow says what a fixed number of trials can show.
type trialRow struct {
	Trials   int     `json:"trials"`
	Critical int     `json:"critical"` // right answers needed
	Chance   float64 `json:"chance"`   // probability that guessing reaches them
	// Finds is the least true proportion of right answers that is found with
	// UsualPower.
	Finds float64 `json:"finds"`
}

// trialRows returns what 10 to 100 trials can show at UsualAlpha.
func trialRows() []trialRow {
	var rows []trialRow
	for _, n := range []int{10, 12, 16, 20, 25, 30, 40, 50, 60, 80, 100} {
		k, _ := Critical(n, UsualAlpha) // exists from five trials on
		rows = append(rows, trialRow{
			Trials: n, Critical: k, Chance: Tail(k, n, 0.5),
			Finds: mathext.InvRegIncBeta(float64(k), float64(n-k+1), UsualPower), // where Tail(k, n, Finds) is UsualPower
		})
	}
	return rows
}
