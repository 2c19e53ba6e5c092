// Package equalise makes what a reader can hear a take through: the filter that brings it
// as close to the take that the others are compared with as a filter can, fitted on all
// of the music of their published files; see leftover.Fit. It is stored as a script of
// the report, which a page opened from a disk can load too.
package equalise

import (
	"context"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"path"
	"path/filepath"
	"slices"
	"strings"

	"evenhand/analyze/disk"
	"evenhand/analyze/flacio"
	"evenhand/analyze/foreign"
	"evenhand/analyze/leftover"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/publish"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/work"
)

// Dir is the folder of the filters in a report.
const Dir = "filters"

// Pairs lists what can be heard equalised: each contestant, to the take of that number,
// where what is left between the two was measured. A pair has a Reason where a file of
// either's chain must not be passed on, nor what a filter between takes tells of it, or
// where the clock of either drifts, which the published files keep.
func Pairs(c *manifest.Comparison, res *result.Result, of int, drifts func(take int) bool) []result.Equalised {
	out := []result.Equalised{}
	withheld := func(path string) bool {
		return slices.ContainsFunc(res.Files, func(f result.File) bool { return f.Path == path && res.Withholds(f.SHA256) })
	}
	if of < 0 || of >= len(res.Takes) || !res.Takes[of].Contestant() {
		return out
	}
	for i := range res.Takes {
		t := &res.Takes[i]
		l := res.LeftoverOf(t.Name, res.Takes[of].Name)
		if i == of || !t.Contestant() || l == nil || l.Reason.Found != "" {
			continue
		}
		e := result.Equalised{Take: t.Name, Of: res.Takes[of].Name}
		for _, k := range []int{of, i} {
			files := filesOf(c, &c.Takes[k])
			switch at := slices.IndexFunc(files, withheld); {
			case e.Reason.Found != "":
			case at >= 0:
				e.Reason.Text = result.Say("equalised.marked", "file", files[at], "name", res.Takes[k].Name)
			case drifts(k):
				e.Reason.Text = result.Say("equalised.drifts", "name", res.Takes[k].Name)
			}
		}
		out = append(out, e)
	}
	return out
}

// filesOf returns the recording of a take and what is in its chain, such as impulse
// responses, by the paths that the result has.
func filesOf(c *manifest.Comparison, t *manifest.Take) []string {
	files := []*manifest.File{&t.File}
	replaced := map[string]bool{}
	for _, s := range t.Slots {
		files, replaced[s.Device.Slot] = append(files, s.Device.File), s.Own
	}
	for _, d := range c.Chain {
		if !replaced[d.Slot] {
			files = append(files, d.File)
		}
	}
	if m := t.Mics; m != nil {
		files = append(files, m.Left.File, m.Right.File)
	}
	out := []string{}
	for _, f := range files {
		if f != nil {
			out = append(out, filepath.ToSlash(f.Path))
		}
	}
	return out
}

// Heard is a filter and what it does.
type Heard struct {
	leftover.Linear
	leftover.Heard
}

// Fit fits the filter from one published file to another of as many channels and the same
// rate, by their paths.
//
// Errors: those of open, of decoding, and ctx's, and files of other channels or rates.
func Fit(ctx context.Context, open Open, take, of string) (Heard, error) {
	var rate, channels int
	both := func() (leftover.Reader, leftover.Reader, func() error, error) {
		x, theirs, at, err := open(take)
		if err != nil {
			return nil, nil, nil, err
		}
		y, own, to, err := open(of)
		if err != nil {
			return nil, nil, nil, errors.Join(err, x.Close())
		}
		stop := func() error { return errors.Join(x.Close(), y.Close()) }
		if own != theirs || to != at {
			err = mistake.Errorf("%s has %d channels at %d Hz, %s %d at %d Hz: both must have the same", take, theirs, at, of, own, to)
			return nil, nil, nil, errors.Join(err, stop())
		}
		rate, channels = to, own
		return x, y, stop, nil
	}
	_, _, stop, err := both()
	if err == nil {
		err = stop()
	}
	if err != nil {
		return Heard{}, err
	}
	var h Heard
	h.Linear, h.Heard, err = leftover.Fit(ctx, rate, channels, both)
	return h, err
}

// Player plays a published file from its beginning.
type Player interface {
	leftover.Reader
	Close() error
}

// Open opens a published file by its path in the report, and returns its channels and its
// rate.
type Open func(path string) (p Player, channels, rate int, err error)

// Decoded is what an Open returns of a FLAC file that is decoded each time it is played.
func Decoded(d *flacio.Decoder, err error) (Player, int, int, error) {
	if err != nil {
		return nil, 0, 0, err
	}
	return d, d.Info().Channels, d.Info().SampleRate, nil
}

// Write fits a filter to the published files in the folder dir of each pair that has no
// Reason, writes it there, and fills in the rest. Pairs of takes that are not published or
// have not as many channels get a Reason. plan is what the files were written by: they are
// played from its recordings, see publish.Player.
func Write(ctx context.Context, dir string, res *result.Result, pairs []result.Equalised, plan *publish.Plan, run work.Run) error {
	takes, planned := map[string]*result.Take{}, map[string]*publish.Take{}
	for i := range res.Takes {
		t := &res.Takes[i]
		takes[t.Name] = t
		if t.Published != nil {
			planned[t.Published.Path] = &plan.Takes[i]
		}
	}
	open := func(path string) (Player, int, int, error) {
		t := planned[path]
		p, err := t.Player(plan.Timeline.Spans[0])
		return p, t.Signal.Channels(), t.Signal.Info.SampleRate, err
	}
	step := run.Stage("fitting what can be heard equalised", int64(len(pairs)))
	return run.Each(ctx, len(pairs), func(i int) error {
		defer step(1)
		e := &pairs[i]
		take, of := takes[e.Take], takes[e.Of]
		e.Left, e.Unweighted, e.Peak = unit.DB(math.NaN()), unit.DB(math.NaN()), unit.DBFS(math.NaN())
		switch {
		case e.Reason.Found != "":
			return nil
		case take.Published == nil, of.Published == nil:
			e.Reason.Text = result.Say("equalised.withheld")
			return nil
		case take.Published.Channels != of.Published.Channels:
			e.Reason.Text = result.Say("equalised.channels", "take", e.Take, "channels", take.Published.Channels, "of", e.Of, "others", of.Published.Channels)
			return nil
		}
		in := struct{ Take, Of string }{take.Published.SHA256, of.Published.SHA256}
		signals := []*recording.Signal{planned[take.Published.Path].Signal, planned[of.Published.Path].Signal}
		h, err := work.Once(run, "equaliser", in, signals, func() (Heard, error) { return Fit(ctx, open, take.Published.Path, of.Published.Path) })
		if err != nil {
			return err
		}
		e.Path = path.Join(Dir, take.Slug+".js")
		name := filepath.Join(dir, filepath.FromSlash(e.Path))
		if err := disk.MkdirAll(filepath.Dir(name), 0o777); err != nil {
			return err
		}
		if err := disk.WriteFile(name, Script(e.Path, h.Linear), 0o644); err != nil {
			return err
		}
		e.Rate, e.Channels, e.Taps, e.Before = of.Published.SampleRate, len(h.Taps), len(h.Taps[0]), h.Before
		e.Left, e.Unweighted, e.Peak = h.K, h.Unweighted, h.Peak
		e.SHA256, _, err = foreign.SHA256File(ctx, name)
		return err
	})
}

// stored is a filter as a script hands it to the page: the taps of each channel are 32-bit
// floating-point numbers, the lowest byte first, in base64.
type stored struct {
	Before int      `json:"before"`
	Taps   []string `json:"taps"`
}

// Script is a filter as a script of that path in the report hands it to the page.
func Script(name string, l leftover.Linear) []byte {
	s := stored{Before: l.Before}
	for _, taps := range l.Taps {
		b := []byte{}
		for _, v := range taps {
			b = binary.LittleEndian.AppendUint32(b, math.Float32bits(v))
		}
		s.Taps = append(s.Taps, base64.StdEncoding.EncodeToString(b))
	}
	text, _ := json.Marshal(s) // numbers and text are all that it has
	return fmt.Appendf(nil, "Evenhand.filter(%q,%s);\n", name, text)
}

// maxScript is the most bytes that a filter's script may have: those of eight channels.
const maxScript = 1 << 20

// Read returns the filter that a script in a report's folder hands to the page, by its
// path. The error matches mistake.Err where it is none.
func Read(dir, name string) (leftover.Linear, error) {
	var l leftover.Linear
	b, err := foreign.ReadFileIn(dir, name, maxScript)
	if err != nil {
		return l, err
	}
	text, ok := strings.CutPrefix(string(b), fmt.Sprintf("Evenhand.filter(%q,", name))
	text, end := strings.CutSuffix(text, ");\n")
	var s stored
	if !ok || !end {
		return l, mistake.Errorf("%s: it hands no filter of that name to the page", name)
	}
	if err := foreign.JSON([]byte(text), &s, 4*maxScript); err != nil {
		return l, mistake.Errorf("%s: %w", name, err)
	}
	l.Before = s.Before
	for _, coded := range s.Taps {
		raw, err := base64.StdEncoding.DecodeString(coded)
		if err != nil || len(raw)%4 != 0 {
			return l, mistake.Errorf("%s: the taps are not 32-bit numbers in base64", name)
		}
		taps := make([]float32, len(raw)/4)
		for i := range taps {
			taps[i] = math.Float32frombits(binary.LittleEndian.Uint32(raw[4*i:]))
		}
		l.Taps = append(l.Taps, taps)
	}
	return l, nil
}

// within is how far a filter may be from the same filter of another processor, which
// rounds otherwise: their difference to the filter itself.
const within = unit.DB(-100)

// Alike reports whether two filters are the same but for rounding.
func Alike(a, b leftover.Linear) bool {
	if a.Before != b.Before || len(a.Taps) != len(b.Taps) {
		return false
	}
	var off, all float64
	for c, x := range a.Taps {
		y := b.Taps[c]
		if len(x) != len(y) {
			return false
		}
		for i, v := range x {
			d := float64(v) - float64(y[i])
			off, all = off+d*d, all+float64(v)*float64(v)
		}
	}
	return off <= all*unit.ToPower(float64(within))
}
