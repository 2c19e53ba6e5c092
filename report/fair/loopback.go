package fair

import (
	"cmp"
	"fmt"
	"math"
	"strings"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/sentences"
	"evenhand/report/view"
	"evenhand/report/words"
)

// loopbackView is the reamp level.
type loopbackView struct {
	File    string
	Facts   []view.Fact
	Octaves view.Table
	Advice  []string
	Reason  string
}

func loopback(res *result.Result) *loopbackView {
	l := res.Loopback
	if l == nil {
		return nil
	}
	v := &loopbackView{File: l.File, Advice: []string{}, Facts: []view.Fact{}}
	add := func(name, value string) { v.Facts = append(v.Facts, view.Fact{Name: name, Value: value}) }
	add("Level", l.Level.String()+" "+sentences.Where(l))
	add("Level may be off by", "±"+unit.Format(float64(l.LevelError), 2)+" dB")
	add("20 Hz to 20 kHz", l.Broadband.String())
	add("Loudness", unit.Signed(float64(l.Loudness), 1)+" LU")
	add("Peak", l.Peak.String())
	add("Noise added", loopNoise(l))
	add("Lag", l.Lag.String())
	add("Polarity", cmp.Or(l.Polarity, "–"))
	add("Drift", l.Drift.String())
	add("Tilt", unit.Signed(float64(l.Tilt), 2)+" dB per octave")
	if len(l.Shape) > 0 {
		add("Octaves of "+l.LevelBands, l.Middle.String())
	}
	for _, a := range l.Advice {
		v.Advice = append(v.Advice, words.Sentence(a.Words))
	}
	if !l.Certain {
		v.Reason = cmp.Or(l.Reason.Words, "no reason given")
	}
	rows := []view.Row{}
	for _, o := range l.Octaves {
		c := view.Cell{Text: unit.Signed(float64(o.Level), 1)}
		if !o.Measured {
			c = view.Cell{Text: "not measured: too little signal above the noise", Class: "t", Soft: true}
		}
		rows = append(rows, view.Row{Cells: []view.Cell{{Text: words.BandName(o.Band), Head: true}, c}})
	}
	v.Octaves = view.NewTable("Loopback minus dry recording in each octave, dB", view.Heads("Octave", "Difference, dB"), rows)
	return v
}

// loopNoise is what the loop adds, and whether it is hum.
func loopNoise(l *result.Loopback) string {
	switch {
	case math.IsNaN(float64(l.Noise)):
		return "not measured: " + cmp.Or(l.NoiseReason.Words, "no reason given")
	case l.Hum > 0:
		return l.Noise.String() + ", mostly hum at multiples of " + l.Hum.String()
	}
	return l.Noise.String()
}

// ReampWords say what the level of a loop is, and how it was found here.
func ReampWords(l *result.Loopback) string {
	s := "From the part of the loopback that follows the dry recording. The level of a loop that loses lows or treble is the gain of its passband: what it would do everywhere without the loss. A gain with a loss of first or second order or a shelf at each end, or nothing there, is fitted to the sixth octaves that are measured well; where that explains them within their errors, its gain is the level, otherwise the mean of the octaves of 250 Hz to 1 kHz. "
	switch {
	case len(l.Shape) > 0:
		ends := make([]string, len(l.Shape))
		for i, e := range l.Shape {
			ends[i] = e.Words
		}
		return s + fmt.Sprintf("Here, from %s to %s, the loop has %s; without that its gain is %s dB, to ±%s dB (two standard errors). The octaves of %s return at %s dB.",
			l.FitFrom, l.FitTo, strings.Join(ends, ", and "), unit.Signed(float64(l.Level), 2), unit.Format(float64(l.LevelError), 2), l.LevelBands, unit.Signed(float64(l.Middle), 2))
	case l.Separated:
		return s + fmt.Sprintf("Here the response is flat within what was measured, and both are the same to ±%s dB.", unit.Format(float64(l.LevelError), 2))
	}
	return s + fmt.Sprintf("Here none explains the response, so the level is that mean; the sixth octaves there differ by %s dB.", unit.Format(float64(l.LevelError), 2))
}
