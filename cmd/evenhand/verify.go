package main

import (
	"github.com/spf13/cobra"

	"evenhand/report/verify"
)

func verifyCommand() *cobra.Command {
	var asJSON, all bool
	var workers int
	cmd := &cobra.Command{
		Use:   "verify PATH",
		Short: "Check whether an archive or a published report is unchanged and right",
		Long: `Verify reads an archive that pack made (a zip file or a folder) or the folder of
a published report, and checks whether it is unchanged and its numbers are right.

First it checks that each file is there with the same bytes. Then it measures
again. If the recordings are there, it computes the whole report again and
compares every value with results.json. If recordings are missing or withheld,
it decodes the published audio, undoes the gain, and measures loudness, peaks,
spectra, noise and differences section by section. --all prints the tolerances.
Verify prints exactly what differs. It also prints what it could not compare
because a file is withheld, no audio is published, or another version of evenhand
made the results. Meanwhile, unpacked files and decoded audio are in the system's
folder for temporary files.

Verify refuses an archive that could write outside its folder, link elsewhere,
expand without limit or mean different files on different systems, before it
writes any of it. The exit status is 0 if all is well, 1 if something differs,
and 2 if the archive is refused or cannot be read.`,
		Args: exactly("an archive or a folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			show, clear := progress(cmd.ErrOrStderr())
			defer clear()
			if err := recoverOutput(cmd.ErrOrStderr(), args[0]); err != nil {
				return err
			}
			r, err := verify.Run(cmd.Context(), args[0], verify.RunOptions{Version: version(), Workers: workers, Progress: show})
			if err != nil {
				return err
			}
			clear()
			if asJSON {
				err = writeJSON(cmd, r)
			} else {
				err = r.Write(cmd.OutOrStdout(), all)
			}
			if err == nil && !r.Good {
				err = errCheckFailed
			}
			return err
		},
	}
	cmd.Flags().BoolVar(&asJSON, "json", false, "print all findings as JSON")
	cmd.Flags().BoolVar(&all, "all", false, "print all findings and the tolerances")
	cmd.Flags().IntVar(&workers, "workers", 0, "takes to process at once; 0: one for each processor")
	return cmd
}
