package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"github.com/spf13/cobra"

	"evenhand/analyze"
	"evenhand/analyze/again"
	"evenhand/analyze/disk"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/report/folder"
	"evenhand/report/pack"
	"evenhand/report/verify"
)

const resultsName = "results.json"

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
			v := verifier{ctx: cmd.Context(), show: show, workers: workers}
			r, err := v.run(args[0])
			if err != nil {
				return err
			}
			clear()
			if len(r.Differences) > 0 && v.otherVersion() {
				r.Note("%s made the results in format %d; this is evenhand %s with format %d. The differences may come from a method that changed between the versions. To be certain, verify with the version that made the results", r.MadeBy, r.Format, version(), result.Format)
			}
			r.Finish()
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

// verifier does one verification.
type verifier struct {
	ctx     context.Context
	show    func(stage string, done, total int64)
	workers int
	tmp     string
	r       *verify.Report
	res     *result.Result // as stored
}

func (v *verifier) run(path string) (*verify.Report, error) {
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
				within = "; type: evenhand verify " + typed([]string{sub})
			}
		}
		return nil, usageError{fmt.Errorf("%s is neither an archive of pack (it has no bagit.txt) nor a published report (it has no %s)%s", path, folder.Sums, within)}
	}
	return v.bag(path)
}

// bag verifies an archive.
func (v *verifier) bag(path string) (*verify.Report, error) {
	b, err := pack.Open(path)
	if err != nil {
		return nil, err
	}
	defer b.Close()
	kind := "bag in a folder"
	if b.Zipped() {
		kind = "bag in a zip file"
	}
	v.r = verify.New(path, kind)
	found, err := b.Check(v.ctx, func(done, total int64) {
		if v.show != nil {
			v.show("checking hashes", done, total)
		}
	})
	if err != nil {
		return nil, err
	}
	v.r.Files, v.r.Bytes, v.r.Algorithms = found.Files, found.Bytes, found.Algorithms
	v.r.AddFaults("", found.Faults)
	v.r.Notes = append(v.r.Notes, found.Notes...)
	main, rep := b.Info(pack.LabelManifest), b.Info(pack.LabelReport)
	for label, value := range map[string]string{pack.LabelManifest: main, pack.LabelReport: rep} {
		if !strings.HasPrefix(value, "data/") || foreign.Path(value) != nil {
			return nil, usageError{fmt.Errorf("%s is not the archive of a comparison: %s in its bag-info.txt does not lead into data/; its files and hashes: %d files, %d faults", path, label, found.Files, len(found.Faults))}
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
	if err := v.leftOut(dir, main); err != nil {
		return nil, err
	}
	name := rep + "/" + resultsName
	res, tree, err := v.results(dir, name)
	if err != nil || res == nil {
		return v.r, err
	}
	reportDir := filepath.Join(dir, filepath.FromSlash(rep))
	faults, _, _, err := verify.Folder(v.ctx, reportDir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		v.r.AddFaults(rep+"/", []pack.Fault{{File: folder.Sums, What: "missing: it lists the report's files"}})
	case v.ctx.Err() != nil:
		return nil, err
	case err != nil: // damaged: the bag's own lists have its hash
		v.r.AddFaults(rep+"/", []pack.Fault{{File: folder.Sums, What: "it cannot be read: " + err.Error()}})
	}
	v.r.AddFaults(rep+"/", faults)
	if err := v.measurePublished(reportDir, rep+"/", res, tree); err != nil {
		return nil, err
	}
	return v.r, v.recompute(dir, main, reportDir, name, res, tree)
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
			return nil, nil, usageError{fmt.Errorf("%s: the results have format %d, from a later version (%s); this version reads up to format %d; use that version or a later one", name, head.Format, v.r.MadeBy, result.Format)}
		}
	}
	res, err := result.Decode(b)
	if err != nil {
		v.r.AddFaults("", []pack.Fault{{File: name, What: err.Error()}})
		return nil, nil, nil
	}
	tree, err := verify.Decode(b)
	if err != nil {
		v.r.AddFaults("", []pack.Fault{{File: name, What: "it cannot be read: " + err.Error()}})
		return nil, nil, nil
	}
	v.res = res
	return res, tree, nil
}

func (v *verifier) options() analyze.Options {
	return analyze.Options{Version: version(), Workers: v.workers, Progress: v.show}
}

// otherVersion tells whether results were made by another version than this.
func (v *verifier) otherVersion() bool {
	return v.r.Format != result.Format || v.r.MadeBy != "evenhand "+version()
}

// compare adds how stored results and what was computed again differ.
func (v *verifier) compare(stored, again any, opts verify.Options) {
	opts.OtherVersion = v.otherVersion()
	opts.Rules = result.RulesAfter(v.r.Format, v.res)
	v.r.Add(verify.Compare(stored, again, opts), opts.Rules)
}

// leftOut reads which files the archive does not hold.
func (v *verifier) leftOut(dir, main string) error {
	text, err := foreign.ReadFileIn(dir, "data/"+bagLeftOut, 1<<22)
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil || len(rows) == 0 {
		return usageError{fmt.Errorf("data/%s: it cannot be read: %w", bagLeftOut, err)}
	}
	for i, row := range rows[1:] {
		bad := usageError{fmt.Errorf("data/%s:%d: not a path below data/, a use, a SHA-256 and a number of bytes", bagLeftOut, i+2)}
		if len(row) != 4 || !strings.HasPrefix(row[0], "data/") || foreign.Path(row[0]) != nil {
			return bad
		}
		size, err := strconv.ParseInt(row[3], 10, 64)
		if sum, err2 := hex.DecodeString(row[2]); err != nil || err2 != nil || len(sum) != 32 || size < 0 {
			return bad
		}
		left := verify.LeftOut{Path: row[0], Use: row[1], SHA256: row[2], Bytes: size}
		if left.There, err = v.putBack(dir, left); err != nil {
			return err
		}
		v.r.LeftOut = append(v.r.LeftOut, left)
	}
	return nil
}

// putBack tells whether somebody put a file back that was left out, which is no
// fault when it is the very file.
func (v *verifier) putBack(dir string, left verify.LeftOut) (bool, error) {
	info, err := foreign.StatIn(dir, left.Path)
	if err != nil || !info.Mode().IsRegular() {
		return false, nil
	}
	sum, _, err := foreign.SHA256File(v.ctx, filepath.Join(dir, filepath.FromSlash(left.Path)))
	if err != nil {
		return false, err
	}
	// Each of the bag's lists misses it.
	v.r.Faults = slices.DeleteFunc(v.r.Faults, func(f verify.Fault) bool { return f.File == left.Path })
	if sum != left.SHA256 {
		v.r.AddFaults("", []pack.Fault{{File: left.Path, What: "it is not the file that the archive withholds (sha256 differs)"}})
	}
	return true, nil
}

// recompute measures the recordings of an archive and compares everything.
func (v *verifier) recompute(dir, main, reportDir, name string, res *result.Result, stored any) error {
	text, err := foreign.ReadFileIn(dir, main, manifest.MaxSize)
	if errors.Is(err, fs.ErrNotExist) {
		v.r.Note("the recordings were not measured again: the manifest is missing")
		return nil
	}
	if err != nil {
		return err
	}
	c, err := manifest.Parse(filepath.Join(dir, filepath.FromSlash(main)), text)
	if err != nil {
		v.r.Note("the recordings were not measured again: this version of evenhand cannot read the manifest: %v", err)
		return nil
	}
	if err := inArchive(dir, main, c); err != nil {
		v.r.AddFaults("", []pack.Fault{{File: main, What: err.Error() + "; the recordings were not measured again"}})
		return nil
	}
	absent, audio := v.absent(c, res)
	opts := v.options()
	opts.Absent = func(path string) *result.File { return absent[path] }
	skip := func(place string) bool {
		if place == "tool" || place == "format" || place == "audience" || place == "earlier_audio" || place == "earlier_format" || place == "parameters.match.copies_source" || strings.HasSuffix(place, ".published.sha256") || strings.HasSuffix(place, ".published.bytes") {
			return true // the published files are compared by their samples
		}
		if strings.Contains(place, ".pieces[") && (strings.HasSuffix(place, ".sha256") || strings.HasSuffix(place, ".bytes")) {
			return true
		}
		for path := range absent {
			// What is said of a file that is not there.
			if place == "comparison.about" && c.About != nil && c.About.Path == path || strings.HasPrefix(place, "checks[") && strings.Contains(place, path) {
				v.r.NotCompared = append(v.r.NotCompared, place+": "+path+" is withheld")
				return true
			}
		}
		return false
	}
	compare := verify.Options{File: name, Skip: skip}
	if len(audio) > 0 {
		return v.recomputePart(c, opts, compare, reportDir, absent, audio, res, stored)
	}
	// An earlier version may have found other places and another time.
	if res.Parameters.Match.TargetSource == analyze.TargetKept || res.Timeline.TimeSource == analyze.TimeKept || res.Timeline.PlacesSource == analyze.PlacesKept || res.Format != result.Format {
		opts.Earlier = analyze.EarlierFrom(res)
	}
	opts.Anchor = result.AnchorSum(res)
	// What was decided is decided again; what was asked for or kept is as it was.
	if res.Parameters.Match.CopiesSource != analyze.CopiesDecided {
		opts.Depths = analyze.DepthsOf(res)
	}
	again := filepath.Join(v.tmp, "again")
	s, err := publish(v.ctx, c, again, opts)
	if err != nil {
		if v.ctx.Err() != nil {
			return err
		}
		return v.cannotMeasure(err)
	}
	tree, err := verify.Tree(s.Result)
	if err != nil {
		return err
	}
	v.compare(stored, tree, compare)
	return v.compareAudio(reportDir, again, filepath.ToSlash(filepath.Dir(name)), res, s.Result)
}

// inArchive returns an error when the manifest at main, in the archive in dir, names
// a file that is not in the archive's data, or is no file.
func inArchive(dir, main string, c *manifest.Comparison) error {
	for _, name := range analyze.NamedFiles(c) {
		at := path.Join(path.Dir(main), filepath.ToSlash(name))
		if filepath.IsAbs(filepath.FromSlash(name)) || path.IsAbs(filepath.ToSlash(name)) || !strings.HasPrefix(at, "data/") {
			return fmt.Errorf("it names %q, which is not in the archive", name)
		}
		f, err := foreign.OpenIn(dir, at)
		if errors.Is(err, fs.ErrNotExist) {
			continue // left out
		}
		if err != nil {
			return fmt.Errorf("it names %q: %w", name, err)
		}
		f.Close()
	}
	return nil
}

// cannotMeasure says that recordings cannot be measured as the manifest asks; a full
// disk is not their fault.
func (v *verifier) cannotMeasure(err error) error {
	if disk.Full(err) {
		return err
	}
	v.r.AddFaults("", []pack.Fault{{File: "the recordings", What: "they cannot be measured again: " + err.Error()}})
	return nil
}

// absent returns the files that the manifest names and that are not there, by
// path, and which of them recordings are measured from.
func (v *verifier) absent(c *manifest.Comparison, res *result.Result) (all map[string]*result.File, audio []string) {
	all = map[string]*result.File{}
	named := analyze.NamedFiles(c)
	for i := range res.Files {
		f := &res.Files[i]
		if !slices.Contains(named, f.Path) || all[f.Path] != nil {
			continue
		}
		if _, err := os.Stat(filepath.Join(c.Dir, filepath.FromSlash(f.Path))); !errors.Is(err, fs.ErrNotExist) {
			continue
		}
		all[f.Path] = f
		if f.Audio != nil {
			audio = append(audio, f.Path)
		}
	}
	return all, audio
}

// recomputePart measures the takes that are there.
func (v *verifier) recomputePart(c *manifest.Comparison, opts analyze.Options, compare verify.Options, reportDir string, absent map[string]*result.File, audio []string, res *result.Result, stored any) error {
	v.r.Note("%s not in the archive. Alignment, sections, match and checks need all recordings and were not computed again. The other takes were measured again along the stored timeline", strings.Join(audio, ", ")+map[bool]string{true: " is", false: " are"}[len(audio) == 1])
	takes, files, err := again.Present(v.ctx, c, res, func(path string) bool { return absent[path] != nil }, opts)
	if err != nil {
		if v.ctx.Err() != nil {
			return err
		}
		return v.cannotMeasure(err)
	}
	for _, t := range res.Takes {
		if absent[t.File] != nil {
			rest := ", except its published audio"
			if t.Published == nil {
				rest = ""
			}
			v.r.NotCompared = append(v.r.NotCompared, fmt.Sprintf("takes[%s]%s: %s is withheld", t.Name, rest, t.File))
		}
	}
	tree, err := verify.Tree(map[string]any{"takes": takes, "files": files})
	if err != nil {
		return err
	}
	compare.Part = true
	v.compare(stored, tree, compare)
	return v.fromPublished(reportDir, strings.TrimSuffix(compare.File, resultsName), res, stored)
}

// compareAudio compares the published audio with what the recordings give now,
// sample by sample where the files are not the same.
func (v *verifier) compareAudio(reportDir, rebuilt, prefix string, stored, now *result.Result) error {
	for i := range stored.Takes {
		t := &stored.Takes[i]
		if t.Published == nil {
			continue
		}
		for k := range now.Takes {
			p := now.Takes[k].Published
			if now.Takes[k].Name != t.Name || p == nil || !filepath.IsLocal(filepath.FromSlash(t.Published.Path)) {
				continue
			}
			// What is there counts, not what the results say of it.
			there := filepath.Join(reportDir, filepath.FromSlash(t.Published.Path))
			if sum, _, err := foreign.SHA256File(v.ctx, there); err == nil && sum == p.SHA256 {
				continue
			}
			frame, steps, err := again.SameAudio(v.ctx, there, filepath.Join(rebuilt, filepath.FromSlash(p.Path)))
			switch {
			case v.ctx.Err() != nil:
				return v.ctx.Err()
			case err != nil: // measurePublished has said so
			case frame >= 0:
				v.r.AddFaults(prefix+"/", []pack.Fault{{File: t.Published.Path, What: fmt.Sprintf("its samples are not what the recordings give: from frame %d on, by up to %.3g steps of 16 bits", frame, steps)}})
			default:
				v.r.Note("%s/%s: the recordings give the same samples, coded in other bytes", prefix, t.Published.Path)
			}
		}
	}
	return nil
}
