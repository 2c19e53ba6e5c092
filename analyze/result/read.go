package result

import (
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"

	"evenhand/analyze/foreign"
	"evenhand/analyze/mistake"
)

// The largest results.json that is read, and the memory that a decoded one may
// take. One of 64 takes with six sections has 10 MiB.
const (
	MaxResults       = 40 << 20
	maxResultsMemory = 128 << 20
)

// Read reads a results.json, also one with fields that this version does
// not know. The error matches mistake.Err when it is larger, or takes more memory,
// than those that are written here, or names files that are not in the report, or has a touch
// without a gain for each level.
func Read(r io.Reader) (*Result, error) {
	b, err := io.ReadAll(io.LimitReader(r, MaxResults+1))
	if err != nil {
		return nil, err
	}
	return Decode(b)
}

// Decode is Read of what was read.
func Decode(b []byte) (*Result, error) {
	if len(b) > MaxResults {
		return nil, foreign.TooLong("the results", MaxResults)
	}
	res := &Result{}
	if err := foreign.JSON(b, res, maxResultsMemory); err != nil {
		return nil, fmt.Errorf("the results cannot be read: %w", err)
	}
	if err := errors.Join(res.checkFiles(), res.checkTouch()); err != nil {
		return nil, fmt.Errorf("the results cannot be used: %w", err)
	}
	return res, nil
}

// checkFiles returns an error when a file that the result says is published would
// be anywhere but among the audio of its report.
func (r *Result) checkFiles() error {
	check := func(p string) error {
		if err := foreign.Path(p); err != nil {
			return err
		}
		if !strings.HasPrefix(p, AudioDir+"/") || path.Ext(p) != ".flac" {
			return mistake.Errorf("the path %q is not of a FLAC file in %s/", p, AudioDir)
		}
		return nil
	}
	for _, t := range r.Takes {
		if err := foreign.Path(t.Slug); t.Slug != "" && (err != nil || strings.Contains(t.Slug, "/")) {
			return mistake.Errorf("take %q has a name for files that cannot be one: %q", t.Name, t.Slug)
		}
		if t.Published == nil {
			continue
		}
		files := slices.Clone(t.Published.Pieces)
		if b := t.Published.Blend; b != nil {
			files = append(files, b.Pieces...)
		}
		for _, p := range append(files, Piece{Path: t.Published.Path}) {
			if err := check(p.Path); err != nil {
				return fmt.Errorf("take %q: %w", t.Name, err)
			}
		}
	}
	return nil
}

// checkTouch returns an error when a touch has not one gain and two quartiles for each
// level.
func (r *Result) checkTouch() error {
	for _, t := range r.Takes {
		x := t.Touch
		if x == nil {
			continue
		}
		if n := len(x.In); len(x.Gain) != n || len(x.Lower) != n || len(x.Upper) != n {
			return mistake.Errorf("take %q has a touch of %d levels with %d gains, %d lower and %d upper quartiles; there must be one of each for each level; build the report again", t.Name, n, len(x.Gain), len(x.Lower), len(x.Upper))
		}
	}
	return nil
}
