// Package cut writes what a video editor needs of a measured comparison: one
// continuous recording that changes takes at stated places, every take in full
// length to stack beside it, and the captions, chapters, cue list and text that
// go with them. Check the options, then call Write.
//
// # Where the cuts are
//
// A cut is wanted where a section ends and the next begins (in the middle, when
// there is a gap), or at every multiple of a length. It is then moved, by no
// more than Options.Reach, to the place that is heard least: frame boundaries
// of the camera are the candidates, so that picture and sound can change
// together; if at some of them the whole fade lies in a pause of the
// performance, only those. Of the candidates the one of least cost is taken, in
// dB: the level of the louder of the two takes during the fade, plus the
// greatest rise of either from 5 ms to the next within 5 ms of the fade (an
// attack there would be smeared), plus up to 1 dB for the distance. In silence
// the nearest candidate wins.
//
// Takes of one performance are correlated, so the fade is linear: its two gains
// add up to 1, and what both takes share keeps its level. Outside the fades the
// edit holds the very samples of the takes' own files.
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
	"math"
	"net/url"
	"path/filepath"
	"strings"
	"unicode"

	"evenhand/analyze"
	"evenhand/analyze/disk"
	"evenhand/analyze/manifest"
	"evenhand/analyze/unit"
	"evenhand/report/cut/timecode"
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
)

// Limits of the options.
const (
	minFade  = unit.Seconds(0.001)
	maxFade  = unit.Seconds(0.2)
	maxReach = unit.Seconds(5)
	// minPart is the shortest stretch between two wanted cuts.
	minPart = unit.Seconds(0.5)
)

// Rates are the sample rates that can be written, in Hz.
func Rates() []int { return []int{44100, 48000, 88200, 96000, 176400, 192000} }

// Options say how the edit is made.
type Options struct {
	Rate  int           // Hz, one of Rates; 0: DefaultRate
	Every Interval      // zero: change at sections
	From  *unit.Seconds // where counting Every begins, in the edit; nil: see Interval
	// Order are names or slugs of takes, in the order of playing, again from
	// the front when they are all played; none: every contestant, as in the manifest.
	Order   []string
	Shuffle bool // guess which: the order comes from Seed, letters stand for names
	Seed    uint64
	Fade    unit.Seconds // length of a crossfade; 0: DefaultFade
	Reach   unit.Seconds // how far a cut may be moved
	FPS     string       // one of timecode.Names; "": DefaultFPS
	Start   string       // timecode of the first sample; "": DefaultStart
	Report  string       // where the report is published, "" if nowhere
	Workers int          // takes worked on at once; below 1: one
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
	if err := p.placeCuts(ctx, dir); err != nil {
		return nil, err
	}
	if err := p.writeEdit(ctx, dir, step); err != nil {
		return nil, err
	}
	if err := p.measure(ctx, dir, step); err != nil {
		return nil, err
	}
	rec := p.record()
	files := map[string]string{
		captionsVTT:     webVTT(rec),
		captionsSRT:     subRip(rec),
		chaptersFile:    chapterLines(rec.Chapters),
		cueFile:         cueList(rec),
		descriptionFile: p.describe(rec),
	}
	for _, name := range []string{captionsVTT, captionsSRT, chaptersFile, cueFile, descriptionFile} {
		if err := disk.WriteFile(filepath.Join(dir, name), []byte(files[name]), 0o666); err != nil {
			return nil, err
		}
	}
	if o.Shuffle {
		if err := writeJSON(filepath.Join(dir, keyFile), p.key()); err != nil {
			return nil, err
		}
	}
	return rec, writeJSON(filepath.Join(dir, recordFile), rec)
}

// Names of the files in the folder.
const (
	editFile        = "edit.wav"
	takesDir        = "takes"
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
