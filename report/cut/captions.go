package cut

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/csvtext"
)

// settingsLine says what sets a take apart, beneath its name: for every slot the
// device and the controls that differ between takes, "fuzz Splitting: edge 2, tone
// 7; amp: volume noon". A device of the take's own name is not named again, a
// setting that is not stated and notes are left out; "" when all are equal.
func settingsLine(res *result.Result, take int) string {
	return settingsOf(res, take, func(r result.SettingRow) bool { return r.Differs }, res.Takes[take].Name)
}

// underTest is settingsLine with all that is known of the slot that the
// comparison varies, also what happens to be the same there.
func underTest(res *result.Result, take int) string {
	return settingsOf(res, take, func(r result.SettingRow) bool {
		return r.Differs || r.Varied && (r.Control || r.Name != "kind")
	}, "")
}

// settingsOf names the settings of a take that tell says to tell, but for a
// device of this name.
func settingsOf(res *result.Result, take int, tell func(result.SettingRow) bool, but string) string {
	var slots []string
	for _, s := range res.Settings.Slots {
		device, shown := "", false
		var rest []string
		for _, r := range s.Rows {
			if !tell(r) || take >= len(r.Values) || r.Name == "notes" && !r.Control {
				continue
			}
			v := r.Values[take]
			switch {
			case r.Name == "device" && !r.Control:
				shown = true
				switch {
				case !v.Stated:
					device = "none"
				case v.Written != but:
					device = v.Written
				}
			case v.Stated:
				rest = append(rest, r.Name+" "+v.Written)
			}
		}
		line := strings.TrimSpace(s.Slot + " " + device)
		if rest != nil {
			line += ": " + strings.Join(rest, ", ")
		} else if !shown || device == "" {
			continue
		}
		slots = append(slots, oneLine(line))
	}
	if m := blended(res.Takes[take]); m != "" && micsDiffer(res) {
		slots = append(slots, m)
	}
	return strings.Join(slots, "; ")
}

// blended names the two microphones of a take, "" for none.
func blended(t result.Take) string {
	var mics []string
	for _, m := range t.Mics {
		mics = append(mics, m.Name+" ("+strings.Join(nonEmpty(m.Position, m.Blend.String()), ", ")+")")
	}
	if mics == nil {
		return ""
	}
	return oneLine("blend of " + strings.Join(mics, " and "))
}

// micsDiffer reports whether not every take has the same two microphones.
func micsDiffer(res *result.Result) bool {
	return slices.ContainsFunc(res.Takes, func(t result.Take) bool { return blended(t) != blended(res.Takes[0]) })
}

// oneLine makes a text fit one line of a caption or a list.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// milliseconds returns the time of a sample, nearest, halves up.
func milliseconds(sample int64, rate int) int64 {
	return (2000*sample + int64(rate)) / (2 * int64(rate))
}

func clock(ms int64, point string) string {
	return fmt.Sprintf("%02d:%02d:%02d%s%03d", ms/3600000, ms/60000%60, ms/1000%60, point, ms%1000)
}

// The size of a caption, in lines and in letters of a line: common practice, no source.
const (
	captionLines = 2
	captionWide  = 42
)

// caption is what is shown during a part: its take, and below that, where the name leaves a
// line, its settings. The description has in full what is shortened.
func caption(x Part) []string {
	lines := breakLines(oneLine(x.Take), captionWide, captionLines)
	if x.Settings != "" && len(lines) < captionLines {
		lines = append(lines, breakLines(oneLine(x.Settings), captionWide, captionLines-len(lines))...)
	}
	return lines
}

// breakLines breaks a text at its spaces into at most most lines of at most wide letters.
// What does not fit is left out, and an ellipsis says so.
func breakLines(s string, wide, most int) []string {
	var lines []string
	for rest := []rune(s); len(rest) > 0; {
		if len(rest) <= wide {
			return append(lines, string(rest))
		}
		room := wide
		if last := len(lines) == most-1; last {
			room -= 2 // for the ellipsis
		}
		// Up to the last space, or through a word that is longer than the line.
		at := room
		for at > 0 && rest[at] != ' ' {
			at--
		}
		if at == 0 {
			at = room
		}
		line := string(rest[:at])
		if len(lines) == most-1 {
			return append(lines, strings.TrimRight(line, " ,;:")+" …")
		}
		lines = append(lines, line)
		rest = []rune(strings.TrimLeft(string(rest[at:]), " "))
	}
	return lines
}

// webVTT returns captions: a cue for each part, from cut to cut.
//
// Source: W3C, WebVTT: The Web Video Text Tracks Format (from memory).
func webVTT(r *Record) string {
	escape := strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")
	var b strings.Builder
	b.WriteString("WEBVTT\n")
	for i, x := range r.Parts {
		fmt.Fprintf(&b, "\n%d\n%s --> %s\n", i+1, clock(milliseconds(x.First, r.SampleRate), "."), clock(milliseconds(x.End, r.SampleRate), "."))
		for _, l := range caption(x) {
			b.WriteString(escape.Replace(l) + "\n")
		}
	}
	return b.String()
}

// subRip returns the same captions in the form that most editors read. It has
// no standard and no way to write a character that players take for markup, so
// angle brackets and braces become round ones.
func subRip(r *Record) string {
	escape := strings.NewReplacer("<", "(", ">", ")", "{", "(", "}", ")")
	var b strings.Builder
	for i, x := range r.Parts {
		if i > 0 {
			b.WriteString("\n")
		}
		fmt.Fprintf(&b, "%d\n%s --> %s\n", i+1, clock(milliseconds(x.First, r.SampleRate), ","), clock(milliseconds(x.End, r.SampleRate), ","))
		for _, l := range caption(x) {
			b.WriteString(escape.Replace(l) + "\n")
		}
	}
	return b.String()
}

// cueList returns the cue list as CSV: timecodes of the camera, and samples
// counted from the first of the file. end is the first sample, or frame, that
// no longer belongs to the part.
func cueList(r *Record) string {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.Write([]string{"number", "take", "section", "timecode in", "timecode out", "first sample", "end sample", "fade first sample", "fade end sample", "from s", "to s", "file", "settings", "first sample in file", "fade correlation", "picture"})
	n := func(v int64) string { return strconv.FormatInt(v, 10) }
	s := func(sample int64) string {
		// Microseconds, so that a sample can be told from the next.
		us := (2*sample*1000000 + int64(r.SampleRate)) / (2 * int64(r.SampleRate))
		return fmt.Sprintf("%d.%06d", us/1000000, us%1000000)
	}
	for i, x := range r.Parts {
		w.Write([]string{strconv.Itoa(i + 1), csvtext.Cell(x.Take), csvtext.Cell(x.Section), x.In, x.Out, n(x.First), n(x.End), n(x.FadeIn[0]), n(x.FadeIn[1]), s(x.First), s(x.End), csvtext.Cell(x.File), csvtext.Cell(x.Settings), n(x.Source), strconv.FormatFloat(float64(x.Correlation), 'f', 3, 64), x.Picture})
	}
	w.Flush()
	return b.String()
}

// Chapter is a line of the chapter list.
type Chapter struct {
	At    int64  `json:"at_s"` // whole seconds
	Title string `json:"title"`
}

// minChapter is the shortest chapter in seconds that video sites accept.
// Common practice, no source.
const minChapter = 10

// group is some parts of an edit, from one to before another.
type group struct{ from, to int }

// second is the whole second at which a chapter begins with part i; the first begins the
// edit, and after the last part it is the end.
func (r *Record) second(i int) int64 {
	switch {
	case i == 0:
		return 0
	case i == len(r.Parts):
		return r.Frames / int64(r.SampleRate)
	}
	return r.Parts[i].First / int64(r.SampleRate)
}

// grouped joins parts to groups: a part begins one unless it goes on with the one before.
func (r *Record) grouped(goesOn func(i int, g group) bool) []group {
	var out []group
	for i := range r.Parts {
		if n := len(out); n > 0 && goesOn(i, out[n-1]) {
			out[n-1].to = i + 1
			continue
		}
		out = append(out, group{i, i + 1})
	}
	return out
}

// longEnough reports whether every group can be a chapter.
func (r *Record) longEnough(groups []group) bool {
	return !slices.ContainsFunc(groups, func(g group) bool { return r.second(g.to)-r.second(g.from) < minChapter })
}

// chapters returns the chapters, and what is to be said about them: one for each part, or
// else one for each section, if all then last minChapter or more in whole seconds. Otherwise
// parts that are shorter are joined to the ones that follow, the last to the one before.
func chapters(r *Record) ([]Chapter, []string) {
	out, joined, notes := []Chapter{}, []string{}, []string{}
	groups := r.grouped(func(int, group) bool { return false })
	if !r.longEnough(groups) {
		bySection := r.grouped(func(i int, g group) bool { return r.Parts[i].Section == r.Parts[g.from].Section })
		if len(bySection) > 1 && r.longEnough(bySection) {
			groups = bySection
			notes = append(notes, fmt.Sprintf("chapters are by section: one for each take would be shorter than %d s", minChapter))
		} else {
			groups = r.grouped(func(i int, g group) bool { return r.second(i)-r.second(g.from) < minChapter })
			if n := len(groups); n > 1 && r.second(len(r.Parts))-r.second(groups[n-1].from) < minChapter {
				groups[n-2].to = groups[n-1].to
				groups = groups[:n-1]
			}
		}
	}
	for _, g := range groups {
		out = append(out, Chapter{r.second(g.from), chapterTitle(r.Parts[g.from:g.to])})
		if g.to-g.from > 1 {
			joined = append(joined, chapterTime(out[len(out)-1].At))
		}
	}
	if len(joined) > 0 && len(notes) == 0 {
		notes = append(notes, fmt.Sprintf("%s several takes, since a chapter lasts %d s or longer: %s", atMost(joined), minChapter, r.longerChapters()))
	}
	if r.second(len(r.Parts)) < minChapter {
		notes = append(notes, fmt.Sprintf("the edit is shorter than %d s, so its one chapter is too short for most video sites", minChapter))
	}
	return out, notes
}

// atMost names the chapters at these times.
func atMost(times []string) string {
	const told = 3
	switch n := len(times); {
	case n == 1:
		return "the chapter at " + times[0] + " joins"
	case n > told:
		return fmt.Sprintf("the chapters at %s and %d more join", strings.Join(times[:told], ", "), n-told)
	}
	return "the chapters at " + manifest.List(times) + " join"
}

// longerChapters says what gives a chapter to each stretch with one take.
func (r *Record) longerChapters() string {
	takes := map[string]bool{}
	for _, x := range r.Parts {
		takes[x.Take] = true
	}
	// A cut is moved a little, so a second more than the least.
	if have, need := r.Frames/int64(r.SampleRate), int64(len(takes)*(minChapter+1)); have < need {
		return fmt.Sprintf("the edit has %d s, and %d takes with a chapter each need about %d: play longer, or name fewer takes with --order", have, len(takes), need)
	}
	option := "--every"
	if strings.HasPrefix(r.Changes, inTurnPrefix) {
		option = "--excerpt"
	}
	return fmt.Sprintf("%s %ds, or sections of %[2]d s and longer, give each take its own", option, minChapter+1)
}

// titleTakes is how many stretches of a joined chapter its title tells one by
// one.
const titleTakes = 4

// chapterTitle says what plays in a chapter: "Riff: Splitting" for one take, "Riff:
// Splitting, then Leaning" or "Riff (Splitting), Chords (Leaning)" for joined ones.
func chapterTitle(parts []Part) string {
	type stretch struct {
		section string
		takes   []string
	}
	var all []stretch
	for i, x := range parts {
		if n := len(all); n == 0 || x.Section != all[n-1].section {
			all = append(all, stretch{section: x.Section})
		}
		if i < titleTakes {
			all[len(all)-1].takes = append(all[len(all)-1].takes, x.Take)
		}
	}
	var words []string
	for _, s := range all {
		takes := strings.Join(s.takes, ", then ")
		switch {
		case takes == "":
		case s.section == "":
			words = append(words, takes)
		case len(all) == 1:
			words = append(words, s.section+": "+takes)
		default:
			words = append(words, s.section+" ("+takes+")")
		}
	}
	title := strings.Join(words, ", ")
	if n := len(parts) - titleTakes; n > 0 {
		title += fmt.Sprintf(" and %d more", n)
	}
	return oneLine(title)
}

func chapterTime(s int64) string {
	if s >= 3600 {
		return fmt.Sprintf("%d:%02d:%02d", s/3600, s/60%60, s%60)
	}
	return fmt.Sprintf("%d:%02d", s/60, s%60)
}

func chapterLines(list []Chapter) string {
	var b strings.Builder
	for _, c := range list {
		fmt.Fprintf(&b, "%s %s\n", chapterTime(c.At), c.Title)
	}
	return b.String()
}
