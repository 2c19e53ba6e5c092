package clock

import (
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/align"
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
	Reason  string
}

const (
	leastPlaced  = 5      // clear notes of a place
	placedSpread = 0.002  // s: largest spread of a place
	gearRise     = 6e-4   // s: by how much gear moves the beginnings of all notes
	leastSloped  = 10     // notes of a slope
	slopedSpan   = 5      // s
	placeApart   = 0.010  // s between places
	smallScatter = 1.5e-4 // s: least scatter of a note, of the search's own grid
)

// Place finds where b lies relative to a within ±2.5 s from the rises of the
// level at the beginnings of the notes, whatever gear did to the sound: where
// most of the notes begin equally late. It says Certain
// where at least five do within 2 ms, and the odds of another place, more than
// 10 ms away, are 10⁴ times smaller.
//
// It returns an error wrapping align.ErrRates for different sample rates, and
// errors of reading. Of recordings above ten minutes the first ten are looked
// at.
func Place(a, b align.Source) (Placement, error) {
	nan := math.NaN()
	p := Placement{Lag: unit.Samples(nan), At: unit.Seconds(nan), Error: unit.Samples(nan), Drift: unit.PPM(nan), DriftError: unit.PPM(nan), Spread: unit.Seconds(nan)}
	if a.Rate() != b.Rate() {
		return p, fmt.Errorf("clock: %w: %d Hz and %d Hz; convert one of the recordings first", align.ErrRates, a.Rate(), b.Rate())
	}
	r, err := newRises(a, b, align.Estimate{Drift: unit.PPM(nan)})
	if err != nil {
		return p, err
	}
	p.Notes = len(r.notes)
	type place struct {
		at, decades float64
		lags        lagList
		base        float64
	}
	var all []place
	for _, shift := range r.places() {
		l := r.lags(func(float64) float64 { return 0 }, shift)
		o := l.odds(oneHand)
		base := float64(shift) * tick
		all = append(all, place{base + o.mid, o.decades, l, base})
	}
	best := slices.MaxFunc(all, func(x, y place) int { return compare(x.decades, y.decades) })
	p.Margin = unit.Number(math.Inf(1))
	for _, x := range all {
		if math.Abs(x.at-best.at) > placeApart {
			p.Margin = min(p.Margin, unit.Number(best.decades-x.decades))
		}
	}
	p.fill(best.lags, float64(a.Rate()), best.base, best.at-best.base)
	switch {
	case p.Onsets < leastPlaced:
		p.Reason = fmt.Sprintf("%d notes begin near each other, at least %d are needed", p.Onsets, leastPlaced)
	case best.decades < sureDecades || p.Margin < sureDecades:
		p.Reason = "the notes fit another place nearly as well"
	case p.Spread > placedSpread:
		p.Reason = fmt.Sprintf("the notes' beginnings scatter by %.1f ms", 1000*float64(p.Spread))
	default:
		p.Certain = true
	}
	return p, nil
}

// fill puts a line through the notes, which were compared base seconds later
// than they lie in a, each at its likely place nearest to mid: the median of the
// slopes of all pairs, and the median about it.
func (p *Placement) fill(lags lagList, rate, base, mid float64) {
	var seq []point
	for _, o := range lags {
		if at, ok := o.near(mid); ok && math.Abs(at-mid) < 2*placeApart {
			seq = append(seq, point{float64(o.Time), base + at})
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
