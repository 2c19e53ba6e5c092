package analyze

import (
	"reflect"
	"regexp"
	"strings"
	"testing"

	"evenhand/analyze/result"
)

// TestRulesNameFields asks that every rule names figures that results.json has,
// a format that knows it, and a sentence.
func TestRulesNameFields(t *testing.T) {
	for i, r := range result.Rules() {
		if r.Since < 2 || r.Since > result.Format || i > 0 && r.Since < result.Rules()[i-1].Since {
			t.Errorf("rule %d: since format %d, of 2 to %d", i, r.Since, result.Format)
		}
		if !strings.HasSuffix(r.Says, ".") || len(r.Fields) == 0 {
			t.Errorf("rule %d: %+v", i, r)
		}
		for _, f := range r.Fields {
			if !hasField(reflect.TypeFor[result.Result](), f) {
				t.Errorf("rule %d: results.json has no %s", i, f)
			}
		}
	}
	for f, want := range map[string]bool{"likeness.spectral_db": true, "takes.measures.rms_dbfs": true, "checks[lag]": true, "checks[lag].measured": true, "takes.noise": true, "likeness.spectral": false, "checks[]": false, "nothing": false} {
		if hasField(reflect.TypeFor[result.Result](), f) != want {
			t.Errorf("%s: %v", f, !want)
		}
	}
}

// hasField reports whether the JSON of a type has a field at a path as in
// Rule.Fields.
func hasField(typ reflect.Type, path string) bool {
	for typ.Kind() == reflect.Slice || typ.Kind() == reflect.Pointer || typ.Kind() == reflect.Array {
		typ = typ.Elem()
	}
	if path == "" {
		return true
	}
	name, rest, _ := strings.Cut(path, ".")
	name = regexp.MustCompile(`\[[a-z0-9-]+\]$`).ReplaceAllString(name, "")
	if typ.Kind() != reflect.Struct {
		return false
	}
	for i := range typ.NumField() {
		f := typ.Field(i)
		tag, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if tag == name && hasField(f.Type, rest) || f.Anonymous && tag == "" && hasField(f.Type, path) {
			return true
		}
	}
	return false
}
