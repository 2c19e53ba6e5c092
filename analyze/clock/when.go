package clock

import (
	"math"
	"math/cmplx"
	"slices"

	"evenhand/analyze/unit"
)

const (
	whenReach  = 20   // s about a slip in which its place is looked for
	whenBins   = 1.5  // bins of a Hann window that say as much as one
	whenOff    = 1e-4 // s by which gear may delay a note in its own way
	whenSteps  = 8    // either way in which that is tried
	whenPad    = 0.75 // windows by which a slip may lie beside those that tell
	turnMost   = 10   // nats that one window or note may say
	turnSure   = 10.0 // nats less than at the best, as one of them may say wrongly, at which a place is still likely
	turnUntold = 9    // times that more where nothing is foretold: a whole note may say so then
)

// turn is how much what sounds at a time speaks for the lag before a slip, in
// nats; negative for the lag behind it.
type turn struct{ time, before float64 }

// foreteller foretells windows of b by fitted gear.
type foreteller struct {
	*driftFit
	filters [][curves]complex128
	untold  []float64 // of each band, the share that is not foretold
}

func (f *driftFit) foreteller() *foreteller {
	g := &foreteller{driftFit: f, filters: make([][curves]complex128, len(f.total)), untold: make([]float64, len(f.total))}
	if f.low < leastTold {
		f.lag, f.slope = 0, 0
	}
	for n := range f.total {
		w := f.bank.middle(n)
		var xy [curves]complex128
		for i := range f.segments {
			s := &f.segments[i]
			z := cmplx.Rect(1, w*f.beyond(s.time))
			for j, v := range s.bands[n].xy {
				xy[j] += v * z
			}
		}
		whole := f.total[n]
		whole.xy = xy
		g.filters[n] = f.factors[n].solve(xy)
		py, _ := whole.predicted(g.filters[n])
		g.untold[n] = 1
		if whole.yy > 0 {
			g.untold[n] = max(1e-4, 1-real(py)/whole.yy)
		}
	}
	return g
}

// before returns how much the window of a that begins at first speaks for lag 0
// and against lag 1, in nats. Gear delays each note in its own way: each lag may be
// off by so many frames.
func (g *foreteller) before(t *tracker, first int64, lags [2]float64, off float64) (float64, error) {
	b := g.bank
	if _, _, err := b.read(t.a, first); err != nil {
		return 0, err
	}
	b.bend()
	b.cx[0], b.cx[1] = b.fft.Pair(b.cx[0], b.cx[1], b.x[0], b.x[1])
	b.cx[2], b.cx[3] = b.fft.Pair(b.cx[2], b.cx[3], b.x[2], b.x[3])
	var untold [2]float64
	for i, lag := range lags {
		if err := read(t.b, b.y, first+int64(math.Round(lag))); err != nil {
			return 0, err
		}
		for k, v := range b.taper {
			b.y[k] *= v
		}
		b.cx[4], b.cy = b.fft.Pair(b.cx[4], b.cy, b.x[4], b.y)
		untold[i] = g.untoldAt(math.Round(lag)-lag, off)
	}
	return untold[1] - untold[0], nil
}

// untoldAt is how badly the window of b that the bank holds is foretold, in nats,
// at a lag and up to off frames beside it, where it is foretold best.
func (g *foreteller) untoldAt(lag, off float64) float64 {
	b := g.bank
	z, turn := rotation(lag, b.lo, b.size)
	var sums [2*whenSteps + 1]float64
	for n, h := range g.filters {
		from, to := b.bins(n)
		cross, power := 0i, 0.0
		all := 0.0
		for k := from; k < to; k++ {
			p := 0i
			for i, v := range h {
				p += v * b.cx[i][k]
			}
			y := b.cy[k] * z
			z *= turn
			cross += cmplx.Conj(p) * y
			power += abs2(p)
			all += abs2(y)
		}
		if !(all > 0) {
			continue
		}
		by := cmplx.Rect(1, b.middle(n)*off/whenSteps)
		cross *= cmplx.Rect(1, -b.middle(n)*off)
		for i := range sums {
			rest := all + power - 2*real(cross)
			cross *= by
			sums[i] += float64(to-from) / whenBins * math.Log(min(1, rest/all)+g.untold[n])
		}
	}
	return slices.Min(sums[:])
}

// windowTurns adds what windows of a from … to, in seconds, speak for the lag
// before the i-th slip or behind it.
func (g *foreteller) windowTurns(t *tracker, out []turn, slips []Slip, i int, slope, from, to float64) ([]turn, error) {
	others := slices.Delete(slices.Clone(slips), i, i+1)
	size := g.bank.size
	off := min(math.Abs(float64(slips[i].Lag))/3, max(whenOff*float64(t.rate), 2*float64(slips[i].Error)))
	end := min(t.a.Len(), int64(to*float64(t.rate)))
	for first := int64(from * float64(t.rate)); first+int64(size) <= end; first += int64(size / 2) {
		at := (float64(first) + float64(size)/2) / float64(t.rate)
		lag := t.lag(at, others) + slope*at + g.lag + g.slope*(at-g.mid)
		v, err := g.before(t, first, [2]float64{lag, lag + float64(slips[i].Lag)}, off)
		if err != nil {
			return out, err
		}
		out = append(out, turn{at, v})
	}
	return out, nil
}

// noteTurns adds what the beginnings of notes speak.
func (t *tracker) noteTurns(r *rises, out []turn, slips []Slip, i int, from, to float64) []turn {
	mid := r.lags(lineOf(t.e, slips, t.rate), 0).odds(oneHand).mid
	others := slices.Delete(slices.Clone(slips), i, i+1)
	behind := t.e
	behind.Lag += slips[i].Lag
	x, y := r.lags(lineOf(t.e, others, t.rate), 0), r.lags(lineOf(behind, others, t.rate), 0)
	for k := range x {
		if at := float64(x[k].Time); at >= from && at < to {
			out = append(out, turn{at, math.Ln10 * (x[k].decades(mid, oneHand) - y[k].decades(mid, oneHand))})
		}
	}
	return out
}

// dated returns the slips with the times between which each happened.
func (t *tracker) dated(r *rises, slips []Slip, slope float64) ([]Slip, error) {
	f, slope, err := t.straightened(slips, slope)
	if err != nil {
		return slips, err
	}
	var g *foreteller
	sure := turnSure
	if f != nil && f.low >= leastTold {
		g = f.foreteller()
		sure *= 1 + turnUntold*(1-f.low)
	}
	for i := range slips {
		s := &slips[i]
		first, last := 0.0, float64(t.a.Len())/float64(t.rate)
		if i > 0 {
			first = float64(slips[i-1].At)
		}
		if i+1 < len(slips) {
			last = float64(slips[i+1].At)
		}
		from, to := max(first, float64(s.At)-whenReach), min(last, float64(s.At)+whenReach)
		var turns []turn
		pad := onsetReach
		if g != nil {
			if turns, err = g.windowTurns(t, turns, slips, i, slope, from, to); err != nil {
				return slips, err
			}
			pad = whenPad * float64(g.bank.size) / float64(t.rate)
		}
		if math.Abs(float64(s.Lag)) >= seenByNotes*float64(t.rate) {
			turns = t.noteTurns(r, turns, slips, i, from, to)
		}
		lost := max(0, -float64(s.Lag)/float64(t.rate))
		at, lo, hi := whenTurned(turns, sure, lost, first, last)
		s.From, s.To = unit.Seconds(max(first, lo-pad)), unit.Seconds(min(last, hi+lost+pad))
		if s.At < s.From || s.At > s.To-unit.Seconds(lost) {
			s.At = unit.Seconds(at)
		}
	}
	return slips, nil
}

// whenTurned returns when what sounds changed from one lag to another, and from
// when to when that may have been, between first and last; for lost seconds from
// then on neither is heard. Places at which up to sure nats less speak are likely,
// too.
//
// The place is the one at which most speaks for the lag before it and for the lag
// behind it. As much as anywhere else a passage spoke for the wrong one, because
// gear delayed it by itself, it may have done so here.
func whenTurned(turns []turn, sure, lost, first, last float64) (at, lo, hi float64) {
	slices.SortStableFunc(turns, func(x, y turn) int { return compare(x.time, y.time) })
	sums := make([]float64, len(turns)+1)
	times := []float64{first}
	for i, v := range turns {
		sums[i+1] = sums[i] + max(-turnMost, min(turnMost, v.before))
		if i > 0 {
			times = append(times, (turns[i-1].time+v.time)/2)
		}
	}
	times = append(times, last)
	if lost > 0 {
		for _, x := range slices.Clone(times) {
			if x-lost > first {
				times = append(times, x-lost)
			}
		}
		slices.Sort(times)
	}
	until := func(x float64) float64 {
		i, _ := slices.BinarySearchFunc(turns, x, func(v turn, x float64) int { return compare(v.time, x) })
		return sums[i]
	}
	speaks := make([]float64, len(times))
	top := 0
	for i, x := range times {
		speaks[i] = (until(x) + until(x+lost)) / 2
		if speaks[i] > speaks[top] {
			top = i
		}
	}
	within := func(less float64) (from, to int) {
		from, to = top, top
		for i, v := range speaks {
			if v >= speaks[top]-less {
				from, to = min(from, i), max(to, i)
			}
		}
		return from, to
	}
	// By how much what speaks falls before the place, and behind it rises.
	from, to := within(sure)
	wrong, most := 0.0, speaks[0]
	for _, v := range speaks[:from+1] {
		most = max(most, v)
		wrong = max(wrong, most-v)
	}
	most = speaks[len(speaks)-1]
	for i := len(speaks) - 1; i >= to; i-- {
		most = max(most, speaks[i])
		wrong = max(wrong, most-speaks[i])
	}
	from, to = within(sure + wrong)
	return times[top], times[from], times[to]
}
