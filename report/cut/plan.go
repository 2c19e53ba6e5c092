package cut

import (
	"fmt"
	"math"
	"path"
	"slices"
	"sort"
	"strings"

	"evenhand/analyze"
	"evenhand/analyze/loudness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/resample"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
	"evenhand/report/cut/timecode"
)

// plan is an edit being made.
type plan struct {
	s         *analyze.Session
	res       *result.Result
	o         Options
	fps       timecode.Rate
	start     int64 // frame of the camera at the first sample
	rate      int
	frames    int64 // of every take's file
	lead      int64 // of the title: the frame of the edit at which the first take begins
	sound     int64 // the frame of the edit after the last take
	length    int64 // frames of the edit, with the closing
	fade      int64 // frames, even
	whole     result.Span
	target    unit.LUFS // of every take's file
	voices    []voice
	parts     []part
	turns     []section // with Options.Turns: what the parts play, section after section
	edit      measured
	notes     []string
	shortened []string // texts that the pictures have in part, whole
	// unheard are the takes, as shown, that are there as files only.
	unheard []string
}

// voice is a take in the edit: its name or letter and its own file.
type voice struct {
	take  int    // place in the manifest
	shown string // name, or letter
	stem  string // the beginning of the names of its files
	file  string
	trim  unit.DB // beyond the session's gain, for what the conversion did
	measured
}

// part is a stretch of the edit with one take.
type part struct {
	voice   int
	section string
	cut     int64 // first frame: the middle of the fade into it
	source  int64 // frame of the voice's file that is heard at cut
	nominal int64 // where the cut was wanted
	inPause bool
	level   unit.DBFS // of the louder take during the fade
	rise    unit.DB   // greatest rise of either around the fade
	// loudness is that of the part alone, as a clip of its own.
	loudness unit.LUFS
	// correlation is that of the two takes in the fade, and used what the fade is made
	// for; 1 where one of them is silence.
	correlation, used unit.Number
}

type measured struct {
	loudness.Measurement
	info   wavio.Info
	sha256 string
	bytes  int64
}

func newPlan(s *analyze.Session, o Options) (*plan, error) {
	fps, err := timecode.Parse(o.FPS)
	if err != nil {
		return nil, bad("fps", "%v", err)
	}
	start, err := fps.Frame(o.Start)
	if err != nil {
		return nil, bad("start", "%v", err)
	}
	p := &plan{s: s, res: s.Result, o: o, fps: fps, start: start, rate: o.Rate, whole: s.Result.Timeline.Spans[0], notes: []string{}}
	p.fade = 2 * max(1, int64(math.Round(float64(o.Fade)*float64(o.Rate)/2)))
	p.frames = p.frameOf(int64(p.whole.FirstFrame+p.whole.Frames), true)
	order, err := takeOrder(o, s.Manifest)
	if err != nil {
		return nil, err
	}
	p.lead = fps.Sample(p.framesIn(o.Title), p.rate)
	if o.Turns {
		if p.turns, err = p.sections(); err != nil {
			return nil, err
		}
		p.cast(order, len(order)*len(p.turns))
		p.layTurns(order)
	} else {
		wanted, sections, err := p.wanted()
		if err != nil {
			return nil, err
		}
		p.cast(order, len(wanted)+1)
		p.layParts(order, wanted, sections)
		p.finish(p.lead + p.frames)
	}
	p.noteWithheld()
	return p, nil
}

// framesIn returns how many frames of the camera are nearest to a length.
func (p *plan) framesIn(s unit.Seconds) int64 {
	num, den := p.fps.PerSecond()
	return int64(math.Round(float64(s) * float64(num) / float64(den)))
}

// finish says where the last take ends; the closing begins at the next frame of the camera.
func (p *plan) finish(sound int64) {
	p.sound, p.length = sound, sound
	if n := p.framesIn(p.o.Closing); n > 0 {
		p.length = p.fps.Sample(p.fps.FrameAt(sound-1, p.rate)+1+n, p.rate)
	}
}

// noteWithheld says that the edit holds recordings that may not be passed on.
// When takes are to be guessed it does not say which.
func (p *plan) noteWithheld() {
	var names []string
	for _, v := range p.voices {
		if p.s.Withheld(v.take) {
			names = append(names, v.shown)
		}
	}
	switch {
	case names == nil:
	case p.o.Shuffle:
		p.note("the edit and a file in %s hold a recording that is marked redistribute: no: they are for the author's own use; do not publish them without permission", takesDir)
	default:
		p.note("the edit and the files in %s hold recordings that are marked redistribute: no (%s): they are for the author's own use; do not publish them without permission", takesDir, manifest.Join(names))
	}
}

// frameOf turns a frame of the timeline into one of the edit: the nearest, or
// with up the next one at or after it.
func (p *plan) frameOf(timeline int64, up bool) int64 {
	n := (timeline - int64(p.whole.FirstFrame)) * int64(p.rate)
	src := int64(p.res.Timeline.SampleRate)
	if up {
		return (n + src - 1) / src
	}
	return (2*n + src) / (2 * src)
}

// cast gives every take that is needed its name or letter and its file. Letters
// follow the order of playing, names that of the manifest, so that neither
// folder nor record shows more than it should.
func (p *plan) cast(order []int, parts int) {
	takes := []int{}
	if p.o.Shuffle {
		takes = append(takes, order...)
	} else {
		for i := range p.res.Takes {
			takes = append(takes, i)
		}
	}
	for k, t := range takes {
		v := voice{take: t, shown: p.res.Takes[t].Name}
		if p.o.Shuffle {
			v.shown = letter(k)
		}
		v.stem = stem(k+1, len(takes), v.shown)
		v.file = path.Join(takesDir, v.stem+"_matched_"+format(p.rate)+".wav")
		p.voices = append(p.voices, v)
	}
	if aside := len(p.res.Takes) - len(takes); p.o.Shuffle && aside > 0 {
		p.note("not among the takes to guess: %d of %d; --include or --order adds them", aside, len(p.res.Takes))
	}
	var late, aside []string
	for _, v := range p.voices {
		switch {
		case slices.Contains(order[:min(parts, len(order))], v.take):
			continue
		case slices.Contains(order, v.take):
			late = append(late, v.shown)
		default:
			aside = append(aside, v.shown)
		}
		p.unheard = append(p.unheard, v.shown)
	}
	if late != nil {
		p.note("not heard in the edit, only as files in %s: %s; it has room for %d of %d takes, and --every, or a shorter one, makes more", takesDir, manifest.Join(late), parts, len(order))
	}
	if aside != nil {
		p.note("not heard in the edit, only as files in %s: %s; --include or --order adds them", takesDir, manifest.Join(aside))
	}
}

func (p *plan) note(format string, args ...any) {
	p.notes = append(p.notes, fmt.Sprintf(format, args...))
}

// wanted returns where cuts are wanted, in frames of the edit, and the section
// of each stretch between them ("" for none).
func (p *plan) wanted() ([]int64, []string, error) {
	type start struct {
		name       string
		first, end int64
	}
	var secs []start
	for _, sp := range p.res.Timeline.Spans[1:] {
		secs = append(secs, start{sp.Name, p.frameOf(int64(sp.FirstFrame), false), p.frameOf(int64(sp.FirstFrame+sp.Frames), false)})
	}
	sort.SliceStable(secs, func(a, b int) bool { return secs[a].first < secs[b].first })
	least := int64(math.Ceil(float64(minPart) * float64(p.rate)))
	if p.o.Every.zero() {
		if len(secs) < 2 {
			return nil, nil, bad("every", "the comparison has no sections to change takes between; list them in the manifest, or state a length such as --every 4s")
		}
		cuts, names := []int64{}, []string{secs[0].name}
		last, end := int64(0), secs[0].end
		for _, sec := range secs[1:] {
			at := sec.first
			if sec.first > end {
				at = (end + sec.first) / 2
			}
			end = max(end, sec.end)
			if at-last < least || p.frames-at < least {
				p.note("no change of take at section %q: less than %g s from the one before or from an end", sec.name, float64(minPart))
				names[len(names)-1] += ", " + sec.name
				continue
			}
			cuts, names, last = append(cuts, at), append(names, sec.name), at
		}
		if len(cuts) == 0 {
			return nil, nil, bad("every", "the sections leave no place for a change of take; state a length such as --every 4s")
		}
		return cuts, names, nil
	}
	from := int64(0)
	switch {
	case p.o.From != nil:
		from = int64(math.Round(float64(*p.o.From) * float64(p.rate)))
	case p.o.Every.Bars && len(secs) > 0:
		from = max(0, secs[0].first)
	}
	length := float64(p.frames) / float64(p.rate)
	var cuts []int64
	for n := int64(0); ; n++ {
		at := p.o.Every.at(n, from, p.rate)
		if p.frames-at < least {
			break
		}
		if n == 0 || at < least {
			continue // the first stretch holds what comes before counting begins
		}
		cuts = append(cuts, at)
	}
	if len(cuts) == 0 {
		return nil, nil, bad("every", "%s, %.3f s from %.3f s on, leaves no place for a change of take in the performance of %.3f s; allowed here: up to %.3f s",
			p.o.Every.Written, float64(p.o.Every.Seconds()), float64(from)/float64(p.rate), length, math.Max(0, length-float64(from)/float64(p.rate)-float64(minPart)))
	}
	names := make([]string, len(cuts)+1)
	for i := range names {
		a, b := int64(0), p.frames
		if i > 0 {
			a = cuts[i-1]
		}
		if i < len(cuts) {
			b = cuts[i]
		}
		for _, sec := range secs {
			if sec.first <= (a+b)/2 {
				names[i] = sec.name
			}
		}
	}
	return cuts, names, nil
}

// layParts gives the stretches their takes. Neighbours of one take become one.
func (p *plan) layParts(order []int, wanted []int64, sections []string) {
	voiceOf := map[int]int{}
	for v := range p.voices {
		voiceOf[p.voices[v].take] = v
	}
	for i, name := range sections {
		v := voiceOf[order[i%len(order)]]
		if n := len(p.parts); n > 0 && p.parts[n-1].voice == v {
			p.note("no cut at %.3f s: %s goes on", float64(wanted[i-1])/float64(p.rate), p.voices[v].shown)
			if last := &p.parts[n-1]; name != "" && last.section != name {
				last.section = strings.TrimPrefix(last.section+", "+name, ", ")
			}
			continue
		}
		at := int64(0)
		if i > 0 {
			at = wanted[i-1]
		}
		p.parts = append(p.parts, newPart(v, name, p.lead+at, at))
	}
}

// newPart is a part that is wanted at a frame of the edit and plays from a frame of its
// voice's file.
func newPart(voice int, section string, wanted, source int64) part {
	return part{voice: voice, section: section, nominal: wanted, cut: wanted, source: source,
		level: unit.DBFS(math.NaN()), rise: unit.DB(math.NaN()), correlation: 1, used: 1}
}

// leastDip is the least dip of the level in dB, and dipFloor the least level in dBFS, that
// are worth a note: common practice, no source.
const (
	leastDip = 1
	dipFloor = -50
)

// noteDips says at which cuts the level dips, because what both takes share cancels in
// the fade. When takes are to be guessed it would tell them apart.
func (p *plan) noteDips() {
	var cuts []string
	worst := 0.0
	for i := 1; i < len(p.parts); i++ {
		x := p.parts[i]
		dip := -10 * math.Log10(math.Max(0.001, 2*float64(1+x.correlation)))
		if x.correlation < leastCorrelation && dip >= leastDip && x.level > dipFloor && !x.inPause {
			worst = math.Max(worst, dip)
			cuts = append(cuts, fmt.Sprintf("%s (%s to %s)", p.timecode(x.cut), p.voices[p.parts[i-1].voice].shown, p.voices[x.voice].shown))
		}
	}
	why := "what the two takes share has opposite polarity, and no pause is near; invert one of the recordings, or let cut look further with --reach"
	if p.o.Turns {
		why = "the two takes cancel in part there; state another --fade, or --excerpt, if that is heard"
	}
	switch n := len(cuts); {
	case n == 0:
	case p.o.Shuffle:
		p.note("at %d of %d cuts the level dips by up to %s dB", n, len(p.parts)-1, unit.Format(worst, 1))
	default:
		if n > toldCuts {
			cuts = append(cuts[:toldCuts:toldCuts], fmt.Sprintf("%d more", n-toldCuts))
		}
		p.note("at %s the level dips by up to %s dB: %s", manifest.List(cuts), unit.Format(worst, 1), why)
	}
}

// toldCuts is how many cuts a note names.
const toldCuts = 3

// end returns the frame after part i.
func (p *plan) end(i int) int64 {
	if i+1 < len(p.parts) {
		return p.parts[i+1].cut
	}
	return p.sound
}

// fadeIn returns the frames of the fade into part i, equal for none: about the cut, or
// from silence after it.
func (p *plan) fadeIn(i int) (from, to int64) {
	cut := p.parts[i].cut
	switch {
	case i > 0:
		return cut - p.fade/2, cut + p.fade/2
	case p.lead > 0 || p.o.Turns:
		return cut, cut + p.fade
	}
	return cut, cut
}

// fadeOut returns the frames of the fade out of part i, equal for none: that into the
// next part, or to silence before the end of the last.
func (p *plan) fadeOut(i int) (from, to int64) {
	switch {
	case i+1 < len(p.parts):
		return p.fadeIn(i + 1)
	case p.length > p.sound || p.o.Turns:
		return p.sound - p.fade, p.sound
	}
	return p.sound, p.sound
}

func (p *plan) resampled() bool { return p.rate != p.res.Timeline.SampleRate }

func (p *plan) channels() int { return p.s.Channels(p.voices[0].take) }

// work is how much there is to do, for Options.Progress, in frames.
func (p *plan) work() int64 {
	passes := 2 * len(p.voices)
	if p.resampled() {
		passes += len(p.voices)
	}
	return p.frames*int64(passes) + 2*p.length
}

// conversion says in words how the sample rate was converted.
func (p *plan) conversion() string {
	if !p.resampled() {
		return "none: the session has this rate"
	}
	from, to := p.res.Timeline.SampleRate, p.rate
	return fmt.Sprintf("from %d Hz to %d Hz by a Kaiser-windowed sinc of linear phase, delay taken out; flat to %.0f Hz, %d dB down from %.0f Hz by design",
		from, to, resample.PassBand(from, to), resample.Attenuation, resample.StopBand(from, to))
}
