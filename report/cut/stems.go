package cut

import (
	"fmt"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/unit"
	"evenhand/report/picture"
	"evenhand/report/timeline"
)

// mostStem is how many letters of a take's name the name of its file has.
const mostStem = 40

// stem is the beginning of the names of the files of the nth of so many takes:
// "02_Splitting". The number makes it the only one of its kind.
func stem(n, of int, name string) string {
	words := strings.FieldsFunc(manifest.ASCII(name), func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9')
	})
	short := strings.Join(words, "-")
	if len(short) > mostStem {
		short = strings.TrimRight(short[:mostStem], "-")
	}
	if short == "" {
		short = "take"
	}
	return fmt.Sprintf("%0*d_%s", max(2, len(strconv.Itoa(of))), n, short)
}

// format is the rate and depth of a file as its name has it: "48k24", "44.1k24".
func format(rate int) string {
	return strconv.FormatFloat(float64(rate)/1000, 'f', -1, 64) + "k" + strconv.Itoa(bits)
}

// readMe is the text next to the takes' files.
func (p *plan) readMe(r *Record) string {
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	line("%s", oneLine(r.Title))
	line("")
	line("Each file is one take in full length: %d Hz, %d bits, all with the same loudness of", r.SampleRate, r.Bits)
	line("%s (ITU-R BS.1770, whole performance), aligned to the sample. Do not", r.Target)
	line("normalise, compress or shift a single one: that undoes the match.")
	line("")
	line("All files begin and end together, at timecode %s (%s frames per second), so", r.Start, r.Fraction)
	line("you can stack them. ../%s opens the edit with all its cuts in an editor that reads", timelineFile)
	line("OpenTimelineIO: track \"Edit\" plays, and track \"Cuts\" below it has the same cuts made")
	line("of these files. ../%s lists the cuts, and the sample of its file with which each begins.", cueFile)
	line("")
	for _, v := range p.voices {
		line("%s  %s", strings.TrimPrefix(v.file, takesDir+"/"), oneLine(v.shown))
		if !p.o.Shuffle {
			t := p.res.Takes[v.take]
			if s := underTest(p.res, v.take); s != "" {
				line("    %s", s)
			}
			line("    measured again: %s, %s; gain %s dB", v.Integrated, v.TruePeak, unit.Signed(float64(t.Gain+v.trim), 2))
			if p.s.Withheld(v.take) {
				line("    marked redistribute: no; do not publish it without permission")
			}
		}
	}
	return b.String()
}

// timeline is the edit for programs of editors: what is heard, its cuts made of the
// takes' files and, where the performance plays once through, these files as they are stacked.
func (p *plan) timeline(r *Record) timeline.Timeline {
	num, den := p.fps.PerSecond()
	t := timeline.Timeline{Name: oneLine(r.Title), Rate: timeline.Rate{Num: num, Den: den}, Start: p.start}
	at := func(sample int64) int64 { return p.fps.FrameAt(sample, p.rate) }
	gap := func(frames int64) []timeline.Item {
		if frames == 0 {
			return nil
		}
		return []timeline.Item{{Frames: frames}}
	}
	sound := func(name, file string, first, frames, length int64) timeline.Item {
		return timeline.Item{Name: name, File: file, First: p.start + first, Frames: frames, Begin: p.start, Length: length}
	}
	// Frames that a file has whole.
	edit, whole := at(p.length), at(p.frames)
	lead := at(p.lead)
	if p.o.Pictures {
		for _, shape := range []picture.Shape{picture.Landscape, picture.LowerThird} {
			t.Tracks = append(t.Tracks, p.pictureTrack(r, shape, at))
		}
	}
	t.Tracks = append(t.Tracks, timeline.Track{Name: "Edit", Sound: true, Enabled: true, Items: []timeline.Item{sound("edit", editFile, 0, edit, edit)}})

	// A cut is within a sample of a frame of the takes' files where a title comes first.
	nearest := func(sample int64) int64 { return at(sample + p.fps.Sample(1, p.rate)/2) }
	cuts := timeline.Track{Name: "Cuts", Sound: true, Items: gap(lead)}
	for i, x := range r.Parts {
		if i > 0 {
			cuts.Items = append(cuts.Items, timeline.Item{Name: "fade", Fade: &timeline.Fade{
				SampleRate: p.rate, Before: x.First - x.FadeIn[0], After: x.FadeIn[1] - x.First,
			}})
		}
		item := sound(oneLine(x.Take), x.File, nearest(x.Source), at(x.End)-at(x.First), whole)
		item.Note = map[string]string{"take": oneLine(x.Take), "section": oneLine(x.Section)}
		cuts.Items = append(cuts.Items, item)
		t.Markers = append(t.Markers, timeline.Marker{
			Name: strings.Join(caption(x), " / "), First: at(x.First), Frames: at(x.End) - at(x.First),
			Note: map[string]string{"caption": strings.Join(caption(x), "\n"), "section": oneLine(x.Section)},
		})
	}
	t.Tracks = append(t.Tracks, cuts)
	if !p.o.Turns {
		for _, v := range p.voices {
			t.Tracks = append(t.Tracks, timeline.Track{Name: oneLine(v.shown), Sound: true,
				Items: append(gap(lead), sound(oneLine(v.shown), v.file, 0, whole, whole))})
		}
	}
	return t
}

// pictureTrack shows the picture of each part, between the cards; lower thirds are there to be
// switched on over other pictures. at turns samples into whole frames.
func (p *plan) pictureTrack(r *Record, shape picture.Shape, at func(int64) int64) timeline.Track {
	t := timeline.Track{Name: "Pictures", Enabled: true}
	if shape == picture.LowerThird {
		t = timeline.Track{Name: "Lower thirds"}
	}
	still := func(stem string, frames int64) {
		switch item := (timeline.Item{Frames: frames}); {
		case frames == 0:
		case shape == picture.LowerThird && (stem == titlePicture || stem == closingPicture):
			t.Items = append(t.Items, item)
		default:
			item.Name, item.File, item.Length = stem, picturePath(shape, stem), frames
			t.Items = append(t.Items, item)
		}
	}
	still(titlePicture, at(p.lead))
	for i, x := range r.Parts {
		still(p.voices[p.parts[i].voice].stem, at(x.End)-at(x.First))
	}
	still(closingPicture, at(p.length)-at(p.sound))
	return t
}
