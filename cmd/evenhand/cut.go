package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"evenhand/analyze"
	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/analyze/store"
	"evenhand/analyze/unit"
	"evenhand/report/cut"
	"evenhand/report/cut/timecode"
	"evenhand/report/folder"
	"evenhand/report/picture"
	"evenhand/report/video"
)

// cutFlags are the options of cut as they are written.
type cutFlags struct {
	out, every, tempo, order, fps, start, report string
	sections, include                            string
	from, fade, reach                            time.Duration
	excerpt, total, title, closing               time.Duration
	beats, rate, workers                         int
	shuffle, asJSON, turns, referenceFirst       bool
	pictures                                     bool
	video                                        string
	seed                                         uint64
	store                                        storeOptions
}

func cutCommand() *cobra.Command {
	var f cutFlags
	cmd := &cobra.Command{
		Use:   "cut MANIFEST -o DIR",
		Short: "Write sound and pictures for a video: an edit, aligned takes, captions",
		Long: `Cut writes a folder for the video editor, complete or not at all:

  edit.wav         the performance once through, switching between takes, or
                   with --turns each section through every take in turn
  takes/           each take in full length; all files begin and end together,
                   so you can stack them below the edit and cut freely
                   (with --shuffle only the takes to guess)
  edit.otio        the edit and its cuts as a timeline, OpenTimelineIO
  pictures/        a picture for each take, a title and a closing card, 1920x1080 and
                   1080x1920, and a lower third; a text alternative next to each
  edit.mp4         with --video: the finished video, with captions to switch on
  captions.vtt     captions with the take and its settings in two lines, WebVTT
  captions.srt     the same, SubRip
  chapters.txt     chapters by take or by section, none shorter than 10 s
  cues.csv         the cue list: timecode at the camera's frame rate, samples
  description.txt  the text for below the video
  cut.json         all of this, and each file as measured again
  key.json         with --shuffle: which letter is which take

The edit plays every take except a bypass, the in-room reference and repeats.
--include adds these; --order names all takes to play. Cut prints which takes the
edit does not play.

With --turns every take plays the first section, then every take plays the next.
--sections chooses them, --excerpt shortens each block, and --total gives the whole
edit a length, --title and --closing included. A block is a whole number of frames,
and the same in each take. An excerpt ends in a pause if there is one.

The edit also plays takes that are marked redistribute: no, because the edit is
yours. Cut names them. Do not publish them without permission.

--video needs ffmpeg. The video begins with the title for 3 s and ends with the
closing card for 5 s, unless --title or --closing state other lengths. There is
nothing between two pictures, and all have one background, so that no cut flashes.

All audio is level-matched and aligned, in 24-bit broadcast WAV files whose
header states the measured loudness. Without --turns takes change where sections
meet or, with --every, after a number of seconds or bars. Cut moves each change
within --reach to the frame of the camera where it is heard least, in a pause if
there is one. Fades keep the level for the correlation of the two takes. If their
polarity differs and no pause is near, cut prints by how much the level dips.

Many video sites turn down what is louder than a loudness of their own. Cut prints by
how much, for the edit and for each take as a clip of its own.`,
		Example: `  evenhand cut comparison.yaml -o video
  evenhand cut comparison.yaml -o video --every 2bars --tempo 96 --order Splitting,Leaning
  evenhand cut comparison.yaml -o video --turns --reference-first
  evenhand cut comparison.yaml -o short --turns --sections Riff --total 30s --fps 29.97
  evenhand cut comparison.yaml -o video --turns --excerpt 8s --video
  evenhand cut comparison.yaml -o guess --shuffle --seed 7 --fps 29.97df --start 01:00:00:00`,
		Args: exactly("a manifest"),
		RunE: func(cmd *cobra.Command, args []string) error {
			rec, err := f.run(cmd, args[0])
			if option := (*cut.OptionError)(nil); errors.As(err, &option) {
				return mistake.Of(err)
			}
			if err != nil {
				return err
			}
			if f.asJSON {
				err = writeJSON(cmd, rec)
			} else {
				err = showCut(cmd.OutOrStdout(), rec, f.turns)
			}
			if err != nil {
				return err
			}
			return cutFailed(cmd.ErrOrStderr(), rec)
		},
	}
	fl := cmd.Flags()
	fl.StringVarP(&f.out, "output", "o", "", "folder to write to")
	fl.StringVar(&f.every, "every", "", "change takes after a number of seconds (4s) or bars (2bars) instead of at sections")
	fl.StringVar(&f.tempo, "tempo", "", "beats per minute, for bars: 20 to 400")
	fl.IntVar(&f.beats, "beats", 0, "beats per bar, 1 to 32 (default 4)")
	fl.DurationVar(&f.from, "from", 0, "time in the edit from which --every counts (default: the beginning for seconds, the first section for bars)")
	fl.BoolVar(&f.turns, "turns", false, "play each section through every take in turn")
	fl.StringVar(&f.sections, "sections", "", "with --turns: sections to play, separated by commas (default: all)")
	fl.DurationVar(&f.excerpt, "excerpt", 0, "with --turns: length of each block, to the nearest frame (default: the section)")
	fl.DurationVar(&f.total, "total", 0, "with --turns: length of the edit, to the nearest frame, shared equally by its blocks")
	fl.DurationVar(&f.title, "title", 0, "silence before the first take, for a title, up to 60s")
	fl.DurationVar(&f.closing, "closing", 0, "silence after the last take, for a closing card, up to 60s")
	fl.StringVar(&f.order, "order", "", "takes to play, by name, separated by commas; after the last, the order repeats (default: as in the manifest, without a bypass, the room and repeats)")
	fl.StringVar(&f.include, "include", "", "takes to play as well, separated by commas: "+strings.Join(cut.Includes(), ", "))
	fl.BoolVar(&f.referenceFirst, "reference-first", false, "play the reference first")
	fl.BoolVar(&f.shuffle, "shuffle", false, "let viewers guess: play the takes in an order that --seed gives and show letters instead of names")
	fl.Uint64Var(&f.seed, "seed", 0, "with --shuffle: whole number from 0 to 18446744073709551615 that gives the order; kept in key.json")
	fl.IntVar(&f.rate, "rate", cut.DefaultRate, "sample rate in Hz: "+cutRates())
	fl.DurationVar(&f.fade, "fade", duration(cut.DefaultFade), "length of a crossfade, 1ms to 200ms")
	fl.DurationVar(&f.reach, "reach", duration(cut.DefaultReach), fmt.Sprintf("how far cut may move a change of takes, 0s to 5s; with --every the default is %v", duration(cut.DefaultEveryReach)))
	fl.StringVar(&f.fps, "fps", cut.DefaultFPS, "frames per second of the camera: "+strings.Join(timecode.Names(), ", ")+"; df is drop frame, 23.98 is 23.976")
	fl.StringVar(&f.start, "start", cut.DefaultStart, "timecode of the first sample")
	fl.StringVar(&f.video, "video", "", "make a finished video with ffmpeg: landscape (1920x1080) or --video=portrait (1080x1920)")
	fl.Lookup("video").NoOptDefVal = string(picture.Landscape)
	fl.BoolVar(&f.pictures, "pictures", true, "draw the pictures; --pictures=false leaves them out")
	fl.StringVar(&f.report, "report", "", "address of the published report, for the description and the closing card (default: url of the manifest)")
	fl.BoolVar(&f.asJSON, "json", false, "print cut.json")
	f.store.flags(cmd)
	fl.IntVar(&f.workers, "workers", 0, "takes to process at once; 0: one for each processor")
	return cmd
}

// cutRates lists the sample rates that cut writes.
func cutRates() string {
	return strings.Trim(strings.Join(strings.Fields(fmt.Sprint(cut.Rates())), ", "), "[]")
}

func duration(s unit.Seconds) time.Duration { return time.Duration(float64(s) * float64(time.Second)) }

func (f *cutFlags) run(cmd *cobra.Command, path string) (*cut.Record, error) {
	if f.out == "" {
		return nil, noOutput(cmd, []string{path}, "a folder", "DIR")
	}
	o := cut.Options{
		Rate: f.rate, Shuffle: f.shuffle, Seed: f.seed, FPS: f.fps, Start: f.start, Report: f.report, Pictures: f.pictures, Video: picture.Shape(f.video),
		Turns: f.turns, ReferenceFirst: f.referenceFirst, Sections: listed(f.sections), Include: listed(f.include),
		Excerpt: unit.Seconds(f.excerpt.Seconds()), Total: unit.Seconds(f.total.Seconds()), Title: unit.Seconds(f.title.Seconds()), Closing: unit.Seconds(f.closing.Seconds()),
		Fade: unit.Seconds(f.fade.Seconds()), Reach: unit.Seconds(f.reach.Seconds()), Workers: f.workers,
	}
	switch set := cmd.Flags().Changed; {
	case f.shuffle && !set("seed"):
		return nil, mistake.Of(errors.New("--shuffle needs a seed, so that you can make the same edit again: type any whole number from 0, such as --seed 7"))
	case !f.shuffle && set("seed"):
		return nil, mistake.Of(errors.New("--seed has no effect without --shuffle; add --shuffle or remove --seed"))
	case f.fade <= 0:
		return nil, mistake.Errorf("--fade: %v; allowed: 1ms to 200ms", f.fade)
	case f.rate == 0:
		return nil, mistake.Errorf("--rate: 0 Hz; allowed: %s", cutRates())
	case set("excerpt") && f.excerpt <= 0, set("total") && f.total <= 0:
		return nil, mistake.Of(errors.New("--excerpt and --total are lengths above 0s, such as 30s"))
	case set("beats") && f.beats < 1:
		return nil, mistake.Errorf("--beats: %d; allowed: 1 to 32", f.beats)
	}
	if cmd.Flags().Changed("from") {
		from := unit.Seconds(f.from.Seconds())
		o.From = &from
	}
	if cmd.Flags().Changed("order") {
		o.Order = strings.Split(f.order, ",")
	}
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	var err error
	if o.Every, err = cut.ParseEvery(f.every, f.tempo, f.beats); err != nil {
		return nil, err
	}
	if f.every != "" && !cmd.Flags().Changed("reach") {
		o.Reach = cut.DefaultEveryReach
	}
	if f.video != "" {
		if !cmd.Flags().Changed("title") {
			o.Title = cut.DefaultTitle
		}
		if !cmd.Flags().Changed("closing") {
			o.Closing = cut.DefaultClosing
		}
	}
	c, err := manifest.Load(path, fairness.CheckLimit)
	if err != nil {
		return nil, err
	}
	o.Report = cmp.Or(o.Report, c.URL)
	if err := o.Check(c); err != nil {
		return nil, err
	}
	if f.video != "" {
		// Before anything is measured.
		if _, err := video.Find(); err != nil {
			return nil, err
		}
	}
	return writeCut(cmd.Context(), cmd.ErrOrStderr(), f.out, f.store.open(), c, o)
}

// writeCut measures a comparison and writes the edit's folder.
func writeCut(ctx context.Context, stderr io.Writer, out string, kept *store.Store, c *manifest.Comparison, o cut.Options) (*cut.Record, error) {
	draft, err := beginOutput(stderr, out, folder.Cut, c.Inputs...)
	if err != nil {
		return nil, err
	}
	defer draft.Discard()
	show, clear := progress(stderr)
	defer clear()
	o.Progress = show
	s, err := analyze.Measure(ctx, c, analyze.Options{Version: version(), Workers: o.Workers, Progress: show, Store: kept})
	if err != nil {
		return nil, err
	}
	defer s.Close()
	tidyStore(stderr, kept)
	s.Check()
	rec, err := cut.Write(ctx, draft.Dir, s, o)
	if err != nil {
		return nil, err
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	if err := s.Unchanged(); err != nil {
		return nil, err
	}
	if err := draft.Commit(); err != nil {
		return nil, err
	}
	clear()
	sayLeft(stderr, draft)
	sayWarnings(stderr, s.Result)
	for _, n := range rec.Notes {
		fmt.Fprintf(stderr, "evenhand: note: %s\n", n)
	}
	fmt.Fprintf(stderr, "evenhand: wrote %s, for %s frames per second (%s)\n", out, rec.Fraction, rec.FrameRate)
	return rec, nil
}

// listed splits a list at its commas; nil for none.
func listed(list string) []string {
	if strings.TrimSpace(list) == "" {
		return nil
	}
	out := strings.Split(list, ",")
	for i := range out {
		out[i] = strings.TrimSpace(out[i])
	}
	return out
}

// showCut prints the cue list, with the length of each part or how far its cut was
// moved, and what video sites do to the loudness.
func showCut(w io.Writer, r *cut.Record, turns bool) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	last := "Moved"
	if turns {
		last = "Length"
	}
	fmt.Fprintf(t, "Timecode\tTake\tSection\t%s\n", last)
	for i, x := range r.Parts {
		moved := "–"
		switch {
		case turns:
			moved = unit.Format(float64(x.End-x.First)/float64(r.SampleRate), 2) + " s"
		case i > 0:
			moved = unit.Signed(1000*float64(x.First-x.Wanted)/float64(r.SampleRate), 0) + " ms"
			if x.InPause {
				moved += ", in a pause"
			}
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", x.In, x.Take, x.Section, moved)
	}
	if err := t.Flush(); err != nil {
		return err
	}
	fmt.Fprintf(t, "\nVideo site turns down to\tThe edit\tSingle clips\n")
	for _, s := range r.Sites {
		fmt.Fprintf(t, "%s\t%s\t%s\n", s.Target, s.EditText(), s.ClipsText())
	}
	return t.Flush()
}

// cutFailed says which checks failed and returns errCheckFailed if any did.
func cutFailed(stderr io.Writer, r *cut.Record) error {
	if !r.Failed() {
		return nil
	}
	for _, c := range r.Checks {
		if c.Outcome == result.Failed {
			fmt.Fprintf(stderr, "evenhand: %s failed: %s %s, allowed %s; %s\n", c.Name, c.Subject, c.Value, c.Limit, c.Do)
		}
	}
	return errCheckFailed
}
