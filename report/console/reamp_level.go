package console

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"
	"text/tabwriter"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/terminal"
)

// ReampLevel writes what a loopback shows: the answer first, then what it rests on.
func ReampLevel(w io.Writer, l *result.Loopback, width int) error {
	out := bufio.NewWriter(w)
	if !l.Certain {
		terminal.Fold(out, "", "✗ not comparable: "+terminal.Clean(l.Reason.Words), width)
	}
	for i, a := range l.Advice {
		mark := "  "
		if i == 0 && l.Certain {
			mark = map[bool]string{true: "✓ ", false: "! "}[l.Sound()]
		}
		terminal.Fold(out, "", mark+terminal.Clean(a.Words), width)
	}
	for _, x := range l.Warnings {
		terminal.Fold(out, "", "! "+terminal.Clean(x.Words), width)
	}
	if !l.Certain {
		return out.Flush()
	}
	fmt.Fprintln(out)
	t := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	row := func(name, value string) { fmt.Fprintf(t, "%s\t%s\n", name, value) }
	where := "20 Hz to 20 kHz"
	if l.LevelBands != "" {
		where = "octaves of " + l.LevelBands
	}
	middle := where
	if len(l.Shape) > 0 {
		where = "its passband, without the loss or shelf"
	}
	digits := unit.DecimalsBeside(float64(l.Level), float64(l.Tolerance), 2)
	row("loopback less dry", fmt.Sprintf("%s dB, %s", unit.Signed(float64(l.Level), digits), where))
	row("limit", fmt.Sprintf("±%s dB (common practice, no source)", unit.Format(float64(l.Tolerance), 2)))
	row("may be off by", fmt.Sprintf("±%s dB", unit.Format(float64(l.LevelError), 2)))
	switch {
	case len(l.Shape) > 0:
		name := "response"
		for _, end := range l.Shape {
			row(name, end.Words)
			name = "and"
		}
		row("fitted", fmt.Sprintf("from %s to %s", l.FitFrom, l.FitTo))
		row(middle, unit.Signed(float64(l.Middle), 2)+" dB")
	case l.Separated:
		row("response", "flat within what was measured")
	default:
		row("response", "uncertain: not separated from the level")
	}
	row("20 Hz to 20 kHz", unit.Signed(float64(l.Broadband), 2)+" dB")
	row("loudness", unit.Signed(float64(l.Loudness), 2)+" LU")
	row("true peak", unit.Signed(float64(l.Peak), 2)+" dB")
	ends := func(v unit.DB, band string) string {
		if band == "" {
			return "not measured: too little sound there"
		}
		return fmt.Sprintf("%s dB in the octave around %s", unit.Signed(float64(v), 1), band)
	}
	row("low end", ends(l.Low, l.LowBand))
	row("treble", ends(l.High, l.HighBand))
	row("tilt", unit.Signed(float64(l.Tilt), 2)+" dB per octave")
	if why := l.NoiseReason.Words; why != "" {
		row("noise added", "not measured: "+why)
	} else {
		row("noise added", fmt.Sprintf("%s, %s dB below the playing", l.Noise, unit.Format(float64(l.NoiseBelow), 0)))
		if l.Hum > 0 {
			row("of it", fmt.Sprintf("mostly hum, at multiples of %s", l.Hum))
		}
		row("dry noise returns", l.NoiseOwn.String())
	}
	row("lag", l.Lag.String())
	row("polarity", l.Polarity)
	if math.IsNaN(float64(l.Drift)) {
		row("drift", "not measured: the recording is too short")
	} else {
		row("drift", unit.Within(float64(l.Drift), 2*float64(l.DriftError))+" ppm")
	}
	row("compared", fmt.Sprintf("%s from %s on", l.Shared, l.From))
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(out)
	var bands, levels strings.Builder
	for _, o := range l.Octaves {
		v := "–"
		if o.Measured {
			decimals := 1
			if math.Abs(float64(o.Level)) >= 99.95 { // a column has six places
				decimals = 0
			}
			v = unit.Signed(float64(o.Level), decimals)
		}
		fmt.Fprintf(&bands, "%6s", strings.TrimSuffix(strings.Replace(o.Band.Label, " kHz", "k", 1), " Hz"))
		fmt.Fprintf(&levels, "%6s", v)
	}
	fmt.Fprintln(out, "octave, Hz", bands.String())
	fmt.Fprintln(out, "dB        ", levels.String())
	return out.Flush()
}
