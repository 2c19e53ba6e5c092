package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"evenhand/analyze/disk"
	"evenhand/analyze/fairness"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/manifest/draft"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/report/folder"
	"evenhand/report/settings"
)

func settingsCommand() *cobra.Command {
	var out string
	var compare, asJSON bool
	cmd := &cobra.Command{
		Use:   "settings MANIFEST -o DIR",
		Short: "Write the settings as a sheet, a table and JSON, or compare two comparisons",
		Long: `Settings writes a folder for people who set up the same gear, complete or not at
all:

  recall.html   a sheet to print: each device in signal order, its knobs as
                dials, blank rings for settings that are not stated, pictures
  settings.csv    devices, microphones and settings as a table, each with the
                takes that it applies to
  settings.json   all of it for programs, with the performance, its sections and
                the SHA-256 of each file; evenhand new --from starts the next
                comparison from it
  photos/       the pictures, at most 1200 pixels, without metadata
  session.html  only if no take is recorded yet: a sheet to print for the session,
                one page for each pass, the reference first and last

A report holds these files too. Settings hashes the recordings and does not
measure them.

With --compare it prints what changed from one comparison to another. Each can be
a settings.json, a folder with one, or a manifest.`,
		Example: `  evenhand settings comparison.yaml -o settings
  evenhand settings --compare last-year/settings.json comparison.yaml`,
		Args: func(cmd *cobra.Command, args []string) error {
			if compare {
				if len(args) != 2 {
					return mistake.Errorf("--compare needs two comparisons, got %s; type: evenhand settings --compare OLD NEW", given(args))
				}
				return nil
			}
			return exactly("a manifest")(cmd, args)
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			switch {
			case compare && out != "":
				return mistake.Of(errors.New("--compare prints to standard output and writes no folder; remove -o"))
			case compare:
				return compareRecords(cmd, args[0], args[1], asJSON)
			case asJSON:
				return mistake.Of(errors.New("--json needs --compare; -o DIR writes the settings as JSON in settings.json"))
			case out == "":
				return noOutput(cmd, args, "a folder", "DIR")
			}
			return writeRecord(cmd, args[0], out)
		},
	}
	cmd.Flags().StringVarP(&out, "output", "o", "", "folder to write the settings to")
	cmd.Flags().BoolVar(&compare, "compare", false, "print what changed from the first to the second")
	cmd.Flags().BoolVar(&asJSON, "json", false, "with --compare: print the changes as JSON")
	return cmd
}

func writeRecord(cmd *cobra.Command, path, out string) error {
	ctx := cmd.Context()
	c, planned, err := loadPlanned(path)
	if err != nil {
		return err
	}
	draft, err := beginOutput(cmd.ErrOrStderr(), out, folder.Settings, c.Inputs...)
	if err != nil {
		return err
	}
	defer draft.Discard()
	if err := settings.CheckPhotos(ctx, c); err != nil {
		return err
	}
	if planned {
		err = putPlan(ctx, draft.Dir, c)
	} else {
		err = putRecord(ctx, draft.Dir, c, nil)
	}
	if err != nil {
		return err
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	if err := draft.Commit(); err != nil {
		return err
	}
	sayLeft(cmd.ErrOrStderr(), draft)
	for _, w := range c.Warnings {
		fmt.Fprintf(cmd.ErrOrStderr(), "evenhand: warning: %s\n", w.Message)
	}
	if planned {
		fmt.Fprintf(cmd.ErrOrStderr(), "evenhand: note: no take is recorded yet; %s is the sheet for the session\n", filepath.Join(out, settings.SessionName))
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "evenhand: wrote %s\n", filepath.Join(out, settings.SheetName))
	return nil
}

// loadPlanned loads a manifest and reports whether it is a plan: none of its takes is
// recorded yet. Where only some are missing, the error is that of Load, which knows
// what was meant.
func loadPlanned(path string) (c *manifest.Comparison, planned bool, err error) {
	c, err = manifest.Load(path, fairness.CheckLimit)
	if err == nil {
		return c, false, nil
	}
	plan, planErr := manifest.LoadPlan(path, fairness.CheckLimit)
	if planErr != nil {
		return nil, false, err
	}
	for i := range plan.Takes {
		if _, missing := os.Stat(manifest.OnDisk(plan.Dir, plan.Takes[i].File.Path)); !errors.Is(missing, fs.ErrNotExist) {
			return nil, false, err
		}
	}
	return plan, true, nil
}

// putPlan writes the settings of a comparison whose takes are not recorded yet, and the
// sheet for the session. Of the files that it names, only the recordings may be missing.
func putPlan(ctx context.Context, dir string, c *manifest.Comparison) error {
	recordings := map[string]bool{}
	for _, f := range []*manifest.File{c.Performance.Dry, c.Performance.Loopback} {
		if f != nil {
			recordings[f.Path] = true
		}
	}
	for i := range c.Takes {
		recordings[c.Takes[i].File.Path] = true
	}
	rec, err := settings.New(ctx, c, version(), func(ctx context.Context, path string) (string, int64, error) {
		sum, n, err := foreign.SHA256File(ctx, manifest.OnDisk(c.Dir, path))
		if errors.Is(err, fs.ErrNotExist) && recordings[path] {
			return "", 0, nil
		}
		return sum, n, err
	})
	if err != nil {
		return err
	}
	if _, err := settings.WriteTo(ctx, dir, c, rec); err != nil {
		return err
	}
	return settings.WriteSession(dir, c, rec)
}

// putRecord writes the settings record into a folder. known are files whose
// hashes have been taken.
func putRecord(ctx context.Context, dir string, c *manifest.Comparison, known []result.File) error {
	rec, err := settings.New(ctx, c, version(), func(ctx context.Context, path string) (string, int64, error) {
		for _, f := range known {
			if f.Path == filepath.ToSlash(path) && f.SHA256 != "" {
				return f.SHA256, f.Bytes, nil
			}
		}
		return foreign.SHA256File(ctx, manifest.OnDisk(c.Dir, path))
	})
	if err != nil {
		return err
	}
	_, err = settings.WriteTo(ctx, dir, c, rec)
	return err
}

func compareRecords(cmd *cobra.Command, older, newer string, asJSON bool) error {
	ctx := cmd.Context()
	oldRecord, oldC, err := openRecord(ctx, older)
	if err != nil {
		return err
	}
	newRecord, newC, err := openRecord(ctx, newer)
	if err != nil {
		return err
	}
	changes := settings.Compare(oldRecord, oldC, newRecord, newC)
	changes.Old.Path, changes.New.Path = filepath.ToSlash(older), filepath.ToSlash(newer)
	if asJSON {
		return writeJSON(cmd, changes)
	}
	return changes.Text(cmd.OutOrStdout(), width(cmd.OutOrStdout()))
}

// openRecord reads a record or a manifest. Of a manifest's files those that are
// there are hashed.
func openRecord(ctx context.Context, path string) (*settings.Record, *manifest.Comparison, error) {
	return settings.Open(ctx, path, func(ctx context.Context, file string) (string, int64, error) {
		sum, n, err := foreign.SHA256File(ctx, manifest.OnDisk(filepath.Dir(path), file))
		if errors.Is(err, fs.ErrNotExist) {
			return "", 0, nil
		}
		return sum, n, err
	})
}

// draftFrom writes the next manifest with the chain of a record. dir is the
// folder that it will lie in; folder, if any, holds the recordings.
func draftFrom(ctx context.Context, from, folder, dir string) (text []byte, warnings []string, err error) {
	rec, _, err := settings.Open(ctx, from, nil)
	if err != nil {
		return nil, nil, err
	}
	var list []settings.Recording
	if folder != "" {
		found, w, err := draft.Recordings(folder, dir)
		warnings = w
		if err != nil {
			return nil, warnings, err
		}
		for _, f := range found {
			x := settings.Recording{Path: f.Path, Name: f.Name, About: f.About, Channels: f.Channels, Dry: f.Dry, Loopback: f.Loopback, Bypass: f.Bypass, RepeatOf: f.RepeatOf}
			if f.Dry || f.Loopback {
				if x.SHA256, _, err = foreign.SHA256File(ctx, manifest.OnDisk(dir, f.Path)); err != nil {
					return nil, warnings, err
				}
			}
			list = append(list, x)
		}
	}
	text = rec.Draft(list)
	if _, err := manifest.Parse("the new manifest", text); err != nil {
		return nil, warnings, err
	}
	return text, warnings, nil
}

// createNew writes a file that must not be there yet.
func createNew(path string, text []byte) error {
	f, err := disk.CreateNew(path, 0o666)
	if errors.Is(err, os.ErrExist) {
		return mistake.Errorf("%s: there is already a file or folder with this name; name another file with -o", path)
	}
	if err != nil {
		return err
	}
	if _, err = f.Write(text); err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		err = disk.SyncDir(filepath.Dir(path))
	}
	if err != nil {
		err = errors.Join(err, disk.Remove(path)) // complete or not at all
	}
	return err
}
