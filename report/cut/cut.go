// Package cut writes what a video editor needs of a measured comparison: one
// recording that changes takes at stated places, every take in full
// length to stack below it, a picture for each, a timeline that puts all in place, and the
// captions, chapters, cue list and text that go with them. Check the options, then call Write.
//
// There are two edits. The switching edit plays the performance once through and
// changes takes in it. With Options.Turns each take plays the same section in turn,
// then each plays the next section; a stretch of the edit is then a block of its
// take's file from another place (Part.Source).
//
// # Where the cuts are
//
// Every cut is the beginning of a frame of the camera, counted from the first sample
// of the edit, so that picture and sound can change together.
//
// In the switching edit a cut is wanted where a section ends and the next begins (in the middle, when
// there is a gap), or at every multiple of a length. It is then moved, by no
// more than Options.Reach, to the place that is heard least: frame boundaries
// are the candidates; if at some of them the whole fade lies in a pause of the
// performance, only those. Of the candidates the one of least cost is taken, in
// dB: the level of the louder of the two takes during the fade, plus the
// greatest rise of either from 5 ms to the next within 5 ms of the fade (an
// attack there would be smeared), plus up to 1 dB for the distance. In silence
// the nearest candidate wins.
//
// In turns a block is a whole number of frames and the same one in each take. It begins
// at a frame of the take's file, so that a fade ends before the section begins, and it
// ends where the section ends, moved in the same way; beyond the end of the section
// only within a pause. An excerpt has the stated length to the nearest frame and begins
// with the section, or later where its beginning and its end then lie in pauses.
//
// # Fades
//
// The gains 1−g and g of a fade are divided by √((1−g)² + g² + 2·r·g·(1−g)), where r is
// the correlation of the two takes within the fade, from −0.5 to 1. So the power keeps
// its level: r = 1 is a straight line, r = 0 a fade of constant power. Takes of a lower
// correlation cancel in part: the power in the middle dips by the factor 2·(1+r), and a
// note says so where it can be heard. Where the sum would
// peak higher than both takes and close to the ceiling, the fade is a straight line, which
// cannot. Outside the fades the edit holds the very samples of the takes' own files.
//
// # Guessing
//
// With Options.Shuffle the takes have letters, in the order in which they are
// first heard, and the order comes from a seed. Then only the key file tells
// which is which: no other file has a take's name, settings, gain, peak or
// source.
package cut

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"
	"net/url"
	"path/filepath"
	"slices"
	"strings"
	"unicode"

	"evenhand/analyze"
	"evenhand/analyze/disk"
	"evenhand/analyze/manifest"
	"evenhand/analyze/unit"
	"evenhand/report/cut/timecode"
	"evenhand/report/picture"
)

// Defaults of the options.
const (
	DefaultRate  = 48000
	DefaultFPS   = "25"
	DefaultStart = "00:00:00:00"
	DefaultFade  = unit.Seconds(0.02)
	DefaultReach = unit.Seconds(0.25)
	// DefaultEveryReach is that for seconds and bars, where the place of a cut
	// is heard as rhythm.
	DefaultEveryReach = unit.Seconds(0.1)
	// DefaultTitle and DefaultClosing are how long the cards of a finished video are
	// shown.
	DefaultTitle   = unit.Seconds(3)
	DefaultClosing = unit.Seconds(5)
)

// Limits of the options.
const (
	minFade  = unit.Seconds(0.001)
	maxFade  = unit.Seconds(0.2)
	maxReach = unit.Seconds(5)
	// minPart is the shortest stretch between two wanted cuts.
	minPart = unit.Seconds(0.5)
	// maxCard is the longest title or closing.
	maxCard = unit.Seconds(60)
	// maxTotal keeps every count of samples and frames far from overflow.
	maxTotal = unit.Seconds(86400)
)

// Includes are the words of Options.Include.
func Includes() []string {
	return []string{string(manifest.RoleBypass), string(manifest.RoleRoom), "repeats"}
}

// Rates are the sample rates that can be written, in Hz.
func Rates() []int { return []int{44100, 48000, 88200, 96000, 176400, 192000} }

// Options say how the edit is made.
type Options struct {
	Rate  int           // Hz, one of Rates; 0: DefaultRate
	Every Interval      // zero: change at sections
	From  *unit.Seconds // where counting Every begins, in the edit; nil: see Interval
	// Order are names or slugs of takes, in the order of playing, again from
	// the front when they are all played; none: every contestant, as in the manifest.
	Order []string
	// Include are takes to play besides the contestants when there is no Order:
	// those of Includes.
	Include        []string
	ReferenceFirst bool // the reference plays first, the others stay in their order
	// Turns plays each section, or those of Sections, through all takes in turn.
	Turns    bool
	Sections []string
	Excerpt  unit.Seconds // length of each block, to the nearest frame; 0: the section
	Total    unit.Seconds // length of the edit, to the nearest frame; 0: what the blocks come to
	// Title and Closing are silence before and after, for a title and a closing card.
	Title, Closing unit.Seconds
	Shuffle        bool // guess which: the order comes from Seed, letters stand for names
	Seed           uint64
	Fade           unit.Seconds // length of a crossfade; 0: DefaultFade
	Reach          unit.Seconds // how far a cut may be moved
	FPS            string       // one of timecode.Names; "": DefaultFPS
	Start          string       // timecode of the first sample; "": DefaultStart
	Report         string       // where the report is published, "" if nowhere
	// Pictures draws a picture for each take, in three shapes, a title and a closing card.
	Pictures bool
	// Video makes a finished video in this shape, a landscape or a portrait; "" for none. It needs
	// Pictures, and ffmpeg.
	Video   picture.Shape
	Workers int // takes worked on at once; below 1: one
	// Progress as in analyze.Options; may be nil.
	Progress func(stage string, done, total int64)
}

// OptionError is one option that cannot be used.
type OptionError struct {
	Option string // its name on the command line, without dashes
	Reason string // what was found, what is allowed
}

func (e *OptionError) Error() string { return "--" + e.Option + ": " + e.Reason }

func bad(option, format string, args ...any) *OptionError {
	return &OptionError{option, fmt.Sprintf(format, args...)}
}

// withDefaults returns o with defaults for what is not stated.
func (o Options) withDefaults() Options {
	o.Rate = cmp.Or(o.Rate, DefaultRate)
	o.FPS = cmp.Or(o.FPS, DefaultFPS)
	o.Start = cmp.Or(o.Start, DefaultStart)
	o.Fade = cmp.Or(o.Fade, DefaultFade)
	o.Workers = max(o.Workers, 1)
	return o
}

// Check looks for what can be wrong with the options before anything is
// measured. The error joins an *OptionError for each fault.
func (o Options) Check(c *manifest.Comparison) error {
	o = o.withDefaults()
	var errs []error
	add := func(e *OptionError) { errs = append(errs, e) }
	known := false
	for _, r := range Rates() {
		known = known || r == o.Rate
	}
	if !known {
		add(bad("rate", "%d Hz; allowed: %s", o.Rate, strings.Trim(fmt.Sprint(Rates()), "[]")))
	}
	if o.Fade < minFade || o.Fade > maxFade || math.IsNaN(float64(o.Fade)) {
		add(bad("fade", "%g s; allowed: %g to %g s", float64(o.Fade), float64(minFade), float64(maxFade)))
	}
	if !(o.Reach >= 0 && o.Reach <= maxReach) {
		add(bad("reach", "%g s; allowed: 0 to %g s", float64(o.Reach), float64(maxReach)))
	}
	errs = append(errs, o.checkTurns(c)...)
	switch {
	case o.Video == "":
	case !slices.Contains(videoShapes(), o.Video):
		add(bad("video", "%q; allowed: %s or %s", string(o.Video), picture.Landscape, picture.Portrait))
	case !o.Pictures:
		add(bad("video", "it needs the pictures; remove --pictures=false or --video"))
	}
	if o.From != nil && o.Every.zero() {
		add(bad("from", "it has no effect without --every; add --every or remove --from"))
	}
	if o.From != nil && !(*o.From >= 0) {
		add(bad("from", "%g s; allowed: 0 s or later in the edit", float64(*o.From)))
	}
	if fps, err := timecode.Parse(o.FPS); err != nil {
		add(bad("fps", "%v", err))
	} else if _, err := fps.Frame(o.Start); err != nil {
		add(bad("start", "%v", err))
	}
	if u, err := url.Parse(o.Report); err != nil || o.Report != "" && (u.Host == "" || u.Scheme != "http" && u.Scheme != "https") || strings.ContainsFunc(o.Report, unicode.IsSpace) {
		add(bad("report", "%q is no address of a page; allowed: one such as https://example.org/comparison/", o.Report))
	}
	if _, err := takeOrder(o, c); err != nil {
		errs = append(errs, err)
	}
	return errors.Join(errs...)
}

// checkTurns is the part of Check about who plays and for how long.
func (o Options) checkTurns(c *manifest.Comparison) []error {
	var errs []error
	add := func(e *OptionError) { errs = append(errs, e) }
	for _, x := range []struct {
		option string
		length unit.Seconds
	}{{"title", o.Title}, {"closing", o.Closing}} {
		if !(x.length >= 0 && x.length <= maxCard) {
			add(bad(x.option, "%g s; allowed: 0 to %g s", float64(x.length), float64(maxCard)))
		}
	}
	for _, x := range []struct {
		option string
		length unit.Seconds
	}{{"excerpt", o.Excerpt}, {"total", o.Total}} {
		if x.length != 0 && !(x.length >= minPart && x.length <= maxTotal) {
			add(bad(x.option, "%g s; allowed: %g to %g s", float64(x.length), float64(minPart), float64(maxTotal)))
		}
	}
	for _, x := range []struct {
		option string
		stated bool
	}{{"sections", o.Sections != nil}, {"excerpt", o.Excerpt != 0}, {"total", o.Total != 0}} {
		if x.stated && !o.Turns {
			add(bad(x.option, "it has no effect without --turns; add --turns or remove --%s", x.option))
		}
	}
	if o.Turns && !o.Every.zero() {
		add(bad("every", "with --turns takes change after each section or excerpt; remove --every or --turns"))
	}
	if o.Excerpt != 0 && o.Total != 0 {
		add(bad("excerpt", "--total gives the length of each excerpt; remove one of the two"))
	}
	if o.ReferenceFirst && (o.Shuffle || o.Order != nil) {
		add(bad("reference-first", "it has no effect with --shuffle or --order; remove one of them"))
	}
	if o.Include != nil && o.Order != nil {
		add(bad("include", "it has no effect with --order, which names the takes to play; remove one of the two"))
	}
	// Sections that markers or pauses give are known once the recording is read.
	if listed := c.Performance.Sections; len(listed) > 0 {
		var names []string
		for _, s := range listed {
			names = append(names, s.Name)
		}
		if _, err := pick("sections", "section", o.Sections, names); err != nil {
			errs = append(errs, err)
		}
	}
	return errs
}

// Write makes all files of the edit in dir, which exists, from a measured
// session, and measures the audio again. The options have passed Check. The
// record that it returns is also in dir as cut.json; see Record.Failed for what
// the measurement found.
//
// Errors: *OptionError for options that do not suit the performance, those of
// the files, and ctx's when it is done.
func Write(ctx context.Context, dir string, s *analyze.Session, o Options) (*Record, error) {
	o = o.withDefaults()
	p, err := newPlan(s, o)
	if err != nil {
		return nil, err
	}
	step := func(int64) {}
	if o.Progress != nil {
		total, done := p.work(), int64(0)
		step = func(n int64) {
			done += n
			o.Progress("cutting", done, total)
		}
	}
	if err := p.settle(ctx, step); err != nil {
		return nil, err
	}
	if err := p.writeTakes(ctx, dir, step); err != nil {
		return nil, err
	}
	if err := p.place(ctx, dir); err != nil {
		return nil, err
	}
	if err := p.writeEdit(ctx, dir, step); err != nil {
		return nil, err
	}
	p.noteDips()
	if err := p.measure(ctx, dir, step); err != nil {
		return nil, err
	}
	if o.Pictures {
		if err := p.writePictures(ctx, dir); err != nil {
			return nil, err
		}
	}
	rec := p.record()
	files := map[string]string{
		captionsVTT:     webVTT(rec),
		captionsSRT:     subRip(rec),
		chaptersFile:    chapterLines(rec.Chapters),
		cueFile:         cueList(rec),
		descriptionFile: p.describe(rec),
		readMeFile:      p.readMe(rec),
	}
	otio, err := p.timeline(rec).JSON()
	if err != nil {
		return nil, err
	}
	files[timelineFile] = string(otio)
	for _, name := range slices.Sorted(maps.Keys(files)) {
		if err := disk.WriteFile(filepath.Join(dir, filepath.FromSlash(name)), []byte(files[name]), 0o666); err != nil {
			return nil, err
		}
	}
	if o.Shuffle {
		if err := writeJSON(filepath.Join(dir, keyFile), p.key()); err != nil {
			return nil, err
		}
	}
	if o.Video != "" {
		if rec.Video, err = p.writeVideo(ctx, dir); err != nil {
			return nil, err
		}
	}
	return rec, writeJSON(filepath.Join(dir, recordFile), rec)
}

// Names of the files in the folder.
const (
	editFile        = "edit.wav"
	takesDir        = "takes"
	readMeFile      = takesDir + "/README.txt"
	timelineFile    = "edit.otio"
	captionsVTT     = "captions.vtt"
	captionsSRT     = "captions.srt"
	chaptersFile    = "chapters.txt"
	cueFile         = "cues.csv"
	descriptionFile = "description.txt"
	recordFile      = "cut.json"
	keyFile         = "key.json"
)

func writeJSON(name string, v any) error {
	var b strings.Builder
	enc := json.NewEncoder(&b)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return err
	}
	return disk.WriteFile(name, []byte(b.String()), 0o666)
}
