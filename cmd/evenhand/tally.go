package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"evenhand/analyze"
	"evenhand/analyze/disk"
	"evenhand/analyze/fairness"
	"evenhand/analyze/listening"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/report"
	"evenhand/report/console"
	"evenhand/report/folder"
	"evenhand/report/terminal"
	"evenhand/report/words"
)

func tallyCommand() *cobra.Command {
	var dir string
	var asJSON bool
	var opts buildOptions
	cmd := &cobra.Command{
		Use:   "tally MANIFEST COMMENTS…",
		Short: "Count the answer codes that listeners left in comments",
		Long: `Tally finds the answer codes of the report's blind tests in any text: pasted
comments, CSV or JSON exports, saved pages. - reads standard input. It prints
what listeners preferred, what they told apart and how they rated the takes,
with exact intervals, and what cannot be concluded. Damaged codes, codes that
came twice and codes about other audio do not count; tally prints their number.

Answers count for the audio that was heard. With --report DIR this is the audio
of the published report in DIR, and tally adds what listeners heard to its page.
It replaces the folder completely or not at all. Codes from before a take was
added count too, if the files of the other takes are still the same. If another
version of evenhand built the report, tally counts the codes but does not change
the page; build the report again first.

Give all comments each time. A new tally replaces the earlier one. Without
--report, tally makes the audio as build would, to compare with, and writes no
files.`,
		Example: `  evenhand tally comparison.yaml comments.csv --report published
  evenhand tally comparison.yaml copied-comments.txt`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) < 2 {
				return wrongArgs(cmd, args, "a manifest and files with comments")
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			r, added, title, err := tally(cmd, args[0], args[1:], dir, opts)
			if err != nil {
				return err
			}
			if asJSON {
				return writeJSON(cmd, r)
			}
			if err := console.Tally(cmd.OutOrStdout(), title, r, width(cmd.OutOrStdout())); err != nil {
				return err
			}
			if added || dir == "" {
				fmt.Fprintln(cmd.ErrOrStderr(), "evenhand: next:", afterTally(args, dir, r))
			}
			return nil
		},
	}
	f := cmd.Flags()
	f.StringVar(&dir, "report", "", "folder of the published report whose page gets the answers")
	f.BoolVar(&asJSON, "json", false, "print the tally as JSON")
	f.IntVar(&opts.workers, "workers", 0, "without --report: takes to process at once; 0: one for each processor")
	opts.store.flags(cmd)
	return cmd
}

// tally counts the codes in the files of comments and, when a report is named,
// adds them to it; added says that it did. The text is the comparison's title.
func tally(cmd *cobra.Command, path string, comments []string, dir string, o buildOptions) (r listening.Result, added bool, title string, err error) {
	fail := func(err error) (listening.Result, bool, string, error) { return listening.Result{}, false, "", err }
	c, err := manifest.Load(path, fairness.CheckLimit)
	if err != nil {
		return fail(err)
	}
	if n := len(c.Takes); n < listening.MinTakes || n > listening.MaxTakes {
		return fail(mistake.Errorf("%s has %s; answer codes are for %d to %d", path, words.Plural(n, "take", "takes"), listening.MinTakes, listening.MaxTakes))
	}
	if err := readable(comments); err != nil {
		return fail(err)
	}
	var draft *folder.Draft
	var res *result.Result
	if dir != "" {
		if err := recoverOutput(cmd.ErrOrStderr(), dir); err != nil {
			return fail(err)
		}
		res, err = publishedResult(c, dir)
		switch {
		case errors.Is(err, report.ErrOtherVersion):
			fmt.Fprintf(cmd.ErrOrStderr(), "evenhand: warning: %v; the page stays as it is. To add the answers, build the report again with this version, then repeat this command\n", err)
		case err != nil:
			return fail(err)
		default:
			// The check of the folder comes before the work.
			if draft, err = beginOutput(cmd.ErrOrStderr(), dir, folder.Report); err != nil {
				return fail(err)
			}
			defer draft.Discard()
		}
	} else if res, err = unpublishedResult(cmd, c, o); err != nil {
		return fail(err)
	}
	takes := res.Ranked()
	if n := len(takes); n < listening.MinTakes {
		return fail(mistake.Errorf("%s: %d takes have published audio; answer codes are for %d to %d", path, n, listening.MinTakes, listening.MaxTakes))
	}
	r, err = listening.Tally(everyCode(cmd, comments), takes, res.AudioID(), res.Earlier()...)
	if err != nil {
		return fail(err)
	}
	if r.Counted == 0 && r.Foreign > 0 {
		hint := ". Name the report that people listened to: --report DIR"
		if dir != "" {
			hint = ". Either the report was built again with other audio, or the comments are about another report"
		}
		fmt.Fprintf(cmd.ErrOrStderr(), "evenhand: warning: none of the codes is about this audio, %d are about other audio%s\n", r.Foreign, hint)
	}
	if draft == nil {
		return r, false, c.Title, nil
	}
	if r.Counted == 0 {
		return fail(mistake.Errorf("%s: the comments have no answer code that counts (%d damaged, %d about other audio); the report stays as it was", dir, r.Damaged, r.Foreign))
	}
	res.Audience = &r
	if err := report.Renew(dir, draft.Dir, res); err != nil {
		return fail(err)
	}
	if err := cmd.Context().Err(); err != nil {
		return fail(err)
	}
	if err := draft.Commit(); err != nil {
		return fail(err)
	}
	sayLeft(cmd.ErrOrStderr(), draft)
	fmt.Fprintf(cmd.ErrOrStderr(), "evenhand: added what listeners heard to %s\n", filepath.Join(dir, "index.html"))
	return r, true, c.Title, nil
}

// afterTally says what to do with a tally that was printed.
func afterTally(args []string, dir string, r listening.Result) string {
	switch {
	case r.Counted == 0:
		return "collect answers; listeners copy their code from the result of a blind test into a comment"
	case dir == "":
		return "evenhand tally " + terminal.Typed(args) + " --report DIR adds this to the published report in DIR"
	}
	return "publish " + dir + " again; next time, tally all comments, old and new"
}

// publishedResult reads the result of the report that readers listened to. With an
// error that is report.ErrOtherVersion it returns the result all the same: its
// answers can be counted.
func publishedResult(c *manifest.Comparison, dir string) (*result.Result, error) {
	res, err := report.Read(dir)
	other := errors.Is(err, report.ErrOtherVersion)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, mistake.Errorf("%s is not a report; name the folder that build wrote: %w", dir, err)
	case err != nil && !other:
		return nil, mistake.Of(err)
	}
	same := len(res.Takes) == len(c.Takes)
	for i := 0; same && i < len(c.Takes); i++ {
		same = res.Takes[i].Name == c.Takes[i].Name
	}
	if !same {
		return nil, mistake.Errorf("%s: the report and the manifest %s have different takes or another order; name the manifest that the report was built from", dir, c.Path)
	}
	if res.AudioID() == "" {
		return nil, mistake.Errorf("%s: the report has no audio that people could have listened to", dir)
	}
	return res, err
}

// unpublishedResult measures a comparison and encodes its audio, to learn what
// it is called.
func unpublishedResult(cmd *cobra.Command, c *manifest.Comparison, o buildOptions) (*result.Result, error) {
	held, err := disk.Temp("tally")
	if err != nil {
		return nil, err
	}
	defer held.Remove()
	show, clear := progress(cmd.ErrOrStderr())
	defer clear()
	s, err := analyze.Measure(cmd.Context(), c, analyze.Options{Version: version(), Workers: o.workers, Progress: show, Store: o.store.open()})
	if err != nil {
		return nil, err
	}
	defer s.Close()
	if err := s.Publish(cmd.Context(), held.Dir, analyze.PublishOptions{}); err != nil {
		return nil, err
	}
	return s.Result, nil
}

// stdinName stands for standard input among the files of comments.
const stdinName = "-"

// readable finds files of comments that cannot be read before any work is done.
func readable(comments []string) error {
	stdin := 0
	for _, name := range comments {
		if name == stdinName {
			if stdin++; stdin > 1 {
				return mistake.Of(errors.New("standard input (-) is named twice; name it once"))
			}
			continue
		}
		info, err := os.Stat(name)
		if err != nil {
			return err
		}
		if info.IsDir() {
			return mistake.Errorf("%s is a folder; name files with comments", name)
		}
	}
	return nil
}

// toldDamaged is how many damaged codes are told one by one.
const toldDamaged = 10

// everyCode yields the codes in all files of comments and tells of damaged
// ones.
func everyCode(cmd *cobra.Command, comments []string) iter.Seq2[listening.Found, error] {
	w := cmd.ErrOrStderr()
	return func(yield func(listening.Found, error) bool) {
		damaged := 0
		one := func(name string) bool {
			var in io.Reader = cmd.InOrStdin()
			if name != stdinName {
				f, err := os.Open(name)
				if err != nil {
					return yield(listening.Found{}, err)
				}
				defer f.Close()
				in = f
			}
			for found, err := range listening.Find(in) {
				if err == nil {
					err = cmd.Context().Err()
				} else {
					err = fmt.Errorf("%s: %w", name, err)
				}
				if err == nil && found.Err != nil {
					if damaged++; damaged <= toldDamaged {
						fmt.Fprintf(w, "evenhand: %s:%d: %v\n", name, found.Line, found.Err)
					}
				}
				if !yield(found, err) {
					return false
				}
			}
			return true
		}
		for _, name := range comments {
			if !one(name) {
				return
			}
		}
		if damaged > toldDamaged {
			fmt.Fprintf(w, "evenhand: and %d more damaged codes\n", damaged-toldDamaged)
		}
	}
}
