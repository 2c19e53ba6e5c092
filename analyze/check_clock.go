package analyze

import (
	"context"
	"fmt"
	"math"
	"slices"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/align"
	"evenhand/analyze/clock"
	"evenhand/analyze/unit"
)

// compareClocks holds every take against the timeline's source note by note:
// whether it is of the same performance, and where samples were lost or
// inserted.
func (s *Session) compareClocks(ctx context.Context) error {
	s.slips = make([]clock.Slips, len(s.takes))
	s.ratios = make([]clock.Ratio, len(s.takes))
	s.unsure = make([]bool, len(s.takes))
	s.verdicts = make([]clock.Verdict, len(s.takes))
	held := s.held()
	step := s.progress("comparing clocks", int64(len(held)))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(s.workers)
	for _, i := range held {
		g.Go(func() error {
			defer step(1)
			if err := ctx.Err(); err != nil {
				return err
			}
			ra, err := s.source().open()
			if err != nil {
				return err
			}
			defer ra.Close()
			rb, err := s.takes[i].open()
			if err != nil {
				return err
			}
			defer rb.Close()
			var take clock.Memo
			a, b := s.beginnings.Of(ra), take.Of(rb)
			e := s.placement(i)
			if s.slips[i], err = clock.FindSlips(a, b, e, clock.Params{}); err != nil {
				return err
			}
			if s.unsure[i], err = s.unsureSlips(a, b, i); err != nil {
				return err
			}
			s.verdicts[i], err = clock.SamePerformance(a, b, e, s.slips[i].Slips)
			if err != nil || s.verdicts[i].Outcome == clock.Same {
				return err
			}
			s.ratios[i], err = clock.RateRatio(a, b)
			return err
		})
	}
	return g.Wait()
}

// A slip as large as the beginning of a note can be placed must be kept by some
// notes behind it that rise clearly: the beating of a chord that dies away has
// rises too, and looks alike at several lags.
const (
	heardSlip  = unit.Seconds(0.002)
	leastNotes = 3
	clearRise  = 6.0 // dB, within some 30 ms
)

// unsureSlips reports whether a large slip of a take is not kept by the notes
// behind it: while a chord dies away, gear can turn the phase as a slip would.
func (s *Session) unsureSlips(a, b align.Source, i int) (bool, error) {
	rate := float64(s.Result.Timeline.SampleRate)
	slips := s.slips[i].Slips
	if !slices.ContainsFunc(slips, func(x clock.Slip) bool { return math.Abs(float64(x.Lag)) > float64(heardSlip)*rate }) {
		return false, nil
	}
	notes, err := clock.OnsetLags(a, b, s.placement(i), slips)
	if err != nil {
		return false, err
	}
	for k, x := range slips {
		end := unit.Seconds(math.Inf(1))
		if k+1 < len(slips) {
			end = slips[k+1].At
		}
		kept := 0
		for _, n := range notes {
			if n.Time <= x.At || n.Time >= end || !n.Clear() || math.Abs(float64(n.Later)) >= 2*float64(heardSlip) {
				continue
			}
			rise, err := riseAt(a, n.Time)
			if err != nil {
				return false, err
			}
			if rise >= clearRise {
				kept++
			}
		}
		if math.Abs(float64(x.Lag)) > float64(heardSlip)*rate && kept < leastNotes {
			return true, nil
		}
	}
	return false, nil
}

// riseAt returns by how many dB a recording is louder in the 20 ms from 5 ms
// after a time on than in those that end 5 ms before it.
func riseAt(src align.Source, t unit.Seconds) (float64, error) {
	rate := float64(src.Rate())
	x := make([]float64, int(0.02*rate))
	var power [2]float64
	for k, from := range []float64{-0.025, 0.005} {
		if _, err := src.ReadAt(x, int64((float64(t)+from)*rate)); err != nil {
			return 0, err
		}
		for _, v := range x {
			power[k] += v * v
		}
	}
	return unit.FromPower(power[1]) - unit.FromPower(power[0]), nil
}

func (s *Session) askPerformance(a *answers) {
	for _, i := range s.held() {
		name, v := s.Result.Takes[i].Name, s.verdicts[i]
		ms := 1000 * float64(v.Spread)
		value := unit.Format(ms, 2) + " ms"
		if math.IsNaN(ms) {
			value = ""
		}
		reason := v.Basis
		if odds := float64(v.Sureness); v.Onsets > 0 {
			reason += fmt.Sprintf("; the notes' beginnings alone give odds of %s", oddsText(odds))
		}
		switch v.Outcome {
		case clock.Same:
			a.add(answer{subject: name, outcome: Holds, measured: ms, value: value, reason: reason})
		case clock.Different:
			if r := s.ratios[i]; r.Certain && r.Ratio != 1 {
				a.skip(name, "its music runs at another speed: "+r.Name)
				continue
			}
			a.add(answer{subject: name, outcome: Fails, measured: ms, value: value, reason: reason,
				do: "check that the right file was named; if it is another pass, reamp the dry recording again"})
		default:
			a.add(answer{subject: name, outcome: NotMeasured, measured: nan(), value: value, reason: reason,
				do: "compare with more notes: a performance with clear attacks tells more than held chords"})
		}
	}
}

// oddsText prints odds from their decades.
func oddsText(decades float64) string {
	side := "one performance"
	if decades < 0 {
		side = "two"
	}
	if d := math.Abs(decades); d < 6 {
		return fmt.Sprintf("%.0f to 1 for %s", math.Pow(10, d), side)
	}
	return fmt.Sprintf("more than a million to 1 for %s", side)
}

func (s *Session) askSlips(a *answers) {
	for _, i := range s.held() {
		name := s.Result.Takes[i].Name
		r := s.slips[i]
		if s.verdicts[i].Outcome == clock.Different {
			a.skip(name, "it is of another performance")
			continue
		}
		if r.Reason != "" {
			a.skip(name, r.Reason)
			continue
		}
		if len(r.Slips) == 0 {
			a.judge(name, 0, Fails, "none", fmt.Sprintf("%s or more would have been found", unit.Format(float64(r.Smallest), 1)+" samples"), "")
			continue
		}
		total := 0.0
		for _, x := range r.Slips {
			total += math.Abs(float64(x.Lag))
		}
		x := r.Slips[0]
		what := "inserted"
		if x.Lag < 0 {
			what = "lost"
		}
		value := fmt.Sprintf("%s %s at %s", unit.Format(math.Abs(float64(x.Lag)), 1)+" samples", what, x.At)
		reason := fmt.Sprintf("the lag against the %s steps there, by %s ± %s samples", s.sourceName(), unit.Signed(float64(x.Lag), 1), unit.Format(2*float64(x.Error), 1))
		if n := len(r.Slips); n > 1 || r.More {
			more := fmt.Sprintf("%d", n)
			if r.More {
				more = "at least " + more
			}
			reason += fmt.Sprintf("; %s places in all", more)
		}
		beyond := Fails
		if s.verdicts[i].Outcome != clock.Same || s.unsure[i] {
			// A step is sure where the notes behind it keep it.
			beyond = Caution
			reason += "; too few notes begin clearly behind it to be sure"
		}
		a.judge(name, total, beyond, value, reason, "record the take again with a larger buffer; if it was edited, export it unedited")
	}
}
