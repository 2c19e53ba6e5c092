package align

import (
	"fmt"
	"math"
	"slices"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// Estimate says where recording b lies relative to recording a.
type Estimate struct {
	// Lag is how much later b is than a, in frames, at the time At of the
	// timeline; negative when b is earlier. It contains the delay of the gear
	// between them. NaN when nothing could be compared.
	Lag unit.Samples
	At  unit.Seconds
	// Polarity is +1, −1 when b is inverted, 0 when uncertain. It can be known
	// where the lag is not.
	Polarity int
	// Confidence is the best peak of the coarse search over the next best
	// more than 10 ms away or, where several places were tried, the peak of
	// the fine search over that of the next best place. Below 2 nothing is
	// claimed, or below 1.25 where the lag is constant over at least eight windows. +Inf when there is no other peak.
	Confidence unit.Number
	// Certain tells whether lag and polarity may be relied on; if not, Reason
	// says why and Lag is the best guess.
	Certain bool
	Reason  finding.Text
	// Placed tells that the place was given, see FollowNear: Confidence is then
	// that of the search that was overruled, and does not count.
	Placed bool

	// Farther tells that another place, beyond the largest lag, is likelier, and that
	// none stands out.
	Farther bool

	// Plain and Whitened are the lags of the two fine estimates; the peaks
	// are signed and relative to the largest value possible.
	Plain, Whitened         unit.Samples
	PlainPeak, WhitenedPeak float64

	// Drift is how much slower b's clock runs: its lag grows by Drift frames
	// in a million. NaN with DriftReason where it cannot be told.
	Drift       unit.PPM
	DriftError  unit.PPM // one standard error, with what music may do to the lag
	DriftReason finding.Text

	// Scattered tells that Reason is the scatter of the lag between windows,
	// whose cause the comparison does not show.
	Scattered bool

	// Spread is the robust standard deviation (1.4826 times the median
	// absolute deviation) of the window lags about the drift's line: below a
	// few frames for one and the same performance, hundreds for another pass
	// at the same music. NaN for fewer than three windows.
	Spread  unit.Samples
	Windows []WindowLag // in order of time
}

// LagAt returns the lag at time t of the timeline, along the drift.
func (e Estimate) LagAt(t unit.Seconds, rate int) unit.Samples {
	if math.IsNaN(float64(e.Drift)) {
		return e.Lag
	}
	return e.Lag + unit.Samples(float64(e.Drift)*1e-6*float64(rate)*float64(t-e.At))
}

const (
	leastConfidence = 2
	agreeSeconds    = 1e-4   // the two estimates agree within this
	leastDriftSpan  = 5      // seconds of windows below which drift is not told
	constantSeconds = 2.5e-4 // largest spread of a constant lag
	leastPlain      = 0.3    // fine peaks of recordings with something in common
	leastWhitened   = 0.08
	signPlain       = 0.5 // from which on the sign is told where the lag is not
	signWhitened    = 0.3
	sureSlope       = 20   // standard errors of a slope beyond doubt
	musicSpreads    = 5    // of the windows' lags from end to end, as measured on synthesized guitar
	leastGain       = 1.5  // by which another slope must raise the whitened peak
	leastContrast   = 1.25 // from which on the fine search overrules the coarse
	leastSteady     = 0.2  // peaks of a steady lag: at a wrong place they stay below 0.15
	steadyWindows   = 8    // from which on a constant lag shows that no repeat of the music was taken
)

// Follow prepares another recording along the timeline f: it finds its lag and
// keeps the spectra of its windows. Where no certain or steady place is within the
// largest lag, one up to 30 s away is looked for as well, unless a largest lag was set. It returns an error wrapping ErrRates for
// another sample rate, and errors of reading. f must come from NewFeature.
func (f *Feature) Follow(src Source) (*Feature, error) {
	if f.timeline != nil {
		return nil, fmt.Errorf("align: a recording can only follow a timeline, not another follower")
	}
	if err := sameRate(f.src, src); err != nil {
		return nil, err
	}
	g, err := f.follow(src)
	if err != nil || f.short || f.silent || g.short || g.estimate.Certain || f.plan.steady(g.estimate) {
		return g, err
	}
	return f.farther(src, g)
}

// farther looks for a recording beyond the largest lag, up to wideSeconds either way,
// and follows it there; near is what was found within it. Of the places that the coarse
// search says, the first counts that is certain, else the first whose lag is steady,
// else the likeliest where it stands out from all within the largest lag.
func (f *Feature) farther(src Source, near *Feature) (*Feature, error) {
	lags, contrast, err := f.beyond(src)
	if err != nil || len(lags) == 0 {
		return near, err
	}
	var best *Feature
	at, rank := int64(0), 0
	for i, lag := range lags {
		// A place within reach of one that was tried was looked for there.
		if slices.ContainsFunc(lags[:i], func(tried int64) bool { return max(tried-lag, lag-tried) < int64(f.plan.margin*f.plan.block) }) {
			continue
		}
		g, err := f.follow(Moved(src, lag))
		if err != nil {
			return nil, err
		}
		own := 0
		switch {
		case g.estimate.Certain:
			own = 3
		case f.plan.steady(g.estimate):
			own = 2
		case i == 0 && contrast >= leastContrast:
			own = 1
		}
		if own > rank {
			best, at, rank = g, lag, own
		}
	}
	if best == nil {
		e := &near.estimate
		e.Certain, e.Polarity, e.Farther = false, 0, true
		e.Reason = finding.Say("place.far", "by_s", math.Abs(float64(lags[0]))/float64(f.plan.rate), "early", lags[0] <= 0, "most_s", wideSeconds)
		return near, nil
	}
	best.move(src, at)
	return best, nil
}

// steady tells whether the lag is constant over many windows that have something in
// common.
func (p *plan) steady(e Estimate) bool {
	n := 0
	for _, w := range e.Windows {
		if w.Weight > 0 {
			n++
		}
	}
	return n >= steadyWindows && p.constant(e) && math.Max(math.Abs(e.PlainPeak), math.Abs(e.WhitenedPeak)) >= leastSteady
}

// Moved returns a recording without its first by frames, or with as many zeros before
// it for a negative number.
func Moved(src Source, by int64) Source {
	if by == 0 {
		return src
	}
	return moved{src, by}
}

// moved is what Moved returns.
type moved struct {
	Source
	by int64
}

func (m moved) Len() int64 { return max(0, m.Source.Len()-m.by) }

func (m moved) ReadAt(dst []float64, first int64) (int, error) {
	return m.Source.ReadAt(dst, first+m.by)
}

// move makes of what was found of a moved recording what is true of it as it is.
func (f *Feature) move(src Source, by int64) {
	f.src = src
	for i := range f.offset {
		f.offset[i] += by
	}
	e := &f.estimate
	e.Lag, e.Plain, e.Whitened = e.Lag+unit.Samples(by), e.Plain+unit.Samples(by), e.Whitened+unit.Samples(by)
	e.Windows = slices.Clone(e.Windows)
	for i := range e.Windows {
		e.Windows[i].Lag += unit.Samples(by)
	}
}

// follow is Follow within the largest lag.
func (f *Feature) follow(src Source) (*Feature, error) {
	p := f.plan
	g := &Feature{plan: p, src: src, timeline: f}
	g.short = float64(src.Len()) < minSeconds*float64(p.rate)
	switch {
	case f.short || g.short:
		g.estimate = nothing(finding.Say("place.short", "first_s", float64(f.src.Len())/float64(p.rate), "second_s", float64(src.Len())/float64(p.rate), "least_s", minSeconds))
		return g, nil
	case f.silent:
		g.estimate = nothing(finding.Say("place.silent"))
		return g, nil
	}
	c, err := f.search(src)
	if err != nil {
		return nil, err
	}
	if len(c.candidates) == 0 {
		g.silent = len(c.curves) == 0
		g.estimate = nothing(finding.Say("place.no-onset"))
		if g.silent {
			g.estimate = nothing(finding.Say("place.silent-there"))
		}
		return g, nil
	}
	// Where the coarse search is not clear, the fine search decides.
	tries := c.candidates[:1]
	if c.ratio < leastConfidence {
		tries = c.candidates
	}
	var es []Estimate
	var fs []*Feature
	var goods []quality
	for i, x := range tries {
		h, e, good, err := f.try(src, &c, x, i == 0)
		if err != nil {
			return nil, err
		}
		es, fs, goods = append(es, e), append(fs, h), append(goods, good)
	}
	best, contrast := decide(es, goods, p)
	g.offset, g.spectra = fs[best].offset, fs[best].spectra
	e := es[best]
	if p.constant(e) && max(c.ratio, contrast) >= leastConfidence {
		// Read again exactly along the line, so that the windows hold the
		// same music whatever the coarse search's error was.
		for i, w := range p.windows {
			g.offset[i] = int64(math.Round(float64(e.Lag) + goods[best].slope*(p.centre(w.first)-float64(e.At))))
		}
		if g.spectra, err = p.transform(src, g.offset); err != nil {
			return nil, err
		}
		e, _ = newPair(p, f.spectra, g.spectra, f.offset, g.offset).estimate()
	}
	e.Confidence = unit.Number(max(c.ratio, contrast))
	if best != 0 {
		e.Confidence = unit.Number(contrast)
	}
	g.estimate = p.judge(e, c.strength)
	return g, nil
}

// FollowNear prepares another recording whose place along the timeline f is
// known from elsewhere to a millisecond or two, such as from the beginnings of
// its notes: the coarse search is left out, the fine one looks ±6 ms around lag.
// confidence is stored in the estimate and means nothing else. Errors are those
// of Follow.
func (f *Feature) FollowNear(src Source, lag unit.Samples, confidence unit.Number) (*Feature, error) {
	if f.timeline != nil {
		return nil, fmt.Errorf("align: a recording can only follow a timeline, not another follower")
	}
	if err := sameRate(f.src, src); err != nil {
		return nil, err
	}
	p := f.plan
	g := &Feature{plan: p, src: src, timeline: f, offset: make([]int64, len(p.windows))}
	if f.short || f.silent || math.IsNaN(float64(lag)) {
		g.estimate = nothing(finding.Say("place.nothing-near"))
		return g, nil
	}
	for i := range g.offset {
		g.offset[i] = int64(math.Round(float64(lag)))
	}
	var err error
	if g.spectra, err = p.transform(src, g.offset); err != nil {
		return nil, err
	}
	e, _ := newPair(p, f.spectra, g.spectra, f.offset, g.offset).estimate()
	e.Placed, e.Confidence = true, confidence
	g.estimate = p.judge(e, leastStrength)
	return g, nil
}

// try reads the windows for a candidate of the coarse search and compares them;
// with jumps set, each also where its own stretch puts it.
func (f *Feature) try(src Source, c *coarse, x candidate, jumps bool) (*Feature, Estimate, quality, error) {
	p := f.plan
	along, own := c.offsets(p, x)
	h := &Feature{offset: along}
	var err error
	if h.spectra, err = p.transform(src, h.offset); err != nil {
		return nil, Estimate{}, quality{}, err
	}
	q := newPair(p, f.spectra, h.spectra, f.offset, h.offset)
	if jumps && own != nil { // each window stays where it fits better
		spectra, err := p.transform(src, own)
		if err != nil {
			return nil, Estimate{}, quality{}, err
		}
		before, after := q.lags(whitened, 0, false), newPair(p, f.spectra, spectra, f.offset, own).lags(whitened, 0, false)
		for i := range own {
			if after[i].Weight > before[i].Weight {
				h.offset[i], h.spectra[i] = own[i], spectra[i]
			}
		}
		q = newPair(p, f.spectra, h.spectra, f.offset, h.offset)
	}
	e, good := q.estimate()
	return h, e, good, nil
}

// decide returns which of several estimates has the strongest fine peaks and
// how many times they exceed the next best at another place, by the method with
// the greater contrast.
func decide(es []Estimate, goods []quality, p *plan) (best int, contrast float64) {
	if len(es) == 1 {
		return 0, 0
	}
	apart := unit.Samples(0.001 * float64(p.rate))
	for m := range methods {
		top := 0
		for i := range es {
			if goods[i].height[m] > goods[top].height[m] {
				top = i
			}
		}
		next := 0.0
		for i := range es {
			if math.Abs(float64(es[i].Lag-es[top].Lag)) > float64(apart) {
				next = max(next, goods[i].height[m])
			}
		}
		if next == 0 {
			continue
		}
		if r := goods[top].height[m] / next; r > contrast {
			best, contrast = top, r
		}
	}
	if contrast < leastContrast {
		best = 0
	}
	return best, contrast
}

// nothing is the estimate where nothing could be compared.
func nothing(reason finding.Text) Estimate {
	nan := math.NaN()
	return Estimate{Lag: unit.Samples(nan), At: unit.Seconds(nan), Reason: reason,
		Plain: unit.Samples(nan), Whitened: unit.Samples(nan),
		Drift: unit.PPM(nan), DriftError: unit.PPM(nan), DriftReason: reason, Spread: unit.Samples(nan)}
}

// quality is what the choice between places rests on: the mean height of the
// windows' peaks by each method.
type quality struct {
	height [methods]float64
	slope  float64 // of the line that the windows were added along, frames per second
}

// estimate joins the windows of a pair. Confidence and the verdict are left to
// judge.
func (q *pair) estimate() (Estimate, quality) {
	var model line
	var good quality
	for m := range methods {
		ws := q.lags(m, 0, false)
		for _, w := range ws {
			good.height[m] += float64(w.Weight) / float64(len(ws))
		}
		l := fit(ws)
		if m == 0 || l.spread < model.spread {
			model = l
		}
	}
	if model.points == 0 {
		return nothing(finding.Say("place.no-window")), good
	}
	// What the music does to a filter's lag can look like a drift. A slope is
	// kept if it is beyond doubt, or if the windows add up much better along
	// it than without.
	if t := math.Abs(model.slope) / model.slopeError; !(t >= sureSlope) {
		flat := model
		flat.slope = 0
		_, without := q.together(whitened, flat)
		_, with := q.together(whitened, model)
		if !(t >= 3) || math.Abs(with) < leastGain*math.Abs(without) {
			model = flat
		}
	}
	good.slope = model.slope
	e := Estimate{At: unit.Seconds(model.mid)}
	var lag [methods]float64
	lag[plain], e.PlainPeak = q.together(plain, model)
	lag[whitened], e.WhitenedPeak = q.together(whitened, model)
	e.Plain, e.Whitened = unit.Samples(model.lag+lag[plain]), unit.Samples(model.lag+lag[whitened])
	if model.spread > constantSeconds*float64(q.p.rate) {
		// No line: adding along it would mean nothing.
		for m, to := range [methods]*unit.Samples{plain: &e.Plain, whitened: &e.Whitened} {
			sign := q.vote(method(m))
			*to = unit.Samples(middleLag(q.lags(method(m), sign, false)))
			lag[m] = float64(*to) - model.lag
			if m == int(plain) {
				e.PlainPeak = float64(sign) * good.height[m]
			} else {
				e.WhitenedPeak = float64(sign) * good.height[m]
			}
		}
	}
	m, peak := plain, e.PlainPeak
	if !q.p.agree(e) {
		m, peak = whitened, e.WhitenedPeak
	}
	e.Lag = unit.Samples(model.lag + lag[m])
	sign := 1
	if peak < 0 {
		sign = -1
	}
	e.Polarity = sign
	e.Windows = q.lags(m, sign, true)
	l := fit(e.Windows)
	e.Spread = unit.Samples(l.spread)
	if !q.p.constant(e) {
		e.Lag = unit.Samples(middleLag(e.Windows))
	}
	scale := 1e6 / float64(q.p.rate)
	e.Drift, e.DriftError = unit.PPM(l.slope*scale), unit.PPM(l.slopeError*scale)
	from, to := math.Inf(1), math.Inf(-1)
	for _, w := range e.Windows {
		if w.Weight > 0 {
			from, to = min(from, float64(w.Time)), max(to, float64(w.Time))
		}
	}
	switch {
	case l.points < 4:
		e.DriftReason = finding.Say("drift.few", "windows", l.points, "least", 4)
	case to-from < leastDriftSpan:
		e.DriftReason = finding.Say("drift.short", "span_s", to-from, "least_s", leastDriftSpan)
	}
	if e.DriftReason.Found == "" && !q.p.constant(e) {
		e.DriftReason = finding.Say("drift.scatters", "spread_samples", l.spread)
	}
	if e.DriftReason.Found != "" {
		e.Drift, e.DriftError = unit.PPM(math.NaN()), unit.PPM(math.NaN())
	} else {
		// From one end to the other, music moves the gear's own lag by some
		// spreads, which the scatter about the line does not show.
		e.DriftError = unit.PPM(scale * math.Hypot(l.slopeError, musicSpreads*l.spread/(to-from)))
	}
	return e, good
}

// constant tells whether the windows' lags lie on a line.
func (p *plan) constant(e Estimate) bool {
	return !(float64(e.Spread) > constantSeconds*float64(p.rate))
}

// clear tells whether the best place stands out: by its peak, or because the lag
// is so steady over many windows that a repeat of the music cannot have been
// taken for it. Played again, even to a click, notes fall milliseconds beside;
// only a loop repeats to the sample, and its places are equally good.
func (p *plan) clear(e Estimate) bool {
	if e.Placed || e.Confidence >= leastConfidence {
		return true
	}
	return e.Confidence >= leastContrast && p.steady(e)
}

// agree tells whether the two estimates say the same.
func (p *plan) agree(e Estimate) bool {
	return e.PlainPeak*e.WhitenedPeak > 0 &&
		math.Abs(float64(e.Plain-e.Whitened)) <= agreeSeconds*float64(p.rate)
}

// judge says whether an estimate may be relied on.
func (p *plan) judge(e Estimate, strength float64) Estimate {
	if e.Reason.Found != "" {
		return e
	}
	e.Certain = false
	switch {
	case !p.clear(e) && strength >= leastStrength && p.constant(e):
		e.Reason = finding.Say("place.repeats", "times", e.Confidence, "within_s", p.opt.MaxLag)
	case !p.clear(e) && strength < leastStrength:
		e.Reason = finding.Say("place.unclear", "times", e.Confidence)
	case !p.constant(e):
		e.Scattered = true
		e.Reason = finding.Say("place.scatters", "spread_samples", e.Spread)
	case math.IsNaN(float64(e.Spread)):
		e.Reason = finding.Say("place.few-windows")
	case math.Abs(e.PlainPeak) < leastPlain && math.Abs(e.WhitenedPeak) < leastWhitened:
		e.Reason = finding.Say("place.unlike", "plain", math.Abs(e.PlainPeak), "whitened", math.Abs(e.WhitenedPeak))
	case e.PlainPeak*e.WhitenedPeak <= 0:
		e.Reason = finding.Say("place.polarities", "apart_samples", math.Abs(float64(e.Plain-e.Whitened)))
	case float64(e.Spread) > agreeSeconds*float64(p.rate):
		// An octave circuit, say: the lag follows the notes, and so may the sign.
		e.Reason = finding.Say("place.moves", "spread_samples", e.Spread)
	case !p.agree(e):
		e.Reason = finding.Say("place.apart", "apart_samples", math.Abs(float64(e.Plain-e.Whitened)))
	default:
		e.Certain = true
	}
	if !e.Certain && !p.signed(e) {
		e.Polarity = 0
	}
	return e
}

// signed tells whether the polarity may be relied on although the lag may not:
// both methods say the same clearly, at nearly the same steady lag.
func (p *plan) signed(e Estimate) bool {
	rate := float64(p.rate)
	return p.clear(e) && e.PlainPeak*e.WhitenedPeak > 0 &&
		math.Abs(e.PlainPeak) >= signPlain && math.Abs(e.WhitenedPeak) >= signWhitened &&
		math.Abs(float64(e.Plain-e.Whitened)) <= constantSeconds*rate && float64(e.Spread) <= agreeSeconds*rate
}

// Between returns where b lies relative to a. Both must stand on the same
// timeline: one may be the timeline itself. Where the place of one of them on
// the timeline is not clear, they are compared directly, which reads both
// recordings again.
func Between(a, b *Feature) (Estimate, error) {
	switch {
	case a.plan != b.plan:
		return Estimate{}, fmt.Errorf("align: the recordings were prepared on different timelines")
	case a == b || a.timeline == nil && b.timeline == nil:
		return Estimate{}, fmt.Errorf("align: a timeline can only be compared with what follows it")
	case a.timeline == nil:
		return b.estimate, nil
	case b.timeline == nil:
		return a.estimate.reversed(), nil
	}
	clear := func(f *Feature) bool { return f.spectra != nil && f.plan.clear(f.estimate) }
	if !clear(a) || !clear(b) {
		return Find(a.src, b.src, a.plan.opt)
	}
	e, _ := newPair(a.plan, a.spectra, b.spectra, a.offset, b.offset).estimate()
	e.Confidence = min(a.estimate.Confidence, b.estimate.Confidence)
	e.Placed = a.estimate.Placed || b.estimate.Placed
	return a.plan.judge(e, math.Inf(1)), nil
}

// Find returns where b lies relative to a: NewFeature, Follow and Between in
// one, for a single pair.
func Find(a, b Source, opt Options) (Estimate, error) {
	if err := sameRate(a, b); err != nil {
		return Estimate{}, err
	}
	f, err := NewFeature(a, opt)
	if err != nil {
		return Estimate{}, err
	}
	g, err := f.Follow(b)
	if err != nil {
		return Estimate{}, err
	}
	return g.estimate, nil
}

// reversed returns the estimate with a and b exchanged. Times stay those of
// the timeline.
func (e Estimate) reversed() Estimate {
	e.Lag, e.Plain, e.Whitened, e.Drift = -e.Lag, -e.Plain, -e.Whitened, -e.Drift
	ws := make([]WindowLag, len(e.Windows))
	for i, w := range e.Windows {
		w.Lag = -w.Lag
		ws[i] = w
	}
	e.Windows = ws
	return e
}
