package listening

import (
	"errors"
	"fmt"
	"math"
)

// ErrPlan is wrapped by the errors of [Search].
var ErrPlan = errors.New("cannot plan")

// The planner's usual demands: a find by chance in at most one of twenty
// tests, and four of five real differences found.
const (
	UsualAlpha = 0.05
	UsualPower = 0.8
)

// Plan says how many two-choice answers find a proportion.
type Plan struct {
	// Proportion is the true share of answers for one side (preference) or of
	// right answers (same or different).
	Proportion float64 `json:"proportion"`
	// Heard is the share of trials in which the difference is truly heard
	// when all others are guessed: 2·Proportion − 1.
	Heard float64 `json:"heard"`
	Alpha float64 `json:"alpha"`
	Power float64 `json:"power"` // as asked for
	// Answers is the least number at which the exact test has the power;
	// Critical the right answers that it then asks for and Reached its power.
	Answers  int     `json:"answers"`
	Critical int     `json:"critical"`
	Reached  float64 `json:"reached"`
	// Always is the number from which on every greater number has the power
	// too: that of an exact test does not rise steadily. It matters where the
	// number is not chosen, as with an audience.
	Always int `json:"always"`
}

// Search finds by trying every number of answers how many are needed to find
// a true proportion of at least 0.51 and below 1 with the power, by the exact
// one-sided binomial test at alpha. Answers without a preference do not count.
// Numbers up to twice the normal approximation's plus 50 are tried.
//
// Source: exact binomial power; no closed form.
func Search(proportion, power, alpha float64) (Plan, error) {
	switch {
	case !(proportion >= 0.51 && proportion < 1):
		return Plan{}, fmt.Errorf("%w: the proportion is %g; allowed are 0.51 to below 1", ErrPlan, proportion)
	case !(power >= 0.5 && power <= 0.999):
		return Plan{}, fmt.Errorf("%w: the power is %g; allowed are 0.5 to 0.999", ErrPlan, power)
	case !(alpha >= 1e-6 && alpha <= 0.5):
		return Plan{}, fmt.Errorf("%w: the error level is %g; allowed are 1e-6 to 0.5", ErrPlan, alpha)
	}
	limit := 2*approximate(proportion, power, alpha) + 50
	plan := Plan{Proportion: proportion, Heard: 2*proportion - 1, Alpha: alpha, Power: power}
	k, last := 1, 0
	for n := 1; n <= limit; n++ {
		for k <= n && Tail(k, n, 0.5) > alpha {
			k++
		}
		reached := Tail(k, n, proportion)
		switch {
		case reached < power:
			last = n
		case plan.Answers == 0:
			plan.Answers, plan.Critical, plan.Reached = n, k, reached
		}
	}
	plan.Always = last + 1
	return plan, nil
}

// approximate is the number of answers by the normal approximation; it only
// bounds the search.
func approximate(p, power, alpha float64) int {
	z := func(q float64) float64 { return math.Sqrt2 * math.Erfinv(2*q-1) }
	r := (z(1-alpha)*0.5 + z(power)*math.Sqrt(p*(1-p))) / (p - 0.5)
	return int(math.Ceil(r*r)) + int(math.Ceil(math.Log2(1/alpha)))
}

// PreferencePlans returns the planner's table for preferences: how many
// answers over all listeners, those without a preference left out, find a
// share of 0.55 to 0.9 with [UsualPower] at [UsualAlpha].
func PreferencePlans() []Plan {
	return plans(0.55, 0.57, 0.59, 0.6, 0.65, 0.7, 0.75, 0.8, 0.9)
}

// TrialPlans returns the planner's table for same-or-different trials by how
// often the difference is heard: in every fifth trial up to nine of ten.
func TrialPlans() []Plan {
	return plans(0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9, 0.95)
}

func plans(proportions ...float64) []Plan {
	rows := make([]Plan, len(proportions))
	for i, p := range proportions {
		rows[i], _ = Search(p, UsualPower, UsualAlpha) // all within the allowed range
	}
	return rows
}

// TrialRow says what a fixed number of trials can show.
type TrialRow struct {
	Trials   int     `json:"trials"`
	Critical int     `json:"critical"` // right answers needed
	Chance   float64 `json:"chance"`   // probability that guessing reaches them
	// Finds is the least true proportion of right answers that is found with
	// [UsualPower].
	Finds float64 `json:"finds"`
}

// TrialRows returns what 10 to 100 trials can show at [UsualAlpha].
func TrialRows() []TrialRow {
	var rows []TrialRow
	for _, n := range []int{10, 12, 16, 20, 25, 30, 40, 50, 60, 80, 100} {
		k, _ := Critical(n, UsualAlpha) // exists from five trials on
		rows = append(rows, TrialRow{
			Trials: n, Critical: k, Chance: Tail(k, n, 0.5),
			Finds: solve(func(p float64) bool { return Tail(k, n, p) < UsualPower }),
		})
	}
	return rows
}
