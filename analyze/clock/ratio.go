package clock

import (
	"fmt"
	"math"

	"evenhand/analyze/align"
	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

// Ratio is how much slower b runs than a, tested against the ratios that a wrong
// rate label makes.
type Ratio struct {
	// Ratio is the duration of an event in b over that in a, both as labelled:
	// 1 for equal clocks, 1.0884 for a recording made at 48 kHz and labelled
	// 44.1 kHz. 1 when nothing better is certain.
	Ratio float64
	// Name says which label would explain it, "" for 1.
	Name string
	// Confidence is the peak at this ratio over that at the best other one.
	Confidence unit.Number
	// Strength is the peak over the rms of all lags at this ratio.
	Strength unit.Number
	Certain  bool         // that it is this ratio, 1 included
	Reason   finding.Text // why it is not certain
	Lag      unit.Seconds
}

// Ratios returns the tested ratios besides 1 and the labels that make them.
func Ratios() []struct {
	Ratio float64
	Name  string
} {
	type entry = struct {
		Ratio float64
		Name  string
	}
	var out []entry
	add := func(made, labelled float64, name string) {
		out = append(out, entry{made / labelled, name})
	}
	add(48, 44.1, "recorded at 48 kHz, labelled 44.1 kHz")
	add(44.1, 48, "recorded at 44.1 kHz, labelled 48 kHz")
	add(96, 48, "recorded at twice the rate of its label")
	add(48, 96, "recorded at half the rate of its label")
	add(96, 44.1, "recorded at 96 kHz, labelled 44.1 kHz")
	add(44.1, 96, "recorded at 44.1 kHz, labelled 96 kHz")
	add(88.2, 48, "recorded at 88.2 kHz, labelled 48 kHz")
	add(48, 88.2, "recorded at 48 kHz, labelled 88.2 kHz")
	add(48, 32, "recorded at 48 kHz, labelled 32 kHz")
	add(32, 48, "recorded at 32 kHz, labelled 48 kHz")
	add(4, 1, "recorded at four times the rate of its label")
	add(1, 4, "recorded at a quarter of the rate of its label")
	return out
}

const (
	ratioTick    = 0.005 // s
	ratioSeconds = 120   // of a that are looked at
	ratioLag     = 5     // s of lag either way, at the beginning
	leastRatio   = 1.4
	leastStrong  = 5
)

// RateRatio tells whether b runs at another rate than its label says, from when
// things happen: the rises of its level, stretched by each of Ratios, against
// those of a. The labels of a and b may differ. At most two minutes are read,
// and twice that of b for every ratio above 1; call it where an alignment is
// uncertain or the lengths differ.
func RateRatio(a, b align.Source) (Ratio, error) {
	out := Ratio{Ratio: 1}
	for _, s := range []align.Source{a, b} {
		if s.Rate() < 4000 || s.Rate() > 1<<20 {
			return out, fmt.Errorf("clock: sample rate %d Hz, allowed 4000 to %d Hz", s.Rate(), 1<<20)
		}
	}
	pa, err := levels(a, ratioSeconds)
	if err != nil {
		return out, err
	}
	pb, err := levels(b, 4*ratioSeconds+ratioLag)
	if err != nil {
		return out, err
	}
	if float64(len(pa))*ratioTick < 3 || float64(len(pb))*ratioTick < 1 {
		out.Reason = finding.Say("rate.short")
		return out, nil
	}
	margin := int(ratioLag / ratioTick)
	fft := dsp.NewFFT(dsp.NextPow2(len(pa) + 2*margin))
	x := make([]float64, fft.Len())
	rises := func(p []float64) []float64 {
		r := make([]float64, len(p))
		for i := 2; i < len(p); i++ {
			r[i] = max(0, p[i]-p[i-2])
		}
		return unitPower(r)
	}
	copy(x, rises(pa))
	fa := fft.Forward(nil, x)
	try := func(ratio float64) (peak, strength, lag float64) {
		n := len(pa) + 2*margin
		y := make([]float64, n)
		last := 0.0
		for i := range y {
			at := float64(i-margin) * ratio
			k := int(math.Floor(at))
			if k >= 0 && k+1 < len(pb) {
				last = pb[k] + (at-float64(k))*(pb[k+1]-pb[k])
			}
			y[i] = last
		}
		clear(x)
		copy(x, rises(y))
		fb := fft.Forward(nil, x)
		for k := range fb {
			fb[k] *= complex(real(fa[k]), -imag(fa[k]))
		}
		curve := fft.Inverse(nil, fb)[:2*margin+1]
		sum := 0.0
		for i, v := range curve {
			sum += v * v
			if v > peak {
				peak, lag = v, float64(i-margin)*ratioTick*ratio
			}
		}
		if sum > 0 {
			strength = peak / math.Sqrt(sum/float64(len(curve)))
		}
		return peak, strength, lag
	}
	best, strength, lag := try(1)
	next := 0.0
	for _, r := range Ratios() {
		p, s, l := try(r.Ratio)
		if p > best {
			next = best
			best, strength, lag = p, s, l
			out.Ratio, out.Name = r.Ratio, r.Name
		} else {
			next = max(next, p)
		}
	}
	out.Strength, out.Lag = unit.Number(strength), unit.Seconds(lag)
	out.Confidence = unit.Number(math.Inf(1))
	if next > 0 {
		out.Confidence = unit.Number(best / next)
	}
	out.Certain = best > 0 && float64(out.Confidence) >= leastRatio && strength >= leastStrong
	if !out.Certain {
		if math.IsInf(float64(out.Confidence), 1) {
			out.Reason = finding.Say("rate.little")
		} else {
			out.Reason = finding.Say("rate.unclear", "ratio", out.Ratio, "times", out.Confidence)
		}
		out.Ratio, out.Name = 1, ""
	}
	return out, nil
}

// levels returns the logarithm of the power in each tick of the first seconds,
// with a floor 40 dB below the mean.
func levels(s align.Source, seconds float64) ([]float64, error) {
	rate := float64(s.Rate())
	n := int(min(seconds, float64(s.Len())/rate) / ratioTick)
	buf := make([]float64, int(ratioTick*rate)+1)
	out := make([]float64, n)
	mean := 0.0
	for i := range out {
		from, to := int64(float64(i)*ratioTick*rate), int64(float64(i+1)*ratioTick*rate)
		x := buf[:to-from]
		if _, err := s.ReadAt(x, from); err != nil {
			return nil, err
		}
		for _, v := range x {
			out[i] += v * v
		}
		out[i] /= float64(len(x))
		mean += out[i] / float64(n)
	}
	if mean == 0 {
		return out, nil
	}
	for i, v := range out {
		out[i] = math.Log(v + 1e-4*mean)
	}
	return out, nil
}

// unitPower returns x less its mean with a mean square of 1.
func unitPower(x []float64) []float64 {
	mean, sq := 0.0, 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sq += (v - mean) * (v - mean)
	}
	y := make([]float64, len(x))
	if sq > 0 {
		g := math.Sqrt(float64(len(x)) / sq)
		for i, v := range x {
			y[i] = g * (v - mean)
		}
	}
	return y
}
