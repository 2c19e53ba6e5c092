package result

import (
	"cmp"
	"fmt"
	"reflect"
	"strconv"
	"strings"

	"evenhand/analyze/unit"
)

// Figure is a number of results.json with its description. All that is said of a figure
// is said once, by the tags of its field, and read from there:
//
//	figure:"range (LU)"        what it is, with its unit: the heading of its column in a CSV file
//	csv:"no"                   no CSV file has it
//	page:"Loudness range, LU"  the heading of its column on the page; without it, it has none
//	digits:"+2"                its decimals on the page, + with a sign, "unit" as its unit prints it; 1 where it is not said
//	matched:"yes"              the page shows it after matching: with the take's gain
//
// Its unit is its type, and ends its name in results.json; its tolerance follows from that
// ending (see package report/verify).
type Figure struct {
	Name     string // in results.json
	Words    string // with the unit: "range (LU)"
	CSV      bool
	Page     string // "" for none
	Matched  bool
	Value    float64 // NaN where it was not measured, −Inf for silence
	digits   string
	quantity fmt.Stringer
}

// Figures returns the figures that the fields of a struct of this package hold, in their
// order; lists, and what is in other structs below, are not among them.
func Figures(of any) []Figure { return figures(reflect.ValueOf(of), false) }

// AllFigures returns those of the structs in it too.
func AllFigures(of any) []Figure { return figures(reflect.ValueOf(of), true) }

func figures(v reflect.Value, below bool) []Figure {
	out := []Figure{}
	for i := range v.NumField() {
		f := v.Type().Field(i)
		if below && f.Type.Kind() == reflect.Struct {
			out = append(out, figures(v.Field(i), below)...)
		}
		words := f.Tag.Get("figure")
		if words == "" || f.Type.Kind() != reflect.Float64 {
			continue
		}
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		out = append(out, Figure{
			Name: name, Words: words, CSV: f.Tag.Get("csv") != "no", Page: f.Tag.Get("page"), Matched: f.Tag.Get("matched") != "",
			Value: v.Field(i).Float(), digits: f.Tag.Get("digits"), quantity: v.Field(i).Interface().(fmt.Stringer),
		})
	}
	return out
}

// String prints the figure as the page shows it; gain is added to one that is shown after
// matching.
func (f Figure) String(gain unit.DB) string {
	v := f.Value
	if f.Matched {
		v += float64(gain)
	}
	if f.digits == "unit" {
		return f.quantity.String()
	}
	digits, signed := strings.CutPrefix(cmp.Or(f.digits, "1"), "+")
	decimals, _ := strconv.Atoi(digits) // TestFigures
	if signed {
		return unit.Signed(v, decimals)
	}
	return unit.Format(v, decimals)
}

// All returns the levels, to be changed.
func (n *NoiseLevels) All() []*unit.DBFS {
	v := reflect.ValueOf(n).Elem()
	out := make([]*unit.DBFS, v.NumField())
	for i := range out {
		out[i] = v.Field(i).Addr().Interface().(*unit.DBFS)
	}
	return out
}
