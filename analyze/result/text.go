package result

import (
	"encoding/json"
	"math"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// Text is a text as data, and With are the figures and names in it; see package finding.
type (
	Text = finding.Text
	With = finding.With
)

// Say makes a text; see finding.Say.
func Say(found string, with ...any) Text { return finding.Say(found, with...) }

// Cause is a text in a field of its own: why something was not measured or is uncertain,
// or a warning. Words are those that package report/sentences puts in, and those of
// earlier versions, which stored a plain text here.
type Cause struct {
	Text
	Words string `json:"words,omitzero"`
}

// Causes makes causes of texts, none for none.
func Causes(texts []Text) []Cause {
	out := make([]Cause, len(texts))
	for i, t := range texts {
		out[i].Text = t
	}
	return out
}

// UnmarshalJSON reads a cause, also the plain text of an earlier version.
func (c *Cause) UnmarshalJSON(b []byte) error {
	if b[0] == '"' {
		return json.Unmarshal(b, &c.Words)
	}
	type plain Cause
	return json.Unmarshal(b, (*plain)(c))
}

// Limit is what a check allows of a figure.
type Limit struct {
	Kind     string      `json:"kind"`
	Value    unit.Number `json:"value" figure:"limit (in its unit)"`
	Unit     string      `json:"unit"`
	Decimals int         `json:"decimals"`      // as shown
	Set      bool        `json:"set,omitempty"` // in the manifest
}

// The kinds of limits. None is AtMost 0 of what is counted.
const (
	AtMost  = "at most"
	Within  = "within" // the value's magnitude
	AtLeast = "at least"
	None    = "none"
)

// String returns the limit as shown: "at most 3 dB", "±0.05 LU", "none".
func (l Limit) String() string {
	v := unit.Format(float64(l.Value), l.Decimals) + " " + l.Unit
	switch l.Kind {
	case None:
		return "none"
	case Within:
		return "±" + v
	}
	return l.Kind + " " + v
}

// Allows reports whether a value is inside the limit. NaN never is.
func (l Limit) Allows(v float64) bool {
	switch l.Kind {
	case AtMost, None:
		return v <= float64(l.Value)
	case Within:
		return math.Abs(v) <= float64(l.Value)
	case AtLeast:
		return v >= float64(l.Value)
	}
	return false
}
