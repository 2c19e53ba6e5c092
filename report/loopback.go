package report

import (
	"fmt"
	"math"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// loopbackView is the reamp level.
type loopbackView struct {
	File    string
	Facts   []fact
	Octaves table
	Advice  []string
	Reason  string
}

func (b *builder) loopback() *loopbackView {
	l := b.res.Loopback
	if l == nil {
		return nil
	}
	v := &loopbackView{File: l.File, Advice: []string{}, Facts: []fact{}}
	add := func(name, value string) { v.Facts = append(v.Facts, fact{Name: name, Value: value}) }
	add("Level", l.Level.String()+" "+l.Where())
	add("Level may be off by", "±"+unit.Format(float64(l.LevelError), 2)+" dB")
	add("20 Hz to 20 kHz", l.Broadband.String())
	add("Loudness", unit.Signed(float64(l.Loudness), 1)+" LU")
	add("Peak", l.Peak.String())
	add("Noise added", b.loopNoise(l))
	add("Lag", l.Lag.String())
	add("Polarity", orElse(l.Polarity, "–"))
	add("Drift", l.Drift.String())
	add("Tilt", unit.Signed(float64(l.Tilt), 2)+" dB per octave")
	if len(l.Shape) > 0 {
		add("Octaves of "+l.LevelBands, l.Middle.String())
	}
	for _, a := range l.Advice {
		v.Advice = append(v.Advice, sentence(a))
	}
	if !l.Certain {
		v.Reason = orElse(l.Reason, "no reason given")
	}
	rows := []row{}
	for _, o := range l.Octaves {
		c := cell{Text: unit.Signed(float64(o.Level), 1)}
		if !o.Measured {
			c = cell{Text: "not measured: too little signal above the noise", Class: "t", Soft: true}
		}
		rows = append(rows, row{Cells: []cell{{Text: bandName(o.Band), Head: true}, c}})
	}
	v.Octaves = newTable("Loopback minus dry recording in each octave, dB", heads("Octave", "Difference, dB"), rows)
	return v
}

// loopNoise is what the loop adds, and whether it is hum.
func (b *builder) loopNoise(l *result.Loopback) string {
	switch {
	case math.IsNaN(float64(l.Noise)):
		return "not measured: " + orElse(l.NoiseReason, "no reason given")
	case l.Hum > 0:
		return l.Noise.String() + ", mostly hum at multiples of " + l.Hum.String()
	}
	return l.Noise.String()
}

// reampWords say what the level of a loop is, and how it was found here.
func reampWords(l *result.Loopback) string {
	s := "From the part of the loopback that follows the dry recording. The level of a loop that loses lows or treble is the gain of its passband: what it would do everywhere without the loss. A gain with a loss of first or second order or a shelf at each end, or nothing there, is fitted to the sixth octaves that are measured well; where that explains them within their errors, its gain is the level, otherwise the mean of the octaves of 250 Hz to 1 kHz. "
	switch {
	case len(l.Shape) > 0:
		return s + fmt.Sprintf("Here, from %s to %s, the loop has %s; without that its gain is %s dB, to ±%s dB (two standard errors). The octaves of %s return at %s dB.",
			l.FitFrom, l.FitTo, l.ShapeWords(), unit.Signed(float64(l.Level), 2), unit.Format(float64(l.LevelError), 2), l.LevelBands, unit.Signed(float64(l.Middle), 2))
	case l.Separated:
		return s + fmt.Sprintf("Here the response is flat within what was measured, and both are the same to ±%s dB.", unit.Format(float64(l.LevelError), 2))
	}
	return s + fmt.Sprintf("Here none explains the response, so the level is that mean; the sixth octaves there differ by %s dB.", unit.Format(float64(l.LevelError), 2))
}
