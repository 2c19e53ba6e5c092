package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"evenhand/analyze/manifest"
	"evenhand/analyze/manifest/draft"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/examples"
	"evenhand/examples/studio"
	"evenhand/report/console"
	"evenhand/report/folder"
	"evenhand/report/terminal"
)

func commands() []*cobra.Command {
	return []*cobra.Command{checkCommand(), buildCommand(), packCommand(), verifyCommand(), tallyCommand(), serveCommand(), reampLevelCommand(), watchCommand(), cutCommand(), demoCommand(), newCommand(), settingsCommand(), schemaCommand(), manualTopic()}
}

func buildCommand() *cobra.Command {
	var out string
	var asJSON bool
	var opts buildOptions
	cmd := &cobra.Command{
		Use:   "build MANIFEST -o DIR",
		Short: "Measure a comparison and write its report",
		Long: `Build checks and measures the recordings that a manifest lists, matches their
levels and writes the report as a folder of static files: the page index.html,
details.html with all checks and the method, listen.html with the player alone
for the frame of another page, the matched audio, tables, results.json and
preview.png. A link to the report shows this picture if the manifest says where it will be published (url). Build
replaces an earlier report in DIR, and leaves any other folder alone. If it
fails, DIR stays as it was.

Build withholds what is marked redistribute: no. It never copies such a file. If
a take is marked, the report has its numbers and its hash, and no audio that was
made from it. If a file in a take's chain is marked, the page does not let the
take be heard equalised to another one.

If DIR holds an earlier report, build keeps the target loudness of that report
as long as no take peaks above the ceiling, so that published audio stays the
same. If another target is possible, build prints what it would change;
--target new uses it. It also keeps the depth of the published files, unless
--copies asks for another. What listeners heard stays in the report for takes
whose files do not change. If a build would lose answers, it replaces nothing;
--drop-answers lets it continue.

Build keeps encoded audio in a cache and encodes only takes that changed. You
can delete the cache at any time.

A browser does not let a page from a disk fetch files, so the report holds the
audio a second time, in scripts. They are more than half of its size.
--web-only leaves them out. Such a report is for a web host; opened from a
disk, it has plain players.`,
		Args: exactly("a manifest"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if out == "" {
				return noOutput(cmd, args, "a folder", "DIR")
			}
			res, err := build(cmd, args[0], out, out, opts)
			if err != nil {
				return err
			}
			if asJSON {
				err = writeJSON(cmd, res)
			} else {
				err = console.Summary(cmd.OutOrStdout(), res, width(cmd.OutOrStdout()))
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
	cmd.Flags().BoolVar(&asJSON, "json", false, "print the result as JSON")
	cmd.Flags().BoolVar(&opts.webOnly, "web-only", false, "leave out the second copy of the audio, which the player needs only when the page is opened from a disk")
	opts.flags(cmd)
	return cmd
}

// failed returns errCheckFailed when a check failed.
func failed(res *result.Result) error {
	for _, c := range res.Checks {
		if c.Outcome == result.Failed {
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
		Short: "Write the audio and the manifest of an invented comparison",
		Long: `Demo synthesises a comparison for trying the commands: a dry performance, its
takes through invented circuits with known delays, levels and noise, and the
manifest that lists them. One scenario gives the same bytes each time.`,
		Args: exactly("a folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if !slices.Contains(studio.Scenarios(), scenario) {
				return mistake.Errorf("--scenario: %q; allowed: %s", scenario, strings.Join(studio.Scenarios(), ", "))
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
	cmd.Flags().StringVar(&scenario, "scenario", all[0], "comparison to write: "+strings.Join(all, " or "))
	return cmd
}

func schemaCommand() *cobra.Command {
	return &cobra.Command{
		Use:   "schema",
		Short: "Print the JSON Schema of manifests, for editors",
		Long: `Schema prints the JSON Schema of manifests. An editor that reads it completes keys
and marks mistakes while you type.`,
		Example: `  evenhand schema > manifest.schema.json`,
		Args:    exactly(),
		RunE: func(cmd *cobra.Command, _ []string) error {
			_, err := cmd.OutOrStdout().Write(manifest.Schema())
			return err
		},
	}
}

// manualTopic is not a command but a topic of help.
func manualTopic() *cobra.Command {
	return &cobra.Command{Use: "manifest", Short: "The manual of the manifest language", Long: "The manifest language\n\n" + manifest.Manual(80)}
}

func newCommand() *cobra.Command {
	var out, from string
	cmd := &cobra.Command{
		Use:   "new FOLDER",
		Short: "Start a manifest from a folder of recordings",
		Long: `New writes a manifest for you to complete from a folder of recordings. It fills
in file names, formats and durations, and guesses from the names which file is
the dry recording, the loopback, a bypass or a repeat. Each guess is marked. All
other keys are commented lines.

With --from it starts from the chain and the settings of an earlier comparison:
a settings.json, a folder with one (such as a report), or a manifest. A recording
with the name of an earlier take, or of its file, gets the settings of that take.
Comments say whether the dry recording is still the same file. Without FOLDER,
the manifest lists the earlier takes for you to record.`,
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
	cmd.Flags().StringVar(&from, "from", "", "earlier comparison whose settings to start from: its settings.json, folder or manifest")
	cmd.Flags().StringVarP(&out, "output", "o", "", "manifest to write (default FOLDER/comparison.yaml)")
	return cmd
}
