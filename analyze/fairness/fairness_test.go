package fairness

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/parts"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// TestNotch compares with |1 + exp(−2πi·f·τ)|, which is zero at the notch.
func TestNotch(t *testing.T) {
	for _, tau := range []float64{1e-4, 5e-4, 2.3e-3, -1e-3} {
		f := float64(notch(unit.Seconds(tau)))
		if re := 1 + math.Cos(2*math.Pi*f*tau); re > 1e-12 {
			t.Errorf("%v s: the sum at %v Hz is %v", tau, f, re)
		}
	}
}

// TestSlipTime: both ends of a range are rounded outwards, so that what is printed
// holds what is meant.
func TestSlipTime(t *testing.T) {
	for _, c := range []struct {
		from, at, to unit.Seconds
		want         result.Text
	}{
		{6.05, 6.1, 6.15, result.Say("slip.at", "at_s", 6.1, "beside_s", 0.1)},
		{6.01, 6.14, 6.21, result.Say("slip.at", "at_s", 6.1, "beside_s", 0.2)},
		{11.96, 12.5, 15.41, result.Say("slip.between", "from_s", 11.9, "to_s", 15.5)},
		{59.7, 60, 60.3, result.Say("slip.between", "from_s", 59.7, "to_s", 60.3)},
	} {
		if got := slipTime(parts.Slip{From: c.from, At: c.at, To: c.to}); !reflect.DeepEqual(got, c.want) {
			t.Errorf("%v, %v, %v: %v, want %v", c.from, c.at, c.to, got, c.want)
		}
	}
}

// TestLimits sets limits in the manifest.
func TestLimits(t *testing.T) {
	parse := func(limits string) (*Measured, error) {
		c, err := manifest.Parse("scene.yaml", []byte("title: T\nvaries: fuzz\nlimits: {"+limits+"}\nchain:\n  - slot: fuzz\ntakes:\n  - {name: A, file: a.wav, fuzz: Alpha}\n  - {name: B, file: b.wav, fuzz: Beta}\n"))
		if err != nil {
			t.Fatal(err)
		}
		return &Measured{Manifest: c}, CheckLimits(c)
	}
	for _, c := range []struct{ limits, id, shown string }{
		{"lag: 0.5 ms", IDLag, "at most 0.50 ms"},
		{"lag: 500 µs", IDLag, "at most 0.50 ms"},
		{"lag: 0.003 s", IDLag, "at most 3.00 ms"},
		{"match: ±0.1 LU", IDMatch, "±0.10 LU"},
		{"match: 0.125 dB", IDMatch, "±0.125 LU"},
		{"headroom: −3 dBFS", IDHeadroom, "at most −3.0 dBFS"},
		{"headroom: -3 dbfs", IDHeadroom, "at most −3.0 dBFS"},
		{"headroom: 0 dBFS", IDHeadroom, "at most 0.0 dBFS"},
		{"match-room: -18 LUFS", IDMatchRoom, "at least −18.0 LUFS"},
		{"clicks: 2 clicks", IDClicks, "at most 2 clicks"},
		{"clicks: 0 clicks", IDClicks, "none"},
	} {
		s, err := parse(c.limits)
		if err != nil {
			t.Errorf("%s: %v", c.limits, err)
			continue
		}
		for _, q := range s.questions() {
			if q.id == c.id && (q.limit.allowed().String() != c.shown || !q.limit.allowed().Set) {
				t.Errorf("%s: shown as %q, set %v", c.limits, q.limit.allowed(), q.limit.Set)
			}
		}
	}
	for _, c := range []struct{ limits, want string }{
		{"lagg: 1 ms", `scene.yaml:3:10: there is no check "lagg"; did you mean "lag"?`},
		{"zzzzzzzz: 1 ms", `checks with a limit: lag, drift`},
		{"lag: 1", `scene.yaml:3:10: the check "lag" is in ms, found "1"; write it like 2.00 ms`},
		{"lag: 1 dB", `the check "lag" is in ms, found "1 dB"`},
		{"lag: soon", `the check "lag" needs a number with the unit ms, found "soon"`},
		{"lag: ±1 ms", `the check "lag" has a limit on one side, found "±1 ms"`},
		{"lag: 99 s", `the check "lag" allows limits from 0.01 to 50.00 ms, found "99 s"`},
		{"lag: 1e99 ms", `the check "lag" is in ms`},
		{"one-change: 3 dB", `the check "one-change" has no limit that can be set`},
	} {
		_, err := parse(c.limits)
		var input *mistake.Error
		if !errors.As(err, &input) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %q", c.limits, err, c.want)
		}
	}
	if _, err := parse("lagg: 1 ms, matsh: 1 LU"); err == nil || strings.Count(err.Error(), "\n") != 1 {
		t.Errorf("two mistakes, one run: %v", err)
	}
}

// TestCatalogue asks that ids are unique and every entry is complete.
func TestCatalogue(t *testing.T) {
	seen := map[string]bool{}
	for _, q := range catalogue() {
		if seen[q.id] {
			t.Errorf("%s twice", q.id)
		}
		seen[q.id] = true
		if q.group == "" || q.ask == nil {
			t.Errorf("%s is incomplete", q.id)
		}
		if q.limit.Kind != "" && !(q.limit.least <= float64(q.limit.Value) && float64(q.limit.Value) <= q.limit.most) {
			t.Errorf("%s: its own limit lies outside of what may be set", q.id)
		}
		if q.limit.Kind != "" {
			text := strings.NewReplacer("at most ", "", "at least ", "").Replace(q.limit.allowed().String())
			if again, err := q.limit.parse(text); err != nil || again.Value != q.limit.Value {
				t.Errorf("%s: its limit as shown, %q, is read as %v, %v", q.id, text, again.Value, err)
			}
		}
	}
	s := &Measured{Manifest: &manifest.Comparison{}, Result: &result.Result{}, Evidence: Evidence{Dry: &Recording{}}}
	for _, x := range s.accusations(true) {
		for _, id := range x.checks {
			if !seen[id] {
				t.Errorf("%q rests on %q, which is no check", x.id, id)
			}
		}
	}
}

// TestUndisclosed asks that payment rests on the author's word only where there
// is one.
func TestUndisclosed(t *testing.T) {
	for disclosure, want := range map[string]result.Standing{"": result.NotExcluded, "Nobody paid.": result.AuthorsWord} {
		s := &Measured{Manifest: &manifest.Comparison{}, Result: &result.Result{Comparison: result.Comparison{Disclosure: disclosure}}, Evidence: Evidence{Dry: &Recording{}}}
		for _, x := range s.accusations(true) {
			if x.id == "paid" && x.best != want {
				t.Errorf("disclosure %q: %s, want %s", disclosure, x.best, want)
			}
		}
	}
}

// TestSameFileIsNoCopy: one file under two names is one fault, not two.
func TestSameFileIsNoCopy(t *testing.T) {
	checks := []result.Check{
		{ID: IDSameFile, Subject: "One and Two", Outcome: result.Failed},
		{ID: IDNearCopy, Subject: "One and Two", Outcome: result.Failed},
		{ID: IDNearCopy, Subject: "One and Three", Outcome: result.Failed},
	}
	(&Measured{Manifest: &manifest.Comparison{}, Result: &result.Result{}}).consequences(checks)
	if c := checks[1]; c.ConsequenceOf != IDSameFile {
		t.Errorf("%+v", c)
	}
	if c := checks[2]; c.ConsequenceOf != "" {
		t.Errorf("%+v", c)
	}
}
