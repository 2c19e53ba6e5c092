package report

import (
	"fmt"
	"math"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
)

const (
	// leastAttack is the shortest attack in ms that is given as a figure: a compressor is
	// fitted in steps of half of it.
	leastAttack = 1
	// limits is the slope above the threshold up to which a ratio is no longer told from a
	// greater one: 20:1.
	limits = 0.05
	// oneRatio is by which factor the ends of a ratio's range differ at most where one
	// figure stands for both.
	oneRatio = 1.1
	// oneThreshold is by how many dB those of a threshold's range do.
	oneThreshold = 2
)

// compressorWords says what a take's compressor does; "" without one that was measured.
func compressorWords(t *result.Take) string {
	c := t.Compressor
	if c == nil || !c.Measured {
		return ""
	}
	from := "at every level played"
	if chart.Finite(float64(c.Threshold)) {
		level := unit.Format(float64(c.Threshold), 0)
		if low, high := unit.Format(float64(c.ThresholdLow), 0), unit.Format(float64(c.ThresholdHigh), 0); c.ThresholdHigh-c.ThresholdLow > oneThreshold {
			level = low + " to " + high
		}
		from = fmt.Sprintf("above %s dBFS (%s) going in", level, c.Detector)
	}
	return fmt.Sprintf("%s: compresses %s %s; attack %s, release %s.", t.Name, ratioWords(c), from, msWords(c.Attack), msWords(c.Release))
}

// ratioWords is the ratio of a compressor, or its range where that is wide.
func ratioWords(c *result.Compressor) string {
	ratio := func(slope unit.Number) string {
		return strings.TrimSuffix(unit.Format(1/float64(slope), 1), ".0") + ":1"
	}
	switch {
	case c.Low <= limits:
		return "more than " + ratio(max(c.High, limits))
	case c.High > oneRatio*c.Low:
		return ratio(c.High) + " to " + ratio(c.Low)
	}
	return ratio(c.Slope)
}

// msWords is a time of a compressor, in ms.
func msWords(ms unit.Number) string {
	switch v := float64(ms); {
	case math.IsNaN(v):
		return "not measured"
	case v < leastAttack:
		return "under 1 ms"
	}
	return unit.Format(float64(ms), 0) + " ms"
}

// compressors is the table of what was found of them, with the noise that they raise; it
// has no rows where none was measured.
func (b *builder) compressors() table {
	rows, measured := []row{}, false
	figure := func(v, low, high unit.Number, digits int) string {
		return unit.Format(float64(v), digits) + spread(low, high, digits)
	}
	for i, t := range b.res.Takes {
		c := t.Compressor
		if c == nil {
			continue
		}
		ratio, detector, why := "–", "–", c.Reason.Words
		if c.Measured {
			measured = true
			ratio = ratioWords(c)
			detector = c.Detector + ", " + unit.Format(float64(c.Decay), 0) + " ms"
			if why == "" && math.IsNaN(float64(c.Attack)+float64(c.Release)) {
				why = "the halves of the music, or detectors that fit about as well, give other times"
			}
		}
		touch := "–"
		if t.Touch != nil && t.Touch.Measured {
			touch = unit.Format(float64(t.Touch.Slope), touchDigits)
		}
		noise := "–"
		if t.Noise.Measured {
			noise = unit.Format(float64(t.Noise.AsMatched.AWeighted), 1)
		}
		rows = append(rows, row{Cells: append([]cell{markedCell(b.labels[i])}, append(cells(
			ratio, figure(c.Slope, c.Low, c.High, touchDigits), figure(unit.Number(c.Threshold), unit.Number(c.ThresholdLow), unit.Number(c.ThresholdHigh), 1), unit.Format(float64(c.Knee), 1),
			figure(c.Attack, c.AttackLow, c.AttackHigh, 0), figure(c.Release, c.ReleaseLow, c.ReleaseHigh, 0), detector, unit.Format(float64(c.Left), 2), touch, noise),
			cell{Text: why, Class: "t"})...)})
	}
	if !measured {
		rows = nil
	}
	return newTable("Compressors", heads("Take", "Ratio", "Out above the threshold, dB for each dB", "Threshold, dBFS", "Knee, dB", "Attack, ms", "Release, ms", "Level going in, taken as", "The model leaves, dB", "Touch, dB for each dB", "Noise as matched, dBFS", "<Not measured because"), rows)
}

// noiseMap draws the noise over touch, a point for each take: what compresses raises its
// noise. nil for fewer than two compressors.
func (b *builder) noiseMap() *figure {
	f := figure{ID: "compressor-noise", Title: "Noise and touch", Axes: "Noise in the pauses after the level match, A-weighted, in dBFS, over touch in dB for each dB you play harder. Left is flatter; further up is noisier. The lines show the range of the two halves of the music.",
		Legend: []label{}, Words: []string{}}
	rows, points, compressors := []row{}, []chart.Point{}, 0
	for i, t := range b.res.Takes {
		if t.Compressor != nil && t.Compressor.Measured {
			compressors++
		}
		if t.Touch == nil || !t.Touch.Measured || !t.Noise.Measured {
			continue
		}
		noise := float64(t.Noise.AsMatched.AWeighted)
		points = append(points, chart.Point{Name: t.Name, Take: i, X: chart.Range{Value: float64(t.Touch.Slope), Low: float64(t.Touch.Low), High: float64(t.Touch.High)}, Y: chart.Range{Value: noise, Low: noise, High: noise}})
		f.Legend = append(f.Legend, b.labels[i])
		rows = append(rows, row{Cells: append([]cell{markedCell(b.labels[i])}, cells(unit.Format(float64(t.Touch.Slope), touchDigits)+spread(t.Touch.Low, t.Touch.High, touchDigits), unit.Format(noise, 1))...)})
	}
	if compressors < 2 || len(points) < 2 {
		return nil
	}
	f.Table = newTable("Noise and touch", heads("Take", "Touch, dB for each dB", "Noise as matched, dBFS"), rows)
	f.SVG = svg(chart.Map(chart.Text{Title: "Noise over touch of " + plural(len(points), "take", "takes"), By: f.AxesID()}, points, "dBFS"))
	return &f
}

// compressorMethod says how they were measured, and which takes none was looked for in;
// "" where that is no take because it distorts, and none was looked for.
func compressorMethod(res *result.Result) string {
	p := res.Parameters.Gear
	if p == nil || p.Compressor == nil {
		return ""
	}
	c := p.Compressor
	distorted, unknown, looked := []string{}, []string{}, false
	for _, t := range res.Takes {
		switch {
		case t.Compressor != nil:
			looked = true
		case t.Touch == nil || t.Drive == nil || c.MostDrive == 0: // of an earlier version
		case t.Drive.Measured && t.Drive.Drive >= c.MostDrive:
			distorted = append(distorted, t.Name)
		case !t.Touch.Measured:
			unknown = append(unknown, t.Name)
		}
	}
	said := []string{}
	if looked {
		said = append(said, fmt.Sprintf("Looked for in takes that hardly distort and whose gain moves. A model is fitted to the gain in windows of %s: the level going in, as rms or as peaks that decay; a threshold with a knee, and a ratio; and a gain in dB that falls with the attack and recovers with the release, each the time for 63 %% of the way (D. Giannoulis, M. Massberg and J. D. Reiss, J. Audio Eng. Soc. 60(6), 2012). The filter between the dry recording and the take is fitted along with it. It counts only where the model leaves less than %s dB rms of the gain, and less than %s %% of what the gain moves by. The threshold is in the level of the dry recording; it is not measured where nearly all of the playing is above it. Ranges are those of the two halves of the blocks, and of other detectors and knees that fit about as well. A time whose range is too wide is not given.",
			seconds(c.Window), unit.Format(float64(c.MostLeft), 1), unit.Format(100*float64(c.MostPart), 0)))
	}
	if len(distorted) > 0 {
		said = append(said, fmt.Sprintf("No compressor was looked for in %s: from %s %% of drive on, distortion moves the gain as well.", manifest.List(distorted), unit.Format(float64(c.MostDrive), 0)))
	}
	if len(unknown) > 0 {
		said = append(said, fmt.Sprintf("No compressor was looked for in %s: touch is not measured there.", manifest.List(unknown)))
	}
	return strings.Join(said, " ")
}
