package parts

import (
	"math"

	"evenhand/analyze/align"
)

const (
	tick      = 0.001 // s: hop of levels and rises
	rise      = 4     // ticks over which the level must rise
	bandFloor = 1e-3  // of a band's mean power, added before the logarithm
	most      = 600   // s of a recording that are looked at
)

// edges of the bands in Hz; each band has its own rises, so that the thump of a
// low string does not drown the pick.
var edges = [...]float64{80, 350, 1200, 3500, 9000}

const bands = len(edges) - 1

// bandLevels returns the mean square of s in each band and tick.
func bandLevels(s align.Source, from float64, n int) (out [bands][]float32, err error) {
	rate := float64(s.Rate())
	var f [bands]bandPass
	for i := range out {
		out[i] = make([]float32, n)
		f[i] = newBandPass(edges[i], edges[i+1], rate)
	}
	buf := make([]float64, 1<<14)
	at := int64(math.Round(from * rate))
	first := at
	var sum [bands]float64
	var last input
	t, count := 0, 0
	next := first + int64(tick*rate)
	for t < n {
		if _, err := s.ReadAt(buf, at); err != nil {
			return out, err
		}
		for rest := buf; len(rest) > 0; {
			part := rest[:min(int64(len(rest)), next-at)]
			rest = rest[len(part):]
			at += int64(len(part))
			count += len(part)
			behind := last
			for b := 0; b < bands; b += 2 {
				behind, sum[b], sum[b+1] = powers(&f[b], &f[b+1], last, part, sum[b], sum[b+1])
			}
			last = behind
			if at < next {
				continue
			}
			for b := range f {
				out[b][t] = float32(sum[b] * f[b].gain / float64(count))
				f[b].settle()
			}
			sum, count = [bands]float64{}, 0
			if t++; t == n {
				break
			}
			next = first + int64(float64(t+1)*tick*rate)
		}
	}
	return out, nil
}

// flux turns powers into rises of their smoothed logarithm; dst may be p.
func flux(dst, p []float32) {
	mean := 0.0
	for _, v := range p {
		mean += float64(v) / float64(len(p))
	}
	if mean == 0 {
		clear(dst)
		return
	}
	l := make([]float64, len(p))
	for i := range p {
		a, z := max(0, i-1), min(len(p)-1, i+1)
		l[i] = math.Log((float64(p[a])+float64(p[i])+float64(p[z]))/3 + bandFloor*mean)
	}
	for i := range p {
		dst[i] = float32(max(0, l[i]-l[max(0, i-rise)]))
	}
}

// bandPass is a second-order high-pass and low-pass, both Butterworth. The gains
// before their numerators, 1 − 2z⁻¹ + z⁻² and 1 + 2z⁻¹ + z⁻², stand aside in
// gain: the power of what the filters let through is multiplied with it.
type bandPass struct {
	h1, h2, l1, l2 float64 // denominators of the high-pass and the low-pass
	gain           float64
	y1, y2, z1, z2 float64 // the last two values behind each
}

func newBandPass(low, high, rate float64) (f bandPass) {
	design := func(hz, sign float64) (b0, a1, a2 float64) {
		w := 2 * math.Pi * min(hz, 0.45*rate) / rate
		c, al := math.Cos(w), math.Sin(w)/math.Sqrt2
		return (1 + sign*c) / 2 / (1 + al), -2 * c / (1 + al), (1 - al) / (1 + al)
	}
	var h, l float64
	h, f.h1, f.h2 = design(low, 1)
	l, f.l1, f.l2 = design(high, -1)
	f.gain = h * h * l * l
	return f
}

// nothing is the amplitude (−600 dBFS) below which a filter's memory is emptied:
// in digital silence it would die away into numbers that are too small for the
// processor to be quick with.
const nothing = 1e-30

func (f *bandPass) settle() {
	if math.Abs(f.y1)+math.Abs(f.y2)+math.Abs(f.z1)+math.Abs(f.z2) < nothing {
		f.y1, f.y2, f.z1, f.z2 = 0, 0, 0, 0
	}
}

// input is what filters share: the last sample and by how much it differed from
// the one before.
type input struct{ x, d float64 }

// powers adds the squares of what two filters let through of x, without their
// gains, to two sums. It runs two at a time because each waits for its own last
// value, which is therefore subtracted last.
func powers(f, g *bandPass, at input, x []float64, sf, sg float64) (input, float64, float64) {
	// In variables of their own, because the compiler keeps no arrays in
	// registers.
	fy1, fy2, fz1, fz2 := f.y1, f.y2, f.z1, f.z2
	gy1, gy2, gz1, gz2 := g.y1, g.y2, g.z1, g.z2
	last, step := at.x, at.d
	for _, x := range x {
		d := x - last
		dd := d - step
		fy := dd - f.h2*fy2 - f.h1*fy1
		gy := dd - g.h2*gy2 - g.h1*gy1
		fz := fy + 2*fy1 + fy2 - f.l2*fz2 - f.l1*fz1
		gz := gy + 2*gy1 + gy2 - g.l2*gz2 - g.l1*gz1
		last, step = x, d
		fy2, fy1, fz2, fz1 = fy1, fy, fz1, fz
		gy2, gy1, gz2, gz1 = gy1, gy, gz1, gz
		sf += fz * fz
		sg += gz * gz
	}
	f.y1, f.y2, f.z1, f.z2 = fy1, fy2, fz1, fz2
	g.y1, g.y2, g.z1, g.z2 = gy1, gy2, gz1, gz2
	return input{last, step}, sf, sg
}
