package report

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"evenhand/analyze/disk"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/folder"
	"evenhand/report/tables"
)

// ErrOtherVersion is returned for results that this version cannot write again
// without losing or adding something.
var ErrOtherVersion = errors.New("the results were written by another version of evenhand")

// Read returns the result that the report in a folder shows. The error wraps
// fs.ErrNotExist when there is no report, and ErrOtherVersion when the result,
// written again, would not give the same bytes or has another format; the result
// is returned with it then.
func Read(dir string) (*result.Result, error) {
	path := filepath.Join(dir, result.FileName)
	text, err := foreign.ReadFileIn(dir, result.FileName, result.MaxResults)
	if err != nil {
		return nil, err
	}
	res, err := result.Decode(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	again, err := encode(res)
	if err != nil || !bytes.Equal(again, text) || res.Format != result.Format {
		return res, fmt.Errorf("%s: %w", path, ErrOtherVersion)
	}
	return res, nil
}

// Renew writes the report in src, a committed folder, into the empty folder
// dst with another result about the same published audio. What does not follow
// from the result, such as the audio, is linked, or copied where the system
// cannot link.
func Renew(src, dst string, res *result.Result) error {
	sums, err := folder.ReadSums(src)
	if err != nil {
		return err
	}
	carry := func(name string) error {
		from, to := filepath.Join(src, filepath.FromSlash(name)), filepath.Join(dst, filepath.FromSlash(name))
		if err := disk.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			return err
		}
		if f, err := foreign.OpenIn(src, name); err != nil { // no link goes along
			return err
		} else if err := f.Close(); err != nil {
			return err
		}
		if disk.Link(from, to) == nil {
			return nil
		}
		return copyFile(from, to)
	}
	opts := Options{WebOnly: true} // unless it has scripts with pieces
	for _, s := range sums {
		// Write makes the scripts with pieces again, into the file that is
		// there: over a link that would change the one in src.
		if strings.HasPrefix(s.Path, result.AudioDir+"/") && path.Ext(s.Path) == scriptSuffix {
			opts.WebOnly = false
			continue
		}
		// What was heard is written anew, or is no more.
		if slices.Contains(tables.Audience(), s.Path) {
			continue
		}
		if err := carry(s.Path); err != nil {
			return fmt.Errorf("report: %w", err)
		}
	}
	opts.Manifest, err = foreign.ReadFileIn(src, manifestName, manifest.MaxSize)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("report: %w", err)
	}
	return Write(dst, res, opts)
}

func copyFile(from, to string) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := disk.CreateNew(to, 0o644)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close())
}
