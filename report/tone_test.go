package report

import (
	"math"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
	"evenhand/report/words"
)

// toneOf compares a take with another, both flat in third octaves at −20 dB but for
// what own and other say of some bands, over floors of −100 dB but for those named.
// Everything is resolved but where the two are within 0.5 dB.
func toneOf(own, other, floors map[int]float64) (result.BandDifferences, result.Audibility) {
	bands := fixtureBands(3) // 25 Hz is 0, 250 Hz 10, 1 kHz 16, 5 kHz 23, 20 kHz 29
	side := func(at map[int]float64) result.ThirdOctaves {
		s := result.ThirdOctaves{Levels: make([]unit.DB, len(bands)), Floor: make([]unit.DB, len(bands))}
		for i := range bands {
			s.Levels[i], s.Floor[i] = -20, -100
			if v, ok := at[i]; ok {
				s.Levels[i] = unit.DB(v)
			}
			if v, ok := floors[i]; ok {
				s.Floor[i] = unit.DB(v)
			}
		}
		return s
	}
	a, b := side(own), side(other)
	d := result.BandDifferences{Difference: make([]unit.DB, len(bands)), HalfWidth: make([]unit.DB, len(bands)), Resolved: make([]bool, len(bands))}
	for i := range bands {
		d.Difference[i], d.HalfWidth[i] = a.Levels[i]-b.Levels[i], 0.5
		d.Resolved[i] = d.Difference[i] > 0.5 || d.Difference[i] < -0.5
	}
	return d, result.Audible(bands, a, b, 61.735)
}

// levels are one level over a range of bands.
func levelsFrom(first, last int, v float64) map[int]float64 {
	out := map[int]float64{}
	for i := first; i <= last; i++ {
		out[i] = v
	}
	return out
}

func with(maps ...map[int]float64) map[int]float64 {
	out := map[int]float64{}
	for _, m := range maps {
		for k, v := range m {
			out[k] = v
		}
	}
	return out
}

func TestToneWords(t *testing.T) {
	bands := fixtureBands(3)
	for _, c := range []struct {
		name               string
		own, other, floors map[int]float64
		balance            float64
		want               string
	}{
		{name: "nothing", want: "No difference from Leaning is resolved in any band."},
		{name: "one band", own: levelsFrom(10, 10, -15.8), want: "More low mids than Leaning: 4.2 dB more around 250 Hz."},
		{name: "a wide run up there, with more of the energy there", own: levelsFrom(19, 25, -10), balance: 3, want: "Brighter than Leaning: 10.0 dB more from 2 kHz to 8 kHz."},
		{name: "to the end", own: levelsFrom(19, 29, -23), balance: -1, want: "Darker than Leaning: 3.0 dB less from 2 kHz up."},
		{name: "without more of the power there", own: levelsFrom(19, 25, -10), balance: -3, want: "More presence and air than Leaning: 10.0 dB more from 2 kHz to 8 kHz."},
		{name: "bass and air", own: with(levelsFrom(22, 29, -18), levelsFrom(3, 9, -8)), want: "More bass than Leaning: 12.0 dB more from 50 Hz to 200 Hz. Also more air (2.0 dB more from 4 kHz up)."},
		{name: "the most audible first, not the lowest", own: with(levelsFrom(4, 6, -22), levelsFrom(15, 18, -26)), want: "Less mids than Leaning: 6.0 dB less from 800 Hz to 1.6 kHz. Also less bass (2.0 dB less around 100 Hz)."},
		{name: "four", own: with(levelsFrom(4, 4, -24), levelsFrom(8, 8, -25), levelsFrom(12, 12, -26), levelsFrom(16, 16, -27)),
			want: "Less mids than Leaning: 7.0 dB less around 1 kHz. Also less low mids (6.0 dB less around 400 Hz) and less bass (5.0 dB less around 160 Hz). 1 further difference is heard less."},
		{name: "two in one region", own: with(levelsFrom(2, 2, -24), levelsFrom(6, 6, -26), levelsFrom(12, 12, -28)), want: "Less low mids than Leaning: 8.0 dB less around 400 Hz. Also less bass (6.0 dB less around 100 Hz, 4.0 dB less around 40 Hz)."},
		// 20 dB down is 25 dB over where it is no longer heard beside the strongest:
		// 10 kHz, −20 dB and K-weighted 4.0 dB more.
		{name: "a side that is not heard", other: levelsFrom(25, 25, -90), own: levelsFrom(25, 25, -40), want: "More air than Leaning: at least 25.0 dB more around 8 kHz."},
		{name: "too faint", own: levelsFrom(25, 29, -70), other: levelsFrom(25, 29, -80), want: "In average tone, no difference from Leaning is heard. Those that are resolved are too far below the rest of the sound, or in noise."},
		{name: "noise", own: with(levelsFrom(10, 10, -15), levelsFrom(27, 29, -30)), other: levelsFrom(27, 29, -40), floors: levelsFrom(27, 29, -31),
			want: "More low mids than Leaning: 5.0 dB more around 250 Hz. What differs around 16 kHz is noise."},
		{name: "noise alone", own: levelsFrom(20, 29, -30), other: levelsFrom(20, 29, -40), floors: levelsFrom(20, 29, -31), want: "In average tone, no difference from Leaning is heard but in noise, from 2.5 kHz up."},
	} {
		d, heard := toneOf(c.own, c.other, c.floors)
		if got := toneWords("Leaning", bands, d, heard, c.balance, 3); got != c.want {
			t.Errorf("%s:\n got %s\nwant %s", c.name, got, c.want)
		}
	}
	d, _ := toneOf(levelsFrom(3, 5, -10), nil, nil)
	if got := toneWords("Leaning", bands, d, result.Audibility{}, 0, 3); !strings.Contains(got, "is not measured") {
		t.Error(got)
	}
}

func TestBrightnessWords(t *testing.T) {
	if corner := spectrum.DefaultFrame().MidHigh; corner != brightFrom {
		t.Errorf("what is high begins at %v, what is bright at %v", corner, brightFrom)
	}
	for _, c := range []struct {
		in      []words.Point
		repeats float64
		want    string
	}{
		{nil, 0, ""},
		{[]words.Point{{Name: "A", Value: -10}}, 0, ""},
		{[]words.Point{{Name: "A", Value: -10}, {Name: "B", Value: -10.9}}, 0, ""},
		{[]words.Point{{Name: "A", Value: -12}, {Name: "B", Value: -10}, {Name: "C", Value: -11}}, 0.3, "B is the brightest and A the darkest, by the part of the power above 2.00 kHz: −10.0 and −12.0 dB."},
		{[]words.Point{{Name: "A", Value: -12}, {Name: "B", Value: -10}}, 3, ""},
		{[]words.Point{{Name: "A", Value: -12}, {Name: "B", Value: -10}, {Name: "C", Value: -11.9}}, 0.3, "B is the brightest, by the part of the power above 2.00 kHz: −10.0 dB."},
		{[]words.Point{{Name: "A", Value: -12}, {Name: "B", Value: -10}, {Name: "C", Value: math.NaN()}, {Name: "D", Value: -10.2}}, 0.3, "A is the darkest, by the part of the power above 2.00 kHz: −12.0 dB."},
	} {
		if got := brightnessWords(c.in, c.repeats, 2000); got != c.want {
			t.Errorf("%v: %q, want %q", c.in, got, c.want)
		}
	}
}
