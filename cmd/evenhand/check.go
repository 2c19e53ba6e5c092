package main

import (
	"github.com/spf13/cobra"

	"evenhand/analyze"
	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/console"
	"evenhand/report/sentences"
	"evenhand/report/settings"
	"evenhand/report/watch"
)

func checkCommand() *cobra.Command {
	var asJSON, all bool
	var take string
	var kept storeOptions
	var workers int
	cmd := &cobra.Command{
		Use:   "check MANIFEST",
		Short: "Check whether a comparison is fair",
		Long: `Check answers whether a comparison is fair. Was it the same performance, at the
same level, with only one thing changed? It prints the verdict first, then each
reservation with what to do about it. Check writes no files. The exit status
is 1 if a check failed.

You can set limits in the manifest under limits:, by the id of the check. --all
prints the ids in brackets.

--take NAME checks one take in a few lines, as watch does, with the recordings
that exist so far.`,
		Args: exactly("a manifest"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if take != "" {
				worst, err := watch.Take(cmd.Context(), args[0], take, watchOptions(cmd, kept, workers, asJSON))
				if err == nil && worst == result.Failed {
					err = errCheckFailed
				}
				return err
			}
			c, err := manifest.Load(args[0], fairness.CheckLimit)
			if err != nil {
				return err
			}
			if err := settings.CheckPhotos(cmd.Context(), c); err != nil {
				return err
			}
			show, clear := progress(cmd.ErrOrStderr())
			defer clear()
			facts := kept.open()
			s, err := analyze.Measure(cmd.Context(), c, analyze.Options{Version: version(), Workers: workers, Progress: show, ChecksOnly: true, Store: facts})
			if err != nil {
				return err
			}
			defer s.Close()
			s.Check()
			if err := s.Unchanged(); err != nil {
				return err
			}
			clear()
			tidyStore(cmd.ErrOrStderr(), facts)
			sayWarnings(cmd.ErrOrStderr(), s.Result)
			said := sentences.Result(s.Result)
			if asJSON {
				err = writeJSON(cmd, struct {
					Tool       result.Tool        `json:"tool"`
					Comparison result.Comparison  `json:"comparison"`
					Checks     []result.Check     `json:"checks"`
					Exclusions []result.Exclusion `json:"exclusions"`
					Loopback   *result.Loopback   `json:"loopback,omitempty"`
					Warnings   []result.Warning   `json:"warnings"`
				}{said.Tool, said.Comparison, said.Checks, said.Exclusions, said.Loopback, said.Warnings})
			} else {
				err = console.Checks(cmd.OutOrStdout(), said, width(cmd.OutOrStdout()), all)
			}
			if err != nil {
				return err
			}
			return failed(s.Result)
		},
	}
	kept.flags(cmd)
	cmd.Flags().StringVar(&take, "take", "", "check this take alone")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print checks and exclusions as JSON")
	cmd.Flags().BoolVar(&all, "all", false, "also list each check that passed, with ids, limits and sources, and what the comparison excludes")
	cmd.Flags().IntVar(&workers, "workers", 0, "takes to process at once; 0: one for each processor")
	return cmd
}
