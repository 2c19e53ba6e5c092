package again

import (
	"context"
	"errors"
	"fmt"

	"evenhand/analyze/equalise"
	"evenhand/analyze/foreign"
	"evenhand/analyze/leftover"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/work"
)

// Equalised is what a take is heard equalised with, fitted once more. The JSON has the
// fields of result.Equalised.
type Equalised struct {
	Take       string    `json:"take"`
	Of         string    `json:"of"`
	Path       string    `json:"path"`
	SHA256     string    `json:"sha256"`
	Rate       int       `json:"sample_rate_hz"`
	Channels   int       `json:"channels"`
	Taps       int       `json:"taps"`
	Before     int       `json:"taps_before"`
	Left       unit.DB   `json:"left_db"`
	Unweighted unit.DB   `json:"left_unweighted_db"`
	Peak       unit.DBFS `json:"sample_peak_dbfs"`
	// Err says why it could not be fitted, or that the script has another filter; "" for
	// nothing.
	Err string `json:"-"`
}

// Made is a report that was made once more from the same recordings.
type Made struct {
	Dir    string
	Result *result.Result
}

// Filters fits again every filter that a result names, from the published files in the
// report folder dir, and compares it with the script there. Where the same two files, byte
// for byte, are in made, it has been fitted to them; made may be nil. The error is ctx's.
func Filters(ctx context.Context, dir string, res *result.Result, made *Made, run work.Run) ([]Equalised, error) {
	out := []Equalised{}
	published := map[string]*result.Published{}
	for i := range res.Takes {
		published[res.Takes[i].Name] = res.Takes[i].Published
	}
	seen := map[string]bool{}
	for _, e := range res.Equalised {
		if e.Reason.Found+e.Reason.Words == "" && !seen[e.Take] { // one for each take
			seen[e.Take] = true
			out = append(out, Equalised{Take: e.Take, Of: e.Of, Path: e.Path})
		}
	}
	step := run.Stage("fitting what can be heard equalised", int64(len(out)))
	return out, run.Each(ctx, len(out), func(i int) error {
		defer step(1)
		same, err := refit(ctx, dir, published, made, &out[i])
		if err != nil {
			out[i].Err = "it cannot be fitted again: " + err.Error()
		} else if !same {
			out[i].Err = fmt.Sprintf("it is not the filter from %s to %s", out[i].Take, out[i].Of)
		}
		return ctx.Err()
	})
}

// refit fills in what is found of a filter, and reports whether it is the one in the script.
func refit(ctx context.Context, dir string, published map[string]*result.Published, made *Made, e *Equalised) (bool, error) {
	take, of := published[e.Take], published[e.Of]
	if take == nil || of == nil {
		return false, errors.New("its takes are not published")
	}
	h, err := made.fitted(ctx, dir, take.Path, of.Path)
	if h == nil && err == nil {
		h, err = fit(ctx, dir, take, of)
	}
	if err != nil {
		return false, err
	}
	stored, err := equalise.Read(dir, e.Path)
	if err != nil {
		return false, err
	}
	name, err := inReport(dir, e.Path)
	if err != nil {
		return false, err
	}
	e.Rate, e.Channels, e.Taps, e.Before = of.SampleRate, len(h.Taps), len(h.Taps[0]), h.Before
	e.Left, e.Unweighted, e.Peak = h.K, h.Unweighted, h.Peak
	e.SHA256, _, err = foreign.SHA256File(ctx, name)
	return equalise.Alike(h.Linear, stored), err
}

// fit fits the filter from one published file to another.
func fit(ctx context.Context, dir string, take, of *result.Published) (*equalise.Heard, error) {
	frames := map[string]int64{take.Path: take.Frames, of.Path: of.Frames}
	h, err := equalise.Fit(ctx, func(path string) (equalise.Player, int, int, error) {
		return equalise.Decoded(openPublished(dir, path, frames[path]))
	}, take.Path, of.Path)
	return &h, err
}

// fitted returns the filter from one file in the report folder dir to another where it was
// fitted to files with the same bytes; nil where it was not.
func (m *Made) fitted(ctx context.Context, dir, take, of string) (*equalise.Heard, error) {
	if m == nil {
		return nil, nil
	}
	sums := [2]string{}
	for i, path := range []string{take, of} {
		name, err := inReport(dir, path)
		if err != nil {
			return nil, err
		}
		if sums[i], _, err = foreign.SHA256File(ctx, name); err != nil {
			return nil, err
		}
	}
	named := func(sum string) string {
		for _, t := range m.Result.Takes {
			if t.Published != nil && t.Published.SHA256 == sum {
				return t.Name
			}
		}
		return ""
	}
	for _, e := range m.Result.Equalised {
		if e.Path != "" && e.Take == named(sums[0]) && e.Of == named(sums[1]) {
			l, err := equalise.Read(m.Dir, e.Path)
			return &equalise.Heard{Linear: l, Heard: leftover.Heard{K: e.Left, Unweighted: e.Unweighted, Peak: e.Peak}}, err
		}
	}
	return nil, nil
}
