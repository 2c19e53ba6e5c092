package verify

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"evenhand/analyze"
	"evenhand/analyze/again"
	"evenhand/analyze/disk"
	"evenhand/analyze/foreign"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/report/folder"
	"evenhand/report/pack"
	"evenhand/report/terminal"
)

// RunOptions say how verify runs.
type RunOptions struct {
	// Version is the program's version; results of another one may differ for that.
	Version string
	// Workers is how many takes a step works on at once; 0 means one per processor.
	Workers int
	// Progress is as in analyze.Options; it may be nil.
	Progress func(stage string, done, total int64)
}

// Run verifies the archive or the published report at path: first the bytes of its
// files, then everything that can be measured again. What differs is in the report, and
// no error. The error matches mistake.Err where path is neither, or is an archive that
// is refused (*pack.RefusedError), and is ctx's when it is done.
func Run(ctx context.Context, path string, o RunOptions) (*Report, error) {
	v := verifier{ctx: ctx, o: o}
	r, err := v.run(path)
	if err != nil {
		return nil, err
	}
	if len(r.Differences) > 0 && v.otherVersion() {
		r.Note("%s made the results in format %d; this is evenhand %s with format %d. The differences may come from a method that changed between the versions. To be certain, verify with the version that made the results", r.MadeBy, r.Format, o.Version, result.Format)
	}
	r.Finish()
	return r, nil
}

// verifier does one verification.
type verifier struct {
	ctx context.Context
	o   RunOptions
	tmp string
	r   *Report
	res *result.Result // as stored
	// made is the report that the recordings of an archive give again; nil for none.
	made *again.Made
}

func (v *verifier) run(path string) (*Report, error) {
	held, err := disk.Temp("verify")
	if err != nil {
		return nil, err
	}
	defer held.Remove()
	v.tmp = held.Dir
	if !pack.IsBag(path) {
		if _, err := os.Lstat(filepath.Join(path, folder.Sums)); err == nil {
			return v.published(path)
		}
		if _, err := os.Stat(path); err != nil {
			return nil, err
		}
		within := ""
		inside, _ := os.ReadDir(path) // what unpacks a zip file may put a folder around it
		for _, e := range inside {
			if sub := filepath.Join(path, e.Name()); e.IsDir() && pack.IsBag(sub) {
				within = "; type: evenhand verify " + terminal.Typed([]string{sub})
			}
		}
		return nil, mistake.Errorf("%s is neither an archive of pack (it has no bagit.txt) nor a published report (it has no %s)%s", path, folder.Sums, within)
	}
	return v.bag(path)
}

// bag verifies an archive.
func (v *verifier) bag(path string) (*Report, error) {
	b, err := pack.Open(path)
	if err != nil {
		return nil, err
	}
	defer b.Close()
	kind := "bag in a folder"
	if b.Zipped() {
		kind = "bag in a zip file"
	}
	v.r = New(path, kind)
	found, err := b.Check(v.ctx, func(done, total int64) {
		if v.o.Progress != nil {
			v.o.Progress("checking hashes", done, total)
		}
	})
	if err != nil {
		return nil, err
	}
	v.r.Files, v.r.Bytes, v.r.Algorithms = found.Files, found.Bytes, found.Algorithms
	v.r.AddFaults("", found.Faults)
	v.r.Notes = append(v.r.Notes, found.Notes...)
	main, rep := b.Info(pack.LabelManifest), b.Info(pack.LabelReport)
	for _, label := range []string{pack.LabelManifest, pack.LabelReport} {
		if value := b.Info(label); !strings.HasPrefix(value, pack.PayloadDir) || foreign.Path(value) != nil {
			return nil, mistake.Errorf("%s is not the archive of a comparison: %s in its bag-info.txt is %q and must be a path below %s; name an archive that evenhand pack wrote; its files and hashes: %d files, %d faults", path, label, value, pack.PayloadDir, found.Files, len(found.Faults))
		}
	}
	dir := b.Dir()
	if dir == "" {
		if len(found.Faults) > 0 {
			v.r.MadeBy = b.Info(pack.LabelAgent)
			v.r.Note("not measured again: the archive is damaged")
			return v.r, nil
		}
		dir = v.tmp
		if err := b.Extract(v.ctx, "", dir); err != nil {
			return nil, err
		}
	}
	if err := v.leftOut(dir); err != nil {
		return nil, err
	}
	name := rep + "/" + result.FileName
	res, tree, err := v.results(dir, name)
	if err != nil || res == nil {
		return v.r, err
	}
	reportDir := filepath.Join(dir, filepath.FromSlash(rep))
	faults, _, _, err := Folder(v.ctx, reportDir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		v.r.AddFaults(rep+"/", []pack.Fault{{File: folder.Sums, What: "missing: it lists the report's files"}})
	case v.ctx.Err() != nil:
		return nil, err
	case err != nil: // damaged: the bag's own lists have its hash
		v.r.AddFaults(rep+"/", []pack.Fault{{File: folder.Sums, What: "it cannot be read: " + err.Error()}})
	}
	v.r.AddFaults(rep+"/", faults)
	if err := v.recompute(dir, main, reportDir, name, res, tree); err != nil {
		return nil, err
	}
	return v.r, v.measurePublished(reportDir, rep+"/", res, tree)
}

// results reads the stored results; nil when they are not there or cannot be
// read, which the report then says.
func (v *verifier) results(dir, name string) (*result.Result, any, error) {
	b, err := foreign.ReadFileIn(dir, name, result.MaxResults)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		v.r.AddFaults("", []pack.Fault{{File: name, What: "missing, so nothing can be compared"}})
		return nil, nil, nil
	case errors.Is(err, mistake.Err):
		v.r.AddFaults("", []pack.Fault{{File: name, What: "it cannot be read: " + err.Error()}})
		return nil, nil, nil
	case err != nil:
		return nil, nil, err
	}
	var head struct {
		Format int         `json:"format"`
		Tool   result.Tool `json:"tool"`
	}
	if err := foreign.JSON(b, &head, result.MaxResults); err == nil {
		v.r.Format, v.r.MadeBy = head.Format, strings.TrimSpace(head.Tool.Name+" "+head.Tool.Version)
		if head.Format > result.Format {
			return nil, nil, mistake.Errorf("%s: the results have format %d, from a later version (%s); this version reads up to format %d; use that version or a later one", name, head.Format, v.r.MadeBy, result.Format)
		}
	}
	res, err := result.Decode(b)
	if err != nil {
		v.r.AddFaults("", []pack.Fault{{File: name, What: err.Error()}})
		return nil, nil, nil
	}
	tree, err := Decode(b)
	if err != nil {
		v.r.AddFaults("", []pack.Fault{{File: name, What: "it cannot be read: " + err.Error()}})
		return nil, nil, nil
	}
	v.res = res
	return res, tree, nil
}

func (v *verifier) options() analyze.Options {
	return analyze.Options{Version: v.o.Version, Workers: v.o.Workers, Progress: v.o.Progress}
}

// otherVersion tells whether results were made by another version than this.
func (v *verifier) otherVersion() bool {
	return v.r.Format != result.Format || v.r.MadeBy != "evenhand "+v.o.Version
}

// compare adds how stored results and what was computed again differ.
func (v *verifier) compare(stored, again any, opts Options) {
	opts.OtherVersion = v.otherVersion()
	opts.Rules = result.RulesAfter(v.r.Format, v.res)
	v.r.Add(Compare(stored, again, opts), opts.Rules)
}

// leftOut reads which files the archive does not hold.
func (v *verifier) leftOut(dir string) error {
	files, err := pack.ReadLeftOut(dir)
	if err != nil {
		return err
	}
	for _, f := range files {
		left := LeftOut{Path: f.Path, Use: f.Use, SHA256: f.SHA256, Bytes: f.Bytes}
		if left.There, err = v.putBack(dir, left); err != nil {
			return err
		}
		v.r.LeftOut = append(v.r.LeftOut, left)
	}
	return nil
}

// putBack tells whether somebody put a file back that was left out, which is no
// fault when it is the very file.
func (v *verifier) putBack(dir string, left LeftOut) (bool, error) {
	info, err := foreign.StatIn(dir, left.Path)
	if err != nil || !info.Mode().IsRegular() {
		return false, nil
	}
	sum, _, err := foreign.SHA256File(v.ctx, filepath.Join(dir, filepath.FromSlash(left.Path)))
	if err != nil {
		return false, err
	}
	// Each of the bag's lists misses it.
	v.r.Faults = slices.DeleteFunc(v.r.Faults, func(f Fault) bool { return f.File == left.Path })
	if sum != left.SHA256 {
		v.r.AddFaults("", []pack.Fault{{File: left.Path, What: "it is not the file that the archive withholds (sha256 differs)"}})
	}
	return true, nil
}
