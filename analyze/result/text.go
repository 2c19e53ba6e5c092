package result

import (
	"math"
	"reflect"

	"evenhand/analyze/unit"
)

// Text is a text as data. Found is the code of what it says, which has its words in
// package report/sentences, and With are the figures and names in it. So words can
// improve without a change of the results, and figures are compared as figures.
type Text struct {
	Found string `json:"found,omitempty"` // "" for none, and in results of earlier versions
	With  With   `json:"with,omitempty"`
}

// With are figures by names that end in their unit, names as they are, lists of names,
// and other texts. What there is none of is left out.
type With map[string]any

// Say makes a text of its code and of names and values in turn. A value is a number,
// which is kept to five decimals as results are; NaN, "", false, nil and empty lists are
// left out; names, lists of names, Text and lists of Text are kept as they are.
func Say(found string, with ...any) Text {
	t := Text{Found: found}
	for i := 0; i+1 < len(with); i += 2 {
		v := reflect.ValueOf(with[i+1])
		var kept any
		switch {
		case !v.IsValid():
		case v.CanFloat():
			if f := v.Float(); !math.IsNaN(f) {
				kept = stored(f)
			}
		case v.CanInt():
			kept = unit.Number(v.Int())
		case v.Kind() == reflect.Slice:
			if v.Len() > 0 {
				kept = with[i+1]
			}
		case !v.IsZero():
			kept = with[i+1]
		}
		if kept != nil {
			if t.With == nil {
				t.With = With{}
			}
			t.With[with[i].(string)] = kept
		}
	}
	return t
}

// stored rounds as the results do, so that a text is the same before and after.
func stored(v float64) unit.Number {
	if math.IsInf(v, 0) {
		return unit.Number(v)
	}
	return unit.Number(math.Round(v*1e5) / 1e5)
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
