package fairness

import (
	"fmt"
	"math"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/unit"
)

// limit is what a check allows.
type limit struct {
	kind     limitKind
	value    float64
	unit     string
	decimals int    // as shown
	text     string // for a limit that is no number
	source   string
	// least and most bound what a manifest may set.
	least, most float64
}

type limitKind int

const (
	fixed   limitKind = iota // not a number and not to be set
	atMost                   // the value itself
	within                   // the value's magnitude
	atLeast                  // the value itself
)

// words makes a limit that is no number.
func words(text string) limit { return limit{text: text, source: practice} }

// String returns the limit as shown: "at most 3 dB", "±0.05 LU".
func (l limit) String() string {
	if l.kind == fixed {
		return l.text
	}
	if l.kind == atMost && l.value == 0 && l.least == 0 {
		return "none" // as it is written in a manifest; see parse
	}
	return l.number()
}

// number is the limit as a number with its unit.
func (l limit) number() string {
	v := unit.Format(l.value, l.decimals) + " " + l.unit
	switch l.kind {
	case within:
		return "±" + v
	case atLeast:
		return "at least " + v
	}
	return "at most " + v
}

// allows reports whether a value is inside the limit. NaN never is.
func (l limit) allows(v float64) bool {
	switch l.kind {
	case atMost:
		return v <= l.value
	case within:
		return math.Abs(v) <= l.value
	case atLeast:
		return v >= l.value
	}
	return false
}

// format prints a value in the limit's unit, with as many decimals as the limit
// or, where the two are not equal but would look so, with more.
func (l limit) format(v float64) string {
	return unit.Format(v, unit.DecimalsBeside(v, l.value, l.decimals))
}

// signed is format with a sign.
func (l limit) signed(v float64) string {
	return unit.Signed(v, unit.DecimalsBeside(v, l.value, l.decimals))
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
	if l.kind == fixed {
		return l, fmt.Errorf("has no limit that can be set; it asks for: %s", l.text)
	}
	example := strings.NewReplacer("−", "-", "at most ", "", "at least ", "", "±", "").Replace(l.number())
	text := strings.TrimSpace(written)
	if text == "none" && l.kind == atMost && l.least == 0 {
		l.value, l.source = 0, "set in the manifest"
		return l, nil
	}
	two := false
	for _, sign := range []string{"±", "+/-", "+-"} {
		if rest, ok := strings.CutPrefix(text, sign); ok {
			text, two = strings.TrimSpace(rest), true
			break
		}
	}
	if two && l.kind != within {
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
		return l, fmt.Errorf("needs a number with the unit %s, found %q; write it like %s", l.unit, written, example)
	}
	factors := inUnit[l.unit]
	if factors == nil {
		factors = map[string]float64{l.unit: 1}
	}
	factor, ok := 0.0, false
	for name, f := range factors {
		if strings.EqualFold(name, suffix) {
			factor, ok = f, true
		}
	}
	if !ok {
		return l, fmt.Errorf("is in %s, found %q; write it like %s", l.unit, written, example)
	}
	v *= factor
	if v < l.least || v > l.most {
		return l, fmt.Errorf("allows limits from %s to %s %s, found %q", unit.Format(l.least, l.decimals), unit.Format(l.most, l.decimals), l.unit, written)
	}
	l.value, l.source = v, "set in the manifest"
	// As many digits as were written, so that what is shown is what holds.
	for l.decimals < 6 && math.Abs(v-roundTo(v, l.decimals)) > 1e-9 {
		l.decimals++
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
		if q.limit.kind != fixed {
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
