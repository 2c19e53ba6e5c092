package verify

import (
	"context"
	"errors"
	"io/fs"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/foreign"
	"evenhand/analyze/mistake"
	"evenhand/report/folder"
	"evenhand/report/pack"
)

// Folder compares a published report folder with its list of files and returns
// what differs, how many files it lists and their bytes. The error is
// fs.ErrNotExist when the folder has no list.
func Folder(ctx context.Context, dir string) (faults []pack.Fault, files int, bytes int64, err error) {
	sums, err := folder.ReadSums(dir)
	if err != nil {
		return nil, 0, 0, err
	}
	listed := map[string]bool{folder.Sums: true}
	found := make([][]pack.Fault, len(sums))
	sizes := make([]int64, len(sums))
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(runtime.GOMAXPROCS(0))
	for i, s := range sums {
		if listed[s.Path] {
			found[i] = []pack.Fault{{File: s.Path, What: "it is listed twice in " + folder.Sums}}
			continue
		}
		listed[s.Path] = true
		g.Go(func() error {
			what, n, err := checkFile(gctx, dir, s)
			if what != "" {
				found[i] = []pack.Fault{{File: s.Path, What: what}}
			}
			sizes[i] = n
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, 0, 0, err
	}
	for i := range sums {
		faults = append(faults, found[i]...)
		bytes += sizes[i]
	}
	err = filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		rel, err := filepath.Rel(dir, path)
		if err != nil {
			return err
		}
		if name := filepath.ToSlash(rel); !listed[name] && !folder.Litter(e) {
			faults = append(faults, pack.Fault{File: name, What: "it is not listed in " + folder.Sums + ": it was put there later"})
		}
		return nil
	})
	slices.SortStableFunc(faults, func(a, b pack.Fault) int { return strings.Compare(a.File, b.File) })
	return faults, len(sums), bytes, err
}

// checkFile returns what is wrong with a listed file, "" for nothing, and its
// length.
func checkFile(ctx context.Context, dir string, s folder.Sum) (what string, size int64, err error) {
	info, err := foreign.StatIn(dir, s.Path)
	switch {
	case errors.Is(err, mistake.Err):
		return err.Error(), 0, nil
	case err != nil:
		return "missing: it is listed in " + folder.Sums, 0, nil
	case !info.Mode().IsRegular():
		return "it is not a file", 0, nil
	}
	sum, size, err := foreign.SHA256File(ctx, filepath.Join(dir, filepath.FromSlash(s.Path)))
	if err != nil {
		return "", size, err
	}
	if sum != strings.ToLower(s.SHA256) {
		return "its content is not what was published: its SHA-256 is not that in " + folder.Sums, size, nil
	}
	return "", size, nil
}
