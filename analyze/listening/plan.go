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
	// right answers (ABX trials).
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
