package fairness

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// fileQuestions ask about the recordings as files.
func fileQuestions() []question {
	return []question{
		{
			id: IDTakes, name: "Takes", group: result.GroupFiles,
			why:   "one take alone can be measured, but not compared",
			limit: words("two takes or more"), ask: (*Measured).askTakes,
		},
		{
			id: IDDry, name: "Dry recording", group: result.GroupFiles,
			why:   "without the recording that was played into the devices, takes can only be compared with each other",
			limit: words("one, not clipped"), ask: (*Measured).askDry,
		},
		{
			id: IDSameFile, name: "Duplicate files", group: result.GroupFiles,
			why:   "one file under two names compares nothing",
			limit: words("no two recordings have the same SHA-256"), ask: (*Measured).askSameFile,
		},
		{
			id: IDNearCopy, name: "Copies", group: result.GroupFiles,
			why: "a take that nulls against another is the same recording at another level, not another device",
			limit: limit{kind: atLeast, value: -60, unit: "dB", decimals: 0, least: -120, most: 0,
				source: "common practice, no source: two passes of one chain leave its noise, which is above this"},
			ask: (*Measured).askNearCopy,
		},
		{
			id: IDPath, name: "Device in the path", group: result.GroupFiles,
			why: "a bypassed plugin or the wrong bus exports the dry recording under the name of a device",
			limit: limit{kind: atLeast, value: -40, unit: "dB", decimals: 0, least: -100, most: -20,
				source: "common practice, no source: converters and cables alone leave about as little"},
			ask: (*Measured).askPath,
		},
		{
			id: IDFormat, name: "Bit depth", group: result.GroupFiles,
			why:   "a file with fewer bits has rounding noise that the others lack",
			limit: words("one depth for all takes, or at least 24 bits in each"), ask: (*Measured).askFormat,
		},
		{
			id: IDBandEdge, name: "Band edge", group: result.GroupFiles,
			why: "a conversion to a lower sample rate or a lossy format removes the highest frequencies",
			limit: limit{kind: atMost, value: 12, unit: "dB", decimals: 0, least: 1, most: 100,
				source: "common practice, no source: takes that were not converted fall by up to 9 dB more than others within a kilohertz"},
			ask: (*Measured).askBandEdge,
		},
		{
			id: IDLengths, name: "Length", group: result.GroupFiles,
			why:   "what one take lacks is left out for all",
			limit: limit{kind: atMost, value: 0, unit: "s", decimals: 2, least: 0, most: 3600, source: practice},
			ask:   (*Measured).askLengths,
		},
		{
			id: IDSections, name: "Sections", group: result.GroupFiles,
			why:   "the part that one take lacks could be the one that shows the difference",
			limit: words("every section in every take"), ask: (*Measured).askSections,
		},
		{
			id: IDHeadroom, name: "Headroom", group: result.GroupFiles,
			why: "a converter driven to full scale adds distortion that is not the gear's",
			limit: limit{kind: atMost, value: -6, unit: "dBFS", decimals: 1, least: -60, most: 0,
				source: practice},
			ask: (*Measured).askHeadroom,
		},
	}
}

func (s *Measured) askTakes(a *answers) {
	n := len(s.Takes)
	if n > 1 {
		a.pass("", fmt.Sprintf("%d takes", n), "compared with "+cmp.Or(s.Result.Parameters.PairsWith, "each other")+map[bool]string{true: " and with the dry recording"}[s.Dry != nil])
		return
	}
	reason := "its loudness, spectrum, noise and faults are measured; differences are not"
	if s.Dry != nil {
		reason = "it can be compared with the dry recording; differences between devices are not measured"
	}
	a.add(answer{outcome: result.Caution, measured: math.NaN(), value: "1 take", reason: reason, do: "add a take, if only of the chain without the device (role: bypass)"})
}

func (s *Measured) scanOf(use string) *FileEvidence {
	for _, f := range s.Files {
		if f.Use == use {
			return f
		}
	}
	return nil
}

func (s *Measured) askDry(a *answers) {
	f := s.scanOf("dry")
	if f == nil {
		a.add(answer{outcome: result.Caution, measured: math.NaN(), value: "none",
			reason: "takes are compared with " + s.SourceName() + ": this shows whether they are one performance, in time and of one polarity, but not whether they came from one recording, nor its level into the devices",
			do:     "keep the dry recording and name it as performance: dry"})
		return
	}
	if why := s.Silence(); why != "" {
		a.add(answer{outcome: result.Caution, measured: math.NaN(), value: "silent",
			reason: why + ": nothing can be compared with it, so performance, timing and polarity against it are not measured",
			do:     "name the right file as performance: dry, or leave it out: then takes are compared with each other"})
		return
	}
	if n := clippedFrames(f); n > 0 {
		a.add(answer{outcome: result.Caution, measured: math.NaN(), value: "clipped",
			reason: fmt.Sprintf("%d of its samples are at full scale: every device got the same clipped signal, so the takes can be compared, but none shows what the guitar would have done", n),
			do:     "record the performance again with the peaks at about −6 dBFS"})
		return
	}
	a.pass("", "present", fmt.Sprintf("%s long, not clipped", f.Info.Duration()))
}

func clippedFrames(f *FileEvidence) int64 {
	var n int64
	for _, c := range f.Faults.Channels {
		n += c.ClippedFrames
	}
	return n
}

func (s *Measured) askSameFile(a *answers) {
	var twins bool
	for i, f := range s.Files {
		for _, g := range s.Files[:i] {
			if f.SHA256 != g.SHA256 || f.SHA256 == "" {
				continue
			}
			twins = true
			outcome := result.Failed
			reason := fmt.Sprintf("%s and %s are the same file, byte for byte: whatever the manifest says, there is only one recording, and this pair shows nothing", g.Name, f.Name)
			if g.Use != "take" && f.Use != "take" {
				outcome, reason = result.Caution, "the loopback is the dry recording itself, byte for byte: it does not show the reamp level"
			}
			a.add(answer{subject: g.Name + " and " + f.Name, outcome: outcome, measured: math.NaN(), value: "same bytes", reason: reason,
				do: "name the right file for each"})
			break // of several, each is named with the first
		}
	}
	if !twins {
		a.pass("", fmt.Sprintf("%d files", len(s.Files)), "all recordings have different SHA-256 sums")
	}
}

// roundedCopy returns by how much two takes differ after alignment and matching, and
// the bits of the one that has fewer, 16 or less, where the difference is no more than
// that rounding makes; 0 bits otherwise.
func (s *Measured) roundedCopy(l result.Likeness) (apart unit.DBFS, bits int) {
	limit, depths := roundingOf16, [2]int{}
	for _, f := range s.Files {
		for k, name := range []string{l.A, l.B} {
			if f.Take < 0 || f.Name != name {
				continue
			}
			depths[k] = f.depth()
			if apart = s.Result.Takes[f.Take].Measures[0].RMS + unit.DBFS(l.Residual); s.Takes[f.Take].Mics.Described {
				limit = roundingOf16 + 3
			}
		}
	}
	if bits = min(depths[0], depths[1]); depths[0] == depths[1] || bits > 16 || apart > limit {
		return apart, 0
	}
	return apart, bits
}

// repeatDeeper is how much deeper than two takes of different devices a take and
// its repeat may null.
const repeatDeeper = 30.0

// isRepeat reports whether one of two takes records the other a second time.
func (s *Measured) isRepeat(a, b string) bool {
	for _, t := range s.Result.Takes {
		if t.Name == a && t.RepeatOf == b || t.Name == b && t.RepeatOf == a {
			return true
		}
	}
	return false
}

// roundingOf16 is the most that two recordings differ by, as an rms level, where one
// is the other rounded to 16 bits: with dither of a triangular density the error is a
// quarter of a step's square, −96.3 dBFS, and some programs shape its spectrum. Two
// channels that are added have 3 dB more.
//
// Source: S. P. Lipshitz, R. A. Wannamaker and J. Vanderkooy, Quantization and dither,
// J. Audio Eng. Soc. 40(5), 1992 (from memory).
const roundingOf16 = unit.DBFS(-94)

func (s *Measured) askNearCopy(a *answers) {
	if len(s.Takes) < 2 {
		return
	}
	worst := result.Likeness{Residual: unit.DB(math.Inf(1))}
	for _, l := range s.Result.Likeness {
		// The second recording of one setting leaves no more than the noise of
		// both passes; only a copy goes far below that.
		least := a.limit.value
		repeat := s.isRepeat(l.A, l.B)
		if repeat {
			least -= repeatDeeper
		}
		if l.Residual < worst.Residual && !repeat {
			worst = l
		}
		if apart, bits := s.roundedCopy(l); repeat && float64(l.Residual) >= least && bits > 0 {
			a.add(answer{subject: l.A + " and " + l.B, outcome: result.Caution, measured: float64(l.Residual), value: unit.Format(float64(l.Residual), 1) + " dB",
				reason: fmt.Sprintf("one of the two is rounded to %d bits, and aligned and matched they differ by %s, no more than that rounding causes: the repeat could be a copy of the take, so it does not show how far two passes differ", bits, apart),
				do:     "check that the repeat is a second recording, and export both takes at the same depth"})
			continue
		}
		if float64(l.Residual) < least {
			value := unit.Format(float64(l.Residual), 1) + " dB"
			a.add(answer{subject: l.A + " and " + l.B, outcome: result.Failed, measured: float64(l.Residual), value: value,
				reason: "aligned and matched, the two cancel almost completely: it is the same recording, perhaps at another level",
				do:     "name the right file for each"})
		}
	}
	none := math.IsInf(float64(worst.Residual), 1)
	switch with := s.Result.Parameters.PairsWith; {
	case with != "":
		reason := fmt.Sprintf("each take was compared with %s only, because there are more than %d takes", with, result.AllPairs)
		if !none {
			reason += fmt.Sprintf("; the deepest null, repeats excluded, is between %s and %s and leaves %s dB", worst.A, worst.B, unit.Format(float64(worst.Residual), 1))
		}
		a.skip("", reason)
	case a.out != nil:
	case none:
		a.skip("", "no two takes could be nulled against each other")
	default:
		a.add(answer{outcome: result.Passed, measured: float64(worst.Residual), value: unit.Format(float64(worst.Residual), 1) + " dB",
			reason: fmt.Sprintf("the deepest null is between %s and %s", worst.A, worst.B)})
	}
}

// askPath asks of each take but a bypass whether it is the dry recording.
func (s *Measured) askPath(a *answers) {
	if s.Dry == nil || s.Silence() != "" {
		return // askDry has said so
	}
	for i := range s.Takes {
		c := s.Takes[i].OfDry
		t := &s.Result.Takes[i]
		least, upTo := float64(c.Least), float64(c.Deviation)
		switch {
		case s.Manifest.Bypassed(&s.Manifest.Takes[i]):
		case upTo < a.limit.value:
			a.add(answer{subject: t.Name, outcome: result.Failed, measured: upTo, value: unit.Format(upTo, 0) + " dB",
				reason: fmt.Sprintf("from %s to %s the take is the dry recording, at most at another level or with noise: anything else that follows the music is %s dB below it", c.From, c.To, unit.Format(-upTo, 0)),
				do:     "check whether the plugin was bypassed or another bus was exported, and export the take again; if nothing belongs in the path, write role: bypass"})
		case least >= a.limit.value:
			least = min(least, 0) // more than all of it would be odd to read
			a.add(answer{subject: t.Name, outcome: result.Passed, measured: least, value: unit.Format(least, 0) + " dB",
				reason: "in some octave, sound that follows the music but is not the dry recording has at least this level relative to the music"})
		default:
			a.skip(t.Name, "noise hides whether the take differs from the dry recording")
		}
	}
}

// deepEnough is from how many bits on the rounding of a file lies below the noise
// of any converter. Common practice, no source.
const deepEnough = 24

// depth is how many bits the samples of a file use: no more than it has, and fewer
// where all lie on coarser steps.
func (f *FileEvidence) depth() int {
	used := 0
	for _, c := range f.Faults.Channels {
		used = max(used, c.Depth)
	}
	if used == 0 || used >= deepEnough { // silence, or all that is told apart
		return f.Info.Bits
	}
	return min(used, f.Info.Bits)
}

// askFormat asks about the depths of the takes' files. Their sample rates are
// another matter: those that differ are refused before anything is measured, and
// askRateLabel asks whether the music keeps to the label.
func (s *Measured) askFormat(a *answers) {
	var depths []string
	takes := map[string][]string{}
	bits := map[string]int{}
	for _, f := range s.Files {
		if f.Use != "take" {
			continue
		}
		k, depth := f.Info.Encoding, f.depth()
		if depth < min(f.Info.Bits, deepEnough) {
			k = fmt.Sprintf("%d bits in a file of %s", depth, k)
		}
		if takes[k] == nil {
			depths = append(depths, k)
		}
		takes[k] = append(takes[k], f.Name)
		bits[k] = depth
	}
	if len(depths) == 1 {
		a.pass("", depths[0], "all takes")
		return
	}
	slices.SortStableFunc(depths, func(x, y string) int { return bits[y] - bits[x] })
	which := func(k string) string {
		return manifest.List(takes[k]) + map[bool]string{true: " has ", false: " have "}[len(takes[k]) == 1] + k
	}
	var deep []string
	for _, k := range depths {
		if bits[k] >= deepEnough {
			deep = append(deep, which(k))
		}
	}
	if len(deep) == len(depths) {
		a.pass("", manifest.List(depths), strings.Join(deep, "; ")+fmt.Sprintf(": the different depths are harmless, since from %d bits on the rounding is below the noise of any converter", deepEnough))
		return
	}
	for _, k := range depths {
		if bits[k] >= deepEnough {
			continue
		}
		var others []string
		for _, o := range depths {
			if o != k {
				others = append(others, which(o))
			}
		}
		a.add(answer{subject: manifest.List(takes[k]), outcome: result.Caution, measured: math.NaN(), value: k,
			reason: strings.Join(others, "; "),
			do:     fmt.Sprintf("export all takes at %d bits or more from the recording program; if the device rounds, as a bit crusher does, say so in the notes", deepEnough)})
	}
}

// askBandEdge asks whether the spectrum of a take ends where that of another goes on.
func (s *Measured) askBandEdge(a *answers) {
	var takes []*FileEvidence
	for _, f := range s.Files {
		if f.Use == "take" && f.Faults.Drops != nil {
			takes = append(takes, f)
		}
	}
	for _, f := range s.Files {
		if f.Use != "take" {
			continue
		}
		if f.Faults.Drops == nil {
			a.skip(f.Name, "it has nothing near 20 kHz")
			continue
		}
		// How much more it falls than the take that falls least there.
		var at unit.Hertz
		more, by := math.Inf(-1), unit.DB(0)
		for i, d := range f.Faults.Drops {
			least := math.Inf(1)
			for _, o := range takes {
				if o != f && i < len(o.Faults.Drops) {
					least = min(least, math.Max(0, float64(o.Faults.Drops[i].By)))
				}
			}
			if v := float64(d.By) - least; v > more && !math.IsInf(least, 1) {
				more, at, by = v, d.At, d.By
			}
		}
		if math.IsInf(more, -1) {
			a.skip(f.Name, "no other take to compare its highest frequencies with")
			continue
		}
		value, reason := "none", "its spectrum does not end between 15.75 and 22.25 kHz where another take's goes on"
		if !a.limit.allows(more) {
			value = "near " + unit.Format(float64(at)/1000, 1) + " kHz"
			reason = fmt.Sprintf("the spectrum falls there by %s dB within a kilohertz, %s dB more than another take's: it was converted to another sample rate or a lossy format, or the device works at a lower rate", unit.Format(float64(by), 0), unit.Format(more, 0))
		}
		a.judge(f.Name, math.Max(0, more), result.Caution, value, reason, "export the take again from its session, at the session's rate and not in a lossy format; if the device does it, say so in the notes")
	}
}

// askLengths asks how much of what is played each take does not reach, at its
// beginning or its end.
func (s *Measured) askLengths(a *answers) {
	rate := float64(s.Result.Timeline.SampleRate)
	var from, to int64
	if n := len(s.Activity.Playing); n > 0 {
		from, to = s.Activity.Playing[0].First, s.Activity.Playing[n-1].End()
	} else {
		to = s.timelineSource().Info.Frames
	}
	for i, sig := range s.Takes {
		if s.IsSource(i) {
			continue
		}
		name := s.Result.Takes[i].Name
		head := math.Max(0, float64(-s.Takes[i].Frame-from)) / rate
		tail := math.Max(0, float64(to-(sig.Info.Frames-s.Takes[i].Frame))) / rate
		missing := head + tail
		// A lag that is off by a few frames must not make a fault.
		if missing < 0.005 {
			missing = 0
		}
		reason := fmt.Sprintf("%s long, the %s %s", sig.Info.Duration(), s.SourceName(), s.timelineSource().Info.Duration())
		if missing > 0 {
			reason = fmt.Sprintf("%.2f s of the playing are missing at the beginning and %.2f s at the end; the rest is compared", head, tail)
		}
		a.judge(name, missing, result.Caution, unit.Format(missing, 2)+" s missing", reason, "export the take over its whole length; start recording before the performance and stop after it")
	}
}

func (s *Measured) askSections(a *answers) {
	rate := s.Result.Timeline.SampleRate
	all, source, err := s.Sections(rate)
	if err != nil || len(all) == 0 {
		a.skip("", "the performance is not divided into sections")
		return
	}
	span := map[string]int{}
	for k, sp := range s.Result.Timeline.Spans {
		if k > 0 {
			span[sp.Name] = k
		}
	}
	from := "sections from " + map[string]string{"manifest": "the manifest", "markers": "the cue markers", "pauses": "the pauses"}[source]
	// A section in which nothing is played is a matter of the manifest.
	var empty []string
	all = slices.DeleteFunc(all, func(sec Section) bool {
		if s.Played(sec) {
			return false
		}
		empty = append(empty, sec.Name)
		return true
	})
	if len(empty) > 0 {
		from += fmt.Sprintf("; the %s is silent in %s too, where nothing can be missing", s.SourceName(), manifest.List(empty))
	}
	for i, sig := range s.Takes {
		name := s.Result.Takes[i].Name
		bad := false
		for _, sec := range all {
			from, to := sec.First, min(sec.End, s.timelineSource().Info.Frames)
			have := min(to, sig.Info.Frames-s.Takes[i].Frame) - max(from, -s.Takes[i].Frame)
			lost := float64(to-from-have) / float64(rate)
			k, shared := span[sec.Name]
			silent := shared && math.IsInf(float64(s.Result.Takes[i].Measures[k].Integrated), -1)
			switch {
			case have <= 0 || silent:
				bad = true
				a.add(answer{subject: name, outcome: result.Failed, measured: math.NaN(), value: sec.Name + " missing",
					reason: map[bool]string{true: "the take is silent there", false: "the take does not reach it"}[silent] + "; it is left out for all takes",
					do:     "record or export the take over the whole performance"})
			case lost > 0.05 && lost > 0.02*float64(to-from)/float64(rate):
				bad = true
				a.add(answer{subject: name, outcome: result.Caution, measured: math.NaN(), value: fmt.Sprintf("%.2f s of %s missing", lost, sec.Name),
					reason: "the section is cut to what every take has", do: "record or export the take over the whole performance"})
			}
		}
		if !bad {
			a.pass(name, fmt.Sprintf("%d of %d", len(all), len(all)), from)
		}
	}
}

func (s *Measured) askHeadroom(a *answers) {
	for _, f := range s.Files {
		c, p := f.highest()
		value := fmt.Sprintf("%s, %s", p.Sample, p.True)
		reason := "sample and true peak of the file on disk"
		switch n := len(f.Channels); {
		case n > 2:
			reason += fmt.Sprintf(", highest in channel %d", f.Channels[c])
		case n == 2:
			reason += fmt.Sprintf(", higher in channel %d", f.Channels[c])
		case f.Info.Channels > 1:
			reason += fmt.Sprintf(": only channel %d is used", f.Channels[c])
		}
		if p.True > 0 && p.Sample <= 0 {
			reason += "; between samples the waveform exceeds full scale"
		}
		a.judge(f.Name, float64(p.Sample), result.Caution, value, reason, "lower the recording level until peaks stay at about −6 dBFS; headroom costs nothing at 24 bits")
	}
}
