package fairness

import (
	"fmt"
	"math"

	"evenhand/analyze/level"
	"evenhand/analyze/noise"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// levelQuestions ask about the level match and the reamp level.
func levelQuestions() []question {
	return []question{
		{
			id: IDMatch, name: "Level match", group: result.GroupSound,
			why: "the louder of two takes sounds better, whatever else differs",
			limit: limit{kind: within, value: float64(result.MatchTolerance), unit: "LU", decimals: 2, least: 0.01, most: 3,
				source: "common practice, no source: half the smallest level difference heard under test conditions"},
			ask: (*Measured).askMatch,
		},
		{
			id: IDMatchRoom, name: "Room for the match", group: result.GroupSound,
			why: "one take with high peaks lowers all takes, and a quiet page makes readers turn the volume up and down",
			limit: limit{kind: atLeast, value: -23, unit: "LUFS", decimals: 1, least: -70, most: 0,
				source: "EBU R 128, programme loudness of −23 LUFS (from memory), taken as the least that is comfortable"},
			ask: (*Measured).askMatchRoom,
		},
		{
			id: IDReampLevel, name: "Reamp level", group: result.GroupSound,
			why: "a pedal or amplifier driven harder than the guitar would drive it has more gain than a player would get",
			limit: limit{kind: within, value: 0.2, unit: "dB", decimals: 2, least: 0.01, most: 6,
				source: "common practice, no source: about the smallest step heard under test conditions"},
			ask: (*Measured).askReampLevel,
		},
		{
			id: IDReampTone, name: "Reamp response", group: result.GroupSound,
			why:   "a loop that loses lows or highs feeds every device a tone that is not the guitar's",
			limit: limit{kind: within, value: 1, unit: "dB", decimals: 1, least: 0.1, most: 12, source: practice},
			ask:   (*Measured).askReampTone,
		},
		{
			id: IDReampTurn, name: "Reamp polarity", group: result.GroupSound,
			why:   "an asymmetrical circuit distorts an inverted guitar differently",
			limit: words("not inverted"), ask: (*Measured).askReampPolarity,
		},
		{
			id: IDReampNoise, name: "Reamp noise", group: result.GroupSound,
			why:   "noise or hum that the loop adds goes through every device and is raised by those with more gain",
			limit: limit{kind: atLeast, value: float64(level.LeastClear), unit: "dB", decimals: 0, least: 10, most: 120, source: practice},
			ask:   (*Measured).askReampNoise,
		},
	}
}

func (s *Measured) askMatch(a *answers) {
	res := s.Result
	published := true
	lo, hi := math.Inf(1), math.Inf(-1)
	for i := range res.Takes {
		if Unmatched(s.Takes[i].Whole) {
			a.add(answer{subject: res.Takes[i].Name, outcome: result.Failed, measured: math.NaN(), value: "silent",
				reason: "the take has " + WhyUnmatched, do: "check that it is the right file; a report cannot be built with it"})
			published = false
			continue
		}
		published = published && (res.Takes[i].Published != nil || res.Takes[i].Withheld != nil)
		lo, hi = math.Min(lo, float64(res.Takes[i].Gain)), math.Max(hi, float64(res.Takes[i].Gain))
	}
	if !published {
		a.add(answer{outcome: result.NotMeasured, measured: math.NaN(),
			value: fmt.Sprintf("gains of %s to %s dB", unit.Signed(lo, 2), unit.Signed(hi, 2)),
			reason: fmt.Sprintf("no published files to measure yet; these gains would bring every take to %s, and a build measures the files it writes",
				res.Match.Target)})
		return
	}
	d := float64(res.Match.WorstDeviation)
	a.judge("", d, result.Failed, a.limit.signed(d)+" LU",
		fmt.Sprintf("the worst of %s, decoded and measured again, compared with the target of %s", files(len(res.Heard()), len(res.WithheldNames())), res.Match.Target),
		"build again; if it stays, report it: the published audio does not have its computed loudness")
}

// files prints numbers of published files and of files that are withheld.
func files(n, withheld int) string {
	s := fmt.Sprintf("%d published files", n)
	if n == 1 {
		s = "1 published file"
	}
	if withheld > 0 {
		s += fmt.Sprintf(" and %d withheld", withheld)
	}
	return s
}

func (s *Measured) askMatchRoom(a *answers) {
	m := s.Result.Match
	reason := "the manifest states the target"
	do := "state a higher target in match:"
	if m.LimitedBy != "" {
		reason = fmt.Sprintf("the highest target that keeps all peaks within the ceiling of %s; limited by the peaks of %s", s.Result.Parameters.Match.Ceiling, m.LimitedBy)
		do = "check the peaks of " + m.LimitedBy + ": one click or loud stroke there lowers every take"
	}
	a.judge("", float64(m.Target), result.Caution, m.Target.String(), reason, do)
}

// farOff is the reamp level error from which on the loop fails instead of
// asking for caution: about a step that players notice as another gain.
const farOff = 1.0

func (s *Measured) askReampLevel(a *answers) {
	l := s.Result.Loopback
	switch {
	case l == nil:
		a.skip("", "no loopback recording: the level into the devices rests on the author's word; before the next session, record the reamp output back through the DI box and name the file in loopback, under performance")
	case !l.Certain:
		a.skip("", "the loopback does not show the level: "+l.Reason)
	default:
		d := float64(l.Level)
		beyond := result.Caution
		if math.Abs(d) > math.Max(farOff, a.limit.value) {
			beyond = result.Failed
		}
		value := a.limit.signed(d) + " dB"
		reason := fmt.Sprintf("loopback minus dry recording, %s, within ±%s dB; 20 Hz to 20 kHz %s dB, loudness %s LU, true peak %s dB; one loopback shows one moment of the session",
			l.Where(), unit.Format(float64(l.LevelError), 2), unit.Signed(float64(l.Broadband), 2), unit.Signed(float64(l.Loudness), 2), unit.Signed(float64(l.Peak), 2))
		if l.Unclear && a.limit.allows(d) {
			a.add(answer{outcome: result.Caution, measured: d, value: value, do: first(l.Advice),
				reason: "within the limit on average, but the response is uneven in the middle and could not be separated from the level: " + reason})
			return
		}
		a.judge("", d, beyond, value, reason, first(l.Advice))
	}
}

func first(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return list[0]
}

func (s *Measured) askReampTone(a *answers) {
	l := s.Result.Loopback
	if l == nil || !l.Certain {
		a.skip("", map[bool]string{true: "no loopback recording", false: "the loopback could not be compared with the dry recording"}[l == nil])
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
		a.skip("", "the dry recording has too little sound outside the middle octaves")
		return
	}
	a.judge("", worst, result.Caution, a.limit.signed(worst)+" dB", "the octave around "+at+" compared with the level "+l.Where()+"; the worst one measured from 63 Hz to 8 kHz",
		"look for a coupling capacitor, a filter or a long cable in the loop")
}

func (s *Measured) askReampPolarity(a *answers) {
	l := s.Result.Loopback
	switch {
	case l == nil || !l.Certain:
		// The reamp level has said so.
	case l.Polarity == "inverted":
		a.add(answer{outcome: result.Caution, measured: math.NaN(), value: "inverted",
			reason: "the loopback is inverted: so was the input of every device recorded through the same loop", do: level.TurnPolarity})
	case l.Polarity == "same":
		a.pass("", "same", "the loopback has the polarity of the dry recording")
	default:
		a.skip("", "the loop shifts the phase too much to show a polarity")
	}
}

func (s *Measured) askReampNoise(a *answers) {
	l := s.Result.Loopback
	if l == nil || !l.Certain {
		return // the reamp level has said so
	}
	if math.IsNaN(float64(l.NoiseBelow)) {
		a.skip("", l.NoiseReason)
		return
	}
	d := float64(l.NoiseBelow)
	what := "noise"
	if l.Hum > 0 {
		what = "hum at multiples of " + l.Hum.String()
	}
	reason := fmt.Sprintf("below the playing: in the pauses the loop adds %s of %s; the dry recording's own noise returns at %s", what, l.Noise, l.NoiseOwn)
	if l.Noise <= l.NoiseOwn && !a.limit.allows(d) {
		a.add(answer{outcome: result.Passed, measured: d, value: a.limit.format(d) + " dB", reason: reason + ", at least as much"})
		return
	}
	a.judge("", d, result.Caution, a.limit.format(d)+" dB", reason, level.FindNoise)
}

// quietQuestions ask about what is heard in the pauses.
func quietQuestions() []question {
	return []question{
		{
			id: IDGate, name: "Gate", group: result.GroupSound,
			why:   "a gate or a mute hides the noise of one device while the others show theirs",
			limit: words("no pause gated or muted"), ask: (*Measured).askGate,
		},
		{
			id: IDNoiseSteps, name: "Noise floor", group: result.GroupSound,
			why:   "a floor that changes during a take means that something was switched, moved or running nearby",
			limit: limit{kind: atMost, value: 3, unit: "dB", decimals: 1, least: 0.5, most: 40, source: practice},
			ask:   (*Measured).askNoiseSteps,
		},
		{
			id: IDHum, name: "Hum", group: result.GroupSound,
			why:   "a hum that comes from a cable or a supply on one day counts against a device that does not make it",
			limit: limit{kind: atMost, value: 20, unit: "dB", decimals: 1, least: 0.5, most: 60, source: practice},
			ask:   (*Measured).askHum,
		},
	}
}

func (s *Measured) askGate(a *answers) {
	ask := func(subject string, measured, gated, silent bool, why, seen string, gatedIs result.Outcome) {
		switch {
		case gated:
			a.add(answer{subject: subject, outcome: gatedIs, measured: math.NaN(), value: "gated", reason: seen,
				do: "record it again without a gate, or, if the device has one, say so in the manifest: the noise figures describe the gate"})
		case silent:
			a.add(answer{subject: subject, outcome: result.Caution, measured: math.NaN(), value: "silent", reason: seen,
				do: "check that the export did not mute the pauses; the noise cannot be judged"})
		case !measured:
			a.skip(subject, why)
		default:
			a.pass(subject, "open", "the pauses have a steady floor; a gate that closes as the note ends, to a level that could be a quiet chain's floor, looks the same")
		}
	}
	if d := s.DryNoise; d != nil {
		measured, why := d.Measured, d.Reason
		if len(s.Quiet) == 0 {
			measured, why = false, "the performance has no pause long enough"
		}
		// What was gated before it was played to the devices is the same for all.
		ask("dry recording", measured, d.Gated, false, why, d.GateReason, result.Caution)
	}
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		n := t.Noise
		if db, carries := s.noiseMissing(i); db > 0 && n.Measured && !n.Gated && !n.Silent {
			a.add(answer{subject: t.Name, outcome: result.Caution, measured: math.NaN(), value: "noise missing",
				reason: fmt.Sprintf("its pauses have %s dB less noise than the dry recording's own noise gives at the gain of the ends of the notes; %s carries that noise: a gate in the path closed, or the device closes by itself", unit.Format(db, 0), carries),
				do:     "if there was a gate, record the take again without it; if the device closes by itself, say so in its notes"})
			continue
		}
		ask(t.Name, n.Measured, n.Gated, n.Silent, n.Reason, n.GateReason, result.Failed)
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
			a.skip(t.Name, "the pauses are gated or silent")
			continue
		}
		kept := settled(s.Takes[i].Noise)
		if len(kept) < 2 {
			reason := "fewer than two pauses are long and settled enough to compare"
			if n := decaying(s.Takes[i].Noise); n > 0 {
				reason = fmt.Sprintf("a note, an echo or a reverberation rings through %d of %d pauses, so their floor is not measured", n, len(s.Takes[i].Noise.PerPause))
			}
			a.skip(t.Name, reason)
			continue
		}
		at := func(p noise.PauseLevel) string { return s.Result.Timeline.Pauses[p.Index].From.String() }
		step, from, to := noiseStep(kept)
		value := a.limit.format(step) + " dB"
		reason := fmt.Sprintf("largest difference between the floors of %d pauses, A-weighted or not: lowest at %s, highest at %s", len(kept), at(from), at(to))
		do := "listen to the two pauses: was a pedal, a fan or a light switched, or a hand taken off the strings?"
		if played := s.afterPlaying(kept); !a.limit.allows(step) && risesInAll(played) {
			least, most := played[0].Rise, played[0].Rise
			for _, p := range played {
				least, most = min(least, p.Rise), max(most, p.Rise)
			}
			gear := fmt.Sprintf("the noise rises within every pause, by %s to %s dB, as it does while a sagging amplifier or a compressor recovers from the playing", unit.Format(float64(least), 1), unit.Format(float64(most), 1))
			rest, _, _ := noiseStep(played)
			again := s.sameFloors(i)
			switch {
			case again != "":
				a.add(answer{subject: t.Name, outcome: result.Passed, measured: step, value: value + ", by the gear", reason: gear + ", and " + again + " has the same floors within " + unit.Format(float64(sameFloor), 0) + " dB; " + reason})
				continue
			case len(s.afterPlaying([]noise.PauseLevel{to})) == 0 && a.limit.allows(rest):
				a.add(answer{subject: t.Name, outcome: result.Passed, measured: step, value: value + ", by the gear", reason: gear + fmt.Sprintf(", and is highest before the first note; the pauses after playing differ by %s dB", a.limit.format(rest)) + "; " + reason})
				continue
			}
			reason = gear + ", which alone may move the floor; " + reason
			do = "record the take again and state repeat_of: if the floors are the same again, the gear moves them"
		}
		a.judge(t.Name, step, result.Caution, value, reason, do)
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
		against := "the median of the other takes"
		for k := range s.Result.Takes {
			o := &s.Result.Takes[k]
			level, above := hum(k)
			if k == i || math.IsNaN(level) {
				continue
			}
			if t.RepeatOf == o.Name {
				others, overs, against = []float64{level}, []float64{above}, o.Name
				break
			}
			// The repeat of a take stands for nothing new.
			if o.RepeatOf == "" && t.RepeatOf == "" {
				others, overs = append(others, level), append(overs, above)
			}
		}
		switch {
		case math.IsNaN(own) && (t.Noise.Gated || t.Noise.Silent):
			a.skip(t.Name, "the pauses are gated or silent")
		case math.IsNaN(own) && t.Noise.Measured:
			a.pass(t.Name, "none", "no tone at a multiple of the mains frequency rises out of the noise")
		case math.IsNaN(own):
			a.skip(t.Name, t.Noise.Reason)
		case len(others) == 0:
			a.skip(t.Name, "no other take has a hum to compare with")
		default:
			d := own - result.Median(others)
			reason := fmt.Sprintf("hum of %s after matching, against %s", unit.DBFS(own), against)
			if x := math.Max(0, over-result.Median(overs)); !math.IsNaN(x) && x < d {
				reason += fmt.Sprintf("; it is %s dB higher, but the hiss is higher too, as with more gain: the value is relative to the hiss", unit.Format(d, 1))
				d = x
			}
			a.judge(t.Name, d, result.Caution, a.limit.signed(d)+" dB", reason,
				"find out whether the device hums or its supply or cables do: record the take again with another supply, or with the audio ground of the DI or reamp box lifted; never remove the protective earth, and leave the mains side to a qualified technician")
		}
	}
}

// reampTolerance is the limit of the reamp level, the manifest's if it has one.
func (s *Measured) ReampTolerance() unit.DB {
	for _, q := range s.questions() {
		if q.id == IDReampLevel {
			return unit.DB(q.limit.value)
		}
	}
	return level.DefaultTolerance
}
