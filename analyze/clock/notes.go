package clock

import (
	"math"
	"slices"

	"evenhand/analyze/align"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

const (
	stretchSeconds = 4    // s of rises that are compared at a time
	leastCoarse    = 0.02 // s: smallest slip that stretches tell
	leastNotes     = 0.002
	seenByNotes    = 5e-4 // s
	clearPlace     = 1.3  // peak of a stretch over the next best
	leastHeard     = 3    // clear notes on each side of a step
	gainDecades    = 6    // by which the odds of one performance must rise
)

// coarseSlips finds slips of more than 20 ms, up to 2.5 s: stretches of 4 s,
// half overlapped, whose onsets lie elsewhere than those before.
func (t *tracker) coarseSlips(r *rises) []Slip {
	n, hop := int(stretchSeconds/tick), int(stretchSeconds/tick/2)
	if len(r.a[0]) < 2*n {
		return nil
	}
	line := lineOf(t.e, nil, t.rate)
	m := r.stretches(n)
	type place struct {
		time  float64
		shift int
	}
	var seq []place
	for first := 0; first+n <= len(r.a[0]); first += hop {
		curve := m.curve(first)
		best, next := 0, 0.0
		for i, v := range curve {
			if v > curve[best] {
				best = i
			}
		}
		for i, v := range curve {
			if abs(i-best) > int(leastCoarse/tick) {
				next = max(next, v)
			}
		}
		if next > 0 && curve[best] < clearPlace*next {
			continue
		}
		time := (float64(first) + float64(n)/2) * tick
		drift := int(math.Round((line(time) - r.base) / tick))
		seq = append(seq, place{time, best - r.margin - drift})
	}
	// The line itself may be that of the other side.
	if len(seq) > 2 && abs(seq[1].shift-seq[0].shift) <= 3 && abs(seq[0].shift) >= int(leastCoarse/tick) {
		t.e.Lag += unit.Samples(float64(seq[0].shift) * tick * float64(t.rate))
		for i := len(seq) - 1; i >= 0; i-- {
			seq[i].shift -= seq[0].shift
		}
	}
	var out []Slip
	for i := 1; i < len(seq); i++ {
		d := seq[i].shift - seq[i-1].shift
		if abs(d) < int(leastCoarse/tick) {
			continue
		}
		// It must last: two places on each side, or the end.
		if i >= 2 && abs(seq[i-1].shift-seq[i-2].shift) > 3 || i+1 < len(seq) && abs(seq[i+1].shift-seq[i].shift) > 3 {
			continue
		}
		size := float64(d) * tick * float64(t.rate)
		s := Slip{At: unit.Seconds((seq[i-1].time + seq[i].time) / 2), Lag: unit.Samples(size), Error: unit.Samples(tick * float64(t.rate))}
		lo, hi := seq[i-1].time-stretchSeconds/2, seq[i].time+stretchSeconds/2
		off := float64(seq[i-1].shift) * tick // of the line with the slips so far
		for _, x := range out {
			off -= float64(x.Lag) / float64(t.rate)
		}
		with := lineOf(t.e, out, t.rate)
		s.At = unit.Seconds(r.split(func(x float64) float64 { return with(x) + off }, float64(s.Lag)/float64(t.rate), lo, hi))
		if t.likelier(r, out, t.e, append(slices.Clone(out), s)) {
			out = append(out, s)
		}
	}
	return out
}

// stretches compares stretches of one length of the rises.
type stretches struct {
	r           *rises
	n           int
	both        *dsp.Complex
	back        *dsp.FFT
	x, y        []float64
	sum, fa, fb []complex128
}

func (r *rises) stretches(n int) *stretches {
	size := dsp.NextPow2(n + 2*r.margin)
	return &stretches{r: r, n: n, both: dsp.NewComplex(size), back: dsp.NewFFT(size),
		x: make([]float64, size), y: make([]float64, size), sum: make([]complex128, size/2+1)}
}

// curve returns how alike the rises of a from a tick on are to those of b that
// lie −margin … margin ticks further. It is valid until the next call.
func (s *stretches) curve(first int) []float64 {
	r := s.r
	clear(s.sum)
	clear(s.x)
	clear(s.y)
	for band := range bands {
		copy(s.x, unitPower(r.a[band][first:first+s.n]))
		copy(s.y, unitPower(smooth(r.b[band][first:first+s.n+2*r.margin])))
		s.fa, s.fb = s.both.Pair(s.fa, s.fb, s.x, s.y)
		for k, v := range s.fa {
			s.sum[k] += complex(real(v), -imag(v)) * s.fb[k]
		}
	}
	return s.back.Inverse(s.x, s.sum)[:2*r.margin+1]
}

// likelier reports whether the notes make more slips, along the line of e, much
// likelier than those found. In music that repeats its rhythm they may fit elsewhere
// as well.
func (t *tracker) likelier(r *rises, found []Slip, e align.Estimate, more []Slip) bool {
	odds := func(e align.Estimate, s []Slip) float64 {
		return r.lags(lineOf(e, s, t.rate), 0).odds(oneHand).decades
	}
	return odds(e, more) >= odds(t.e, found)+gainDecades
}

func abs(i int) int { return max(i, -i) }

// smooth spreads onsets over five ticks.
func smooth(x []float32) []float64 {
	y := make([]float64, len(x))
	for i := range x {
		if i >= 2 && i+2 < len(x) {
			v := x[i-2 : i+3 : i+3]
			y[i] = float64(v[0]) + float64(v[1]) + float64(v[2]) + float64(v[3]) + float64(v[4])
			continue
		}
		for j := max(0, i-2); j < min(len(x), i+3); j++ {
			y[i] += float64(x[j])
		}
	}
	return y
}

// noteSlips finds slips of some milliseconds in the onsets, and returns the
// smallest that would have been found, 0 for none, and how many notes there are.
func (t *tracker) noteSlips(r *rises, found []Slip) ([]Slip, float64, int) {
	p := t.p
	p.Sigmas = max(10, p.Sigmas)
	p.Least = max(p.Least, unit.Samples(leastNotes*float64(t.rate)))
	notes := 0
	for {
		var seq []point
		for _, o := range r.lags(lineOf(t.e, found, t.rate), 0) {
			if o.Clear() {
				seq = append(seq, point{float64(o.Time), float64(o.Later) * float64(t.rate)})
			}
		}
		notes = len(seq)
		j, _, least := bestStep(seq, p)
		t.tells(seq, least > 0)
		if j.at < 0 || len(found) > MaxSlips {
			return found, least, notes
		}
		var before []float64
		for _, x := range seq[max(0, j.at-side):j.at] {
			before = append(before, x.lag/float64(t.rate))
		}
		off, with := middle(before), lineOf(t.e, found, t.rate)
		at := (seq[j.at-1].time + seq[j.at].time) / 2
		at = r.split(func(x float64) float64 { return with(x) + off }, j.size/float64(t.rate), at-2, at+2)
		s := Slip{At: unit.Seconds(at), Lag: unit.Samples(j.size), Error: unit.Samples(j.err)}
		more := t.amend(append([]Slip(nil), found...), s, 0.5)
		moved := t.e
		if math.Abs(off) >= leastNotes && more[0].At == s.At {
			moved.Lag += unit.Samples(off * float64(t.rate)) // the line was that behind the slip
		}
		if !t.likelier(r, found, moved, more) {
			return found, math.Abs(j.size) + 2*j.err, notes
		}
		found, t.e = more, moved
	}
}

// supported tells whether the notes before and behind at bear out a step that
// they are exact enough to see: in music that repeats, a window's lag may be off
// by a period.
func (t *tracker) supported(r *rises, found []Slip, size, at float64) bool {
	if math.Abs(size) < seenByNotes*float64(t.rate) {
		return true
	}
	var before, behind []float64
	for _, o := range r.lags(lineOf(t.e, found, t.rate), 0) {
		d := float64(o.Time) - at
		if !o.Clear() || math.Abs(d) > 8 || math.Abs(d) < 0.2 {
			continue
		}
		if d < 0 {
			before = append(before, float64(o.Later))
		} else {
			behind = append(behind, float64(o.Later))
		}
	}
	if min(len(before), len(behind)) < leastHeard {
		return false
	}
	seen := (middle(behind) - middle(before)) * float64(t.rate)
	return math.Abs(seen-size) < math.Abs(size)/2
}
