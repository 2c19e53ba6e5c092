package parts

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"evenhand/analyze/unit"
)

const (
	sideSeconds    = 8      // s of windows on either side of a slip that tell its size
	mostSteps      = 8      // that are looked for
	leastStray     = 5      // frames from the path, at least, within which a window is on it
	strays         = 3      // or times the scatter of its lags
	plainly        = 4      // times the windows' scatter that a step must exceed where notes
	saidByNotes    = 20     // speak for it by as many nats,
	allowedByNotes = 4.0    // or, of a clear step that they are exact enough to see, where the windows are not plainly alike, as many
	weightings     = 8      // of the windows
	mostSlope      = 1e-4   // of the clock: the largest that is followed
	blurredBy      = 1.5e-3 // frames of scatter for each ppm by which the clock runs off
	onePath        = 0.1    // frames of scatter that windows of two circuits exceed
	leastOther     = 8.4e-5 // s: smallest slip behind other gear, which moves the phase by itself; 4 frames at 48 kHz
	leastLinear    = 4.2e-5 // s: smallest slip behind gear that moves it hardly; 2 frames at 48 kHz
	leastUnclear   = 1.5e-3 // s: smallest slip that windows tell which are not plainly alike
	seenByNotes    = 5e-4   // s: smallest slip that notes see
	leastWander    = 0.1    // frames by which even clean gear moves the lag from end to end
	oneSlip        = 1.5    // s within which two steps are one slip
)

// windowLags returns the lags of the windows that are in place, in order of time.
func (j *Judgement) windowLags() (seq []point) {
	ph := j.phase
	most := max(leastStray, strays*ph.scatter)
	for i, w := range ph.windows {
		// What is not where the path goes is not alike.
		stray := math.Abs(ph.fine[i] - w.off - float64(ph.lag[i]))
		if ph.alike[i] && ph.corr[i] >= weakPhase*ph.noise && stray <= most && !j.within(w.time) {
			seq = append(seq, point{w.time, ph.fine[i]})
		}
	}
	for _, x := range ph.halves {
		if !j.within(x.time) {
			seq = append(seq, x)
		}
	}
	slices.SortStableFunc(seq, func(x, y point) int { return cmp.Compare(x.time, y.time) })
	return seq
}

// byWindows sharpens the slips that are known by the windows on either side, adds
// those that only windows tell, and sets what windows say of the clock. drift is that
// of the line along which they were compared, in ppm. It returns by how many frames a
// second the lag grows beyond that line, and by how many frames the slips changed most.
func (j *Judgement) byWindows(drift float64) (slope, moved float64) {
	ph, rate := j.phase, j.rate
	j.Smallest, j.From, j.To = unit.Samples(never), unit.Seconds(never), unit.Seconds(never)
	if ph.height < turnClear*ph.noise {
		j.Slips = j.slipsByNotes()
		return 0, 0
	}
	seq := j.windowLags()
	j.Windows = len(seq)
	before := slices.Clone(j.Slips)
	doubtful := 0.0
	for range mostSteps {
		if len(j.Slips) > 0 { // before any is known a slip would pass for a slope
			slope += j.sharpen(seq)
		}
		step, sure, scatter, least := bestStep(seq)
		j.Scatter = unit.Samples(scatter)
		if ph.even { // a circuit that makes octaves moves the phase from passage to passage
			break
		}
		needs := 0.0
		switch {
		case ph.height < turnPlain*ph.noise: // circuits move the phase, and some notes, from passage to passage
			needs = leastUnclear * float64(rate)
		case !j.OnePath():
			needs = leastOther * float64(rate)
		case !j.repeat: // what is linear but for one passage
			needs = leastLinear * float64(rate)
		}
		if !sure && step.at >= 0 { // it may be a slip of this size
			doubtful = max(doubtful, math.Abs(step.size)+2*step.err)
		}
		if least > 0 {
			j.From, j.To = j.between(seq[inner(len(seq))].time, seq[len(seq)-1-inner(len(seq))].time)
			if j.From < j.To {
				j.Smallest = unit.Samples(max(least, needs, doubtful))
			}
		}
		if step.at < 0 || math.Abs(step.size) < needs || !sure && !(math.Abs(step.size) >= max(seenByNotes*float64(rate), plainly*scatter) && j.notesSay(step) >= saidByNotes) {
			break
		}
		from, to := seq[step.at-1].time, seq[step.at].time
		x := Slip{At: unit.Seconds((from + to) / 2), From: unit.Seconds(from), To: unit.Seconds(to), Lag: unit.Samples(step.size), Error: unit.Samples(step.err)}
		for k := step.at; k < len(seq); k++ {
			seq[k].lag -= step.size
		}
		k := slices.IndexFunc(j.Slips, func(o Slip) bool { return math.Abs(float64(o.At-x.At)) < oneSlip })
		need := 0.0
		if ph.clarity() < turnPlain {
			need = allowedByNotes
		}
		if k < 0 && (j.within(float64(x.At)) || math.Abs(step.size) >= seenByNotes*float64(rate) && j.notesSay(step) < need) {
			// It is the gear's, or the music's, or a slip of this size; and what is
			// smaller is not told beside it.
			doubtful = max(doubtful, math.Abs(step.size)+2*step.err)
			if j.Smallest < unit.Samples(doubtful) {
				j.Smallest = unit.Samples(doubtful)
			}
			break
		}
		if k >= 0 {
			j.Slips[k].Lag += x.Lag
			continue
		}
		j.Slips = append(j.Slips, x)
		slices.SortStableFunc(j.Slips, func(x, y Slip) int { return cmp.Compare(x.At, y.At) })
	}
	if slope += j.sharpen(seq); math.Abs(slope) > mostSlope*float64(rate) {
		slope = 0
	}
	if n := len(seq); n > 1 {
		d, err := fitSlope(seq)
		// From one end to the other, music may move the gear's lag by some
		// scatters: 6 is one standard error, as measured on the demo.
		wander := 6 * float64(j.Scatter)
		if !j.repeat {
			wander += leastWander
		}
		err = math.Hypot(err, wander/(seq[n-1].time-seq[0].time))
		j.Drift, j.DriftError = unit.PPM(drift+(slope+d)*1e6/float64(rate)), unit.PPM(err*1e6/float64(rate))
	}
	moved = 0
	for i, x := range j.Slips {
		if len(before) != len(j.Slips) {
			moved = math.Inf(1)
			break
		}
		moved = max(moved, math.Abs(float64(x.Lag-before[i].Lag)))
	}
	return slope, moved
}

// sharpen fits a line that steps at each slip to the lags of the windows, by least
// squares in which what is far from it counts less, takes it out of them, and corrects
// the slips by what was left of their steps. It returns the slope of the line.
//
// Source: P. J. Huber, Robust estimation of a location parameter, Ann. Math. Statist.
// 35(1), 1964 (the weights; from memory).
func (j *Judgement) sharpen(seq []point) (slope float64) {
	n, k := len(seq), 2+len(j.Slips)
	if n < 2*leastSide+k {
		return 0
	}
	mid := (seq[0].time + seq[n-1].time) / 2
	x, y := mat.NewDense(n, k, nil), mat.NewVecDense(n, nil)
	for i, p := range seq {
		x.Set(i, 0, 1)
		x.Set(i, 1, p.time-mid)
		y.SetVec(i, p.lag)
		for m, o := range j.Slips {
			if p.time > float64(o.At) {
				x.Set(i, 2+m, 1)
			}
		}
	}
	weight := make([]float64, n)
	for i := range weight {
		weight[i] = 1
	}
	var fit, rest mat.VecDense
	var normal, inverse mat.Dense
	dev := make([]float64, n)
	scale := 0.0
	for range weightings {
		wx, wy := mat.DenseCopyOf(x), mat.VecDenseCopyOf(y)
		for i, w := range weight {
			for m := range k {
				wx.Set(i, m, w*x.At(i, m))
			}
			wy.SetVec(i, w*y.AtVec(i))
		}
		normal.Mul(x.T(), wx)
		if inverse.Inverse(&normal) != nil {
			return 0 // a step with no window on one side
		}
		var right mat.VecDense
		right.MulVec(x.T(), wy)
		fit.MulVec(&inverse, &right)
		rest.MulVec(x, &fit)
		rest.SubVec(y, &rest)
		for i := range dev {
			dev[i] = math.Abs(rest.AtVec(i))
		}
		scale = 1.4826*middle(slices.Clone(dev)) + 1e-6
		for i, d := range dev {
			weight[i] = min(1, 1.5*scale/d)
		}
	}
	slope = fit.AtVec(1)
	for i := range seq {
		seq[i].lag -= slope * (seq[i].time - mid)
		for m := range j.Slips {
			seq[i].lag -= fit.AtVec(2+m) * x.At(i, 2+m)
		}
	}
	for m := range j.Slips {
		j.Slips[m].Lag += unit.Samples(fit.AtVec(2 + m))
		gear := 0.0 // by which it moves the phase from one side to the other
		if !j.OnePath() {
			gear = leastOther * float64(j.rate) / 2
		}
		j.Slips[m].Error = unit.Samples(math.Hypot(gear, scale*math.Sqrt(inverse.At(2+m, 2+m))))
	}
	return slope
}

// between narrows times between which windows tell a slip to those at which notes on
// either side would tell one beyond the windows' reach, by which a held tone is the same
// again; NaN for none. Windows that are nearly the same sound would be less alike there.
func (j *Judgement) between(from, to float64) (_, _ unit.Seconds) {
	s := j.notes
	if j.phase.agreed() >= nearlySame*j.phase.noise {
		return unit.Seconds(from), unit.Seconds(to)
	}
	if n := len(s.at); n >= 2*leastRun {
		from, to = max(from, float64(s.at[leastRun-1])*tick), min(to, float64(s.at[n-leastRun])*tick)
		if from < to {
			return unit.Seconds(from), unit.Seconds(to)
		}
	}
	return unit.Seconds(never), unit.Seconds(never)
}

// notesSay returns by how many nats the notes near a step speak for it, against one lag
// on both sides. A step that is no whole number of ticks may be either of the nearest.
func (j *Judgement) notesSay(x jump) float64 {
	s := j.notes
	size := x.size / float64(j.rate) / tick
	best := math.Inf(-1)
	for _, by := range []int{int(math.Floor(size)), int(math.Ceil(size))} {
		var stepped, level [2*stepReach + 1]float64
		for i, at := range s.at {
			d := float64(at)*tick - x.time
			l := s.state(j.start, j.steps, i)
			if s.gone[i] || math.Abs(d) > sideSeconds || l < 0 {
				continue
			}
			first, end := s.window(l)
			fits := func(k int) float64 {
				if k < first || k >= end {
					return s.fits(0)
				}
				return s.fits(s.sharp[i][k])
			}
			for k := range level {
				base := l + k - stepReach
				level[k] += fits(base)
				if d > 0 {
					base += by
				}
				stepped[k] += fits(base)
			}
		}
		best = max(best, slices.Max(stepped[:])-slices.Max(level[:]))
	}
	return best
}

const (
	nearlySame = 20 // times their quadrature, that all windows agree by
	stepReach  = 6  // ticks about the usual lag, at which the lag before a step may be
)
