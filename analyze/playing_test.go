package analyze

import (
	"math"
	"reflect"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// TestRepeatsShowGearThatVaries: of a take whose repeat leaves more than −10 dB nothing is
// said, less is what other pairs are compared with.
func TestRepeatsShowGearThatVaries(t *testing.T) {
	for _, c := range []struct {
		repeat   float64 // what a filter leaves between One and Again
		other    float64 // what an equaliser leaves between One and Other
		measured bool
		resolved bool
	}{
		{-9.9, -5, false, false},
		{-10.1, -5, true, true},
		{-10.1, -11, true, false}, // less than between the take and its repeat
		{-40, -11, true, true},
	} {
		takes := []result.Take{{Name: "One"}, {Name: "Again", RepeatOf: "One"}, {Name: "Other"}, {Name: "Third"}}
		for i := range takes {
			takes[i].Touch, takes[i].Drive = &result.Touch{Measured: true, Slope: 0.5}, &result.Drive{Measured: true, Drive: 3}
		}
		s := &Session{Measured: fairness.Measured{Result: &result.Result{Takes: takes}}}
		pair := func(a, b string, eq, filter float64) result.Leftover {
			l := result.Leftover{A: a, B: b}
			blankLeftover(&l)
			l.Equaliser, l.EqualiserError, l.Filter, l.FilterError = unit.DB(eq), 0.2, unit.DB(filter), 0.2
			return l
		}
		s.Result.Leftover = []result.Leftover{pair("One", "Again", c.repeat, c.repeat), pair("One", "Other", c.other, c.other-1), pair("Other", "Third", -2, -3)}
		s.heedRepeats()
		l := s.Result.Leftover[1]
		if (l.Reason.Found == "") != c.measured || l.Resolved != c.resolved || math.IsNaN(float64(l.Equaliser)) == c.measured {
			t.Errorf("%v: %+v", c, l)
		}
		if !c.measured && !reflect.DeepEqual(l.Reason.Text, result.Say("about", "name", "One", "why", result.Say("gear.varies", "left_db", -9.9))) {
			t.Errorf("%v: %+v", c, l.Reason)
		}
		for i, x := range takes {
			if varies := i < 2 && !c.measured; x.Touch.Measured == varies || x.Drive.Measured == varies || !reflect.DeepEqual(x.Touch.Reason, x.Drive.Reason) {
				t.Errorf("%v: %s: touch %+v, drive %+v", c, x.Name, x.Touch, x.Drive)
			}
		}
		if third := s.Result.Leftover[2]; third.Reason.Found != "" || !third.Resolved {
			t.Errorf("%v: a pair without a repeat: %+v", c, third)
		}
	}
}

// TestNothingLeftIsNotResolved: without a repeat, what an equaliser leaves of two takes
// that do not differ is at the least that is measured, and no difference.
func TestNothingLeftIsNotResolved(t *testing.T) {
	for _, c := range []struct {
		left, error unit.DB
		resolved    bool
	}{{leastLeftover, 0, false}, {leastLeftover + 0.3, 0.2, false}, {leastLeftover + 1, 0.2, true}} {
		s := &Session{Measured: fairness.Measured{Result: &result.Result{Takes: []result.Take{{Name: "One"}, {Name: "Other"}},
			Leftover: []result.Leftover{{A: "One", B: "Other", Equaliser: c.left, EqualiserError: c.error}}}}}
		s.heedRepeats()
		if l := s.Result.Leftover[0]; l.Resolved != c.resolved {
			t.Errorf("%+v: %+v", c, l)
		}
	}
}
