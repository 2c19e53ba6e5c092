package result_test

import (
	"reflect"
	"regexp"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// eachStruct calls f with every struct of a result's structs that holds what was
// measured: all but the parameters, which are settings.
func eachStruct(t reflect.Type, seen map[reflect.Type]bool, f func(reflect.Type)) {
	for t.Kind() == reflect.Pointer || t.Kind() == reflect.Slice || t.Kind() == reflect.Array {
		t = t.Elem()
	}
	if t.Kind() != reflect.Struct || seen[t] || t == reflect.TypeFor[result.Parameters]() || t.PkgPath() != reflect.TypeFor[result.Result]().PkgPath() {
		return
	}
	seen[t] = true
	f(t)
	for i := range t.NumField() {
		eachStruct(t.Field(i).Type, seen, f)
	}
}

// TestFigures asks that every figure of results.json is described, by tags that can be
// read, and that no two of one struct are described alike.
func TestFigures(t *testing.T) {
	// The ending of the name and the unit in the words, by type.
	units := map[reflect.Type][2]string{
		reflect.TypeFor[unit.LUFS]():    {"_lufs", "LUFS"},
		reflect.TypeFor[unit.LU]():      {"_lu", "LU"},
		reflect.TypeFor[unit.DBFS]():    {"_dbfs", "dBFS"},
		reflect.TypeFor[unit.DBTP]():    {"_dbtp", "dBTP"},
		reflect.TypeFor[unit.DB]():      {"_db", "dB"},
		reflect.TypeFor[unit.Hertz]():   {"_hz", "Hz"},
		reflect.TypeFor[unit.Seconds](): {"_s", "s"},
		reflect.TypeFor[unit.Samples](): {"_samples", "samples"},
		reflect.TypeFor[unit.PPM]():     {"_ppm", "ppm"},
	}
	number, frames := reflect.TypeFor[unit.Number](), reflect.TypeFor[unit.Frames]()
	inBrackets := regexp.MustCompile(`\(([A-Za-z]+)`)
	figures := 0
	eachStruct(reflect.TypeFor[result.Result](), map[reflect.Type]bool{}, func(s reflect.Type) {
		described := map[string]string{}
		for i := range s.NumField() {
			f := s.Field(i)
			is := f.Type
			if is.Kind() == reflect.Slice {
				is = is.Elem()
			}
			where := s.Name() + "." + f.Name
			words := f.Tag.Get("figure")
			if is.PkgPath() != number.PkgPath() {
				if words != "" || f.Tag.Get("page") != "" || f.Tag.Get("digits") != "" {
					t.Errorf("%s is not a figure, but is described as one", where)
				}
				continue
			}
			figures++
			if words == "" {
				t.Errorf("%s is not described", where)
			}
			if other := described[words]; other != "" {
				t.Errorf("%s and %s are both described as %q", where, other, words)
			}
			described[words] = f.Name
			if digits := f.Tag.Get("digits"); !regexp.MustCompile(`^(|unit|\+?[0-9])$`).MatchString(digits) {
				t.Errorf("%s: digits %q", where, digits)
			}
			name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
			u, ok := units[is]
			switch said := inBrackets.FindStringSubmatch(words); {
			case is == number || is == frames:
			case !ok:
				t.Errorf("%s is of an unknown unit, %v", where, is)
			case !strings.HasSuffix(name, u[0]) && name != u[0][1:] && !strings.HasSuffix(name, u[0]+"_per_octave"):
				t.Errorf("%s is in %s, but its name %q does not end so", where, u[1], name)
			case said == nil || said[1] != u[1] && (said[1] != "dBFS" || u[1] != "dB"): // a level relative to full scale is also a ratio
				t.Errorf("%s is in %s, but is described as %q", where, u[1], words)
			}
		}
	})
	if figures < 80 {
		t.Errorf("only %d figures were found", figures)
	}
}

// TestFiguresOf asks for the values beside their descriptions, as the page shows them.
func TestFiguresOf(t *testing.T) {
	m := result.AudioMeasures{Integrated: -23.45, MaxMomentary: -20, Range: 4.26}
	shown := map[string]string{}
	for _, f := range result.Figures(m) {
		if f.Page != "" {
			shown[f.Page] = f.String(3)
		}
	}
	for heading, want := range map[string]string{"Loudness range, LU": "4.3", "Max. momentary after matching, LUFS": "−17.0"} {
		if shown[heading] != want {
			t.Errorf("%s: %q, want %q", heading, shown[heading], want)
		}
	}
	for _, f := range result.Figures(result.Descriptors{Centroid: 1260, Tilt: 1.234}) {
		if want, ok := map[string]string{"Centroid": "1.26 kHz", "Tilt, dB per octave": "+1.23"}[f.Page]; ok && f.String(0) != want {
			t.Errorf("%s: %q, want %q", f.Page, f.String(0), want)
		}
	}
}
