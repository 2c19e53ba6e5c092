package main

import (
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
	"evenhand/analyze/manifest"
	"evenhand/analyze/unit"
	"evenhand/report/cut"
	"evenhand/report/cut/timecode"
	"evenhand/report/folder"
)

// cutFlags are the options of cut as they are written.
type cutFlags struct {
	out, every, tempo, order, fps, start, report string
	from, fade, reach                            time.Duration
	beats, rate, workers                         int
	shuffle, asJSON                              bool
	seed                                         uint64
}

func cutCommand() *cobra.Command {
	var f cutFlags
	cmd := &cobra.Command{
		Use:   "cut MANIFEST -o DIR",
		Short: "Write the sound for a video: a switching edit, takes to stack, captions",
		Long: `Cut writes a folder for the video editor, complete or not at all:

  edit.wav         the performance once through, changing takes on the way
  takes/           every take in full length; all files begin and end together,
                   so they can be stacked below the edit and cut freely
                   (with --shuffle only the takes to guess)
  captions.vtt     captions that name the take and its settings, WebVTT
  captions.srt     the same, SubRip
  chapters.txt     chapters, none shorter than 10 s
  cues.csv         the cue list: timecode at the camera's frame rate, samples
  description.txt  the text for beneath the video
  cut.json         all of this, and every file as measured again
  key.json         with --shuffle: which letter is which take

A take marked redistribute: no is in the edit too, since the edit is yours; the
command names it, so that you do not publish it without permission.

The edit plays every take except a bypass, the in-room reference and repeats;
--order names others. A line says which takes are not heard.

All audio is level-matched and aligned, 24-bit broadcast WAV whose header states
its measured loudness. Takes change where the sections meet, or with --every
after so many seconds or bars. A cut is moved within --reach to the frame of the
camera where it is heard least: in a pause where there is one.`,
		Example: `  evenhand cut comparison.yaml -o video
  evenhand cut comparison.yaml -o video --every 2bars --tempo 96 --order Splitting,Leaning
  evenhand cut comparison.yaml -o guess --shuffle --seed 7 --fps 29.97df --start 01:00:00:00`,
		Args: exactly("a manifest"),
		RunE: func(cmd *cobra.Command, args []string) error {
			rec, err := f.run(cmd, args[0])
			if option := (*cut.OptionError)(nil); errors.As(err, &option) {
				return usageError{err}
			}
			if err != nil {
				return err
			}
			if f.asJSON {
				err = writeJSON(cmd, rec)
			} else {
				err = showCut(cmd.OutOrStdout(), rec)
			}
			if err != nil {
				return err
			}
			return cutFailed(cmd.ErrOrStderr(), rec)
		},
	}
	rates := strings.Trim(strings.Join(strings.Fields(fmt.Sprint(cut.Rates())), ", "), "[]")
	fl := cmd.Flags()
	fl.StringVarP(&f.out, "output", "o", "", "folder to write to")
	fl.StringVar(&f.every, "every", "", "change takes after so many seconds (4s) or bars (2bars) instead of at sections")
	fl.StringVar(&f.tempo, "tempo", "", "beats a minute, for bars: 20 to 400")
	fl.IntVar(&f.beats, "beats", 0, "beats in a bar, 1 to 32 (default 4)")
	fl.DurationVar(&f.from, "from", 0, "where in the edit the counting of --every begins (default: the beginning for seconds, the first section for bars)")
	fl.StringVar(&f.order, "order", "", "takes by name or by the name of their file in takes/, in the order of playing, with commas, again from the front when all are played (default: all but a bypass, the room and repeats, as in the manifest)")
	fl.BoolVar(&f.shuffle, "shuffle", false, "guess which: play in the order that --seed gives and show letters for names")
	fl.Uint64Var(&f.seed, "seed", 0, "whole number from 0 to 18446744073709551615 that decides the order with --shuffle; kept in key.json")
	fl.IntVar(&f.rate, "rate", cut.DefaultRate, "sample rate in Hz: "+rates)
	fl.DurationVar(&f.fade, "fade", duration(cut.DefaultFade), "length of a crossfade, 1ms to 200ms")
	fl.DurationVar(&f.reach, "reach", duration(cut.DefaultReach), fmt.Sprintf("how far a cut may be moved from where it is wanted, 0s to 5s; with --every %v unless stated", duration(cut.DefaultEveryReach)))
	fl.StringVar(&f.fps, "fps", cut.DefaultFPS, "frames a second of the camera: "+strings.Join(timecode.Names(), ", ")+"; df is drop frame")
	fl.StringVar(&f.start, "start", cut.DefaultStart, "timecode of the first sample")
	fl.StringVar(&f.report, "report", "", "address of the published report, for the description")
	fl.BoolVar(&f.asJSON, "json", false, "print cut.json instead of a table")
	fl.IntVar(&f.workers, "workers", 0, "takes to work on at once; 0: one for each processor")
	return cmd
}

func duration(s unit.Seconds) time.Duration { return time.Duration(float64(s) * float64(time.Second)) }

func (f *cutFlags) run(cmd *cobra.Command, path string) (*cut.Record, error) {
	if f.out == "" {
		return nil, usageError{errors.New("cut needs a folder to write to: -o DIR")}
	}
	o := cut.Options{
		Rate: f.rate, Shuffle: f.shuffle, Seed: f.seed, FPS: f.fps, Start: f.start, Report: f.report,
		Fade: unit.Seconds(f.fade.Seconds()), Reach: unit.Seconds(f.reach.Seconds()), Workers: f.workers,
	}
	switch set := cmd.Flags().Changed; {
	case f.shuffle && !set("seed"):
		return nil, usageError{errors.New("--shuffle needs a seed, so that the same edit can be made again: any whole number from 0 on, such as --seed 7")}
	case !f.shuffle && set("seed"):
		return nil, usageError{errors.New("--seed only counts with --shuffle")}
	case f.fade <= 0:
		return nil, usageError{fmt.Errorf("--fade: a crossfade of %v; allowed: 1ms to 200ms", f.fade)}
	case f.rate == 0:
		return nil, usageError{errors.New("--rate: 0 Hz cannot be written")}
	case set("beats") && f.beats < 1:
		return nil, usageError{fmt.Errorf("--beats: %d beats in a bar; allowed: 1 to 32", f.beats)}
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
	c, err := manifest.Load(path, analyze.CheckLimit)
	if err != nil {
		return nil, err
	}
	if err := o.Check(c); err != nil {
		return nil, err
	}
	return writeCut(cmd.Context(), cmd.ErrOrStderr(), f.out, c, o)
}

// writeCut measures a comparison and writes the edit's folder.
func writeCut(ctx context.Context, stderr io.Writer, out string, c *manifest.Comparison, o cut.Options) (*cut.Record, error) {
	draft, err := beginOutput(stderr, out, folder.Cut, c.Inputs...)
	if err != nil {
		return nil, err
	}
	defer draft.Discard()
	show, clear := progress(stderr)
	defer clear()
	o.Progress = show
	s, err := analyze.Measure(ctx, c, analyze.Options{Version: version(), Workers: o.Workers, Progress: show})
	if err != nil {
		return nil, err
	}
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
	sayWarnings(stderr, s.Result.Warnings)
	for _, n := range rec.Notes {
		fmt.Fprintf(stderr, "evenhand: note: %s\n", n)
	}
	fmt.Fprintf(stderr, "evenhand: wrote %s\n", out)
	return rec, nil
}

// showCut prints the cue list.
func showCut(w io.Writer, r *cut.Record) error {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintf(t, "Timecode\tTake\tSection\tMoved\n")
	for i, x := range r.Parts {
		moved := "–"
		if i > 0 {
			moved = unit.Signed(1000*float64(x.First-x.Wanted)/float64(r.SampleRate), 0) + " ms"
			if x.InPause {
				moved += ", in a pause"
			}
		}
		fmt.Fprintf(t, "%s\t%s\t%s\t%s\n", x.In, x.Take, x.Section, moved)
	}
	return t.Flush()
}

// cutFailed says which checks failed and returns errCheckFailed if any did.
func cutFailed(stderr io.Writer, r *cut.Record) error {
	if !r.Failed() {
		return nil
	}
	for _, c := range r.Checks {
		if c.Outcome == analyze.Fails {
			fmt.Fprintf(stderr, "evenhand: %s fails: %s %s, allowed %s; %s\n", c.Name, c.Subject, c.Value, c.Limit, c.Do)
		}
	}
	return errCheckFailed
}
