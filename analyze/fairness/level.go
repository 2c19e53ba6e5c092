package fairness

import (
	"math"

	"evenhand/analyze/level"
	"evenhand/analyze/noise"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// levelQuestions ask about the level match and the reamp level.
func levelQuestions() []question {
	return []question{
		{IDMatch, result.GroupSound, within(float64(result.MatchTolerance), "LU", 2, 0.01, 3), (*Measured).askMatch},
		{IDMatchRoom, result.GroupSound, atLeast(-23, "LUFS", 1, -70, 0), (*Measured).askMatchRoom},
		{IDReampLevel, result.GroupSound, within(0.2, "dB", 2, 0.01, 6), (*Measured).askReampLevel},
		{IDReampTone, result.GroupSound, within(1, "dB", 1, 0.1, 12), (*Measured).askReampTone},
		{IDReampTurn, result.GroupSound, limit{}, (*Measured).askReampPolarity},
		{IDReampNoise, result.GroupSound, atLeast(float64(level.LeastClear), "dB", 0, 10, 120), (*Measured).askReampNoise},
	}
}

func (s *Measured) askMatch(a *answers) {
	res := s.Result
	published := true
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range res.Takes {
		if Unmatched(s.Takes[i].Whole) {
			a.fail(res.Takes[i].Name, "silent")
			published = false
			continue
		}
		published = published && (res.Takes[i].Published != nil || res.Takes[i].Withheld != nil)
		lo, hi = math.Min(lo, float64(res.Takes[i].Gain)), math.Max(hi, float64(res.Takes[i].Gain))
	}
	if !published {
		a.skip("", "unpublished", "least_db", lo, "most_db", hi, "target_lufs", res.Match.Target)
		return
	}
	a.judge("", float64(res.Match.WorstDeviation), result.Failed, "published", "published", len(res.Heard()), "withheld", some(len(res.WithheldNames())), "target_lufs", res.Match.Target)
}

// some is a number of things; nil for none.
func some(n int) any {
	if n == 0 {
		return nil
	}
	return n
}

func (s *Measured) askMatchRoom(a *answers) {
	m := s.Result.Match
	found := "stated"
	if m.LimitedBy != "" {
		found = "limited"
	}
	a.judge("", float64(m.Target), result.Caution, found, "ceiling_dbtp", s.Result.Parameters.Match.Ceiling, "by", m.LimitedBy)
}

// farOff is the reamp level error from which on the loop fails instead of
// asking for caution: about a step that players notice as another gain.
const farOff = 1.0

func (s *Measured) askReampLevel(a *answers) {
	l := s.Result.Loopback
	switch {
	case l == nil:
		a.skip("", "none")
	case !l.Certain:
		a.skip("", "unknown", "because", l.Reason.Text)
	default:
		d := float64(l.Level)
		beyond := result.Caution
		if math.Abs(d) > math.Max(farOff, float64(a.limit.Value)) {
			beyond = result.Failed
		}
		with := []any{"where", l.Where(), "error_db", l.LevelError, "broadband_db", l.Broadband, "loudness_lu", l.Loudness, "peak_db", l.Peak, "advice", first(l.Advice)}
		if l.Unclear && a.limit.Allows(d) {
			a.add("", result.Caution, d, "uneven", with...)
			return
		}
		a.judge("", d, beyond, "level", with...)
	}
}

func first(list []result.Cause) result.Text {
	if len(list) == 0 {
		return result.Text{}
	}
	return list[0].Text
}

func (s *Measured) askReampTone(a *answers) {
	l := s.Result.Loopback
	if l == nil {
		a.skip("", "none")
		return
	}
	if !l.Certain {
		a.skip("", "unknown")
		return
	}
	worst, at := math.NaN(), ""
	for _, end := range []struct {
		v    unit.DB
		band string
	}{{l.Low, l.LowBand}, {l.High, l.HighBand}} {
		if v := float64(end.v); end.band != "" && !(math.Abs(v) <= math.Abs(worst)) {
			worst, at = v, end.band
		}
	}
	if math.IsNaN(worst) {
		a.skip("", "little")
		return
	}
	a.judge("", worst, result.Caution, "tone", "band", at, "where", l.Where())
}

func (s *Measured) askReampPolarity(a *answers) {
	l := s.Result.Loopback
	switch {
	case l == nil || !l.Certain:
		// The reamp level has said so.
	case l.Polarity == "inverted":
		a.caution("", "inverted")
	case l.Polarity == "same":
		a.pass("", "same")
	default:
		a.skip("", "unknown")
	}
}

func (s *Measured) askReampNoise(a *answers) {
	l := s.Result.Loopback
	if l == nil || !l.Certain {
		return // the reamp level has said so
	}
	if math.IsNaN(float64(l.NoiseBelow)) {
		a.skip("", "because", "because", l.NoiseReason.Text)
		return
	}
	with := []any{"noise_dbfs", l.Noise, "own_dbfs", l.NoiseOwn}
	if l.Hum > 0 {
		with = append(with, "hum_hz", l.Hum)
	}
	if d := float64(l.NoiseBelow); l.Noise <= l.NoiseOwn && !a.limit.Allows(d) {
		a.add("", result.Passed, d, "own", with...)
	} else {
		a.judge("", d, result.Caution, "noise", with...)
	}
}

// quietQuestions ask about what is heard in the pauses.
func quietQuestions() []question {
	return []question{
		{IDGate, result.GroupSound, limit{}, (*Measured).askGate},
		{IDNoiseSteps, result.GroupSound, atMost(3, "dB", 1, 0.5, 40), (*Measured).askNoiseSteps},
		{IDHum, result.GroupSound, atMost(20, "dB", 1, 0.5, 60), (*Measured).askHum},
	}
}

func (s *Measured) askGate(a *answers) {
	ask := func(subject string, measured, gated, silent bool, why, seen result.Text, gatedIs result.Outcome) {
		switch {
		case gated:
			a.add(subject, gatedIs, math.NaN(), "gated", "seen", seen)
		case silent:
			a.caution(subject, "silent", "seen", seen)
		case !measured:
			a.skip(subject, "because", "because", why)
		default:
			a.pass(subject, "open")
		}
	}
	if d := s.DryNoise; d != nil {
		// What was gated before it was played to the devices is the same for all.
		ask("dry recording", d.Measured, d.Gated, false, d.Reason, d.GateReason, result.Caution)
	}
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		n := t.Noise
		if db, carries := s.noiseMissing(i); db > 0 && n.Measured && !n.Gated && !n.Silent {
			a.caution(t.Name, "missing", "less_db", db, "carries", carries)
			continue
		}
		ask(t.Name, n.Measured, n.Gated, n.Silent, n.Reason.Text, n.GateReason.Text, result.Failed)
	}
}

// missingFrom is how much of the dry recording's noise must be missing in a take, in
// dB, and missingUpTo how much at most in another that carries it. Common practice, no
// source; see noise.Missing.
const (
	missingFrom = 6.0
	missingUpTo = 2.0
)

// noiseMissing returns by how many dB the dry recording's noise is missing in a take
// while another carries it, which is named; 0 where it is not.
func (s *Measured) noiseMissing(i int) (db float64, carries string) {
	if !(s.Takes[i].Missing >= missingFrom) {
		return 0, ""
	}
	for k := range s.Takes {
		if s.Takes[k].Missing <= missingUpTo {
			return float64(s.Takes[i].Missing), s.Result.Takes[k].Name
		}
	}
	return 0, ""
}

// leastFloor is the shortest part of a pause whose level counts for a step of
// the floor: shorter ones scatter.
const leastFloor = unit.Seconds(0.3)

// gearRise is by how much the noise rises at least in every pause, surely, where the
// gear lets it rise while it recovers from the playing; sameFloor is how near the
// floors of a take and its repeat are then. Common practice, no source: measured in
// pauses of 1 to 2 s, noise that the gear leaves alone rises by 0.4 dB at most.
const (
	gearRise  = unit.DB(1)
	sameFloor = unit.DB(1)
)

func (s *Measured) askNoiseSteps(a *answers) {
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		if t.Noise.Gated || t.Noise.Silent {
			a.skip(t.Name, "no-noise")
			continue
		}
		kept := settled(s.Takes[i].Noise)
		if len(kept) < 2 {
			if n := decaying(s.Takes[i].Noise); n > 0 {
				a.skip(t.Name, "ringing", "ringing", n, "pauses", len(s.Takes[i].Noise.PerPause))
			} else {
				a.skip(t.Name, "few")
			}
			continue
		}
		at := func(p noise.PauseLevel) unit.Seconds { return s.Result.Timeline.Pauses[p.Index].From }
		step, from, to := noiseStep(kept)
		with := []any{"pauses", len(kept), "low_s", at(from), "high_s", at(to)}
		found := "steps"
		if played := s.afterPlaying(kept); !a.limit.Allows(step) && risesInAll(played) {
			least, most := played[0].Rise, played[0].Rise
			for _, p := range played {
				least, most = min(least, p.Rise), max(most, p.Rise)
			}
			with = append(with, "rise_db", least, "rises_db", most)
			rest, _, _ := noiseStep(played)
			again := s.sameFloors(i)
			switch {
			case again != "":
				a.add(t.Name, result.Passed, step, "gear-again", append(with, "again", again, "same_db", sameFloor)...)
				continue
			case len(s.afterPlaying([]noise.PauseLevel{to})) == 0 && a.limit.Allows(rest):
				a.add(t.Name, result.Passed, step, "gear-first", append(with, "rest_db", rest)...)
				continue
			}
			found = "gear"
		}
		a.judge(t.Name, step, result.Caution, found, with...)
	}
}

// settled returns the pauses whose floors may be compared.
func settled(r noise.Result) []noise.PauseLevel {
	var kept []noise.PauseLevel
	for _, p := range r.PerPause {
		if !p.Decaying && !p.Silent && p.Closing == nil && p.Duration >= leastFloor && !math.IsNaN(float64(p.Unweighted)) {
			kept = append(kept, p)
		}
	}
	return kept
}

func decaying(r noise.Result) (n int) {
	for _, p := range r.PerPause {
		if p.Decaying {
			n++
		}
	}
	return n
}

// afterPlaying leaves out the pause before the first note.
func (s *Measured) afterPlaying(pauses []noise.PauseLevel) []noise.PauseLevel {
	var out []noise.PauseLevel
	for _, p := range pauses {
		if n := s.Activity.Playing; len(n) > 0 && s.Quiet[p.Index].First >= n[0].First {
			out = append(out, p)
		}
	}
	return out
}

// risesInAll reports whether the noise rises surely in every pause, of two at least.
func risesInAll(pauses []noise.PauseLevel) bool {
	for _, p := range pauses {
		if !(p.Rise >= gearRise && p.Rise > 3*p.RiseError) {
			return false
		}
	}
	return len(pauses) > 1
}

// sameFloors returns the name of a repeat of take i, or of the take that it repeats,
// whose floors are the same in every pause; "" where there is none.
func (s *Measured) sameFloors(i int) string {
	for k := range s.Result.Takes {
		if k == i || !s.isRepeat(s.Result.Takes[i].Name, s.Result.Takes[k].Name) {
			continue
		}
		same, n := true, 0
		for _, p := range settled(s.Takes[i].Noise) {
			for _, q := range settled(s.Takes[k].Noise) {
				if q.Index == p.Index {
					same = same && math.Abs(float64(p.Unweighted-q.Unweighted)) <= float64(sameFloor)
					n++
				}
			}
		}
		if same && n > 1 {
			return s.Result.Takes[k].Name
		}
	}
	return ""
}

// noiseStep returns the greatest difference between pauses, A-weighted or not, and
// the lowest and the highest.
func noiseStep(kept []noise.PauseLevel) (step float64, from, to noise.PauseLevel) {
	for _, level := range []func(noise.PauseLevel) float64{
		func(p noise.PauseLevel) float64 { return float64(p.Unweighted) },
		func(p noise.PauseLevel) float64 { return float64(p.AWeighted) },
	} {
		lo, hi := -1, -1
		for i, p := range kept {
			if lo < 0 || level(p) < level(kept[lo]) {
				lo = i
			}
			if hi < 0 || level(p) > level(kept[hi]) {
				hi = i
			}
		}
		if lo >= 0 && level(kept[hi])-level(kept[lo]) >= step {
			step = level(kept[hi]) - level(kept[lo])
			from, to = kept[lo], kept[hi]
		}
	}
	return step, from, to
}

// askHum compares each take's hum with the median of the others: after matching, since
// that is what is heard. A repeat is compared with what it repeats. A device of
// more gain brings up hiss and hum of what comes before it alike, so that a hum
// counts only by how far it also rises above the take's own hiss.
func (s *Measured) askHum(a *answers) {
	hum := func(i int) (level, overHiss float64) {
		n := s.Result.Takes[i].Noise
		if !n.Measured || n.Gated || n.Silent {
			return math.NaN(), math.NaN()
		}
		return float64(n.AsMatched.Hum), float64(n.AsMatched.Hum - n.AsMatched.Hiss)
	}
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		own, over := hum(i)
		var others, overs []float64
		of := ""
		for k := range s.Result.Takes {
			o := &s.Result.Takes[k]
			level, above := hum(k)
			if k == i || math.IsNaN(level) {
				continue
			}
			if t.RepeatOf == o.Name {
				others, overs, of = []float64{level}, []float64{above}, o.Name
				break
			}
			// The repeat of a take stands for nothing new.
			if o.RepeatOf == "" && t.RepeatOf == "" {
				others, overs = append(others, level), append(overs, above)
			}
		}
		switch {
		case math.IsNaN(own) && (t.Noise.Gated || t.Noise.Silent):
			a.skip(t.Name, "no-noise")
		case math.IsNaN(own) && t.Noise.Measured:
			a.pass(t.Name, "none")
		case math.IsNaN(own):
			a.skip(t.Name, "because", "because", t.Noise.Reason.Text)
		case len(others) == 0:
			a.skip(t.Name, "alone")
		default:
			d := own - result.Median(others)
			with := []any{"hum_dbfs", own, "of", of}
			if x := math.Max(0, over-result.Median(overs)); !math.IsNaN(x) && x < d {
				with = append(with, "higher_db", d)
				d = x
			}
			a.judge(t.Name, d, result.Caution, "hum", with...)
		}
	}
}

// reampTolerance is the limit of the reamp level, the manifest's if it has one.
func (s *Measured) ReampTolerance() unit.DB {
	for _, q := range s.questions() {
		if q.id == IDReampLevel {
			return unit.DB(q.limit.Value)
		}
	}
	return level.DefaultTolerance
}
