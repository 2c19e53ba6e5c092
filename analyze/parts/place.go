package parts

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/align"
	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

// Placement is where recording b lies relative to a by the beginnings of its
// notes alone, which any gear leaves where they are.
type Placement struct {
	// Lag is how much later the notes begin in b, in frames, at the time At of
	// a; NaN where no note begins clearly in both. It contains the delay of the
	// gear and how much softer it makes a beginning.
	Lag unit.Samples
	At  unit.Seconds
	// Error is one standard error of Lag: the notes' scatter, and 0.6 ms by
	// which gear moves the beginnings of all.
	Error unit.Samples
	// Drift is how much slower b's clock runs; NaN for fewer than ten notes or
	// less than 5 s from the first to the last. DriftError is one standard
	// error.
	Drift, DriftError unit.PPM
	// Spread is the robust standard deviation of the notes about the line.
	Spread unit.Seconds
	Onsets int // notes that begin near there in both
	Notes  int // that begin in a
	// Margin is how many decades the odds of this place exceed those of the
	// next best.
	Margin unit.Number
	// Certain tells whether the place may be relied on within a few Errors; if
	// not, Reason says why.
	Certain bool
	Reason  finding.Text
}

const (
	leastPlaced  = 5      // clear notes of a place
	placedSpread = 0.002  // s: largest spread of a place
	gearRise     = 6e-4   // s: by how much gear moves the beginnings of all notes
	leastSloped  = 10     // notes of a slope
	slopedSpan   = 5      // s
	placeApart   = 0.010  // s between places
	smallScatter = 1.5e-4 // s: least scatter of a note, of the search's own grid

	placeReach  = 2500   // ticks in which a place is looked for, either way
	mostShifts  = 7      // that are tried
	shiftsApart = 20     // ticks between them
	leastLike   = 0.35   // likeness of a place of a note
	stray       = 0.1    // share of notes that may begin anywhere
	midReach    = 0.02   // s about a shift in which the notes may agree
	midGrid     = 2.5e-4 // s
	oddNotes    = 400    // more notes are thinned out for the slope
)

// Place finds where b lies relative to a recording within ±2.5 s from the rises of the
// level at the beginnings of the notes, whatever gear did to the sound: where
// most of the notes begin equally late. It says Certain
// where at least five do within 2 ms, and the odds of another place, more than
// 10 ms away, are 10⁴ times smaller.
//
// It returns an error wrapping align.ErrRates for different sample rates, and
// errors of reading.
func (t *Timeline) Place(b align.Source) (Placement, error) {
	nan := never
	p := Placement{Lag: unit.Samples(nan), At: unit.Seconds(nan), Error: unit.Samples(nan), Drift: unit.PPM(nan), DriftError: unit.PPM(nan), Spread: unit.Seconds(nan)}
	if t.rate != b.Rate() {
		return p, fmt.Errorf("parts: %w: %d Hz and %d Hz; convert one of the recordings first", align.ErrRates, t.rate, b.Rate())
	}
	p.Notes = len(t.notes)
	if p.Notes == 0 {
		p.Reason = finding.Say("parts.no-note")
		return p, nil
	}
	hb, err := hear(b, -margin*tick, t.sound.n+2*margin, nil)
	if err != nil {
		return p, err
	}
	type place struct {
		at, decades float64
		notes       []noteAt
	}
	var all []place
	for _, shift := range t.shifts(hb) {
		notes := t.heardAt(hb, shift)
		at, decades := agreed(notes, float64(shift)*tick)
		all = append(all, place{at, decades, notes})
	}
	best := slices.MaxFunc(all, func(x, y place) int { return cmp.Compare(x.decades, y.decades) })
	p.Margin = unit.Number(math.Inf(1))
	for _, x := range all {
		if math.Abs(x.at-best.at) > placeApart {
			p.Margin = min(p.Margin, unit.Number(best.decades-x.decades))
		}
	}
	p.fill(best.notes, float64(t.rate), best.at)
	switch {
	case p.Onsets < leastPlaced:
		p.Reason = finding.Say("parts.few-near", "onsets", p.Onsets, "least", leastPlaced)
	case best.decades < sureDecades || p.Margin < sureDecades:
		p.Reason = finding.Say("parts.elsewhere")
	case p.Spread > placedSpread:
		p.Reason = finding.Say("parts.scatter", "spread_ms", 1000*float64(p.Spread))
	default:
		p.Certain = true
	}
	return p, nil
}

// noteAt is where a note may begin in the other recording: the places at which the rises
// are alike, in seconds later, with their chances.
type noteAt struct {
	time   float64
	at     []float64
	chance []float64
}

// heardAt compares all notes with b, some ticks later, within onsetReach.
func (t *Timeline) heardAt(b *sound, shift int) (out []noteAt) {
	like, p := make([]float64, 2*onsetReach+1), make([]float64, 2*onsetReach+1)
	for _, at := range t.notes {
		clear(like)
		alike(like, t.sound, b, at, at+margin+shift)
		copy(p, like)
		soften(p)
		h := noteAt{time: float64(at) * tick}
		sum := 0.0
		for i := 1; i < len(like)-1; i++ {
			if !(like[i] >= leastLike && like[i] >= like[i-1] && like[i] > like[i+1]) {
				continue
			}
			bend := like[i-1] - 2*like[i] + like[i+1]
			h.at = append(h.at, (float64(shift+i-onsetReach)+0.5*(like[i-1]-like[i+1])/bend)*tick)
			h.chance = append(h.chance, p[i])
			sum += p[i]
		}
		for i := range h.chance {
			h.chance[i] /= sum
		}
		out = append(out, h)
	}
	return out
}

// decades is the logarithm of the odds that the note begins about mid, against
// anywhere within the reach.
func (h noteAt) decades(mid float64) float64 {
	if h.at == nil {
		return 0
	}
	sigma := oneHand * tick
	sum, scale := 0.0, 2*onsetReach*tick/(sigma*math.Sqrt(2*math.Pi))
	for i, at := range h.at {
		x := (at - mid) / sigma
		sum += h.chance[i] * math.Exp(-x*x/2)
	}
	return math.Log10((1-stray)*scale*sum + stray)
}

// agreed returns the lag in seconds at which most notes begin, and the decades of its
// odds.
func agreed(notes []noteAt, about float64) (at, decades float64) {
	decades = math.Inf(-1)
	for d := -midReach; d <= midReach; d += midGrid {
		sum := 0.0
		for _, h := range notes {
			sum += h.decades(about + d)
		}
		if sum > decades {
			at, decades = about+d, sum
		}
	}
	return at, decades
}

// shifts returns by how many ticks b may be later: none, and where the rises of the
// first two minutes agree best.
func (t *Timeline) shifts(b *sound) []int {
	const longest = 120000 // ticks
	n := min(t.sound.n, longest)
	size := dsp.NextPow2(n + 2*margin)
	fft := dsp.NewFFT(size)
	sum := make([]complex128, size/2+1)
	x, y := make([]float64, size), make([]float64, size)
	for band := range bands {
		clear(x)
		clear(y)
		copy(x, levelled(t.sound.rises[band][:n]))
		copy(y, levelled(b.rises[band][:min(len(b.rises[band]), n+2*margin)]))
		fx, fy := fft.Forward(nil, x), fft.Forward(nil, y)
		for k, v := range fx {
			sum[k] += complex(real(v), -imag(v)) * fy[k]
		}
	}
	curve := fft.Inverse(nil, sum)[:2*margin+1]
	out := []int{0}
	for len(out) < mostShifts {
		best := -1
		for i, v := range curve {
			if v > 0 && (best < 0 || v > curve[best]) && abs(i-margin) <= placeReach {
				best = i
			}
		}
		if best < 0 {
			break
		}
		out = append(out, best-margin)
		clear(curve[max(0, best-shiftsApart):min(len(curve), best+shiftsApart+1)])
	}
	return out
}

// levelled returns x, spread over five ticks, less its mean and with a mean square of 1.
func levelled(x []float32) []float64 {
	y := make([]float64, len(x))
	mean, sq := 0.0, 0.0
	for i := range x {
		for j := max(0, i-2); j < min(len(x), i+3); j++ {
			y[i] += float64(x[j])
		}
		mean += y[i] / float64(len(x))
	}
	for i := range y {
		y[i] -= mean
		sq += y[i] * y[i] / float64(len(y))
	}
	if sq > 0 {
		g := 1 / math.Sqrt(sq)
		for i := range y {
			y[i] *= g
		}
	}
	return y
}

// fill puts a line through the notes, each at its likely place nearest to mid: the
// median of the slopes of all pairs, and the median about it.
func (p *Placement) fill(notes []noteAt, rate, mid float64) {
	var seq []point
	for _, h := range notes {
		best := math.Inf(1)
		for i, at := range h.at {
			if h.chance[i] >= leastChance && math.Abs(at-mid) < math.Abs(best-mid) {
				best = at
			}
		}
		if math.Abs(best-mid) < 2*placeApart {
			seq = append(seq, point{h.time, best})
		}
	}
	p.Onsets = len(seq)
	if len(seq) == 0 {
		return
	}
	first, last := seq[0].time, seq[len(seq)-1].time
	// The scatter about a level line leaves out strays for the slope.
	level, spread := levelOf(seq, 0)
	var kept []point
	for _, x := range seq {
		if math.Abs(x.lag-level) <= max(4*spread, placedSpread) {
			kept = append(kept, x)
		}
	}
	slope := 0.0
	if len(kept) >= leastSloped && last-first >= slopedSpan {
		var slopes []float64
		every := max(1, (len(kept)+oddNotes-1)/oddNotes)
		for i := 0; i < len(kept); i += every {
			for j := 0; j < i; j += every {
				if dt := kept[i].time - kept[j].time; dt > 0.5 {
					slopes = append(slopes, (kept[i].lag-kept[j].lag)/dt)
				}
			}
		}
		if len(slopes) > 0 {
			slope = middle(slopes)
			p.Drift = unit.PPM(1e6 * slope)
		}
	}
	centre, tt := 0.0, 0.0
	for _, x := range kept {
		centre += x.time / float64(len(kept))
	}
	for _, x := range kept {
		tt += (x.time - centre) * (x.time - centre)
	}
	for i := range seq {
		seq[i].time -= centre
	}
	level, spread = levelOf(seq, slope)
	scatter := math.Hypot(spread, smallScatter)
	if !math.IsNaN(float64(p.Drift)) {
		// A median of slopes is a twentieth less efficient than least squares.
		// Where the playing changes, so does by how much gear moves beginnings.
		p.DriftError = unit.PPM(1e6 * math.Hypot(1.05*scatter/math.Sqrt(tt), gearRise/(last-first)))
	}
	p.At, p.Lag, p.Spread = unit.Seconds(centre), unit.Samples(level*rate), unit.Seconds(spread)
	p.Error = unit.Samples(rate * math.Hypot(gearRise, 1.2533*scatter/math.Sqrt(float64(len(seq)))))
}

// levelOf returns the median of a sequence about a slope and its robust
// standard deviation.
func levelOf(seq []point, slope float64) (level, spread float64) {
	y := make([]float64, len(seq))
	for i, x := range seq {
		y[i] = x.lag - slope*x.time
	}
	level = middle(slices.Clone(y))
	for i := range y {
		y[i] = math.Abs(y[i] - level)
	}
	return level, 1.4826 * middle(y)
}
