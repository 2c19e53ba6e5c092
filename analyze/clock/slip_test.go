package clock

import (
	"fmt"
	"math"
	"testing"

	"evenhand/analyze/align"
)

func slips(t testing.TB, a, b []float64) (Slips, align.Estimate) {
	e := find(t, a, b)
	s, err := FindSlips(align.NewMemory(rate, a), align.NewMemory(rate, b), e, Params{})
	if err != nil {
		t.Fatal(err)
	}
	return s, e
}

// happened reports whether a slip of n frames at a time lies, with all that was
// lost, within the times that x says.
func happened(x Slip, when float64, n int) bool {
	return float64(x.From) <= when && when+max(0, -float64(n)/rate) <= float64(x.To)
}

// TestSlips loses and inserts frames: between recordings of one path a single
// frame is found, between different circuits what the search says it can; where
// it and when it happened is right, and nothing else is found.
func TestSlips(t *testing.T) {
	s := session()
	pairs := []struct {
		a, b  int
		least float64 // the smallest slip that must be found
	}{{0, 5, 1}, {1, 2, 20}, {0, 2, 20}, {0, 3, 480}}
	sizes := []int{1, 20, 480, -3000}
	if raceDetector {
		pairs, sizes = pairs[:1], sizes[:2]
	}
	for _, p := range pairs {
		a, b := s[p.a], s[p.b]
		none, e := slips(t, a.x, b.x)
		row := fmt.Sprintf("%s: scatter %.3f, smallest %.1f, drift %+.2f ± %.2f ppm |", name(a, b), float64(none.Scatter), float64(none.Smallest), float64(none.Drift), float64(none.DriftError))
		if len(none.Slips) > 0 {
			t.Errorf("%s: found %+v in one piece", name(a, b), none.Slips)
		}
		for _, n := range sizes {
			at := 5*rate + 137*n%rate
			r, _ := slips(t, a.x, slipped(b.x, at, n))
			when := float64(at)/rate - float64(e.Lag)/rate
			size := math.Abs(float64(n))
			must := size >= p.least || size >= float64(r.Smallest)+1
			switch {
			case len(r.Slips) == 0:
				row += fmt.Sprintf(" %d: –", n)
				if must {
					t.Errorf("%s: slip of %d not found, smallest %.2f", name(a, b), n, float64(r.Smallest))
				}
			case len(r.Slips) > 1:
				t.Errorf("%s: slip of %d found as %+v", name(a, b), n, r.Slips)
			default:
				x := r.Slips[0]
				off := float64(x.Lag) - float64(n)
				row += fmt.Sprintf(" %d: %+.2f, %+.3f … %+.3f s", n, off, float64(x.From)-when, float64(x.To)-when)
				if !happened(x, when, n) || math.Abs(off) > max(0.5, 0.3*size, 3*float64(x.Error)) {
					t.Errorf("%s: slip of %d at %.3f found as %+v", name(a, b), n, when, x)
				}
			}
		}
		t.Log(row)
	}
}

// TestSlipsNearEnds: a slip above the smallest is found from the first to the last
// time that is stated, and one that is not found lies outside.
func TestSlipsNearEnds(t *testing.T) {
	long := riff()
	long.Length = 28
	for _, p := range riff().Parts {
		p.Start += 13.5
		long.Parts = append(long.Parts, p)
	}
	dry := performance(t, 21, long)
	circuits := []string{"crunch", "octave"}
	if raceDetector {
		circuits = circuits[:1]
	}
	for _, name := range circuits {
		wet := otherGear[name].play(dry, 1)
		none, e := slips(t, dry, wet)
		if len(none.Slips) > 0 || !(none.From > 0.6 && none.From < 6 && none.To > 20 && none.To < 27) {
			t.Fatalf("%s: %+v", name, none)
		}
		row := ""
		for _, when := range []float64{1.6, float64(none.From) + 0.2, float64(none.To) - 0.2, 25.2} {
			const n = 40
			r, _ := slips(t, dry, slipped(wet, int(when*rate+float64(e.Lag)), -n))
			within := when >= float64(r.From) && when <= float64(r.To)
			switch {
			case len(r.Slips) > 1 || len(r.Slips) == 1 && math.Abs(float64(r.Slips[0].Lag)+n) > 4:
				t.Errorf("%s: at %.1f s found as %+v", name, when, r.Slips)
			case len(r.Slips) == 1:
				row += fmt.Sprintf(" at %.1f found;", when)
			case within && float64(r.Smallest) <= n:
				t.Errorf("%s: at %.1f s not found, %+v", name, when, r)
			}
		}
		t.Logf("%s: from %s to %s none of %.1f:%s", name, none.From, none.To, float64(none.Smallest), row)
	}
}

// TestSlipsCutShort: where b ends in the middle of a, what it does not hold is not
// looked for elsewhere in it.
func TestSlipsCutShort(t *testing.T) {
	s := session()
	for _, take := range []int{0, 1} {
		b := s[take].x
		r, _ := slips(t, s[0].x, b[:len(b)*6/10])
		if len(r.Slips) > 0 || r.Reason != "" {
			t.Errorf("%s: %+v", s[take].name, r)
		}
	}
}

// TestSlipsOfNothing: what cannot be compared says so.
func TestSlipsOfNothing(t *testing.T) {
	x := session()[0].x
	for _, y := range [][]float64{make([]float64, len(x)), x[:rate/2], performance(t, 99, shortScore(1))} {
		r, _ := slips(t, x, y)
		if len(r.Slips) > 0 || r.Slips == nil {
			t.Errorf("%+v", r)
		}
	}
	if _, err := FindSlips(align.NewMemory(rate, x), align.NewMemory(44100, x), align.Estimate{}, Params{}); err == nil {
		t.Error("no error for different rates")
	}
}
