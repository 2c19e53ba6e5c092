package main

import (
	"github.com/spf13/cobra"

	"evenhand/analyze"
	"evenhand/report/watch"
)

func watchCommand() *cobra.Command {
	var kept storeOptions
	var workers int
	var bell, asJSON bool
	cmd := &cobra.Command{
		Use:   "watch MANIFEST | FOLDER",
		Short: "Check each take as soon as it has been recorded",
		Long: `Watch checks each take seconds after it has been recorded, while everything is
still connected. It looks for faults of the take itself and compares the take
with the dry recording and, if that was recorded already, with the reference.
It says if the take has the same samples as another one. It prints at most six
lines a take and what to do.

Give it the manifest, whose recordings may not exist yet, or the folder that
you record into, with the dry recording in it. A recording has landed when its
file has not changed for 2 s, is as long as its header states, and is not
shorter than the dry recording. After 15 s watch reports a file that is not,
and looks again at each change. It writes to no recording and runs until you
press Ctrl-C.`,
		Args: exactly("a manifest or a folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			o := watchOptions(cmd, kept, workers, asJSON)
			if bell {
				o.Bell = beneath(o.Out)
			}
			return watch.Run(cmd.Context(), args[0], o)
		},
	}
	kept.flags(cmd)
	cmd.Flags().IntVar(&workers, "workers", 0, "files to process at once; 0: one for each processor")
	cmd.Flags().BoolVar(&bell, "bell", false, "ring the terminal's bell if a check of a take failed")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print a line of JSON for each take")
	return cmd
}

func watchOptions(cmd *cobra.Command, kept storeOptions, workers int, asJSON bool) watch.Options {
	out := cmd.OutOrStdout()
	return watch.Options{
		Measure: analyze.Options{Version: version(), Workers: workers, Store: kept.open()},
		JSON:    asJSON, Width: width(out), Out: out, Errs: cmd.ErrOrStderr(), Mistake: say,
	}
}
