package pack

import (
	"bytes"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/report/folder"
)

// Places in the bag of a comparison, below data/.
const (
	sessionDir  = "session/"
	reportDir   = "report/"
	leftOutName = "left-out.csv"
)

// leftOutHead is the first line of the list of what is withheld.
var leftOutHead = []string{"path", "use", "sha256", "bytes"}

// Comparison lists what goes into the bag of a comparison whose report was built in a
// folder, and which files stay out, with their paths in the bag; agent is the program
// and its version. The error matches mistake.Err where a file is outside the archive.
func Comparison(c *manifest.Comparison, res *result.Result, built, agent string) (Content, []result.File, error) {
	content := Content{Base: manifest.Slug(c.Title), Agent: agent, Date: c.Date}
	items, left, main, err := sessionFiles(c, res)
	if err != nil {
		return content, nil, err
	}
	sums, err := folder.ReadSums(built)
	if err != nil {
		return content, nil, err
	}
	for _, s := range append(sums, folder.Sum{Path: folder.Sums}) {
		items = append(items, Item{Name: reportDir + s.Path, Source: filepath.Join(built, filepath.FromSlash(s.Path)), SHA256: s.SHA256})
	}
	content.Info = []Field{
		{Label: LabelDescription, Value: c.Title},
		{Label: LabelManifest, Value: PayloadDir + main},
		{Label: LabelReport, Value: PayloadDir + strings.TrimSuffix(reportDir, "/")},
	}
	if c.By != "" {
		content.Info = slices.Insert(content.Info, 0, Field{Label: LabelSource, Value: c.By})
	}
	if len(left) > 0 {
		var b bytes.Buffer
		w := csv.NewWriter(&b)
		w.Write(leftOutHead)
		for _, f := range left {
			w.Write([]string{PayloadDir + f.Path, f.Use, f.SHA256, strconv.FormatInt(f.Bytes, 10)})
			content.Info = append(content.Info, Field{Label: LabelLeftOut, Value: fmt.Sprintf("%s %d %s%s", f.SHA256, f.Bytes, PayloadDir, f.Path)})
		}
		w.Flush()
		items = append(items, Item{Name: leftOutName, Data: b.Bytes()})
	}
	content.Items = items
	return content, left, nil
}

// sessionFiles lays the manifest and the files that it names out below their
// common folder, so that the manifest's relative paths lead to them in the bag
// as they did. Files that may not be passed on come back as left, with their
// path in the bag; main is the manifest's.
func sessionFiles(c *manifest.Comparison, res *result.Result) (items []Item, left []result.File, main string, err error) {
	dir, err := filepath.Abs(c.Dir)
	if err != nil {
		return nil, nil, "", err
	}
	full := make([]string, len(res.Files))
	root := dir
	for i, f := range res.Files {
		p := filepath.FromSlash(f.Path)
		if filepath.IsAbs(p) {
			return nil, nil, "", mistake.Errorf("%s: this is an absolute path, which leads out of the archive; name the file relative to the manifest's folder", f.Path)
		}
		full[i] = filepath.Join(dir, p)
		for !within(root, full[i]) {
			up := filepath.Dir(root)
			if up == root {
				return nil, nil, "", mistake.Errorf("%s: the file is on another drive than the manifest; put both on one drive", f.Path)
			}
			root = up
		}
	}
	seen := map[string]bool{}
	for i, f := range res.Files {
		rel, err := filepath.Rel(root, full[i])
		if err != nil {
			return nil, nil, "", err
		}
		name := path.Join(sessionDir, filepath.ToSlash(rel))
		if f.Use == "manifest" {
			main = name
		}
		if seen[full[i]] {
			continue
		}
		seen[full[i]] = true
		if res.Withholds(f.SHA256) {
			f.Path = name
			left = append(left, f)
		} else {
			items = append(items, Item{Name: name, Source: full[i], SHA256: f.SHA256})
		}
	}
	return items, left, main, nil
}

// within tells whether a file lies in a folder or below it.
func within(dir, file string) bool {
	rel, err := filepath.Rel(dir, file)
	return err == nil && filepath.IsLocal(rel)
}

// ReadLeftOut returns the files that the bag of a comparison withholds, by their path,
// use, SHA-256 and bytes, from its list in dir, where it was unpacked; none without a list.
// The error matches mistake.Err where the list cannot be read.
func ReadLeftOut(dir string) ([]result.File, error) {
	list := PayloadDir + leftOutName
	text, err := foreign.ReadFileIn(dir, list, maxTag)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil {
		return nil, mistake.Errorf("%s: it cannot be read: %w", list, err)
	}
	if len(rows) == 0 {
		return nil, mistake.Errorf("%s: it is empty; its first line must be %q", list, strings.Join(leftOutHead, ","))
	}
	var out []result.File
	for i, row := range rows[1:] {
		bad := mistake.Errorf("%s:%d: found %q; it must be a path below %s, a use, a SHA-256 and a number of bytes", list, i+2, strings.Join(row, ","), PayloadDir)
		if len(row) != 4 || !strings.HasPrefix(row[0], PayloadDir) || foreign.Path(row[0]) != nil {
			return nil, bad
		}
		size, err := strconv.ParseInt(row[3], 10, 64)
		if sum, err2 := hex.DecodeString(row[2]); err != nil || err2 != nil || len(sum) != 32 || size < 0 {
			return nil, bad
		}
		out = append(out, result.File{Path: row[0], Use: row[1], SHA256: row[2], Bytes: size})
	}
	return out, nil
}
