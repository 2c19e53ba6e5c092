package main

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path/filepath"

	"github.com/spf13/cobra"

	"evenhand/analyze"
	"evenhand/analyze/fairness"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report"
	"evenhand/report/folder"
	"evenhand/report/sentences"
	"evenhand/report/settings"
	"evenhand/report/terminal"
)

// buildOptions are the options of commands that build a report.
type buildOptions struct {
	workers int
	store   storeOptions
	target  string // "", "kept" or "new"
	copies  string // "", "16" or "24"
	webOnly bool
	drop    bool // answers that would be lost
}

func (o *buildOptions) flags(cmd *cobra.Command) {
	f := cmd.Flags()
	f.IntVar(&o.workers, "workers", 0, "takes to process at once; 0: one for each processor")
	o.store.flags(cmd)
	f.BoolVar(&o.drop, "drop-answers", false, "continue if published audio changes that listeners left answers about, and drop these answers")
	f.StringVar(&o.target, "target", "", "if the earlier report has another target: kept (keep it or stop) or new (change the published audio)")
	f.StringVar(&o.copies, "copies", "", "depth of the published files: 16 or 24 bits; without it as in the earlier report, and at first as the noise in the pauses allows")
}

// readEarlier returns what the report in a folder says to the one that
// replaces it; nil when there is none.
func readEarlier(dir string) (*analyze.Earlier, error) {
	text, err := foreign.ReadFileIn(dir, result.FileName, result.MaxResults)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	res, err := result.Decode(text)
	if err != nil {
		return nil, mistake.Errorf("%s: %w; type --target new to build without it", filepath.Join(dir, result.FileName), err)
	}
	return analyze.EarlierFrom(res), nil
}

// earlier returns the report whose target matters, as --target says.
func (o buildOptions) earlier(dir string, c *manifest.Comparison) (*analyze.Earlier, error) {
	switch o.target {
	case "", "kept", "new":
	default:
		return nil, mistake.Errorf("--target: %q; allowed: kept, new; a target in LUFS belongs in the manifest, as match: {target: -20 LUFS}", o.target)
	}
	var e *analyze.Earlier
	var err error
	if dir != "" {
		e, err = readEarlier(dir)
		if err != nil && o.target == "new" {
			e, err = nil, nil
		}
	}
	if o.target == "kept" && err == nil {
		if e == nil {
			err = mistake.Of(errors.New("--target kept: there is no earlier report; remove --target"))
		} else if c.Match.Target != nil {
			err = mistake.Of(errors.New("--target kept: the manifest states a target too, under match:; remove one of the two"))
		}
	}
	return e, err
}

// depth returns the bits that --copies asks for, 0 without it.
func (o buildOptions) depth(c *manifest.Comparison) (int, error) {
	bits := map[string]int{"": 0, "16": 16, "24": 24}
	n, ok := bits[o.copies]
	switch {
	case !ok:
		return 0, mistake.Errorf("--copies: %q; allowed: 16, 24", o.copies)
	case n > 0 && c.Copies > 0 && n != c.Copies:
		return 0, mistake.Errorf("--copies %d: the manifest states copies: %s; change it there", n, manifest.CopiesText(c.Copies))
	}
	return n, nil
}

// build measures a comparison and writes its report to out; earlier is the
// folder of the report whose target is kept, "" for none.
func build(cmd *cobra.Command, path, out, earlier string, o buildOptions) (*result.Result, error) {
	ctx := cmd.Context()
	c, err := manifest.Load(path, fairness.CheckLimit)
	if err != nil {
		return nil, err
	}
	draft, err := beginOutput(cmd.ErrOrStderr(), out, folder.Report, c.Inputs...)
	if err != nil {
		return nil, err
	}
	defer draft.Discard()
	before, err := o.earlier(earlier, c)
	if err != nil {
		return nil, err
	}
	depth, err := o.depth(c)
	if err != nil {
		return nil, err
	}
	if err := settings.CheckPhotos(ctx, c); err != nil {
		return nil, err
	}
	kept := o.store.open()
	show, clear := progress(cmd.ErrOrStderr())
	defer clear()
	s, err := analyze.MeasureAndPublish(ctx, c, draft.Dir, analyze.Options{
		Version: version(), Workers: o.workers, Progress: show,
		Store: kept, Earlier: before, NewTarget: o.target == "new", Copies: depth,
	})
	if err != nil {
		return nil, err
	}
	lost := s.KeepAudience(before)
	if lost != nil && !o.drop {
		return nil, mistake.Errorf("%s: %w; nothing was replaced: %s", earlier, lost, insteadOfLosing(lost))
	}
	text, err := foreign.ReadFile(path, manifest.MaxSize)
	if err != nil {
		return nil, err
	}
	if fmt.Sprintf("%x", sha256.Sum256(text)) != c.SHA256 {
		return nil, &recording.ChangedError{Path: path}
	}
	if err := putRecord(ctx, draft.Dir, c, s.Result.Files); err != nil {
		return nil, err
	}
	if err := report.Write(draft.Dir, s.Result, report.Options{Manifest: text, WebOnly: o.webOnly}); err != nil {
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
	w := cmd.ErrOrStderr()
	sayLeft(w, draft)
	sayWarnings(w, s.Result)
	if lost != nil {
		fmt.Fprintf(w, "evenhand: warning: --drop-answers: %v\n", lost)
		if less := (*analyze.LostAnswersError)(nil); errors.As(lost, &less) && less.Counts {
			fmt.Fprintln(w, "evenhand: codes about takes whose published audio is unchanged still count; evenhand tally with all comments adds them again")
		}
	}
	tidyStore(w, kept)
	for _, t := range s.Result.Takes {
		if t.Withheld != nil {
			fmt.Fprintf(w, "evenhand: withheld (redistribute: no): the audio of %s (%s); the report has its numbers and its hash\n", t.Name, t.File)
		}
	}
	if n := s.Reused(); n > 0 {
		fmt.Fprintf(w, "evenhand: audio of %d of %d takes unchanged, from the cache\n", n, len(s.Result.Takes))
	}
	if a := s.Adding(); a != nil {
		sayAdding(w, *a, s.Result.Match.Target)
	}
	return s.Result, nil
}

// insteadOfLosing says what can be done about answers that would be lost.
func insteadOfLosing(lost error) string {
	if errors.Is(lost, result.ErrRenamed) {
		return "build with --drop-answers and tally all comments again, which counts them by the new names"
	}
	return "write to another folder to keep both reports, undo what changed the audio, or build with --drop-answers to continue without the answers"
}

// sayWarnings writes what is doubtful about a result.
func sayWarnings(w io.Writer, res *result.Result) {
	for _, x := range sentences.Result(res).Warnings {
		where := ""
		if x.Where != "" {
			where = x.Where + ": "
		}
		fmt.Fprintf(w, "evenhand: warning: %s%s\n", terminal.Clean(where), terminal.Clean(x.Message))
	}
}

// sayAdding says what becomes of audio that was published before.
func sayAdding(w io.Writer, a analyze.Adding, target unit.LUFS) {
	switch {
	case !a.TargetDiffers():
	case a.Kept:
		fmt.Fprintf(w, "evenhand: the target stays at %s, as in the earlier report; without it the takes would be matched to %s, which changes %s: --target new to do so\n", a.Earlier, a.Highest, a.ChangesText())
	default:
		fmt.Fprintf(w, "evenhand: the target goes from %s to %s, which changes audio published before: %s\n", a.Earlier, target, a.ChangesText())
	}
	if a.TimeDiffers() {
		fmt.Fprintf(w, "evenhand: the published time was %.4f s to %.4f s and is now %.4f s to %.4f s, which changes all published audio: %s\n", float64(a.Was.From), float64(a.Was.To), float64(a.Is.From), float64(a.Is.To), a.TimeWhy)
	}
	for _, x := range a.Others {
		fmt.Fprintf(w, "evenhand: the published audio of %s changes: %s\n", terminal.Clean(x.Take), x.Why)
	}
}
