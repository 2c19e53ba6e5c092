package compressor

import (
	"cmp"
	"math"
	"slices"

	"evenhand/analyze/drive"
	"evenhand/analyze/finding"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/touch"
	"evenhand/analyze/unit"
)

const (
	// step is the time in s between values of the model, hop between windows of the
	// gain, in steps. A window has two hops: 4 ms.
	step, hop = 0.0005, 4
	// settling is how much of each block in s is not fitted: what was played before it
	// still acts on the gain there.
	settling = 1.5
	// overNoise is by how many dB a window is above the noise, and underFrame by how many
	// at most below the frame around it, if it counts: noise and the rests between two
	// swings of a low string have gains of their own.
	overNoise, underFrame = 15, 10
	// leastWindows is how many windows must count: 4 s of playing.
	leastWindows = 2000
	// leastMoves is by how many dB the gain must move for there to be a compressor: from
	// the 10th to the 90th percentile of the frames. A clean amplifier reads up to 0.8 dB.
	leastMoves = 1.5
	// hopeless is what a first fit leaves at least, in dB, of what no further one makes
	// a compressor of. Of compressors behind loudspeakers it leaves some 0.4.
	hopeless = 1.0
	// WindowSeconds is the length of a window.
	WindowSeconds = 2 * hop * step
	// MostLeft and MostPart are what a fit leaves at most, in dB and as a part of how much
	// the gain moves.
	MostLeft, MostPart = 0.3, 0.15
	// steepest is by how many dB the gain falls at most for each dB above the threshold:
	// what comes out of a compressor hardly falls as more goes in.
	steepest = 1.1
	// rounds is how often gain and model are found in turn at most; settled is by how
	// much, as logarithms, attack and release then move when it is enough.
	rounds, settled = 16, 0.002
	// leastDecay and mostDecay are the decays of detectors between which one is looked for.
	leastDecay, mostDecay = 0.001, 0.1
	// held and free are how many settings are looked for while the knee is not, and with it.
	// A knee that is free from the beginning, while the filter is still wrong, ends too wide.
	held, free = 3, 4
	// mostSteps, and rough or fine, end a search: steps, and dB between its settings.
	mostSteps, rough, fine = 250, 1e-4, 1e-6
	// under is the part of the playing that must be below a threshold for it to be known.
	under = 0.05
	// kneeKnown is by how many dB a knee may be wider or narrower unless one that is fits
	// about as well.
	kneeKnown = 3
	// leastRelease is the shortest release in s of a compressor: what answers faster than a
	// low string swings is distortion. Common practice, no source.
	leastRelease = 0.02
	// shortest is the time in s below which times are not told apart.
	shortest = 2 * step
	// asWell is by which factor another detector leaves more at most, if it fits about as
	// well.
	asWell = 1.25
	// mostApart is by which factor a time may differ between the two halves of the music,
	// and between detectors that fit about as well.
	mostApart = 1.5
	// MostDrive is the drive in per cent from which nothing is fitted: the gear distorts.
	MostDrive = 5
)

// Range is a figure with the least and the greatest of the two halves of the music, and of
// other models that fit about as well; all NaN where it was not measured.
type Range struct{ Value, Low, High float64 }

// Result is what was found.
type Result struct {
	// None tells that the gain hardly moves: there is no compressor.
	None   bool
	Reason finding.Text // why nothing was measured
	// Slope is how many dB come out for each dB that goes in above the threshold and its
	// knee: 1/ratio.
	Slope Range
	// Threshold is the level going in, as the detector has it, in dBFS; NaN where nearly all
	// that is played is above it.
	Threshold Range
	Knee      unit.DB // its width; NaN without a threshold, and where one 3 dB off fits about as well
	// Attack and Release are time constants of the gain in dB, in s; NaN where their ranges
	// are too wide.
	Attack, Release Range
	Detector        Detector
	Left, Moves     unit.DB // what the model leaves of the gain, rms; by how much that moves, 10th to 90th percentile
}

// work is what is kept while the model is fitted.
type work struct {
	fitted *touch.Fit
	by     int       // samples of a step
	step   float64   // s, a whole number of samples
	h      []float64 // of a block
	all    []int     // blocks
}

// gains are what the gain is in dB in each block and window, and whether a window counts.
type gains struct {
	gain   [][]float64
	counts [][]bool
}

// trial is a detector with the best settings, and the gains as they are with its model.
// Each has its own: those read with another detector's model are closer to that one.
type trial struct {
	Detector
	levels [][]float64 // of each block and step
	filter touch.Filter
	gains
	found
}

// Looked reports whether a compressor is worth looking for in a take, by its touch and
// drive: not where the gear distorts, changes with time or has a tail.
func Looked(t touch.Result, d drive.Result) bool {
	return t.Reason.Found == "" && !(d.Drive >= MostDrive) && !drive.Moves(t, d) && !drive.Trails(t, d)
}

// Measure finds the compressor in a take that package touch has compared with its dry
// recording. It also returns the gains of the take, those of the compressor's model and
// what is left of them in each frame of touch; none without a compressor.
//
// Not measured: less than 4 s of playing that is clear of the noise; gains that the model
// does not follow.
func Measure(f *touch.Fit) (Result, []drive.Gains) {
	if moves := spread(frames(f)); !(moves >= leastMoves) {
		return Result{None: true}, nil
	}
	w := &work{fitted: f, by: int(math.Round(step * f.Rate()))}
	w.step = float64(w.by) / f.Rate()
	most := 0
	for b, x := range f.Dry() {
		w.all, most = append(w.all, b), max(most, len(x)/w.by)
	}
	w.h = make([]float64, most)
	plain := w.read(f.Filtered(), nil)
	n := 0
	for _, c := range plain.counts {
		for _, counts := range c {
			if counts {
				n++
			}
		}
	}
	if n < leastWindows {
		return Result{Reason: finding.Say("compressor.short", "playing_s", float64(n)*hop*step, "least_s", leastWindows*hop*step)}, nil
	}
	var trials []trial
	for _, peak := range []bool{false, true} {
		for _, d := range decays {
			t := trial{Detector: Detector{peak, d}, gains: plain}
			w.detect(&t)
			w.minimise(&t, w.start(&t), held, 1, rough, w.all)
			trials = append(trials, t)
		}
	}
	byLeft := func(a, b trial) int { return cmp.Compare(a.left, b.left) }
	best := slices.MinFunc(trials, byLeft)
	if best.left > hopeless {
		return unlike, nil
	}
	// Each goes on with gains of its own; those that leave much more are given up.
	var seen []trial
	for _, k := range []int{4, 3, 2} {
		for i := range trials {
			w.settle(&trials[i], k, held, rough)
		}
		slices.SortStableFunc(trials, byLeft)
		seen = append(seen, trials[k-1:]...)
		if trials = trials[:k-1]; trials[0].left > MostLeft {
			return unlike, nil
		}
	}
	best = trials[0]
	// A detector whose decay is a little longer or shorter.
	for _, by := range []float64{finer, math.Sqrt(finer)} {
		for _, factor := range []float64{by, 1 / by} {
			for {
				t := best
				if t.Decay *= unit.Seconds(factor); t.Decay < leastDecay || t.Decay > mostDecay {
					break
				}
				w.detect(&t)
				w.settle(&t, 4, held, rough)
				seen = append(seen, t)
				if t.left >= best.left {
					break
				}
				best = t
			}
		}
	}
	w.settle(&best, rounds, free, fine)
	r := w.result(&best, seen)
	if r.Reason.Found != "" {
		return r, nil
	}
	filtered, gains := w.through(&best)
	return r, []drive.Gains{{Seconds: w.step, Blocks: gains}, {Seconds: touch.FrameSeconds, Blocks: f.Over(filtered)}}
}

// unlike is the result for a gain that no compressor makes.
var unlike = Result{Reason: finding.Say("compressor.unlike")}

// settle finds gains and settings in turn, so often at most; see minimise.
func (w *work) settle(t *trial, most, free int, within float64) {
	for range most {
		before := t.settings
		w.again(t)
		w.minimise(t, t.settings, free, 0.3, within, w.all)
		if math.Abs(t.settings[attack]-before[attack]) < settled && math.Abs(t.settings[release]-before[release]) < settled {
			break
		}
	}
}

// detect sets the levels of a detector.
func (w *work) detect(t *trial) {
	t.levels = nil
	for _, x := range w.fitted.Dry() {
		t.levels = append(t.levels, t.Detector.levels(x, w.fitted.Rate(), w.by))
	}
}

// again reads the gains again, behind the filter that fits the gain of a model.
func (w *work) again(t *trial) { t.gains = w.read(w.through(t)) }

// through fits the filter to the dry recording with the gain of a model. It returns the
// blocks behind it, and that gain in dB at each step.
func (w *work) through(t *trial) (filtered, gains [][]float64) {
	slope := w.fit(t, t.settings, w.all).slope
	x, gains := make([][]float64, len(w.all)), make([][]float64, len(w.all))
	for b, dry := range w.fitted.Dry() {
		h := make([]float64, len(t.levels[b]))
		t.follow(h, t.levels[b], w.step)
		x[b], gains[b] = make([]float64, len(dry)), h
		for k := range h {
			h[k] *= -slope
		}
		// Straight lines from the middle of a step to that of the next.
		last, at := unit.ToAmplitude(h[0]), 0
		for k, v := range h {
			next := unit.ToAmplitude(v)
			for i := at; i < k*w.by+w.by/2; i++ {
				x[b][i] = dry[i] * (last + (next-last)*float64(i-at)/float64(w.by))
			}
			at, last = k*w.by+w.by/2, next
		}
		for i := at; i < len(dry); i++ {
			x[b][i] = dry[i] * last
		}
	}
	filtered, t.filter = w.fitted.Through(x, t.filter)
	return filtered, gains
}

// read reads the gains of the windows: by what the take is over the dry recording behind
// its filter, with the gain that this already has at each step; nil: none.
func (w *work) read(filtered, given [][]float64) gains {
	read := gains{make([][]float64, len(w.all)), make([][]bool, len(w.all))}
	noise, rate := w.fitted.Noise(), w.fitted.Rate()
	length := 2 * hop * w.by
	frame := touch.FrameSeconds * rate
	for b, take := range w.fitted.Take() {
		n := max(0, len(take)/w.by/hop-1)
		gain, windows := make([]float64, n), make([]bool, n)
		read.gain[b], read.counts[b] = gain, windows
		for k := range n {
			from := k * hop * w.by
			middle := from + length/2
			f := int(float64(middle) / frame)
			if float64(middle) < settling*rate || f >= len(w.fitted.Counts()[b]) || !w.fitted.Counts()[b][f] {
				continue
			}
			p, q := dsp.MeanSquare(take[from:][:length]), dsp.MeanSquare(filtered[b][from:][:length])
			around := dsp.MeanSquare(take[int(float64(f)*frame):][:int(frame)])
			windows[k] = q > 0 && p > noise*unit.ToPower(overNoise) && p > around*unit.ToPower(-underFrame)
			if !windows[k] {
				continue
			}
			g := unit.FromPower(p-noise) - unit.FromPower(q)
			if given != nil {
				for _, v := range given[b][k*hop:][:2*hop] {
					g += v / (2 * hop)
				}
			}
			gain[k] = g
		}
	}
	return read
}

// frames returns the gains of the frames that count.
func frames(f *touch.Fit) (all []float64) {
	for b, counts := range f.Counts() {
		for k, c := range counts {
			if c {
				all = append(all, f.Gains[b][k])
			}
		}
	}
	return all
}

// spread returns how far the 10th and the 90th percentile are apart.
func spread(x []float64) float64 {
	slices.Sort(x)
	return x[(len(x)-1)*9/10] - x[(len(x)-1)/10]
}

// result puts together what was found. seen are other detectors.
func (w *work) result(t *trial, seen []trial) Result {
	var all []float64
	for b, counts := range t.counts {
		for k, c := range counts {
			if c {
				all = append(all, t.gain[b][k])
			}
		}
	}
	l := w.fit(t, t.settings, w.all)
	r := Result{Detector: t.Detector, Left: unit.DB(l.left), Moves: unit.DB(spread(all))}
	if !(r.Left < MostLeft && r.Left < MostPart*r.Moves && l.slope > 0 && l.slope < steepest && math.Exp(t.settings[release]) >= leastRelease) {
		return unlike
	}
	var slopes, thresholds, attacks, releases [2]float64
	for k := range 2 {
		half := slices.DeleteFunc(slices.Clone(w.all), func(b int) bool { return b%2 != k })
		of := *t
		w.minimise(&of, t.settings, free, 0.3, fine, half)
		s := of.settings
		slopes[k], thresholds[k] = 1-w.fit(t, s, half).slope, s[threshold]
		attacks[k], releases[k] = math.Exp(s[attack]), math.Exp(s[release])
	}
	r.Slope, r.Threshold = ranged(1-l.slope, slopes), ranged(t.settings[threshold], thresholds)
	r.Attack, r.Release = ranged(math.Exp(t.settings[attack]), attacks), ranged(math.Exp(t.settings[release]), releases)
	for _, other := range seen {
		if other.left <= asWell*l.left {
			r.Slope.widen(1 - w.fit(&other, other.settings, w.all).slope)
			r.Attack.widen(math.Exp(other.settings[attack]))
			r.Release.widen(math.Exp(other.settings[release]))
		}
	}
	none := math.NaN()
	r.Knee = unit.DB(t.settings[knee])
	for _, off := range []float64{-kneeKnown, kneeKnown} {
		other := *t
		other.settings[knee] = math.Max(0, other.settings[knee]+off)
		if w.minimise(&other, other.settings, held, 0.3, rough, w.all); other.settings[knee] != t.settings[knee] && other.left <= asWell*l.left {
			r.Knee = unit.DB(none)
			r.Slope.widen(1 - w.fit(&other, other.settings, w.all).slope)
			r.Threshold.widen(other.settings[threshold])
		}
	}
	if q := t.played(); q[int(under*float64(len(q)))] > t.settings[threshold] {
		r.Threshold, r.Knee = Range{none, none, none}, unit.DB(none)
	}
	for _, time := range []*Range{&r.Attack, &r.Release} {
		if time.High > mostApart*time.Low && time.High > shortest {
			*time = Range{none, none, none}
		}
	}
	return r
}

func (r *Range) widen(v float64) { r.Low, r.High = min(r.Low, v), max(r.High, v) }

// ranged returns a figure with those of the halves.
func ranged(v float64, halves [2]float64) Range {
	return Range{v, min(v, halves[0], halves[1]), max(v, halves[0], halves[1])}
}
