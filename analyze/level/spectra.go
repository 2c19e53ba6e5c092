package level

import (
	"math"
	"math/cmplx"
	"slices"

	"evenhand/analyze/align"
	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

// segmentLength is the power of two from 0.25 s: fine enough for the octave
// around 31.5 Hz, and long against any delay of a loop.
func segmentLength(rate int) int { return dsp.NextPow2(rate / 4) }

// maxSegments bounds the work: longer recordings are looked at in segments
// spread evenly.
const maxSegments = 1000

// Quiet passages are segments of the dry recording at least quietBelow under
// its loudest tenth and within quietSpread of its quietest tenth.
const (
	quietBelow  = 30.0
	quietSpread = 3.0
	leastQuiet  = 6 // segments
)

// spectra are sums of segments' spectra, k = 0 … n/2.
type spectra struct {
	rate, n    int
	all, quiet sums
	// Of the quiet segments, with the dry recording windowed once more by the
	// time from the segment's middle times the window, t: see residual.
	tt     []float64
	xt, ty []complex128
}

type sums struct {
	count  int
	xx, yy []float64
	xy     []complex128
}

func newSums(n int) sums {
	return sums{xx: make([]float64, n/2+1), yy: make([]float64, n/2+1), xy: make([]complex128, n/2+1)}
}

func (s *sums) add(x, y []complex128) {
	s.count++
	for k, a := range x {
		b := y[k]
		s.xx[k] += real(a)*real(a) + imag(a)*imag(a)
		s.yy[k] += real(b)*real(b) + imag(b)*imag(b)
		s.xy[k] += b * complex(real(a), -imag(a))
	}
}

// average adds up the spectra of half-overlapped Hann segments over frames
// [from, to) of dry, the loopback read where it lies at that time.
func average(dry, loop align.Source, e align.Estimate, from, to int64) (*spectra, error) {
	rate := dry.Rate()
	n := min(segmentLength(rate), 1<<int(math.Log2(float64(to-from))))
	sp := &spectra{rate: rate, n: n, all: newSums(n), quiet: newSums(n),
		tt: make([]float64, n/2+1), xt: make([]complex128, n/2+1), ty: make([]complex128, n/2+1)}
	hop := int64(n / 2)
	if count := (to - from - int64(n)) / hop; count > maxSegments {
		hop = (to - from - int64(n)) / maxSegments
	}
	x, y := make([]float64, n), make([]float64, n)
	var power []float64
	for at := from; at+int64(n) <= to; at += hop {
		if _, err := dry.ReadAt(x, at); err != nil {
			return nil, err
		}
		sum := 0.0
		for _, v := range x {
			sum += v * v
		}
		power = append(power, sum/float64(n))
	}
	isQuiet := quietSegments(power)

	window := dsp.Hann(n)
	fft := dsp.NewComplex(n)
	// A drift that is none would smear the treble.
	follow := math.Abs(float64(e.Drift)) > 4*float64(e.DriftError) && math.Abs(float64(e.Drift))*1e-6*float64(to-from) > 0.5
	var cx, cy, ct, spare []complex128
	for i := range power {
		at := from + int64(i)*hop
		if _, err := dry.ReadAt(x, at); err != nil {
			return nil, err
		}
		lag := math.Round(float64(e.Lag))
		if follow {
			lag = float64(e.LagAt(unit.Seconds((float64(at)+float64(n)/2)/float64(rate)), rate))
		}
		whole := math.Round(lag)
		if _, err := loop.ReadAt(y, at+int64(whole)); err != nil {
			return nil, err
		}
		for k, w := range window {
			x[k] *= w
			y[k] *= w
		}
		cx, cy = fft.Pair(cx, cy, x, y)
		if frac := lag - whole; frac != 0 {
			for k := range cy {
				cy[k] *= cmplx.Rect(1, 2*math.Pi*float64(k)*frac/float64(n))
			}
		}
		sp.all.add(cx, cy)
		if isQuiet[i] {
			sp.quiet.add(cx, cy)
			for k := range x {
				x[k] *= 2*float64(k)/float64(n) - 1
			}
			ct, spare = fft.Pair(ct, spare, x, x)
			for k, a := range ct {
				sp.tt[k] += real(a)*real(a) + imag(a)*imag(a)
				sp.xt[k] += a * cmplx.Conj(cx[k])
				sp.ty[k] += cy[k] * cmplx.Conj(a)
			}
		}
	}
	return sp, nil
}

// residual returns the power of what is left of the loopback in the quiet
// segments when the part that follows the dry recording is taken out, in full
// scale squared. A filter in the loop smears over the segments' edges: to the
// first order, its output in a segment is H·X − i·H'·T, where T is the
// transform of the dry recording times the window times the time. So both X
// and T are taken out, by least squares in each bin.
func (s *spectra) residual(first, last int) float64 {
	sum := 0.0
	for k := first; k <= last; k++ {
		xx, tt, xt := s.quiet.xx[k], s.tt[k], s.xt[k]
		left := s.quiet.yy[k]
		if xx > 0 {
			xy := s.quiet.xy[k]
			left -= power(xy) / xx
			// What of T is not along X, and the loopback's part along that.
			if t := tt - power(xt)/xx; t > 1e-9*tt {
				ty := s.ty[k] - xy*cmplx.Conj(xt)/complex(xx, 0)
				left -= power(ty) / t
			}
		}
		sum += math.Max(0, left)
	}
	// Two of the independent segments went into the two parts.
	k := s.quiet.independent()
	return sum * 2 / (float64(s.n) * float64(s.n) * 0.375 * float64(s.quiet.count)) * k / (k - 2)
}

func power(z complex128) float64 { return real(z)*real(z) + imag(z)*imag(z) }

func quietSegments(power []float64) []bool {
	out := make([]bool, len(power))
	sorted := slices.Clone(power)
	slices.Sort(sorted)
	low, high := sorted[len(sorted)/10], sorted[len(sorted)-1-len(sorted)/10]
	for i, p := range power {
		out[i] = p <= low*unit.ToPower(quietSpread) && p < high*unit.ToPower(-quietBelow)
	}
	return out
}

// reach returns the first and the last bin whose frequency lies in a range,
// without the bins next to 0 that the window mixes with it.
func (s *spectra) reach(lo, hi unit.Hertz) (first, last int) {
	df := float64(s.rate) / float64(s.n)
	return max(2, int(math.Ceil(float64(lo)/df))), min(s.n/2-1, int(math.Floor(float64(hi)/df)))
}

// in returns the dry recording's power in a range, the loopback's that is
// coherent with it and the loopback's whole, in full scale squared.
func (s *sums) in(first, last, n int) (dry, coherent, loop float64) {
	for k := first; k <= last; k++ {
		dry += s.xx[k]
		loop += s.yy[k]
		if s.xx[k] > 0 {
			re, im := real(s.xy[k]), imag(s.xy[k])
			coherent += (re*re + im*im) / s.xx[k]
		}
	}
	// One-sided; Hann's mean square is 3/8.
	scale := 2 / (float64(n) * float64(n) * 0.375 * float64(max(1, s.count)))
	return dry * scale, coherent * scale, loop * scale
}

// unbiased takes from the coherent power the part that n segments of pure noise
// would show by chance, loop/n.
func (s *sums) unbiased(coherent, loop float64) float64 {
	k := s.independent()
	return math.Max(0, (coherent-loop/k)/(1-1/k))
}

// independent is the number of independent segments.
func (s *sums) independent() float64 { return spectrum.EffectiveAverages(max(2, s.count)) }

// polarity returns the sign of the correlation between 100 Hz and 2 kHz, where
// what is left of the lag, at most half a frame, and a loop's filters turn the
// phase little; 0 where even so no sign prevails.
func (s *spectra) polarity() int {
	first, last := s.reach(100, 2000)
	var same, all float64
	for k := first; k <= last; k++ {
		re, im := real(s.all.xy[k]), imag(s.all.xy[k])
		same += re
		all += math.Hypot(re, im)
	}
	switch {
	case same > all/2:
		return 1
	case same < -all/2:
		return -1
	}
	return 0
}

func (s *spectra) coherence() unit.Number {
	first, last := s.reach(From, To)
	dry, coherent, loop := s.all.in(first, last, s.n)
	if dry <= 0 || loop <= 0 {
		return unit.Number(math.NaN())
	}
	return unit.Number(s.all.unbiased(coherent, loop) / loop)
}

// leastPower is the power in a band below which a recording holds nothing but
// its own rounding: −110 dB.
const leastPower = 1e-11

// fill computes levels, response and noise.
func (r *Result) fill(s *spectra) {
	r.Polarity = s.polarity()
	first, last := s.reach(From, To)
	dry, coherent, loop := s.all.in(first, last, s.n)
	r.Broadband = unit.DB(unit.FromPower(s.all.unbiased(coherent, loop) / dry))

	for _, b := range spectrum.Bands(1, 31.5, 16000) {
		o := Octave{Band: b, Level: unit.DB(math.NaN())}
		if float64(b.High) < float64(s.rate)/2 {
			lo, hi := s.reach(b.Low, b.High)
			dry, coherent, loop := s.all.in(lo, hi, s.n)
			coherent = s.all.unbiased(coherent, loop)
			if dry > leastPower && coherent > loop/2 {
				o.Measured = true
				o.Level = unit.DB(unit.FromPower(coherent / dry))
			}
		}
		r.Octaves = append(r.Octaves, o)
	}
	r.response(s.narrow())

	if s.quiet.count < leastQuiet {
		r.NoiseReason = finding.Say("loop.no-pause")
		return
	}
	r.Noise = unit.DBFS(unit.FromPower(s.residual(first, last) + s.kin(r)))
	own, _, _ := s.quiet.in(first, last, s.n)
	r.NoiseOwn = unit.DBFS(unit.FromPower(own)) + unit.DBFS(r.Level)
	r.Hum = s.hum(r.Level)
}

// mostlyHum is the share of what the loop adds, at multiples of the mains'
// frequency, from which it is called hum; of hiss a third lies there.
const mostlyHum = 0.8

// hum returns the mains' frequency, 50 or 60 Hz, at whose multiples up to 1 kHz most
// lies of what the quiet segments have beyond the dry recording at the loop's level;
// 0 for neither.
func (s *spectra) hum(level unit.DB) unit.Hertz {
	df := float64(s.rate) / float64(s.n)
	first, last := s.reach(From, To)
	for _, mains := range []float64{50, 60} {
		var at, all float64
		for k := first; k <= last; k++ {
			added := math.Max(0, s.quiet.yy[k]-s.quiet.xx[k]*unit.ToPower(float64(level)))
			all += added
			f := float64(k) * df
			if h := math.Round(f / mains); h >= 1 && f < 1000 && math.Abs(f-h*mains) <= 2*df {
				at += added
			}
		}
		if at > mostlyHum*all {
			return unit.Hertz(mains)
		}
	}
	return 0
}

// kin returns the power of what the loop adds in the quiet segments that is of
// one kin with what the dry recording has there, such as hum of the same mains:
// by how much, octave by octave, more returns than the loop's level explains. Of
// less than leastKin nothing is said, and near the dry recording's own the phases
// of the two have a part in it.
func (s *spectra) kin(r *Result) float64 {
	sum := 0.0
	for _, o := range r.Octaves {
		if float64(o.Band.High) >= float64(s.rate)/2 {
			continue
		}
		level := r.Level
		if o.Measured {
			level = o.Level
		}
		first, last := s.reach(o.Band.Low, o.Band.High)
		dry, _, loop := s.quiet.in(first, last, s.n)
		own := dry * unit.ToPower(float64(level))
		if more := loop - own - s.residual(first, last); more > own*(unit.ToPower(leastKin)-1) {
			sum += more
		}
	}
	return sum
}

// leastKin is by how many dB an octave's noise must exceed what is explained.
const leastKin = 1.5

// response sums up the octaves and the narrow bands: the level, the ends
// against it, and the tilt.
func (r *Result) response(narrow []band) {
	var n, sx, sy, sxx, sxy float64
	var middle unit.DB
	var bands []string
	for _, o := range r.Octaves {
		f := float64(o.Band.Centre)
		if !o.Measured || f < 60 || f > 8100 {
			continue
		}
		x, y := math.Log2(f), float64(o.Level)
		n, sx, sy, sxx, sxy = n+1, sx+x, sy+y, sxx+x*x, sxy+x*y
		if f > 200 && f < 1100 {
			middle += o.Level
			bands = append(bands, o.Band.Label)
		}
	}
	if n >= 3 {
		r.Tilt = unit.DB((n*sxy - sx*sy) / (n*sxx - sx*sx))
	}
	r.Level = r.Broadband
	if len(bands) == 0 {
		return
	}
	r.Middle, r.LevelBands = stored(float64(middle)/float64(len(bands))), bands[0]
	if len(bands) > 1 {
		r.LevelBands += " to " + bands[len(bands)-1]
	}
	r.Level = r.Middle
	r.separate(narrow)
	end := func(from, to float64) (worst unit.DB, band string) {
		worst = unit.DB(math.NaN())
		for _, o := range r.Octaves {
			f := float64(o.Band.Centre)
			if d := o.Level - r.Level; o.Measured && f > from && f < to && !(math.Abs(float64(d)) <= math.Abs(float64(worst))) {
				worst, band = d, o.Band.Label
			}
		}
		return worst, band
	}
	r.Low, r.LowBand = end(60, 200)
	r.High, r.HighBand = end(1900, 8100)
}

// Unclear tells whether an uneven response that could not be separated from the
// level leaves open whether that is within the tolerance.
func (r Result) Unclear(tolerance unit.DB) bool {
	return r.Certain && !r.Separated && math.Abs(float64(r.Level))+float64(r.LevelError) > float64(tolerance)
}

// Advice returns what to do: what to turn and by how much, what the error would do, and
// what the response says. tolerance is how far off the level may be.
func (r Result) Advice(tolerance unit.DB) (out []finding.Text) {
	if r.Silent == "dry recording" {
		return []finding.Text{finding.Say("advice.name-dry")}
	}
	if !r.Certain {
		return []finding.Text{finding.Say("advice.record")}
	}
	say := func(found string, with ...any) { out = append(out, finding.Say(found, with...)) }
	off := math.Abs(float64(r.Level))
	decimals := 1
	if off < 1 {
		decimals = 2
	}
	by := []any{"by_db", off, "decimals", unit.DecimalsBeside(off, float64(tolerance), decimals)}
	switch inside := off <= float64(tolerance); {
	case inside && r.Unclear(tolerance):
		say("advice.filter", "tolerance_db", tolerance, "error_db", r.LevelError)
	case inside && (r.Polarity < 0 || r.Noisy()):
		say("advice.fix", "tolerance_db", tolerance)
	case inside:
		say("advice.leave", "tolerance_db", tolerance)
	case !r.Separated && off <= float64(r.LevelError):
		say("advice.filter-first", append(by, "low", r.Level < 0, "error_db", r.LevelError)...)
	case r.Level > 0:
		say("advice.down", by...)
		say("advice.harder", by...)
	default:
		say("advice.up", by...)
		say("advice.less", by...)
	}
	if r.Low < -uneven {
		say("advice.lows", "band", r.LowBand, "by_db", -r.Low)
	}
	if r.High < -uneven {
		say("advice.highs", "band", r.HighBand, "by_db", -r.High)
	}
	if r.Polarity < 0 {
		say("advice.polarity")
	}
	if r.Noisy() {
		with := []any{"noise_dbfs", r.Noise, "below_db", r.NoiseBelow}
		if r.Hum > 0 {
			with = append(with, "hum_hz", r.Hum)
		}
		say("advice.noise", with...)
	}
	return out
}
