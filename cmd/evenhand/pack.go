package main

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"evenhand/analyze/disk"
	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/folder"
	"evenhand/report/pack"
)

// Places in a bag, below data/.
const (
	bagSession = "session/"
	bagReport  = "report/"
	bagLeftOut = "left-out.csv"
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
				if _, err := os.Stat(filepath.Join(earlier, resultsName)); err != nil {
					return usageError{fmt.Errorf("--report: %s is not a report; name the folder that build wrote", earlier)}
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
			content, left, err := bagContent(c, res, built)
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

// bagContent lists what goes into the bag of a comparison whose report was
// built in a folder, and what stays out.
func bagContent(c *manifest.Comparison, res *result.Result, built string) (pack.Content, []result.File, error) {
	content := pack.Content{Base: manifest.Slug(c.Title), Agent: "evenhand " + version(), Date: c.Date}
	items, left, main, err := sessionFiles(c, res)
	if err != nil {
		return content, nil, err
	}
	sums, err := folder.ReadSums(built)
	if err != nil {
		return content, nil, err
	}
	for _, s := range append(sums, folder.Sum{Path: folder.Sums}) {
		items = append(items, pack.Item{Name: bagReport + s.Path, Source: filepath.Join(built, filepath.FromSlash(s.Path)), SHA256: s.SHA256})
	}
	content.Info = []pack.Field{
		{Label: pack.LabelDescription, Value: c.Title},
		{Label: pack.LabelManifest, Value: "data/" + main},
		{Label: pack.LabelReport, Value: "data/" + strings.TrimSuffix(bagReport, "/")},
	}
	if c.By != "" {
		content.Info = slices.Insert(content.Info, 0, pack.Field{Label: pack.LabelSource, Value: c.By})
	}
	if len(left) > 0 {
		var b bytes.Buffer
		w := csv.NewWriter(&b)
		w.Write([]string{"path", "use", "sha256", "bytes"})
		for _, f := range left {
			w.Write([]string{"data/" + f.Path, f.Use, f.SHA256, strconv.FormatInt(f.Bytes, 10)})
			content.Info = append(content.Info, pack.Field{Label: pack.LabelLeftOut, Value: fmt.Sprintf("%s %d data/%s", f.SHA256, f.Bytes, f.Path)})
		}
		w.Flush()
		items = append(items, pack.Item{Name: bagLeftOut, Data: b.Bytes()})
	}
	content.Items = items
	return content, left, nil
}

// sessionFiles lays the manifest and the files that it names out below their
// common folder, so that the manifest's relative paths lead to them in the bag
// as they did. Files that may not be passed on come back as left, with their
// path in the bag; main is the manifest's.
func sessionFiles(c *manifest.Comparison, res *result.Result) (items []pack.Item, left []result.File, main string, err error) {
	dir, err := filepath.Abs(c.Dir)
	if err != nil {
		return nil, nil, "", err
	}
	full := make([]string, len(res.Files))
	root := dir
	for i, f := range res.Files {
		p := filepath.FromSlash(f.Path)
		if filepath.IsAbs(p) {
			return nil, nil, "", usageError{fmt.Errorf("%s: this is an absolute path, which leads out of the archive; name the file relative to the manifest's folder", f.Path)}
		}
		full[i] = filepath.Join(dir, p)
		for !within(root, full[i]) {
			up := filepath.Dir(root)
			if up == root {
				return nil, nil, "", usageError{fmt.Errorf("%s: the file is on another drive than the manifest; put both on one drive", f.Path)}
			}
			root = up
		}
	}
	// A file is left out when any of its uses says so, or one of the same content.
	stays := map[string]bool{}
	for _, f := range res.Files {
		if !f.Redistribute {
			stays[f.SHA256] = true
		}
	}
	seen := map[string]bool{}
	for i, f := range res.Files {
		rel, err := filepath.Rel(root, full[i])
		if err != nil {
			return nil, nil, "", err
		}
		name := path.Join(bagSession, filepath.ToSlash(rel))
		if f.Use == "manifest" {
			main = name
		}
		if seen[full[i]] {
			continue
		}
		seen[full[i]] = true
		if stays[f.SHA256] {
			f.Path = name
			left = append(left, f)
		} else {
			items = append(items, pack.Item{Name: name, Source: full[i], SHA256: f.SHA256})
		}
	}
	return items, left, main, nil
}

// within tells whether a file lies in a folder or below it.
func within(dir, file string) bool {
	rel, err := filepath.Rel(dir, file)
	return err == nil && filepath.IsLocal(rel)
}
