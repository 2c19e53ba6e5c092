package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
	"evenhand/analyze/manifest/draft"
	"evenhand/examples"
	"evenhand/examples/studio"
	"evenhand/report"
	"evenhand/report/folder"
	"evenhand/report/terminal"
)

func commands() []*cobra.Command {
	return []*cobra.Command{checkCommand(), buildCommand(), packCommand(), verifyCommand(), tallyCommand(), serveCommand(), reampLevelCommand(), cutCommand(), demoCommand(), newCommand(), settingsCommand(), schemaCommand(), manualTopic()}
}

func buildCommand() *cobra.Command {
	var out string
	var asJSON bool
	var opts buildOptions
	cmd := &cobra.Command{
		Use:   "build MANIFEST -o DIR",
		Short: "Measure a comparison and write its report",
		Long: `Build reads a manifest and its recordings, checks and measures them, matches
the levels and writes a folder of static files: index.html, the matched audio,
the tables and results.json. The folder appears complete or not at all. An
earlier report in its place is replaced; anything else is left alone. No file
marked redistribute: no is copied, nor is audio made from such a take: the report
holds its numbers and its hash, and says that it is not published.

A take that is added can lower the highest level that all takes allow, and so
change the audio that was published of the others. So the target of an earlier
report in DIR is kept where the ceiling allows it, and build says what the
other target would change; --target new takes that instead. What readers heard of
takes whose files stay the same bytes stays in the report. Where it would be lost
nothing is replaced, unless --drop-answers says so.

Encoded audio is kept in a cache, so that takes that did not change are not
encoded again. The cache may be deleted at any time.

A page opened from a disk may not fetch files, so the audio for its player stands
in the folder twice, the second time in scripts: more than a third of a report, or
nearly half with two microphones. --web-only leaves those out, for a folder that
goes to a web host; the page opened from a disk then has plain players.`,
		Args: exactly("a manifest"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if out == "" {
				return usageError{errors.New("build needs a folder to write to: -o DIR")}
			}
			res, err := build(cmd, args[0], out, out, opts)
			if err != nil {
				return err
			}
			if asJSON {
				err = writeJSON(cmd, res)
			} else {
				err = report.Summary(cmd.OutOrStdout(), res, width(cmd.OutOrStdout()))
				if err == nil {
					fmt.Fprintf(cmd.ErrOrStderr(), "evenhand: wrote %s\n", filepath.Join(out, "index.html"))
				}
			}
			if err != nil {
				return err
			}
			return failed(res)
		},
	}
	cmd.Flags().StringVarP(&out, "output", "o", "", "folder to write the report to")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the result as JSON instead of a table")
	cmd.Flags().BoolVar(&opts.webOnly, "web-only", false, "leave out the second copy of the audio that the player needs when the page is opened from a disk")
	opts.flags(cmd)
	return cmd
}

// failed returns errCheckFailed when a check failed.
func failed(res *analyze.Result) error {
	for _, c := range res.Checks {
		if c.Outcome == analyze.Fails {
			return errCheckFailed
		}
	}
	return nil
}

func writeJSON(cmd *cobra.Command, v any) error {
	var out bytes.Buffer
	enc := json.NewEncoder(&out)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	if err := enc.Encode(v); err != nil {
		return err
	}
	// The same strings for a program, and nothing that a terminal acts on.
	var safe strings.Builder
	for _, r := range out.String() {
		if r != '\n' && terminal.Clean(string(r)) != string(r) {
			fmt.Fprintf(&safe, "\\u%04x", r)
		} else {
			safe.WriteRune(r)
		}
	}
	_, err := io.WriteString(beneath(cmd.OutOrStdout()), safe.String())
	return err
}

func demoCommand() *cobra.Command {
	var scenario string
	cmd := &cobra.Command{
		Use:   "demo DIR",
		Short: "Make the audio and manifest of an invented comparison",
		Long: `Demo synthesises a comparison to try everything on: a dry performance, its
renders through invented circuits with known lags, levels and noise, and the
manifest that describes them. The same scenario gives the same bytes each time.`,
		Args: exactly("a folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !slices.Contains(studio.Scenarios(), scenario) {
				return usageError{fmt.Errorf("--scenario: no scenario %q; allowed: %s", scenario, strings.Join(studio.Scenarios(), ", "))}
			}
			draft, err := beginOutput(cmd.ErrOrStderr(), args[0], folder.Demo)
			if err != nil {
				return err
			}
			defer draft.Discard()
			show, clear := progress(cmd.ErrOrStderr())
			defer clear()
			var tell func(done, total int)
			if show != nil {
				tell = func(done, total int) { show("playing", int64(done), int64(total)) }
			}
			if err := studio.Write(draft.Dir, studio.Options{Scenario: scenario}, tell); err != nil {
				return err
			}
			if err := cmd.Context().Err(); err != nil {
				return err
			}
			if err := draft.Commit(); err != nil {
				return err
			}
			clear()
			sayLeft(cmd.ErrOrStderr(), draft)
			fmt.Fprintf(cmd.ErrOrStderr(), "evenhand: wrote %s\nevenhand: next: evenhand build %s -o %s\n", args[0],
				filepath.Join(args[0], examples.ManifestName(scenario)), filepath.Clean(args[0])+"-report")
			return nil
		},
	}
	all := studio.Scenarios()
	cmd.Flags().StringVar(&scenario, "scenario", all[0], "which one: "+strings.Join(all, " or "))
	return cmd
}

func schemaCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "schema",
		Short: "Print the JSON Schema of manifests, for editors",
		Args:  exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := cmd.OutOrStdout().Write(manifest.Schema())
			return err
		},
	}
}

// manualTopic is no command but a topic of help.
func manualTopic() *cobra.Command {
	return &cobra.Command{Use: "manifest", Short: "The manual of the language that manifests are written in", Long: "The language of manifests\n\n" + manifest.Manual(80)}
}

func newCommand() *cobra.Command {
	var out, from string
	cmd := &cobra.Command{
		Use:   "new FOLDER",
		Short: "Start a manifest from a folder of recordings",
		Long: `New looks through a folder of recordings and writes a manifest to complete:
file names, formats and durations filled in, the dry recording, a bypass and
repeats guessed (and marked as guesses), everything else as commented lines.

With --from it begins with the chain and the settings of an earlier comparison:
a record.json, a folder that holds one (a report does), or a manifest. A
recording that has the name of a take there, or of its file, takes over its
settings, and it is said whether the dry recording is still the same file. The
folder may then be left out; the takes of last time are listed to be recorded.`,
		Args: func(cmd *cobra.Command, args []string) error {
			if from != "" && len(args) == 0 {
				return nil
			}
			return exactly("a folder of recordings")(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			folder := ""
			if len(args) > 0 {
				folder = args[0]
			}
			if out == "" {
				out = filepath.Join(folder, "comparison.yaml")
			}
			var text []byte
			var warnings []string
			var err error
			if from != "" {
				text, warnings, err = draftFrom(cmd.Context(), from, folder, filepath.Dir(out))
			} else {
				text, warnings, err = draft.Manifest(folder, filepath.Dir(out))
			}
			if err != nil {
				return err
			}
			for _, w := range warnings {
				fmt.Fprintf(cmd.ErrOrStderr(), "evenhand: warning: %s\n", w)
			}
			if err := createNew(out, text); err != nil {
				return err
			}
			fmt.Fprintf(cmd.ErrOrStderr(), "evenhand: wrote %s\n", out)
			return nil
		},
	}
	cmd.Flags().StringVar(&from, "from", "", "settings of an earlier comparison to begin with: its record.json, folder or manifest")
	cmd.Flags().StringVarP(&out, "output", "o", "", "manifest to write (default FOLDER/comparison.yaml)")
	return cmd
}
