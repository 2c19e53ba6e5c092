package clock

import (
	"cmp"
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/align"
	"evenhand/analyze/unit"
)

// Params are the settings of the search for slips; zero values mean the
// defaults, which are common practice, no source.
type Params struct {
	// Low and High bound the band that is compared; defaults 80 Hz and 6 kHz.
	Low, High unit.Hertz
	// Least is the smallest slip that is reported, default 0.6 frames, and
	// Sigmas how many times its own standard error it must be, default 7.
	Least  unit.Samples
	Sigmas float64
	// Processed says that a, too, went through gear, which a fit of gear from a
	// to b would have to undo: the error of the drift is then larger.
	Processed bool
}

func (p Params) withDefaults(rate int) Params {
	d := Params{Low: 80, High: unit.Hertz(min(6000, 0.45*float64(rate))), Least: 0.6, Sigmas: 7}
	p.Low = cmp.Or(p.Low, d.Low)
	p.High = cmp.Or(p.High, d.High)
	p.Least = cmp.Or(p.Least, d.Least)
	p.Sigmas = cmp.Or(p.Sigmas, d.Sigmas)
	return p
}

// Slip is a place at which frames were inserted into or lost from b.
type Slip struct {
	At    unit.Seconds // likeliest, on the timeline of a; where frames were lost, of the first
	Lag   unit.Samples // by how much b is later from here on: positive where frames were inserted, negative where they were lost
	Error unit.Samples // one standard error of Lag
	// From and To are the times of a between which it happened, in 19 of 20 cases
	// and more: what sounds before From keeps the lag before, what sounds behind To
	// the lag behind, and all lost frames lie between them. In a pause nothing
	// tells, so that it lies between them as a whole.
	From, To unit.Seconds
}

// Slips is the outcome of a search.
type Slips struct {
	Slips []Slip // in order of time, at most MaxSlips; never nil
	More  bool   // there are more
	// Smallest is the smallest slip that would have been found; NaN with
	// Reason where nothing could be, or where what sounds at an end may be out
	// of place.
	Smallest unit.Samples
	// From and To are the times of a between which Smallest holds: nearer to an
	// end too little sounds on one side of a slip to tell it. NaN without Smallest.
	From, To unit.Seconds
	// Scatter is the robust standard deviation of the windows' lags about the
	// median of their neighbours.
	Scatter unit.Samples
	// Drift is how much slower b's clock runs, slips apart, with what the gear
	// adds to the lag taken out: by the windows where both recordings went one
	// path, else by gear that is fitted to b; NaN where too little sounds or is
	// alike. DriftError is one standard error.
	Drift, DriftError unit.PPM
	// Start is by how much later than the estimate says b lies before the first
	// slip; 0 where the estimate is of that part.
	Start unit.Samples
	// Far says that parts of b were found by their sound, each at one place, more
	// than 0.1 s from one another, as only parts of one performance are.
	Far     bool
	uneven  bool // parts lie beside each other as those of two passes do
	Windows int  // that sounded and were compared
	Onsets  int  // that begin in both
	Reason  string
}

// MaxSlips is how many slips are told apart.
const MaxSlips = 16

// FindSlips looks for frames that were inserted into or lost from b. e says
// where b lies relative to a; it may be uncertain, or its lag scattered by the
// slips themselves, but must hold a lag.
//
// Slips of some milliseconds show in the beginnings of the notes, which any
// gear leaves where they are; near an end, where few notes are left on one side,
// they must speak clearly for one, or Reason says that it is open. What is smaller
// shows in windows of a
// quarter to half a second: the whitened cross-spectra of all, added along the
// line, are what the gear does to the phase; each window's own is correlated with
// that, so that its lag holds no delay of the gear. In both sequences a slip is a
// step between the medians of the values before and behind, beyond their standard
// error (which counts that neighbours resemble each other) and beyond what the
// sequence does elsewhere. Where the notes say little, parts that lie more than 0.1 s
// apart are looked for by their phase.
//
// Where the two did not go one path, gear is fitted to b: it tells the drift, the
// sizes of the slips, which of them are the gear's own doing, and, in 20 s and
// more, smaller ones. It tells when each happened, too: the likeliest time is that
// at which short windows change sides.
//
// It returns an error wrapping align.ErrRates for different sample rates, and
// errors of reading. It keeps a few values per window and per note.
//
// Source: C. H. Knapp, G. C. Carter, The generalized correlation method for
// estimation of time delay, IEEE Trans. ASSP-24(4), 1976 (smoothed whitening,
// from memory); the search for steps is our own.
func FindSlips(a, b align.Source, e align.Estimate, p Params) (Slips, error) {
	nan := unit.Samples(math.NaN())
	never := unit.Seconds(math.NaN())
	out := Slips{Slips: []Slip{}, Smallest: nan, From: never, To: never, Scatter: nan, Drift: unit.PPM(nan), DriftError: unit.PPM(nan)}
	if a.Rate() != b.Rate() {
		return out, fmt.Errorf("clock: %w: %d Hz and %d Hz; convert one of the recordings first", align.ErrRates, a.Rate(), b.Rate())
	}
	if a.Rate() < 4000 || a.Rate() > 1<<20 {
		return out, fmt.Errorf("clock: sample rate %d Hz, allowed 4000 to %d Hz", a.Rate(), 1<<20)
	}
	if math.IsNaN(float64(e.Lag)) {
		out.Reason = "no lag is known: " + e.Reason
		return out, nil
	}
	t := newTracker(a, b, e, p.withDefaults(a.Rate()))
	r, err := newRises(a, b, e)
	if err != nil {
		return out, err
	}
	found, doubt := t.endSlips(r, t.coarseSlips(r))
	found, far, err := t.partSlips(r, found, doubt != "")
	if err != nil {
		return out, err
	}
	out.Far, out.uneven = far.found, far.uneven
	found, least, notes := t.noteSlips(r, found)
	out.Onsets = notes
	smallest := math.Inf(1)
	if least > 0 {
		smallest = least
	}
	found, smallest, line, err := t.windowSlips(&out, r, found, smallest)
	if err != nil {
		return out, err
	}
	if line.alike {
		if found, err = t.placed(found); err != nil {
			return out, err
		}
	}
	found = slices.DeleteFunc(found, func(s Slip) bool {
		// What corrections left of it may be less than is beyond doubt.
		size := math.Abs(float64(s.Lag))
		if size < leastErrors*float64(s.Error) {
			if !math.IsInf(smallest, 1) {
				smallest = max(smallest, size)
			}
			return true
		}
		return size < float64(t.p.Least)
	})
	if !(out.DriftError <= sharpDrift) {
		// One path through clean gear, or a repeat, is told better by windows.
		if found, smallest, err = t.byGear(&out, found, line.slope, smallest); err != nil {
			return out, err
		}
	}
	if len(found) > 0 {
		if found, err = t.dated(r, found, line.slope); err != nil {
			return out, err
		}
	}
	if len(found) > MaxSlips {
		found, out.More = found[:MaxSlips], true
	}
	out.Slips, out.Start = append(out.Slips, found...), t.e.Lag-e.Lag
	if math.IsInf(smallest, 1) && len(found) == 0 {
		out.Reason = fmt.Sprintf("%d windows and %d notes in common, at least %d of one are needed", out.Windows, out.Onsets, 2*leastSide)
		return out, nil
	}
	if doubt != "" && len(found) == 0 {
		out.Reason = doubt
	} else if !math.IsInf(smallest, 1) {
		out.Smallest = unit.Samples(smallest)
		out.From, out.To = unit.Seconds(t.from), unit.Seconds(t.to)
	}
	return out, nil
}

// windowLine is what windows say: whether they are alike, and by how many frames
// a second the lag grows beyond the estimate's own drift.
type windowLine struct {
	alike bool
	slope float64
}

// windowSlips adds the slips that windows tell to those found, sets what they
// tell in out, and returns the smallest that would have been found.
func (t *tracker) windowSlips(out *Slips, r *rises, found []Slip, smallest float64) ([]Slip, float64, windowLine, error) {
	var line windowLine
	for len(found) <= MaxSlips {
		seq, height, err := t.windowLags(found)
		if err != nil {
			return found, smallest, line, err
		}
		out.Windows = len(seq)
		if line.alike = height >= leastHeight; !line.alike {
			break
		}
		own := 0.0
		if !math.IsNaN(float64(t.e.Drift)) {
			own = float64(t.e.Drift)
		}
		d, derr := fitSlope(seq)
		if !math.IsNaN(d) {
			line.slope = d
		}
		j, scatter, least := bestStep(seq, t.p)
		if n := len(seq); n > 1 {
			// From one end to the other, music may move the gear's lag by some
			// scatters: 6 is one standard error, as measured on the demo.
			derr = math.Hypot(derr, 6*scatter/(seq[n-1].time-seq[0].time))
		}
		out.Drift, out.DriftError = unit.PPM(own+d*1e6/float64(t.rate)), unit.PPM(derr*1e6/float64(t.rate))
		out.Scatter = unit.Samples(scatter)
		if j.at < 0 {
			if least > 0 {
				t.tells(seq, least < smallest)
				smallest = min(smallest, least)
			}
			break
		}
		if !t.supported(r, found, j.size, (seq[j.at-1].time+seq[j.at].time)/2) {
			// It may be a slip of this size: a larger one would have been borne out.
			most := math.Abs(j.size) + 2*j.err
			t.tells(seq, most < smallest)
			smallest = min(smallest, most)
			break
		}
		found = t.amend(found, Slip{At: unit.Seconds((seq[j.at-1].time + seq[j.at].time) / 2), Lag: unit.Samples(j.size), Error: unit.Samples(j.err)},
			1.5*float64(t.size)/float64(t.rate))
		if t.amended++; t.amended > 2*MaxSlips {
			break
		}
	}
	return found, smallest, line, nil
}

// placed returns the slips with the times that short windows tell.
func (t *tracker) placed(found []Slip) (_ []Slip, err error) {
	for i := range found {
		others := slices.Delete(slices.Clone(found), i, i+1)
		if found[i].At, err = t.place(found[i], others); err != nil {
			return found, err
		}
	}
	return found, nil
}

// amend adds a slip, or corrects one that was found within reach of it.
func (t *tracker) amend(found []Slip, s Slip, reach float64) []Slip {
	for i, f := range found {
		if math.Abs(float64(f.At-s.At)) <= reach+math.Abs(float64(f.Lag))/float64(t.rate) {
			found[i].Lag += s.Lag
			found[i].Error = s.Error
			return found
		}
	}
	found = append(found, s)
	slices.SortFunc(found, func(x, y Slip) int {
		if x.At < y.At {
			return -1
		}
		return 1
	})
	return found
}

// tracker compares windows of two recordings along a line.
type tracker struct {
	a, b      align.Source
	e         align.Estimate
	p         Params
	rate      int
	size, hop int
	loudA     float64 // greatest mean square of a window
	loudB     float64
	amended   int
	from, to  float64 // s: where the smallest slip holds
}

// tells sets, where it is so, the times between which a step in a sequence is
// told: those with enough values on each side.
func (t *tracker) tells(seq []point, so bool) {
	if so {
		t.from, t.to = seq[leastSide].time, seq[len(seq)-1-leastSide].time
	}
}

func newTracker(a, b align.Source, e align.Estimate, p Params) *tracker {
	size := align.FineWindow(a.Rate()) / 2
	return &tracker{a: a, b: b, e: e, p: p, rate: a.Rate(), size: size, hop: size / 2}
}

// lag is the line at time s with the slips found so far.
func (t *tracker) lag(s float64, slips []Slip) float64 {
	l := float64(t.e.LagAt(unit.Seconds(s), t.rate))
	for _, x := range slips {
		if s >= float64(x.At) {
			l += float64(x.Lag)
		}
	}
	return l
}

// windowLags returns the lag of each window in which both sound, along the line
// with the slips, less what the gear adds,
// and how alike the windows are, at most 1.
func (t *tracker) windowLags(slips []Slip) (out []point, height float64, err error) {
	w := newSpectra(t.size, t.rate, t.p)
	n := int((t.a.Len()-int64(t.size))/int64(t.hop)) + 1
	every := max(1, (n+modelWindows-1)/modelWindows)
	// Silent windows tell nothing. How loud they get is known at the end, so
	// windows are taken by what is known so far, and sifted then.
	t.loudA, t.loudB = 0, 0
	var powers [][2]float64
	known, _ := t.a.(remembered)
	window := func(i int) (c []complex128, err error) {
		if w.memo = nil; i%every == 0 {
			w.memo = known.memo
		}
		lag := t.lag(t.middle(i), slips)
		var p [2]float64
		if p[0], p[1], err = w.load(t.a, t.b, int64(i)*int64(t.hop), lag); err != nil {
			return nil, err
		}
		if i%2 == 0 { // those that do not overlap
			t.loudA, t.loudB = max(t.loudA, p[0]), max(t.loudB, p[1])
		}
		if !t.sounds(p) {
			return nil, nil
		}
		powers = append(powers, p)
		return w.cross(lag), nil
	}
	var kept [][]complex64
	for i := 0; i < n; i += every {
		c, err := window(i)
		if err != nil {
			return nil, 0, err
		}
		if c != nil {
			k := make([]complex64, len(c))
			for j, v := range c {
				k[j] = complex64(v)
			}
			kept = append(kept, k)
			out = append(out, point{time: t.middle(i)})
		}
	}
	kept, out = sift(kept, powers, t.sounds), sift(out, powers, t.sounds)
	model, height := t.model(w, out, kept)
	if every == 1 {
		return out, height, nil
	}
	out, powers = nil, nil
	corr := newCorrelator(len(model), w.lo, t.size, t.rate)
	for i := range n {
		c, err := window(i)
		if err != nil {
			return nil, 0, err
		}
		if c != nil {
			lag, _ := corr.lag([2][]complex128{model}, [2][]complex128{c})
			out = append(out, point{t.middle(i), lag[0]})
		}
	}
	return sift(out, powers, t.sounds), height, nil
}

// sounds reports whether the mean squares of a window in a and b are not far
// below the greatest.
func (t *tracker) sounds(p [2]float64) bool {
	return p[0] >= 1e-4*t.loudA && p[1] >= 1e-4*t.loudB && p[0] > 0 && p[1] > 0
}

// sift keeps the entries of x whose powers sound.
func sift[T any](x []T, powers [][2]float64, sounds func([2]float64) bool) []T {
	kept := x[:0]
	for i, v := range x {
		if sounds(powers[i]) {
			kept = append(kept, v)
		}
	}
	return kept
}

// model finds what the gear does, from all windows moved along their lags, and
// with it the lag of each; it takes a few rounds, because a note that is only
// heard before or behind a slip has the lag of that side in the first. height is
// how alike the windows are.
func (t *tracker) model(w *spectra, seq []point, kept [][]complex64) (model []complex128, height float64) {
	bins := w.hi - w.lo
	room := func() []complex128 { return make([]complex128, bins) }
	model = room()
	rest, own := [2][]complex128{room(), room()}, [2][]complex128{room(), room()}
	near := [4][]complex128{room(), room(), room(), room()} // the last moved windows, by number modulo 4
	corr := newCorrelator(bins, w.lo, t.size, t.rate)
	heights, moves := make([]float64, len(kept)), make([]float64, len(kept))
	for range modelRounds {
		clear(model)
		for i, k := range kept {
			moves[i] = around(seq, i)
			turned(own[0], k, -moves[i], w.lo, t.size)
			for j, v := range own[0] {
				model[j] += v
			}
		}
		moved := 0
		for i := 0; i < len(kept); i += 2 {
			var x, y [2][]complex128
			for m := range min(2, len(kept)-i) {
				// Without its own part and that of the windows it overlaps,
				// which would hold its lag where it is.
				copy(rest[m], model)
				for k := max(0, i+m-1); k < min(len(kept), i+m+2); k++ {
					if k == moved {
						turned(near[k%4], kept[k], -moves[k], w.lo, t.size)
						moved++
					}
					for j, v := range near[k%4] {
						rest[m][j] -= v
					}
				}
				for j, v := range kept[i+m] {
					own[m][j] = complex128(v)
				}
				x[m], y[m] = rest[m], own[m]
			}
			lag, height := corr.lag(x, y)
			for m := range min(2, len(kept)-i) {
				seq[i+m].lag, heights[i+m] = lag[m], height[m]
			}
		}
	}
	return model, middle(slices.Clone(heights))
}

const (
	leastHeight  = 0.25 // of the windows' correlations with what the gear does
	modelWindows = 512  // kept at a time, 16 MB at 48 kHz
	modelRounds  = 5
	onePath      = 0.1 // frames of scatter that windows of two circuits exceed
	sharpDrift   = 0.1 // ppm of error that the windows reach only on one path
	leastErrors  = 4   // of its own that a slip must exceed
)

// around is the median of the lags of nine windows around the i-th.
func around(seq []point, i int) float64 {
	var y []float64
	for j := max(0, i-4); j < min(len(seq), i+5); j++ {
		y = append(y, seq[j].lag)
	}
	if len(y) == 0 {
		return 0
	}
	return middle(y)
}

// middle is the time of window i's middle.
func (t *tracker) middle(i int) float64 {
	return (float64(i)*float64(t.hop) + float64(t.size)/2) / float64(t.rate)
}
