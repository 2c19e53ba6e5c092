package fairness

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// limit is what a check allows; without a kind it is not a number and not to be set, and
// package report/sentences says it. least and most bound what a manifest may set.
type limit struct {
	result.Limit
	least, most float64
}

func atMost(v float64, unit string, decimals int, least, most float64) limit {
	return newLimit(result.AtMost, v, unit, decimals, least, most)
}

func within(v float64, unit string, decimals int, least, most float64) limit {
	return newLimit(result.Within, v, unit, decimals, least, most)
}

func atLeast(v float64, unit string, decimals int, least, most float64) limit {
	return newLimit(result.AtLeast, v, unit, decimals, least, most)
}

// none is the limit of faults that are counted.
func none(what string) limit { return atMost(0, what, 0, 0, 1e6) }

func newLimit(kind string, v float64, of string, decimals int, least, most float64) limit {
	return limit{result.Limit{Kind: kind, Value: unit.Number(v), Unit: of, Decimals: decimals}, least, most}
}

// allowed is the limit as results have it; nil for one that is no number.
func (l limit) allowed() *result.Limit {
	if l.Kind == "" {
		return nil
	}
	x := l.Limit
	if x.Kind == result.AtMost && x.Value == 0 && l.least == 0 {
		x.Kind = result.None // as it is written in a manifest; see parse
	}
	return &x
}

// inUnit are the factors from units that may be written to the one that a
// limit is kept in.
var inUnit = map[string]map[string]float64{
	"ms": {"ms": 1, "s": 1000, "µs": 1e-3, "us": 1e-3, "μs": 1e-3},
	"s":  {"s": 1, "ms": 1e-3},
	"dB": {"dB": 1, "LU": 1},
	"LU": {"LU": 1, "dB": 1},
}

// parse reads a limit as a manifest gives it: a number with its unit, with ±
// where the limit has two sides. The error is a phrase for a longer message.
func (l limit) parse(written string) (limit, error) {
	if l.Kind == "" {
		return l, errors.New("has no limit that can be set")
	}
	example := strings.NewReplacer("−", "-", "at most ", "", "at least ", "", "±", "").Replace(l.String())
	text := strings.TrimSpace(written)
	if text == "none" && l.Kind == result.AtMost && l.least == 0 {
		l.Value, l.Set = 0, true
		return l, nil
	}
	two := false
	for _, sign := range []string{"±", "+/-", "+-"} {
		if rest, ok := strings.CutPrefix(text, sign); ok {
			text, two = strings.TrimSpace(rest), true
			break
		}
	}
	if two && l.Kind != result.Within {
		return l, fmt.Errorf("has a limit on one side, found %q; write it like %s", written, example)
	}
	text = strings.ReplaceAll(text, "−", "-")
	end := strings.IndexFunc(text, func(r rune) bool { return !strings.ContainsRune("+-.0123456789", r) })
	number, suffix := text, ""
	if end >= 0 {
		number, suffix = text[:end], strings.TrimSpace(text[end:])
	}
	v, err := strconv.ParseFloat(number, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return l, fmt.Errorf("needs a number with the unit %s, found %q; write it like %s", l.Unit, written, example)
	}
	factors := inUnit[l.Unit]
	if factors == nil {
		factors = map[string]float64{l.Unit: 1}
	}
	factor, ok := 0.0, false
	for name, f := range factors {
		if strings.EqualFold(name, suffix) {
			factor, ok = f, true
		}
	}
	if !ok {
		return l, fmt.Errorf("is in %s, found %q; write it like %s", l.Unit, written, example)
	}
	v *= factor
	if v < l.least || v > l.most {
		return l, fmt.Errorf("allows limits from %s to %s %s, found %q", unit.Format(l.least, l.Decimals), unit.Format(l.most, l.Decimals), l.Unit, written)
	}
	l.Value, l.Set = unit.Number(v), true
	// As many digits as were written, so that what is shown is what holds.
	for l.Decimals < 6 && math.Abs(v-roundTo(v, l.Decimals)) > 1e-9 {
		l.Decimals++
	}
	return l, nil
}

func roundTo(v float64, decimals int) float64 {
	p := math.Pow(10, float64(decimals))
	return math.Round(v*p) / p
}

// CheckLimit says what is wrong with a limit of a check as a manifest gives it,
// and what to do; message is "" when nothing is. It is a manifest.LimitRule.
func CheckLimit(id, written string) (message, hint string) {
	var ids []string
	for _, q := range catalogue() {
		if q.id == id {
			if _, err := q.limit.parse(written); err != nil {
				return fmt.Sprintf("the check %q %v", id, err), ""
			}
			return "", ""
		}
		if q.limit.Kind != "" {
			ids = append(ids, q.id)
		}
	}
	if near := manifest.Nearest(id, ids); near != "" {
		return fmt.Sprintf("there is no check %q", id), fmt.Sprintf("did you mean %q?", near)
	}
	return fmt.Sprintf("there is no check %q", id), "checks with a limit: " + strings.Join(ids, ", ")
}

// checkLimits refuses limits of a manifest that mean nothing, for comparisons
// that were not loaded with CheckLimit.
func CheckLimits(c *manifest.Comparison) error {
	var bad []error
	for _, l := range c.Limits {
		if message, hint := CheckLimit(l.ID, l.Written); message != "" {
			bad = append(bad, fmt.Errorf("%s:%d:%d: %s", c.Path, l.Pos.Line, l.Pos.Column, strings.TrimSuffix(message+"; "+hint, "; ")))
		}
	}
	if bad != nil {
		return &mistake.Error{Problems: bad}
	}
	return nil
}
