package fairness

import (
	"math"
	"slices"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// fileQuestions ask about the recordings as files.
func fileQuestions() []question {
	return []question{
		{IDTakes, result.GroupFiles, limit{}, (*Measured).askTakes},
		{IDDry, result.GroupFiles, limit{}, (*Measured).askDry},
		{IDSameFile, result.GroupFiles, limit{}, (*Measured).askSameFile},
		{IDNearCopy, result.GroupFiles, atLeast(-60, "dB", 0, -120, 0), (*Measured).askNearCopy},
		{IDPath, result.GroupFiles, atLeast(-40, "dB", 0, -100, -20), (*Measured).askPath},
		{IDFormat, result.GroupFiles, limit{}, (*Measured).askFormat},
		{IDBandEdge, result.GroupFiles, atMost(12, "dB", 0, 1, 100), (*Measured).askBandEdge},
		{IDLengths, result.GroupFiles, atMost(0, "s", 2, 0, 3600), (*Measured).askLengths},
		{IDSections, result.GroupFiles, limit{}, (*Measured).askSections},
		{IDHeadroom, result.GroupFiles, atMost(-6, "dBFS", 1, -60, 0), (*Measured).askHeadroom},
	}
}

func (s *Measured) askTakes(a *answers) {
	switch {
	case len(s.Takes) > 1:
		a.pass("", "takes", "takes", len(s.Takes), "with", s.Result.Parameters.PairsWith, "dry", s.Dry != nil)
	case s.Dry != nil:
		a.caution("", "one-and-dry")
	default:
		a.caution("", "one")
	}
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
		a.caution("", "none", "source", s.sourceTake())
		return
	}
	if why := s.Silence(); why != nil {
		a.caution("", "silent", "why", *why)
		return
	}
	if n := clippedFrames(f); n > 0 {
		a.caution("", "clipped", "frames", n)
		return
	}
	a.pass("", "present", "length_s", f.Info.Duration())
}

func clippedFrames(f *FileEvidence) int64 {
	var n int64
	for _, c := range f.Faults.Channels {
		n += c.ClippedFrames
	}
	return n
}

func (s *Measured) askSameFile(a *answers) {
	for i, f := range s.Files {
		for _, g := range s.Files[:i] {
			if f.SHA256 != g.SHA256 || f.SHA256 == "" {
				continue
			}
			if subject := g.Name + " and " + f.Name; g.Use != "take" && f.Use != "take" {
				a.caution(subject, "loopback")
			} else {
				a.fail(subject, "same")
			}
			break // of several, each is named with the first
		}
	}
	if a.out == nil {
		a.pass("", "different", "files", len(s.Files))
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
		least := float64(a.limit.Value)
		repeat := s.isRepeat(l.A, l.B)
		if repeat {
			least -= repeatDeeper
		}
		if l.Residual < worst.Residual && !repeat {
			worst = l
		}
		subject, residual := l.A+" and "+l.B, float64(l.Residual)
		if apart, bits := s.roundedCopy(l); repeat && residual >= least && bits > 0 {
			a.add(subject, result.Caution, residual, "rounded", "bits", bits, "apart_dbfs", apart)
			continue
		}
		if residual < least {
			a.add(subject, result.Failed, residual, "copy")
		}
	}
	deepest := []any{"a", worst.A, "b", worst.B}
	none := math.IsInf(float64(worst.Residual), 1)
	switch with := s.Result.Parameters.PairsWith; {
	case with != "":
		if !none {
			deepest = append(deepest, "residual_db", worst.Residual)
		}
		a.skip("", "pairs-with", append(deepest, "with", with, "most", result.AllPairs)...)
	case a.out != nil:
	case none:
		a.skip("", "none")
	default:
		a.add("", result.Passed, float64(worst.Residual), "different", deepest...)
	}
}

// askPath asks of each take but a bypass whether it is the dry recording.
func (s *Measured) askPath(a *answers) {
	if s.Dry == nil || s.Silent {
		return // askDry has said so
	}
	for i := range s.Takes {
		c := s.Takes[i].OfDry
		name := s.Result.Takes[i].Name
		least, upTo := float64(c.Least), float64(c.Deviation)
		switch limit := float64(a.limit.Value); {
		case s.Manifest.Bypassed(&s.Manifest.Takes[i]):
		case upTo < limit:
			a.add(name, result.Failed, upTo, "dry", "from_hz", c.From, "to_hz", c.To, "below_db", -upTo)
		case least >= limit:
			a.add(name, result.Passed, min(least, 0), "device") // more than all of it would be odd to read
		default:
			a.skip(name, "hidden-by-noise")
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
	type depth struct {
		bits, in int // in is 0 where the file has as many
		encoding string
		takes    []string
	}
	var depths []*depth
	for _, f := range s.Files {
		if f.Use != "take" {
			continue
		}
		d := depth{bits: f.depth(), encoding: f.Info.Encoding}
		if d.bits < min(f.Info.Bits, deepEnough) {
			d.in = f.Info.Bits
		}
		k := slices.IndexFunc(depths, func(o *depth) bool {
			return o.encoding == d.encoding && o.in == d.in && (d.in == 0 || o.bits == d.bits)
		})
		if k < 0 {
			k, depths = len(depths), append(depths, &d)
		}
		depths[k].takes = append(depths[k].takes, f.Name)
	}
	said := func(d *depth) result.Text {
		if d.in > 0 {
			return result.Say("depth.less", "bits", d.bits, "encoding", d.encoding)
		}
		return result.Say("depth", "encoding", d.encoding)
	}
	which := func(d *depth) result.Text {
		return result.Say("depth.of", "takes", d.takes, "several", len(d.takes) > 1, "depth", said(d))
	}
	if len(depths) == 1 {
		a.pass("", "one", "depth", said(depths[0]))
		return
	}
	slices.SortStableFunc(depths, func(x, y *depth) int { return y.bits - x.bits })
	var all, deep []result.Text
	for _, d := range depths {
		all = append(all, said(d))
		if d.bits >= deepEnough {
			deep = append(deep, which(d))
		}
	}
	if len(deep) == len(depths) {
		a.pass("", "deep", "depths", all, "which", deep, "bits", deepEnough)
		return
	}
	for _, d := range depths {
		if d.bits >= deepEnough {
			continue
		}
		var others []result.Text
		for _, o := range depths {
			if o != d {
				others = append(others, which(o))
			}
		}
		a.caution(manifest.List(d.takes), "coarse", "depth", said(d), "others", others, "bits", deepEnough)
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
			a.skip(f.Name, "nothing")
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
			a.skip(f.Name, "alone")
			continue
		}
		if more = math.Max(0, more); a.limit.Allows(more) {
			a.judge(f.Name, more, result.Caution, "none")
		} else {
			a.judge(f.Name, more, result.Caution, "edge", "at_hz", at, "by_db", by)
		}
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
		if missing > 0 {
			a.judge(name, missing, result.Caution, "missing", "head_s", head, "tail_s", tail)
		} else {
			a.judge(name, 0, result.Caution, "whole", "length_s", sig.Info.Duration(), "source", s.sourceTake(), "of_s", s.timelineSource().Info.Duration())
		}
	}
}

func (s *Measured) askSections(a *answers) {
	rate := s.Result.Timeline.SampleRate
	all, source, err := s.Sections(rate)
	if err != nil || len(all) == 0 {
		a.skip("", "none")
		return
	}
	span := map[string]int{}
	for k, sp := range s.Result.Timeline.Spans {
		if k > 0 {
			span[sp.Name] = k
		}
	}
	// A section in which nothing is played is a matter of the manifest.
	var empty []string
	all = slices.DeleteFunc(all, func(sec Section) bool {
		if s.Played(sec) {
			return false
		}
		empty = append(empty, sec.Name)
		return true
	})
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
				a.fail(name, "missing", "section", sec.Name, "silent", silent)
			case lost > 0.05 && lost > 0.02*float64(to-from)/float64(rate):
				bad = true
				a.caution(name, "cut", "section", sec.Name, "lost_s", lost)
			}
		}
		if !bad {
			a.pass(name, "all", "sections", len(all), source, true, "empty", empty, "source", s.sourceTake())
		}
	}
}

func (s *Measured) askHeadroom(a *answers) {
	for _, f := range s.Files {
		c, p := f.highest()
		with := []any{"true_peak_dbtp", p.True, "between", p.True > 0 && p.Sample <= 0}
		switch n := len(f.Channels); {
		case n > 2:
			with = append(with, "highest", f.Channels[c])
		case n == 2:
			with = append(with, "higher", f.Channels[c])
		case f.Info.Channels > 1:
			with = append(with, "only", f.Channels[c])
		}
		a.judge(f.Name, float64(p.Sample), result.Caution, "peaks", with...)
	}
}
