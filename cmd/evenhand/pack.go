package main

import (
	"fmt"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"evenhand/analyze/disk"
	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/report/folder"
	"evenhand/report/pack"
)

func packCommand() *cobra.Command {
	var out, earlier string
	var opts buildOptions
	cmd := &cobra.Command{
		Use:   "pack MANIFEST -o FILE.zip|DIR",
		Short: "Archive a comparison with everything that its report was made from",
		Long: `Pack builds the report and archives it with everything that it was made from. The
archive is a bag (RFC 8493): plain files and two lists of their hashes. It is a
zip file if the name ends in .zip, otherwise a folder. The same comparison gives
the same bytes.

  data/session/       the manifest, unchanged, and the recordings, notes, impulse
                      responses and photos that it names, at the same relative
                      paths, so that build can read the manifest there
  data/report/        the report
  data/left-out.csv   files marked redistribute: no, which the archive withholds:
                      their place, SHA-256 and size; audio made from such a take
                      is withheld too

With --report DIR, pack keeps the target loudness of that published report, as
build does for a report that it replaces. The archive appears complete or not at
all. Pack replaces only an archive that pack made and nobody changed since.`,
		Example: `  evenhand pack comparison.yaml -o fuzzes.zip --report published
  evenhand verify fuzzes.zip`,
		Args: exactly("a manifest"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if out == "" {
				return noOutput(cmd, args, "a zip file or a folder", "FILE.zip")
			}
			c, err := manifest.Load(args[0], fairness.CheckLimit)
			if err != nil {
				return err
			}
			if earlier != "" {
				if err := recoverOutput(cmd.ErrOrStderr(), earlier); err != nil {
					return err
				}
				if _, err := os.Stat(filepath.Join(earlier, result.FileName)); err != nil {
					return mistake.Errorf("--report: %s is not a report; name the folder that build wrote", earlier)
				}
			}
			if err := recoverOutput(cmd.ErrOrStderr(), out); err != nil {
				return err
			}
			if err := pack.Writable(cmd.Context(), out); err != nil {
				return err
			}
			if err := folder.InUse(out, out, c.Inputs); err != nil {
				return err
			}
			held, err := disk.Temp("pack")
			if err != nil {
				return err
			}
			defer held.Remove()
			built := filepath.Join(held.Dir, "report")
			res, err := build(cmd, args[0], built, earlier, opts)
			if err != nil {
				return err
			}
			content, left, err := pack.Comparison(c, res, built, "evenhand "+version())
			if err != nil {
				return err
			}
			show, clear := progress(cmd.ErrOrStderr())
			defer clear()
			tell := func(done, total int64) {
				if show != nil {
					show("packing", done, total)
				}
			}
			if err := pack.Write(cmd.Context(), out, content, tell); err != nil {
				return err
			}
			clear()
			w := cmd.ErrOrStderr()
			for _, f := range left {
				fmt.Fprintf(w, "evenhand: withheld (redistribute: no): %s; the archive keeps its SHA-256\n", f.Path)
			}
			fmt.Fprintf(w, "evenhand: wrote %s\n", out)
			return failed(res)
		},
	}
	cmd.Flags().StringVarP(&out, "output", "o", "", "zip file or folder to write")
	cmd.Flags().StringVar(&earlier, "report", "", "folder of the published report whose target loudness pack keeps")
	opts.flags(cmd)
	return cmd
}
