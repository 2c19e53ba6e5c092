package analyze

import (
	"context"
	"math"
	"slices"
	"sync"

	"evenhand/analyze/align"
	"evenhand/analyze/compressor"
	"evenhand/analyze/drive"
	"evenhand/analyze/leftover"
	"evenhand/analyze/manifest"
	"evenhand/analyze/parts"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/touch"
	"evenhand/analyze/unit"
	"evenhand/analyze/work"
)

const (
	// gearBlocks is how many blocks of the music tell what the gear does: 24 s, spread
	// over it. More moves the figures less than the two halves of it differ.
	gearBlocks = 6
	// leastDrift is the drift that is taken off, where it is three of its standard errors
	// too: less reads as 0.1 % of drive.
	leastDrift = unit.PPM(0.3)
	// leastLeftover is what a leftover is not measured below.
	leastLeftover = unit.DB(-60)
	// variesFrom is what a repeat leaves of its take, after a filter, from which the gear
	// is said to change from pass to pass.
	variesFrom = unit.DB(-10)
)

// moves and trails are why nothing is said of gear whose fit drifts or ends too early.
var moves, trails = result.Say("gear.moves"), result.Say("gear.trails")

// gear is the music that what the gear does is measured on.
type gear struct {
	blocks []leftover.Block
	plain  []touch.Stretch // the same
	pauses []touch.Stretch
	middle int64 // of the whole span
}

// measureGear measures what the gear does to the playing: touch and drive of each take,
// and what remains between takes after an equaliser.
func (s *Session) measureGear(ctx context.Context) error {
	if s.checksOnly {
		return nil
	}
	tl := &s.Result.Timeline
	if tl.SampleRate < touch.LeastRate {
		s.tell("", "gear.rate", "rate", tl.SampleRate, "least", touch.LeastRate)
		return nil
	}
	spans := tl.Spans[:1]
	if len(tl.Spans) > 1 {
		spans = tl.Spans[1:]
	}
	var sections, playing []leftover.Stretch
	for _, x := range spans {
		sections = append(sections, leftover.Stretch{First: int64(x.FirstFrame), Frames: int64(x.Frames)})
	}
	for _, x := range s.Activity.Playing {
		playing = append(playing, leftover.Stretch(x))
	}
	whole := tl.Spans[0]
	g := gear{blocks: leftover.Blocks(tl.SampleRate, sections, playing, gearBlocks), middle: int64(whole.FirstFrame + whole.Frames/2)}
	for _, b := range g.blocks {
		g.plain = append(g.plain, touch.Stretch(b.Stretch))
	}
	for _, q := range s.Quiet {
		g.pauses = append(g.pauses, touch.Stretch(q))
	}
	s.Result.Parameters.Gear = &result.GearParameters{Blocks: len(g.blocks), Block: leftover.BlockSeconds, Window: leftover.Length(tl.SampleRate),
		TouchFrame: touch.FrameSeconds, LeastFilter: leastLeftover}
	pairs := s.leftoverPairs()
	step := s.run.Stage("what the gear does", int64(len(s.takes)+len(pairs)))
	if err := s.touchAndDrive(ctx, g, step); err != nil {
		return err
	}
	s.Result.Leftover = make([]result.Leftover, len(pairs))
	err := s.run.Each(ctx, len(pairs), func(k int) (err error) {
		defer step(1)
		s.Result.Leftover[k], err = s.leftover(g, pairs[k])
		return err
	})
	if err != nil {
		return err
	}
	s.heedRepeats()
	if slices.ContainsFunc(s.Result.Takes, func(t result.Take) bool {
		return t.Compressor != nil || t.Drive.Measured && t.Drive.Drive >= compressor.MostDrive
	}) {
		s.Result.Parameters.Gear.Compressor = &result.CompressorParameters{Window: compressor.WindowSeconds, MostLeft: compressor.MostLeft, MostPart: compressor.MostPart, MostDrive: compressor.MostDrive}
	}
	return nil
}

// drift is what is taken off the clock of take i.
func (s *Session) drift(i int) unit.PPM {
	a := s.Result.Takes[i].Alignment
	d := unit.PPM(math.Abs(float64(a.Drift)))
	if d >= leastDrift && d >= 3*a.DriftError {
		return a.Drift
	}
	return 0
}

// open opens a take for this, its clock straightened.
func (g gear) open(sig *recording.Signal, drift unit.PPM, frame int64) (*recording.Reader, align.Source, error) {
	r, err := sig.Open()
	if err != nil {
		return nil, nil, err
	}
	return r, align.Straight(r, drift, g.middle+frame), nil
}

// unlike says why what take i does cannot be compared with anything; no text where it can.
func (s *Session) unlike(i int) (why result.Text) {
	j := s.Takes[i].Judged
	switch {
	case j.Judged && j.Verdict.Outcome == parts.Different:
		return result.Say("gear.another")
	case j.Judged && len(j.Slips) > 0 && s.SureSlips(i):
		return result.Say("gear.slips")
	}
	return why
}

// touchAndDrive measures each take against the dry recording.
func (s *Session) touchAndDrive(ctx context.Context, g gear, step func(int64)) error {
	dry := sync.OnceValues(func() (*touch.Take, error) {
		r, src, err := g.open(s.dry, 0, 0)
		if err != nil {
			return nil, err
		}
		defer r.Close()
		return touch.Read(src, 0, g.plain, g.pauses)
	})
	return s.run.Each(ctx, len(s.takes), func(i int) error {
		defer step(1)
		t := &s.Result.Takes[i]
		why := s.unlike(i)
		switch {
		case s.dry == nil:
			why = result.Say("split.no-dry")
		case why.Found != "":
		case t.Alignment.PlacedBy == "":
			why = result.Say("gear.place")
		}
		if why.Found != "" {
			t.Touch, t.Drive = &result.Touch{Reason: result.Cause{Text: why}}, &result.Drive{Reason: result.Cause{Text: why}}
			blankTouch(t.Touch)
			blankDrive(t.Drive)
			return nil
		}
		type facts struct {
			Touch      touch.Result
			Drive      drive.Result
			Compressor compressor.Result
		}
		frame := s.Takes[i].Frame
		in := struct {
			Dry, Take      recording.Heard
			Frame, Middle  int64
			Drift          unit.PPM
			Blocks, Pauses []touch.Stretch
		}{s.dry.Heard(), s.takes[i].Heard(), frame, g.middle, s.drift(i), g.plain, g.pauses}
		found, err := work.Once(s.run, "touch and drive", in, []*recording.Signal{s.dry, s.takes[i]}, func() (out facts, err error) {
			r, src, err := g.open(s.takes[i], in.Drift, frame)
			if err != nil {
				return out, err
			}
			defer r.Close()
			x, err := dry()
			if err != nil {
				return out, err
			}
			y, err := touch.Read(src, frame, g.plain, g.pauses)
			if err != nil {
				return out, err
			}
			out.Compressor.None = true
			var fit *touch.Fit
			if out.Touch, fit, err = touch.Measure(x, y); err != nil {
				return out, err
			}
			if fit == nil || out.Touch.Pulse > 0 { // gains that change within a frame read as drive
				out.Drive.Reason = out.Touch.Reason
				return out, nil
			}
			own, err := s.dry.Open()
			if err != nil {
				return out, err
			}
			defer own.Close()
			measure := func(gains ...drive.Gains) (drive.Result, error) {
				return drive.Measure(drive.Signal{Source: own}, drive.Signal{Source: src, Offset: frame}, g.plain, g.pauses, gains, s.bands.third)
			}
			out.Drive, err = measure(drive.Gains{Seconds: touch.FrameSeconds, Blocks: fit.Gains})
			switch {
			case err != nil:
			case drive.Trails(out.Touch, out.Drive):
				out.Touch.Reason, out.Drive.Reason = trails, trails
			case drive.Moves(out.Touch, out.Drive):
				out.Touch.Reason, out.Drive.Reason = moves, moves
			case compressor.Looked(out.Touch, out.Drive):
				var gains []drive.Gains
				if out.Compressor, gains = compressor.Measure(fit); gains == nil {
					break
				}
				var less drive.Result
				if less, err = measure(gains...); less.Drive < out.Drive.Drive {
					out.Drive = less
				}
			}
			return out, err
		})
		t.Touch, t.Drive, t.Compressor = touchOf(found.Touch), driveOf(found.Drive), compressorOf(found.Compressor)
		return err
	})
}

// blankTouch, blankDrive and blankLeftover empty the figures of what was not measured.
func blankTouch(t *result.Touch) {
	n := unit.Number(nan())
	t.Measured, t.Slope, t.Low, t.High, t.From, t.To = false, n, n, n, unit.DBFS(n), unit.DBFS(n)
	t.In, t.Gain, t.Lower, t.Upper = []unit.DBFS{}, []unit.DB{}, []unit.DB{}, []unit.DB{}
}

func blankDrive(d *result.Drive) {
	n := unit.Number(nan())
	d.Measured, d.Drive, d.Low, d.High, d.NotLinear, d.Third = false, n, n, n, n, []unit.Number{}
}

func blankLeftover(l *result.Leftover) {
	n := unit.DB(nan())
	l.Equaliser, l.EqualiserError, l.Filter, l.FilterError, l.Bound, l.Ways = n, n, n, n, n, []result.LeftoverWays{}
}

func touchOf(r touch.Result) *result.Touch {
	t := &result.Touch{Measured: r.Reason.Found == "", Reason: result.Cause{Text: r.Reason}, Slope: r.Slope, Low: r.Low, High: r.High, From: r.InLow, To: r.InHigh,
		In: []unit.DBFS{}, Gain: []unit.DB{}, Lower: []unit.DB{}, Upper: []unit.DB{}}
	if !t.Measured {
		blankTouch(t)
		return t
	}
	for _, c := range r.Curve {
		t.In, t.Gain, t.Lower, t.Upper = append(t.In, c.In), append(t.Gain, c.Gain), append(t.Lower, c.Lower), append(t.Upper, c.Upper)
	}
	return t
}

func driveOf(r drive.Result) *result.Drive {
	d := &result.Drive{Measured: r.Reason.Found == "", Reason: result.Cause{Text: r.Reason}, Drive: r.Drive, Low: r.Low, High: r.High, NotLinear: r.NotLinear, Third: r.Third}
	if !d.Measured {
		blankDrive(d)
	}
	return d
}

// compressorOf returns nil where there is none.
func compressorOf(r compressor.Result) *result.Compressor {
	if r.None {
		return nil
	}
	n := unit.Number(nan())
	if r.Reason.Found != "" {
		return &result.Compressor{Reason: result.Cause{Text: r.Reason}, Slope: n, Low: n, High: n, Threshold: unit.DBFS(n), ThresholdLow: unit.DBFS(n), ThresholdHigh: unit.DBFS(n), Knee: unit.DB(n),
			Attack: n, AttackLow: n, AttackHigh: n, Release: n, ReleaseLow: n, ReleaseHigh: n, Decay: n, Left: unit.DB(n), Moves: unit.DB(n)}
	}
	c := &result.Compressor{Measured: true, Detector: "rms", Decay: milliseconds(float64(r.Detector.Decay)), Knee: r.Knee, Left: r.Left, Moves: r.Moves}
	if r.Detector.Peak {
		c.Detector = "peaks"
	}
	c.Slope, c.Low, c.High = unit.Number(r.Slope.Value), unit.Number(r.Slope.Low), unit.Number(r.Slope.High)
	c.Threshold, c.ThresholdLow, c.ThresholdHigh = unit.DBFS(r.Threshold.Value), unit.DBFS(r.Threshold.Low), unit.DBFS(r.Threshold.High)
	c.Attack, c.AttackLow, c.AttackHigh = milliseconds(r.Attack.Value), milliseconds(r.Attack.Low), milliseconds(r.Attack.High)
	c.Release, c.ReleaseLow, c.ReleaseHigh = milliseconds(r.Release.Value), milliseconds(r.Release.Low), milliseconds(r.Release.High)
	return c
}

func milliseconds(s float64) unit.Number { return unit.Number(1000 * s) }

// leftoverPairs returns the places of the takes of each pair whose leftover is measured.
func (s *Session) leftoverPairs() [][2]int {
	out := [][2]int{}
	few := len(s.takes) <= result.LeftoverPairs
	for a := range s.takes {
		for b := a + 1; b < len(s.takes); b++ {
			x, y := &s.Result.Takes[a], &s.Result.Takes[b]
			repeat := x.RepeatOf == y.Name || y.RepeatOf == x.Name
			if repeat || x.RepeatOf == "" && y.RepeatOf == "" && (x.Contestant() || y.Contestant()) && (few || a == s.Anchor || b == s.Anchor || yardstick(x) || yardstick(y)) {
				out = append(out, [2]int{a, b})
			}
		}
	}
	return out
}

// yardstick reports whether a take is there for others to be compared with.
func yardstick(t *result.Take) bool {
	return t.Role == string(manifest.RoleBypass) || t.Role == string(manifest.RoleRoom)
}

// leftover measures what remains between two takes.
func (s *Session) leftover(g gear, pair [2]int) (result.Leftover, error) {
	a, b := pair[0], pair[1]
	ta, tb := &s.Result.Takes[a], &s.Result.Takes[b]
	l := result.Leftover{A: ta.Name, B: tb.Name, Ways: []result.LeftoverWays{}}
	for _, i := range pair {
		t := &s.Result.Takes[i]
		why := s.unlike(i)
		if why.Found == "" && t.Alignment.BesideBy == "" {
			why = result.Say("gear.place-beside")
		}
		if why.Found != "" && l.Reason.Found == "" {
			l.Reason.Text = result.Say("about", "name", t.Name, "why", why)
		}
	}
	if l.Reason.Found != "" {
		blankLeftover(&l)
		return l, nil
	}
	in := struct {
		A, B           recording.Heard
		FrameA, FrameB int64
		DriftA, DriftB unit.PPM
		Middle         int64
		Blocks         []leftover.Block
	}{s.takes[a].Heard(), s.takes[b].Heard(), s.Takes[a].Frame, s.Takes[b].Frame, s.drift(a), s.drift(b), g.middle, g.blocks}
	type facts struct{ OfB, OfA leftover.Result }
	found, err := work.Once(s.run, "leftover", in, []*recording.Signal{s.takes[a], s.takes[b]}, func() (out facts, err error) {
		var e [2]*leftover.Excerpt
		for k, i := range pair {
			r, src, err := g.open(s.takes[i], s.drift(i), s.Takes[i].Frame)
			if err != nil {
				return out, err
			}
			e[k], err = leftover.Read(src, s.Takes[i].Frame, g.blocks)
			r.Close()
			if err != nil {
				return out, err
			}
		}
		out.OfB, out.OfA, err = leftover.Compare(e[0], e[1], leftover.Params{Bands: s.bands.third})
		return out, err
	})
	if err != nil {
		return l, err
	}
	if l.Reason.Text = found.OfB.Reason; l.Reason.Found != "" {
		blankLeftover(&l)
		return l, nil
	}
	least := func(v unit.DB) unit.DB { return max(v, leastLeftover) }
	better := found.OfB
	if found.OfA.Equaliser.K < better.Equaliser.K {
		better = found.OfA
	}
	l.Equaliser, l.EqualiserError = least(better.Equaliser.K), better.Equaliser.Error
	better = found.OfB
	if found.OfA.Filter.K < better.Filter.K {
		better = found.OfA
	}
	l.Filter, l.FilterError, l.Bound = least(better.Filter.K), better.Filter.Error, least(min(found.OfA.Bound, found.OfB.Bound))
	if l.Equaliser < l.Filter { // an equaliser is a filter
		l.Filter, l.FilterError = l.Equaliser, l.EqualiserError
	}
	sections := len(s.Result.Timeline.Spans) - 1
	for k, r := range []leftover.Result{found.OfB, found.OfA} {
		w := result.LeftoverWays{Of: s.Result.Takes[pair[1-k]].Name, Filter: least(r.Filter.K), FilterUnweighted: least(r.Filter.Unweighted),
			Equaliser: least(r.Equaliser.K), EqualiserUnweighted: least(r.Equaliser.Unweighted), Third: []unit.DB{}, Sections: []unit.DB{}, Curve: r.Curve}
		for _, v := range r.Filter.Third {
			w.Third = append(w.Third, least(v))
		}
		for n := range sections {
			v := unit.DB(nan()) // a section after the last block
			if n < len(r.Filter.Sections) {
				v = least(r.Filter.Sections[n])
			}
			w.Sections = append(w.Sections, v)
		}
		l.Ways = append(l.Ways, w)
	}
	return l, nil
}

// heedRepeats says of each pair whether more remains than between a take and its repeat
// and than is measured, and takes back what is said of gear that changes from pass to pass.
func (s *Session) heedRepeats() {
	takes := s.Result.Takes
	repeats := func(l *result.Leftover) bool {
		return slices.ContainsFunc(takes, func(t result.Take) bool {
			return t.RepeatOf != "" && (t.Name == l.A && t.RepeatOf == l.B || t.Name == l.B && t.RepeatOf == l.A)
		})
	}
	varies := map[string]result.Text{}
	worst := leastLeftover // that a repeat leaves
	of := map[string]unit.DB{}
	for i := range s.Result.Leftover {
		l := &s.Result.Leftover[i]
		if l.Reason.Found != "" || !repeats(l) {
			continue
		}
		worst = max(worst, l.Equaliser)
		for _, name := range []string{l.A, l.B} {
			if v, ok := of[name]; !ok || l.Equaliser > v {
				of[name] = l.Equaliser
			}
			if l.Filter > variesFrom {
				varies[name] = result.Say("gear.varies", "left_db", l.Filter)
			}
		}
	}
	for i := range s.Result.Leftover {
		l := &s.Result.Leftover[i]
		if l.Reason.Found != "" || repeats(l) {
			continue
		}
		for _, name := range []string{l.A, l.B} {
			if why, ok := varies[name]; ok && l.Reason.Found == "" {
				l.Reason.Text = result.Say("about", "name", name, "why", why)
				blankLeftover(l)
			}
		}
		least, repeated := unit.DB(math.Inf(-1)), false
		for _, name := range []string{l.A, l.B} {
			if v, ok := of[name]; ok {
				least, repeated = max(least, v), true
			}
		}
		if !repeated {
			least = worst
		}
		l.Resolved = l.Reason.Found == "" && l.Equaliser-2*l.EqualiserError > least
	}
	for i := range takes {
		why, ok := varies[takes[i].Name]
		if !ok {
			continue
		}
		takes[i].Compressor = nil
		if takes[i].Touch.Measured {
			takes[i].Touch.Reason.Text = why
			blankTouch(takes[i].Touch)
		}
		if takes[i].Drive.Measured {
			takes[i].Drive.Reason.Text = why
			blankDrive(takes[i].Drive)
		}
	}
}
