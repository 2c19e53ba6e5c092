package verify

import (
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"evenhand/analyze/again"
	"evenhand/analyze/disk"
	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
	"evenhand/report/folder"
	"evenhand/report/pack"
)

// published verifies the folder of a report.
func (v *verifier) published(dir string) (*Report, error) {
	sums, err := folder.ReadSums(dir)
	if err != nil {
		return nil, mistake.Of(err)
	}
	if !slices.ContainsFunc(sums, func(s folder.Sum) bool { return s.Path == result.FileName }) {
		return nil, mistake.Errorf("%s is not a report: its %s does not list %s; name the folder that build wrote, or an archive of pack", dir, folder.Sums, result.FileName)
	}
	v.r = New(dir, "published report")
	if dir, err = filepath.EvalSymlinks(dir); err != nil {
		return nil, err
	}
	v.r.Algorithms = []string{"sha256"}
	faults, files, size, err := Folder(v.ctx, dir)
	if err != nil {
		return nil, mistake.Of(err)
	}
	v.r.Files, v.r.Bytes = files, size
	v.r.AddFaults("", faults)
	res, tree, err := v.results(dir, result.FileName)
	if err != nil || res == nil {
		return v.r, err
	}
	v.r.Note("a published report has no recordings. Without them verify cannot measure again: lags, polarity, clocks and gains (taken from the report), sections and pauses, the noise of the dry recording, the checks, the settings, and the hashes of the recordings. To measure these again, verify an archive made by pack")
	if err := v.measurePublished(dir, "", res, tree); err != nil {
		return nil, err
	}
	return v.r, v.fromPublished(dir, "", res, tree)
}

// fromPublished measures what the published audio in dir gives again of the
// results when recordings are not there.
func (v *verifier) fromPublished(dir, prefix string, res *result.Result, stored any) error {
	if len(res.Heard()) == 0 {
		v.r.Note("not measured section by section: no audio is published")
		return nil
	}
	tmp := filepath.Join(v.tmp, "decoded")
	if err := disk.Mkdir(tmp, 0o700); err != nil {
		return err
	}
	x, err := again.FromPublished(v.ctx, dir, tmp, res, v.options())
	if input := (*mistake.Error)(nil); errors.As(err, &input) && v.ctx.Err() == nil {
		v.r.AddFaults("", []pack.Fault{{File: prefix + result.FileName, What: "the published audio cannot be measured along its timeline: " + err.Error()}})
		return nil
	}
	if err != nil {
		return err
	}
	v.r.NotCompared = append(v.r.NotCompared, x.NotMeasured...)
	v.r.Note("measured again from the published audio with its gain undone: loudness, peaks, levels and spectra of each section, the noise in the pauses, the spectral differences, the likeness of the takes and other ways of matching. --all lists the tolerances and what was not compared")
	if x.Rounding > 0 {
		where := ""
		if prefix == "" { // not in an archive
			where = ". An archive (evenhand pack) has the recordings in full depth: verify it to compare these values too"
		}
		v.r.Note("%d values cannot be compared here: the %d-bit files round them too coarsely%s", x.Rounding, x.Bits, where)
	}
	if x.Uncertain > 0 {
		v.r.Note("%d values were not compared: their statistical band is wider than 20 dB", x.Uncertain)
	}
	tree, err := Tree(x)
	if err != nil {
		return err
	}
	v.compare(stored, tree, Options{File: prefix + result.FileName, Part: true, Null: true, Tolerances: PublishedTolerances()})
	return nil
}

// measurePublished decodes and measures the audio of the report in dir, and fits the filters
// that it is heard equalised with.
func (v *verifier) measurePublished(dir, prefix string, res *result.Result, stored any) error {
	files, err := again.Files(v.ctx, dir, res, v.options().Run())
	if err != nil {
		return err
	}
	for _, t := range res.Takes {
		if t.Withheld != nil {
			v.r.NotCompared = append(v.r.NotCompared, fmt.Sprintf("takes[%s], its audio: withheld, because %s", t.Name, t.Withheld.Reason))
		}
	}
	good := []again.File{}
	for _, p := range files {
		name := ""
		for _, t := range res.Takes {
			if t.Name == p.Name {
				name = prefix + t.Published.Path
			}
		}
		if p.Err != "" {
			v.r.AddFaults("", []pack.Fault{{File: name, What: "it cannot be measured: " + strings.TrimPrefix(p.Err, dir+string(filepath.Separator))}})
			continue
		}
		if p.Pieces != "" {
			v.r.AddFaults("", []pack.Fault{{File: name, What: p.Pieces}})
		}
		good = append(good, p)
		v.r.Published++
	}
	filters, err := again.Filters(v.ctx, dir, res, v.made, v.options().Run())
	if err != nil {
		return err
	}
	for _, f := range filters {
		if f.Err != "" {
			v.r.AddFaults("", []pack.Fault{{File: prefix + f.Path, What: strings.TrimPrefix(f.Err, dir+string(filepath.Separator))}})
		}
	}
	filters = slices.DeleteFunc(filters, func(f again.Equalised) bool { return f.Err != "" })
	now := map[string]any{"takes": good}
	if len(filters) > 0 {
		now["equalised"] = filters
	}
	tree, err := Tree(now)
	if err != nil {
		return err
	}
	// A part of the stored takes: names alone tell them apart here.
	v.compare(stored, tree, Options{File: prefix + result.FileName, Part: true})
	return nil
}
