package cut

import (
	"context"
	"fmt"
	"math"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// section is what every take plays in turn, in frames of the takes' files.
type section struct {
	name       string
	first, end int64
	// from is the frame of the camera, counted in the takes' files, at which every block
	// of the section begins, and frames how many frames of the camera each has.
	from    int64
	frames  []int64
	inPause bool // the end
	level   unit.DBFS
	rise    unit.DB
}

// sections returns what is played in turn: those of Options.Sections, all, or the
// whole performance when there are none.
func (p *plan) sections() ([]section, error) {
	spans := p.res.Timeline.Spans
	var names []string
	for _, s := range spans[1:] {
		names = append(names, s.Name)
	}
	if len(names) == 0 {
		if p.o.Sections != nil {
			return nil, bad("sections", "the comparison has no sections; list them in the manifest, or remove --sections to play the whole performance")
		}
		return []section{newSection("", 0, p.frames)}, nil
	}
	chosen, err := pick("sections", "section", p.o.Sections, names)
	if err != nil {
		return nil, err
	}
	if p.o.Sections == nil {
		for i := range names {
			chosen = append(chosen, i)
		}
	}
	var out []section
	for _, i := range chosen {
		out = append(out, p.section(spans[i+1]))
	}
	return out, nil
}

func (p *plan) section(s result.Span) section {
	first, end := p.frameOf(int64(s.FirstFrame), false), p.frameOf(int64(s.FirstFrame+s.Frames), false)
	return newSection(s.Name, max(0, first), min(end, p.frames))
}

func newSection(name string, first, end int64) section {
	return section{name: name, first: first, end: end, level: unit.DBFS(math.NaN()), rise: unit.DB(math.NaN())}
}

// layTurns gives every block its take. Where they begin is known once the takes are
// written, see placeTurns; until then they are as long as their sections.
func (p *plan) layTurns(order []int) {
	voiceOf := map[int]int{}
	for v := range p.voices {
		voiceOf[p.voices[v].take] = v
	}
	at := p.lead
	for _, s := range p.turns {
		for _, take := range order {
			p.parts = append(p.parts, newPart(voiceOf[take], s.name, at, s.first))
			at += s.end - s.first
		}
	}
	p.finish(at)
}

// placeTurns finds the block of each section and puts them one after the other.
func (p *plan) placeTurns(ctx context.Context, dir string) error {
	each := len(p.parts) / len(p.turns)
	lengths, err := p.blockLengths()
	if err != nil {
		return err
	}
	frame := p.framesIn(p.o.Title)
	i := 0
	for k := range p.turns {
		if err := ctx.Err(); err != nil {
			return err
		}
		s := &p.turns[k]
		// A frame of the camera at which the fade into the block can end before the
		// section begins.
		s.from = p.fps.FrameAt(max(0, s.first-p.fade), p.rate)
		if lengths == nil {
			err = p.wholeSection(dir, s, each)
		} else {
			s.frames = lengths[k*each : (k+1)*each]
			err = p.excerpt(s)
		}
		if err != nil {
			return err
		}
		for _, n := range s.frames {
			x := &p.parts[i]
			x.cut, x.source = p.fps.Sample(frame, p.rate), p.fps.Sample(s.from, p.rate)
			x.nominal = x.cut
			if i > 0 { // the fade is also the end of the one before
				x.inPause = x.inPause && p.inPause(max(0, x.source-p.fade/2), x.source+p.fade/2)
			}
			frame += n
			i++
			if i < len(p.parts) {
				y := &p.parts[i]
				y.inPause, y.level, y.rise = s.inPause, s.level, s.rise
			}
		}
	}
	p.finish(p.fps.Sample(frame, p.rate))
	return nil
}

// blockLengths returns how many frames of the camera each block has when that is
// stated, else nil.
func (p *plan) blockLengths() ([]int64, error) {
	n := int64(len(p.parts))
	least := p.framesIn(minPart)
	out := make([]int64, n)
	switch {
	case p.o.Excerpt != 0:
		for i := range out {
			out[i] = p.framesIn(p.o.Excerpt)
		}
	case p.o.Total != 0:
		cards := p.framesIn(p.o.Title) + p.framesIn(p.o.Closing)
		all := p.framesIn(p.o.Total) - cards
		if all < n*least {
			num, den := p.fps.PerSecond()
			return nil, bad("total", "%g s leave %.2f s for each of %d blocks; allowed here: %.1f s or more, so that each has %g s",
				float64(p.o.Total), max(0, float64(all*den)/float64(num*n)), n, float64((n*least+cards)*den)/float64(num), float64(minPart))
		}
		for i := range out {
			out[i] = all / n
			if int64(i) < all%n {
				out[i]++
			}
		}
	default:
		return nil, nil
	}
	return out, nil
}

// wholeSection lets every block of a section end with it, at the frame nearby where that
// is heard least in any of its takes.
func (p *plan) wholeSection(dir string, s *section, each int) error {
	half := p.fade / 2
	least := s.from + p.framesIn(minPart)
	var candidates []int64
	for k := max(least, p.fps.FrameAt(s.end-p.reach(), p.rate)); ; k++ {
		at := p.fps.Sample(k, p.rate)
		if at > s.end+p.reach() || at+half > p.frames {
			break
		}
		if at+half <= s.end || p.inPause(s.end, at+half) {
			candidates = append(candidates, at)
		}
	}
	if candidates == nil {
		// The last frame whose fade ends with the section.
		k := p.fps.FrameAt(s.end-half, p.rate)
		if k < least {
			return bad("sections", "section %q has %.2f s; a block of an edit has at least %g s", s.name, float64(s.end-s.first)/float64(p.rate), float64(minPart))
		}
		candidates = append(candidates, p.fps.Sample(k, p.rate))
	}
	var voices []int
	for i := range p.parts {
		if p.parts[i].section == s.name && len(voices) < each {
			voices = append(voices, p.parts[i].voice)
		}
	}
	best, err := p.quietest(dir, voices, candidates, s.end)
	if err != nil {
		return err
	}
	s.inPause, s.level, s.rise = best.inPause, best.level, best.rise
	n := p.fps.FrameAt(best.at, p.rate) - s.from
	for range each {
		s.frames = append(s.frames, n)
	}
	return nil
}

// excerpt looks for the beginning of blocks of a stated length: that of the section,
// unless a later one lies in a pause and makes the end lie in one.
func (p *plan) excerpt(s *section) error {
	n, half := s.frames[0], p.fade/2 // the longest
	at := func(k int64) int64 { return p.fps.Sample(k, p.rate) }
	// A frame may be lost to the grid of the camera.
	if length, has := at(n), s.end-s.first; length > has+at(1) {
		option, stated := "excerpt", p.o.Excerpt
		if p.o.Total != 0 {
			option, stated = "total", p.o.Total
		}
		name := "the performance"
		if s.name != "" {
			name = "section \"" + s.name + "\""
		}
		blocks := ""
		if option == "total" {
			blocks = " in blocks of " + unit.Format(float64(length)/float64(p.rate), 2) + " s"
		}
		return bad(option, "%g s%s is longer than %s, which has %.2f s; state a shorter length, or name other sections with --sections",
			float64(stated), blocks, name, float64(has)/float64(p.rate))
	}
	ends := func(k int64) bool { return p.inPause(at(k+n)-half, at(k+n)+half) }
	if !ends(s.from) {
		found, idle := int64(-1), int64(0)
		for k := s.from + 1; at(k+n)+half <= s.end; k++ {
			until := p.pauseUntil(at(k)-half, at(k)+half)
			// The later in its pause, the less silence before the first note; of
			// several pauses the first.
			if until > 0 && ends(k) && (found < 0 || at(k) < at(found)+idle) {
				found, idle = k, until-at(k)
			}
		}
		if found >= 0 {
			s.from = found
		}
	}
	s.inPause = ends(s.from)
	if !s.inPause {
		p.note("%sthe excerpt ends while takes play: no pause is at its end", s.prefix())
	}
	return nil
}

// inTurnPrefix begins Record.Changes of an edit in turns.
const inTurnPrefix = "in turn, "

// inTurn says what plays in turn: "each section through every take", or the sections, and
// how long.
func (p *plan) inTurn() string {
	what := "the performance"
	switch {
	case p.o.Sections != nil:
		var names []string
		for _, s := range p.turns {
			names = append(names, s.name)
		}
		what = manifest.List(names)
	case p.turns[0].name != "":
		what = "each section"
	}
	if p.o.Excerpt != 0 || p.o.Total != 0 {
		n := p.turns[0].frames[0]
		what = fmt.Sprintf("%s s of %s", unit.Format(float64(p.fps.Sample(n, p.rate))/float64(p.rate), 2), what)
	}
	return what + " through every take"
}

func (s *section) prefix() string {
	if s.name == "" {
		return ""
	}
	return s.name + ": "
}
