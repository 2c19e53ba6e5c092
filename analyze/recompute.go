package analyze

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/flacio"
	"evenhand/analyze/manifest"
	"evenhand/analyze/noise"
	"evenhand/analyze/unit"
)

// PublishedAgain is a published file of a report, measured once more. The JSON
// has the fields of a take's published file that were measured.
type PublishedAgain struct {
	Name      string           `json:"name"`
	Published *publishedFigure `json:"published"`
	// Err says why the file could not be decoded; Pieces what is wrong with
	// the pieces that a player uses. "" for nothing.
	Err    string `json:"-"`
	Pieces string `json:"-"`
}

type publishedFigure struct {
	SHA256     string    `json:"sha256"`
	Bytes      int64     `json:"bytes"`
	Channels   int       `json:"channels"`
	SampleRate int       `json:"sample_rate_hz"`
	Encoding   string    `json:"encoding"`
	Frames     int64     `json:"frames"`
	Integrated unit.LUFS `json:"integrated_lufs"`
	TruePeak   unit.DBTP `json:"true_peak_dbtp"`
	SamplePeak unit.DBFS `json:"sample_peak_dbfs"`
	Deviation  unit.LU   `json:"deviation_lu"`
}

// RemeasurePublished decodes and measures every published file that a result
// names in the report folder dir, as Publish did after writing them, and
// compares the samples of the pieces with those of the file. Paths that lead
// out of dir are not opened. The error is ctx's.
func RemeasurePublished(ctx context.Context, dir string, res *Result, opts Options) ([]PublishedAgain, error) {
	s := &Session{workers: opts.Workers, report: opts.Progress}
	if s.workers <= 0 {
		s.workers = 2
	}
	var out []PublishedAgain
	var files []*Published
	for i := range res.Takes {
		if p := res.Takes[i].Published; p != nil {
			out = append(out, PublishedAgain{Name: res.Takes[i].Name})
			files = append(files, p)
		}
	}
	step := s.progress("measuring published audio", int64(len(out)))
	g, gctx := errgroup.WithContext(ctx)
	g.SetLimit(s.workers)
	for i := range out {
		g.Go(func() error {
			again, err := remeasure(gctx, dir, files[i], res.Match.Target)
			if err != nil {
				out[i].Err = err.Error()
			} else {
				out[i].Published = again
				if err := comparePieces(gctx, dir, files[i]); err != nil {
					out[i].Pieces = err.Error()
				}
			}
			step(1)
			return gctx.Err()
		})
	}
	return out, g.Wait()
}

func inReport(dir, path string) (string, error) {
	local := filepath.FromSlash(path)
	if !filepath.IsLocal(local) {
		return "", fmt.Errorf("%q is not a path in the report", path)
	}
	return filepath.Join(dir, local), nil
}

func remeasure(ctx context.Context, dir string, p *Published, target unit.LUFS) (*publishedFigure, error) {
	name, err := inReport(dir, p.Path)
	if err != nil {
		return nil, err
	}
	d, err := flacio.Open(name)
	if err != nil {
		return nil, err
	}
	info := d.Info()
	if err := d.Close(); err != nil {
		return nil, err
	}
	m, frames, err := Remeasure(ctx, name, nil)
	if err != nil {
		return nil, err
	}
	again := &publishedFigure{
		Channels: info.Channels, SampleRate: info.SampleRate, Encoding: encodingName(info.Bits), Frames: frames,
		Integrated: m.Integrated, TruePeak: m.TruePeak, SamplePeak: m.SamplePeak, Deviation: unit.LU(m.Integrated - target),
	}
	again.SHA256, again.Bytes, err = SHA256File(ctx, name)
	return again, err
}

// comparePieces makes sure that the pieces hold the file's very samples.
func comparePieces(ctx context.Context, dir string, p *Published) error {
	if len(p.Pieces) == 0 {
		return nil
	}
	whole, err := inReport(dir, p.Path)
	if err != nil {
		return err
	}
	a := &chain{paths: []string{whole}}
	defer a.close()
	b := &chain{}
	defer b.close()
	for _, x := range p.Pieces {
		name, err := inReport(dir, x.Path)
		if err != nil {
			return err
		}
		b.paths = append(b.paths, name)
	}
	at, steps, err := compareChains(ctx, a, b)
	if err == nil && at >= 0 {
		err = fmt.Errorf("%s and its pieces differ from frame %d on, by up to %s", p.Path, at, stepsText(steps))
	}
	return err
}

// SameAudio decodes two FLAC files and returns the first frame at which they
// differ, −1 for none, and the greatest difference in steps of 16 bits; +Inf
// when one is shorter or has other channels.
func SameAudio(ctx context.Context, a, b string) (frame int64, steps float64, err error) {
	x, y := &chain{paths: []string{a}}, &chain{paths: []string{b}}
	defer x.close()
	defer y.close()
	return compareChains(ctx, x, y)
}

func stepsText(steps float64) string {
	if math.IsInf(steps, 1) {
		return "their length or channels"
	}
	return fmt.Sprintf("%.3g steps of 16 bits", steps)
}

// chain decodes FLAC files one after the other as one stream.
type chain struct {
	paths []string
	dec   *flacio.Decoder
	buf   [][]float64
	have  [][]float64
}

func (c *chain) close() {
	if c.dec != nil {
		c.dec.Close()
		c.dec = nil
	}
}

// next returns samples that were not taken yet; none at the end.
func (c *chain) next() ([][]float64, error) {
	for len(c.have) == 0 || len(c.have[0]) == 0 {
		if c.dec == nil {
			if len(c.paths) == 0 {
				return nil, nil
			}
			var err error
			if c.dec, err = flacio.Open(c.paths[0]); err != nil {
				return nil, err
			}
			c.paths = c.paths[1:]
			if n := c.dec.Info().Channels; len(c.buf) != n {
				c.buf = make([][]float64, n)
				for i := range c.buf {
					c.buf[i] = make([]float64, blockFrames)
				}
			}
		}
		n, err := c.dec.Read(c.buf)
		c.have = make([][]float64, len(c.buf))
		for i := range c.buf {
			c.have[i] = c.buf[i][:n]
		}
		if errors.Is(err, io.EOF) {
			c.close()
		} else if err != nil {
			return nil, err
		}
	}
	return c.have, nil
}

func (c *chain) take(n int) {
	for i := range c.have {
		c.have[i] = c.have[i][n:]
	}
}

func compareChains(ctx context.Context, a, b *chain) (frame int64, steps float64, err error) {
	frame = -1
	for at := int64(0); ; {
		if err := ctx.Err(); err != nil {
			return frame, steps, err
		}
		x, err := a.next()
		if err != nil {
			return frame, steps, err
		}
		y, err := b.next()
		if err != nil {
			return frame, steps, err
		}
		if len(x) != len(y) { // one has ended, or other channels
			if frame < 0 {
				frame = at
			}
			return frame, math.Inf(1), nil
		}
		if len(x) == 0 {
			return frame, steps, nil
		}
		n := min(len(x[0]), len(y[0]))
		for c := range x {
			for i := range n {
				if d := math.Abs(x[c][i]-y[c][i]) * (1 << 15); d > 0 {
					steps = max(steps, d)
					if f := at + int64(i); frame < 0 || f < frame {
						frame = f
					}
				}
			}
		}
		a.take(n)
		b.take(n)
		at += int64(n)
	}
}

// TakeAgain is what of a take can be measured without the recordings that are
// not there, on the timeline and at the gains of an earlier result. The JSON
// has the fields of Take.
type TakeAgain struct {
	Name     string     `json:"name"`
	Slug     string     `json:"slug"`
	File     string     `json:"file"`
	Signal   string     `json:"signal"`
	Measures []Measures `json:"measures"`
	Gain     unit.DB    `json:"gain_db"`
	Noise    NoiseAgain `json:"noise"`
}

// NoiseAgain has those fields of Noise that come from the take alone.
type NoiseAgain struct {
	AsRecorded NoiseLevels `json:"as_recorded"`
	AsMatched  NoiseLevels `json:"as_matched"`
}

// RemeasurePresent measures the takes of a comparison whose recordings are
// there, when others are not: along the timeline, the lags and to the target
// of the earlier result, which cannot be found again without all of them.
// missing tells which paths of the manifest are not there. It returns the takes
// and the files that were read.
//
// Errors: *InputError when the earlier result's timeline does not lie in the
// recordings or names other takes, and those of Measure.
func RemeasurePresent(ctx context.Context, c *manifest.Comparison, earlier *Result, missing func(path string) bool, opts Options) ([]TakeAgain, []File, error) {
	part := *c
	part.Takes = nil
	var stored []*Take
	for _, t := range c.Takes {
		if missing(t.File.Path) {
			continue
		}
		k := -1
		for i := range earlier.Takes {
			if earlier.Takes[i].Name == t.Name {
				k = i
			}
		}
		if k < 0 {
			return nil, nil, &InputError{[]error{fmt.Errorf("%s: take %q is not in the results", c.Path, t.Name)}}
		}
		part.Takes = append(part.Takes, t)
		stored = append(stored, &earlier.Takes[k])
	}
	for _, f := range []**manifest.File{&part.Performance.Dry, &part.Performance.Loopback} {
		if *f != nil && missing((*f).Path) {
			*f = nil
		}
	}
	if len(part.Takes) == 0 {
		return nil, nil, nil
	}
	s := &Session{Manifest: &part, workers: opts.Workers, report: opts.Progress, absent: opts.Absent}
	if s.workers <= 0 {
		s.workers = 2
	}
	s.Result = newResult(&part, opts.Version)
	if err := s.readFiles(ctx); err != nil {
		return nil, nil, err
	}
	if err := s.adoptTimeline(earlier, stored); err != nil {
		return nil, nil, &InputError{[]error{err}}
	}
	if err := s.measure(ctx); err != nil {
		return nil, nil, err
	}
	var out []TakeAgain
	for i := range s.Result.Takes {
		t := &s.Result.Takes[i]
		t.Gain = gainTo(s.whole[i], earlier.Match.Target)
		for k := range t.Measures {
			m := &t.Measures[k]
			m.Third, m.Sixth, m.Twelfth = s.levels(i, k, 0), s.levels(i, k, 1), s.levels(i, k, 2)
		}
		out = append(out, TakeAgain{
			Name: t.Name, Slug: t.Slug, File: t.File, Signal: t.Signal, Measures: t.Measures, Gain: t.Gain,
			Noise: NoiseAgain{noiseLevels(s.noise[i], 0), noiseLevels(s.noise[i], t.Gain)},
		})
	}
	return out, s.Result.Files, nil
}

// adoptTimeline takes over where an earlier result found things.
func (s *Session) adoptTimeline(earlier *Result, stored []*Take) error {
	tl := earlier.Timeline
	if err := plausible(tl); err != nil {
		return err
	}
	if tl.SampleRate != s.Result.Timeline.SampleRate {
		return fmt.Errorf("the results are at %d Hz, the recordings at %d Hz", tl.SampleRate, s.Result.Timeline.SampleRate)
	}
	whole := tl.Spans[0]
	s.Result.Timeline = tl
	for i, sig := range s.takes {
		lag := math.Round(float64(stored[i].Alignment.Applied))
		if math.IsNaN(lag) || math.Abs(lag) > float64(sig.info.Frames) {
			return fmt.Errorf("take %q has a lag of %v samples", stored[i].Name, stored[i].Alignment.Applied)
		}
		s.offsets = append(s.offsets, int64(lag))
		edge := int64(float64(keptEdge) * float64(tl.SampleRate))
		if first := s.firstFrame(i, whole); first < -edge || first > sig.info.Frames-int64(whole.Frames)+edge {
			return fmt.Errorf("the time that all takes share lies outside the recording of %q", stored[i].Name)
		}
		if strings.Contains(stored[i].Signal, "two equal channels") {
			sig.widen()
			s.Result.Takes[i].Signal = sig.label
		}
	}
	if d := s.dry; d != nil && (whole.FirstFrame < 0 || int64(whole.FirstFrame) > d.info.Frames-int64(whole.Frames)) {
		return errors.New("the time that all takes share lies outside the dry recording")
	}
	for _, p := range tl.Pauses {
		s.quiet = append(s.quiet, noise.Stretch{First: int64(p.FirstFrame), Frames: int64(p.Frames)})
	}
	return nil
}

// isAbsent tells whether a path of the manifest is known to be missing.
func (s *Session) isAbsent(path string) bool {
	if s.absent == nil || s.absent(path) == nil {
		return false
	}
	_, err := os.Stat(inDir(s.Manifest.Dir, path))
	return errors.Is(err, os.ErrNotExist)
}
