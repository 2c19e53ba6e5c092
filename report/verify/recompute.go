package verify

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"evenhand/analyze"
	"evenhand/analyze/again"
	"evenhand/analyze/disk"
	"evenhand/analyze/fairness"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/pack"
)

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
		if place == "tool" || place == "format" || place == "audience" || place == "earlier_audio" || place == "earlier_format" || place == "parameters.match.copies_source" || strings.HasSuffix(place, ".published.sha256") || strings.HasSuffix(place, ".published.bytes") || strings.HasSuffix(place, ".blend.sha256") {
			return true // the published files are compared by their samples
		}
		if strings.HasPrefix(place, "equalised[") && strings.HasSuffix(place, ".sha256") {
			return true // filters are compared by their taps, see measurePublished
		}
		if strings.HasSuffix(place, ".published.pieces") || strings.HasSuffix(place, ".blend.pieces") {
			return true // compared with the files; earlier versions cut elsewhere
		}
		if path := fileOf(place, c); absent[path] != nil {
			v.r.NotCompared = append(v.r.NotCompared, place+": "+path+" is withheld")
			return true
		}
		return false
	}
	compare := Options{File: name, Skip: skip}
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
	made := filepath.Join(v.tmp, "again")
	s, err := analyze.MeasureAndPublish(v.ctx, c, made, opts)
	if err != nil {
		if v.ctx.Err() != nil {
			return err
		}
		return v.cannotMeasure(err)
	}
	tree, err := Tree(s.Result)
	if err != nil {
		return err
	}
	v.made = &again.Made{Dir: made, Result: s.Result}
	v.compare(stored, tree, compare)
	return v.compareAudio(reportDir, made, filepath.ToSlash(filepath.Dir(name)), res, s.Result)
}

// fileOf returns the path of the file that is not a recording and that alone gives what
// the results say at place; "" where there is none.
func fileOf(place string, c *manifest.Comparison) string {
	if place == "comparison.about" && c.About != nil {
		return c.About.Path
	}
	if path, is := strings.CutPrefix(place, "checks["+fairness.IDIRRate+", "); is {
		return strings.TrimSuffix(path, "]")
	}
	return ""
}

// inArchive returns an error when the manifest at main, in the archive in dir, names
// a file that is not in the archive's data, or is no file.
func inArchive(dir, main string, c *manifest.Comparison) error {
	for _, name := range analyze.NamedFiles(c) {
		at := path.Join(path.Dir(main), filepath.ToSlash(name))
		if filepath.IsAbs(filepath.FromSlash(name)) || path.IsAbs(filepath.ToSlash(name)) || !strings.HasPrefix(at, pack.PayloadDir) {
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
func (v *verifier) recomputePart(c *manifest.Comparison, opts analyze.Options, compare Options, reportDir string, absent map[string]*result.File, audio []string, res *result.Result, stored any) error {
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
	tree, err := Tree(map[string]any{"takes": takes, "files": files})
	if err != nil {
		return err
	}
	compare.Part = true
	v.compare(stored, tree, compare)
	return v.fromPublished(reportDir, strings.TrimSuffix(compare.File, result.FileName), res, stored)
}

// compareAudio compares the published audio, that of microphones alone too, with what the
// recordings give now, sample by sample where the files are not the same.
func (v *verifier) compareAudio(reportDir, rebuilt, prefix string, stored, now *result.Result) error {
	for i := range stored.Takes {
		t := &stored.Takes[i]
		k := slices.IndexFunc(now.Takes, func(n result.Take) bool { return n.Name == t.Name })
		if t.Published == nil || k < 0 || now.Takes[k].Published == nil {
			continue
		}
		p := now.Takes[k].Published
		if err := v.compareFile(reportDir, t.Published.Path, rebuilt, p.Path, p.SHA256, prefix); err != nil {
			return err
		}
		// Earlier versions wrote no such file.
		if there, b := t.Published.Blend.File(), p.Blend; there != "" && b.File() != "" {
			if err := v.compareFile(reportDir, there, rebuilt, b.File(), b.SHA256, prefix); err != nil {
				return err
			}
		}
	}
	return nil
}

// compareFile compares the file at path in a report with the one at made among those that
// were made again, which has the hash sum.
func (v *verifier) compareFile(reportDir, path, rebuilt, made, sum, prefix string) error {
	if !filepath.IsLocal(filepath.FromSlash(path)) {
		return nil
	}
	// What is there counts, not what the results say of it.
	there := filepath.Join(reportDir, filepath.FromSlash(path))
	if is, _, err := foreign.SHA256File(v.ctx, there); err == nil && is == sum {
		return nil
	}
	frame, steps, err := again.SameAudio(v.ctx, there, filepath.Join(rebuilt, filepath.FromSlash(made)))
	switch {
	case v.ctx.Err() != nil:
		return v.ctx.Err()
	case err != nil: // measurePublished has said so
	case frame >= 0:
		v.r.AddFaults(prefix+"/", []pack.Fault{{File: path, What: fmt.Sprintf("its samples are not what the recordings give: from frame %d on, by up to %.3g steps of 16 bits", frame, steps)}})
	default:
		v.r.Note("%s/%s: the recordings give the same samples, coded in other bytes", prefix, path)
	}
	return nil
}
