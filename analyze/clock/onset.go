package clock

import (
	"math"
	"slices"

	"evenhand/analyze/align"
	"evenhand/analyze/unit"
)

const (
	tick         = 0.001 // s: hop of the onset strength
	rise         = 4     // ticks over which the level must rise
	bandFloor    = 1e-3  // of a band's mean power, added before the logarithm
	onsetSpacing = 0.09  // s between onsets
	onsetReach   = 0.040 // s: half of what is compared around an onset, and the largest difference
	maxOnsetTime = 600   // s of a recording that are looked at
)

// edges of the bands in Hz; each band has its own onset strength, so that the
// thump of a low string does not drown the pick.
var edges = [...]float64{80, 350, 1200, 3500, 9000}

const bands = len(edges) - 1

// findStrength returns the onset strength of s, one value a tick for each band:
// by how much the logarithm of the band's power over 3 ms has risen in 4 ms, 0
// where it fell. It covers ticks from … from+n; frames outside read as silence.
func findStrength(s align.Source, from float64, n int) (out [bands][]float32, err error) {
	out, err = bandLevels(s, from, n)
	for b := range out {
		flux(out[b], out[b])
	}
	return out, err
}

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
		if err := read(s, buf, at); err != nil {
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

// OnsetLag is by how much later the beginning of a note is in b than in a,
// along the line of an estimate.
type OnsetLag struct {
	Time  unit.Seconds // on the timeline of a
	Later unit.Seconds // NaN where no onset of b lies near
	Match unit.Number  // how alike the two rises are, 0 to 1
	// Contrast is Match over the greatest likeness at another lag, more than 6 ms
	// away: near 1 where a low note or the beating of a chord rises in every
	// period, so that one period is taken for the next.
	Contrast unit.Number

	peaks []peak // all places where the rises are alike, with their chances
}

// peak is a place at which two rises are alike: by how many seconds later, and
// how probable it is that the note lies there.
type peak struct{ at, chance float64 }

// Clear reports whether the beginning of the note tells where it lies.
func (o OnsetLag) Clear() bool {
	return o.Match >= leastMatch && o.Contrast >= leastClear && !math.IsNaN(float64(o.Later))
}

const (
	leastMatch = 0.35
	leastClear = 1.12 // contrast from which on 19 of 20 notes are matched rightly
	mostAlike  = 0.9  // likeness to itself at another lag beyond which a rise is no beginning
	lobe       = 6    // ticks around a peak that are its own
	leastRise  = 1.2  // dB: what a note's beginning exceeds and beating does not
	likeness   = 25   // by how much the logarithm of a place's odds grows with the likeness there
)

// rises are the onset strengths of two recordings along a line.
type rises struct {
	a, b   [bands][]float32
	margin int     // ticks of b before the beginning of a
	base   float64 // s: lag along which b was read
	all    []int   // ticks at which something begins in a
	notes  []int   // those at which it is a note, not the next period of one
}

const lagReach = 2.5 // s around the line in which another place is looked for

func newRises(a, b align.Source, e align.Estimate) (*rises, error) {
	total := min(maxOnsetTime, float64(a.Len())/float64(a.Rate()))
	n := int(total / tick)
	if math.IsNaN(float64(e.Lag)) || n < 4*int(onsetReach/tick) {
		return &rises{}, nil
	}
	r := &rises{margin: int(lagReach/tick) + 2*int(onsetReach/tick)}
	r.base = float64(e.LagAt(unit.Seconds(total/2), a.Rate())) / float64(a.Rate())
	var err error
	if r.a, r.all, r.notes, err = timeline(a, n); err != nil {
		return nil, err
	}
	if r.b, err = strength(b, r.base-float64(r.margin)*tick, n+2*r.margin); err != nil {
		return nil, err
	}
	return r, nil
}

// peaks returns the value of the curve at a place and the greatest of those
// further from it than a lobe.
func peaks(curve []float64, at int) (here, next float64) {
	for i, v := range curve {
		if abs(i-at) > lobe {
			next = max(next, v)
		}
	}
	return curve[at], next
}

// curve writes how alike the rises around the onset at tick at are for each tick
// by which b may be later than whole, −reach … reach, to dst.
func (r *rises) curve(dst []float64, at, whole int) {
	reach := len(dst) / 2
	clear(dst)
	const half = int(onsetReach/tick) / 2
	for band := range bands {
		x, y := r.a[band][at-half:at+half+1], r.b[band]
		xx, _ := products(x, x)
		if !(xx > 0) {
			continue
		}
		for l := -reach; l <= reach; l++ {
			from := at - half + r.margin + l + whole
			if from < 0 || from+len(x) > len(y) {
				continue
			}
			if xy, yy := products(x, y[from:from+len(x)]); yy > 0 {
				dst[l+reach] += xy / math.Sqrt(xx*yy) / float64(bands)
			}
		}
	}
}

// products returns the sum of the products of x and y, of the same length, and
// that of y's squares. Additions wait for each other, so they are few in a row.
func products(x, y []float32) (xy, yy float64) {
	y = y[:len(x)]
	whole := len(x) &^ 1
	for i := 0; i < whole; i += 2 {
		u, v := x[i:i+2:i+2], y[i:i+2:i+2]
		v0, v1 := float64(v[0]), float64(v[1])
		xy += float64(u[0])*v0 + float64(u[1])*v1
		yy += v0*v0 + v1*v1
	}
	if whole < len(x) {
		v := float64(y[whole])
		xy += float64(x[whole]) * v
		yy += v * v
	}
	return xy, yy
}

// lagList are the lags of all notes that begin in a.
type lagList []OnsetLag

// lags compares every onset at the line moved by shift ticks; line is the lag in
// seconds at a time.
func (r *rises) lags(line func(float64) float64, shift int) lagList {
	reach := int(onsetReach / tick)
	out := make(lagList, 0, len(r.notes))
	curve := make([]float64, 2*reach+1)
	for _, at := range r.notes {
		time := float64(at) * tick
		off := (line(time)-r.base)/tick + float64(shift)
		whole := int(math.Round(off))
		o := OnsetLag{Time: unit.Seconds(time), Later: unit.Seconds(math.NaN())}
		r.curve(curve, at, whole)
		best := 0
		for i, v := range curve {
			if v > curve[best] {
				best = i
			}
		}
		here, next := peaks(curve, best)
		o.Match, o.Contrast = unit.Number(here), unit.Number(math.Inf(1))
		if next > 0 {
			o.Contrast = unit.Number(here / next)
		}
		sum := 0.0
		for i := 1; i < len(curve)-1; i++ {
			if !(curve[i] >= leastMatch && curve[i] >= curve[i-1] && curve[i] > curve[i+1]) {
				continue
			}
			q := curve[i-1] - 2*curve[i] + curve[i+1]
			at := float64(i-reach) + 0.5*(curve[i-1]-curve[i+1])/q
			x := peak{(at - (off - float64(whole))) * tick, math.Exp(likeness * (curve[i] - here))}
			if i == best {
				o.Later = unit.Seconds(x.at)
			}
			o.peaks = append(o.peaks, x)
			sum += x.chance
		}
		for i := range o.peaks {
			o.peaks[i].chance /= sum
		}
		out = append(out, o)
	}
	return out
}

// split returns the time between from and to at which the notes change from the
// line to one that is size seconds later: where the rises become more alike
// there.
func (r *rises) split(line func(float64) float64, size, from, to float64) float64 {
	best, most, sum, last := (from+to)/2, math.Inf(-1), 0.0, from
	var curve [2*2 + 1]float64 // ±2 ticks
	for _, at := range r.all {
		time := float64(at) * tick
		if time < from || time > to {
			continue
		}
		if sum > most {
			most, best = sum, (last+time)/2
		}
		for _, side := range []float64{1, -1} {
			off := line(time)
			if side < 0 {
				off += size
			}
			r.curve(curve[:], at, int(math.Round((off-r.base)/tick)))
			sum += side * slices.Max(curve[:])
		}
		last = time
	}
	if sum > most && last > from {
		best = (last + to) / 2
	}
	return best
}

// places returns the shifts in ticks at which the rises of both agree best over
// the first two minutes, none first.
func (r *rises) places() []int {
	const most, minutes = 6, 120 / tick
	n := min(len(r.a[0]), int(minutes))
	if n == 0 {
		return []int{0}
	}
	curve := r.stretches(n).curve(0) // shift −margin … margin
	out := []int{0}
	apart := int(0.02 / tick)
	for len(out) < most {
		best := -1
		for i, v := range curve {
			if v > 0 && (best < 0 || v > curve[best]) && i >= apart && i < len(curve)-apart {
				best = i
			}
		}
		if best < 0 {
			break
		}
		out = append(out, best-r.margin)
		for i := best - apart; i <= best+apart; i++ {
			curve[i] = 0
		}
	}
	return out
}

// unitPower returns x less its mean with a mean square of 1.
func unitPower[T float32 | float64](x []T) []float64 {
	mean, sq := 0.0, 0.0
	for _, v := range x {
		mean += float64(v) / float64(len(x))
	}
	for _, v := range x {
		sq += (float64(v) - mean) * (float64(v) - mean)
	}
	y := make([]float64, len(x))
	if sq > 0 {
		g := math.Sqrt(float64(len(x)) / sq)
		for i, v := range x {
			y[i] = g * (float64(v) - mean)
		}
	}
	return y
}

// lineOf is the lag in seconds along an estimate with slips.
func lineOf(e align.Estimate, slips []Slip, rate int) func(float64) float64 {
	return func(t float64) float64 {
		l := float64(e.LagAt(unit.Seconds(t), rate))
		for _, s := range slips {
			if t >= float64(s.At) {
				l += float64(s.Lag)
			}
		}
		return l / float64(rate)
	}
}

// OnsetLags returns for each note that begins in a by how much later it begins
// in b than the line of e with the slips says, within ±40 ms, from how the
// power rises in four bands. Of recordings above ten minutes the first ten are
// looked at. It returns nothing where e has no lag.
func OnsetLags(a, b align.Source, e align.Estimate, slips []Slip) ([]OnsetLag, error) {
	r, err := newRises(a, b, e)
	if err != nil {
		return nil, err
	}
	return r.lags(lineOf(e, slips, a.Rate()), 0), nil
}
