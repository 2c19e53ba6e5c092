// Package finding holds what measurements and checks say as data: a code, and the figures
// and names that stand in its words. It knows no words; package report/sentences has them.
package finding

import (
	"bytes"
	"encoding/json"
	"math"
	"reflect"

	"evenhand/analyze/unit"
)

// Text is a text as data. Found is the code of what it says, which has its words in
// package report/sentences, and With are the figures and names in it. So words can
// improve without a change of the results, and figures are compared as figures.
type Text struct {
	Found string `json:"found,omitzero"` // "" for none, and in results of earlier versions
	With  With   `json:"with,omitzero"`
}

// With are figures by names that end in their unit, names as they are, lists of names,
// and other texts. What there is none of is left out.
type With map[string]any

// UnmarshalJSON keeps the digits of figures.
func (w *With) UnmarshalJSON(b []byte) error {
	d := json.NewDecoder(bytes.NewReader(b))
	d.UseNumber()
	return d.Decode((*map[string]any)(w))
}

// MarshalBinary and UnmarshalBinary keep it among stored facts, as JSON.
func (w With) MarshalBinary() ([]byte, error)  { return json.Marshal(map[string]any(w)) }
func (w *With) UnmarshalBinary(b []byte) error { return w.UnmarshalJSON(b) }

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
