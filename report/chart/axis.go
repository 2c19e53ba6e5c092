package chart

import (
	"math"
	"strconv"
	"unicode/utf8"
)

// axis is one axis of a frame: its range and its ticks.
type axis struct {
	min, max float64
	log      bool
	ticks    []tick
}

type tick struct {
	at    float64
	label string
	minor bool // a thin line without a label where space is short
}

// octaves are the labelled frequencies: the octave mid-band frequencies that
// studio equipment is marked with. Source: IEC 61260-1:2014, Annex E.
var octaves = [...]tick{
	{at: 31.5, label: "31"}, {at: 63, label: "63"}, {at: 125, label: "125"}, {at: 250, label: "250"}, {at: 500, label: "500"},
	{at: 1000, label: "1k"}, {at: 2000, label: "2k"}, {at: 4000, label: "4k"}, {at: 8000, label: "8k"}, {at: 16000, label: "16k"},
}

// thirds are the nominal third-octave frequencies in between, drawn thin.
var thirds = [...]float64{
	20, 25, 40, 50, 80, 100, 160, 200, 315, 400, 630, 800, 1250, 1600, 2500, 3150, 5000, 6300, 10000, 12500, 20000,
}

// frequencyAxis spans from lo to hi Hz on a logarithmic scale. Bounds that
// are not usable become 20 Hz and 20 kHz.
func frequencyAxis(lo, hi float64) axis {
	if !(lo >= 1) || math.IsInf(lo, 0) {
		lo = 20
	}
	if !(hi > lo) || math.IsInf(hi, 0) {
		hi = math.Max(20000, 10*lo)
	}
	a := axis{min: lo, max: hi, log: true}
	for _, f := range thirds {
		if f >= lo && f <= hi {
			a.ticks = append(a.ticks, tick{at: f, minor: true})
		}
	}
	for _, t := range octaves {
		if t.at >= lo && t.at <= hi {
			a.ticks = append(a.ticks, t)
		}
	}
	return a
}

var levelSteps = [...]float64{0.1, 0.2, 0.5, 1, 2, 3, 6, 10, 20, 30, 50, 100}

// farthest is the greatest level in dB, either way, that an axis follows.
const farthest = 1000

// levelAxis spans the finite values in dB, at most depth below their
// greatest, on round ticks. Without a finite value it is 0 to −60 dB.
func levelAxis(depth float64, values ...[]float64) axis {
	lo, hi := math.Inf(1), math.Inf(-1)
	for _, vs := range values {
		for _, v := range vs {
			if math.Abs(v) <= farthest {
				lo, hi = math.Min(lo, v), math.Max(hi, v)
			}
		}
	}
	if hi < lo {
		lo, hi = -60, 0
	}
	lo = math.Max(lo, hi-depth)
	if hi-lo < 6 {
		mid := (hi + lo) / 2
		lo, hi = mid-3, mid+3
	}
	return roundAxis(lo, hi)
}

// symmetricAxis spans zero ± at least least dB and every finite value.
func symmetricAxis(least float64, values ...[]float64) axis {
	top := least
	for _, vs := range values {
		for _, v := range vs {
			if math.Abs(v) <= farthest {
				top = math.Max(top, math.Abs(v))
			}
		}
	}
	top = math.Min(top, 60)
	return roundAxis(-top, top)
}

func roundAxis(lo, hi float64) axis {
	step := levelSteps[len(levelSteps)-1]
	for _, s := range levelSteps {
		if (hi-lo)/s <= 7.5 {
			step = s
			break
		}
	}
	first, last := math.Floor(lo/step+1e-9), math.Ceil(hi/step-1e-9)
	a := axis{min: first * step, max: last * step}
	for i := range int(last-first) + 1 {
		v := (first + float64(i)) * step
		a.ticks = append(a.ticks, tick{at: v, label: decibels(v, step)})
	}
	return a
}

// room is what the labels of an upright axis need at its side. On narrow screens
// they are 19 units high, and a minus is then up to 16 units wide, a digit 12.
func (a axis) room() float64 {
	longest := 0
	for _, t := range a.ticks {
		longest = max(longest, utf8.RuneCountInString(t.label))
	}
	return math.Max(50, 8+13*float64(longest))
}

func decibels(v, step float64) string {
	d := 0
	if step < 1 {
		d = 1
	}
	s := strconv.FormatFloat(math.Abs(v), 'f', d, 64)
	if v < 0 {
		return "−" + s
	}
	return s
}

var timeSteps = [...]float64{1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1200, 1800, 3600}

// timeAxis spans from and to seconds, labelled minutes:seconds.
func timeAxis(from, to float64) axis {
	if math.IsNaN(from) || math.IsInf(from, 0) {
		from = 0
	}
	if !(to > from) || math.IsInf(to, 0) {
		to = from + 1
	}
	step := timeSteps[len(timeSteps)-1]
	for _, s := range timeSteps {
		if (to-from)/s <= 8 {
			step = s
			break
		}
	}
	a := axis{min: from, max: to}
	for k := math.Ceil(from / step); k*step <= to && len(a.ticks) < 1000; k++ {
		a.ticks = append(a.ticks, tick{at: k * step, label: clock(k * step)})
	}
	return a
}

func clock(s float64) string {
	n := int(math.Round(s))
	sec := strconv.Itoa(n % 60)
	if len(sec) == 1 {
		sec = "0" + sec
	}
	return strconv.Itoa(n/60) + ":" + sec
}
