package again

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"evenhand/analyze/flacio"
	"evenhand/analyze/foreign"
	"evenhand/analyze/publish"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
)

// checkPieces makes sure that the pieces of a take's file, and of its microphone alone,
// are where the result says. Of pieces that are files it makes sure that those of the take
// hold the samples of its file, and that all have the stored hashes.
func checkPieces(ctx context.Context, dir string, p *result.Published) error {
	starts := startsOf(p.Pieces)
	if p.Blend != nil && !slices.Equal(startsOf(p.Blend.Pieces), starts) {
		return fmt.Errorf("the pieces of %s and of its microphone alone begin at different frames", p.Path)
	}
	if len(starts) == 0 {
		return nil
	}
	if p.Pieces[0].Offset == 0 { // earlier versions wrote files
		if err := sumPieces(ctx, dir, p); err != nil {
			return err
		}
		return comparePieces(ctx, dir, p)
	}
	err := checkRanges(ctx, dir, p.Path, p.Frames, starts, p.Pieces)
	if err == nil && p.Blend != nil {
		err = checkRanges(ctx, dir, p.Blend.Pieces[0].Path, p.Frames, starts, p.Blend.Pieces)
	}
	return err
}

func startsOf(pieces []result.Piece) (starts []int64) {
	for _, x := range pieces {
		starts = append(starts, x.FirstFrame)
	}
	return starts
}

// checkRanges makes sure that pieces are the stretches of a whole file that begin at the
// starts.
func checkRanges(ctx context.Context, dir, path string, frames int64, starts []int64, pieces []result.Piece) error {
	if starts[0] != 0 {
		return fmt.Errorf("%s: the first piece begins at frame %d; allowed: 0", path, starts[0])
	}
	d, err := openPublished(dir, path, frames)
	if err != nil {
		return err
	}
	defer d.Close()
	d.Find(starts)
	if err := recording.EachBlock(ctx, d, d.Info().Channels, func([][]float64) error { return nil }); err != nil {
		return err
	}
	for k, found := range publish.Pieces(path, d.Size(), frames, starts, d.Offsets()) {
		if x := pieces[k]; x != found {
			return fmt.Errorf("%s: piece %d has %d frames in %d bytes from byte %d on; the results say %d frames in %d bytes from byte %d on of %s",
				path, k+1, found.Frames, found.Bytes, found.Offset, x.Frames, x.Bytes, x.Offset, x.Path)
		}
	}
	return nil
}

// sumPieces makes sure that all pieces, those of the microphone alone too, are files with
// the stored hashes.
func sumPieces(ctx context.Context, dir string, p *result.Published) error {
	all := p.Pieces
	if p.Blend != nil {
		all = slices.Concat(all, p.Blend.Pieces)
	}
	for _, x := range all {
		if x.Offset != 0 || x.SHA256 == "" {
			return fmt.Errorf("%s: the results give offset %d and SHA-256 %q; a piece that is a file has offset 0 and a SHA-256", x.Path, x.Offset, x.SHA256)
		}
		name, err := inReport(dir, x.Path)
		if err != nil {
			return err
		}
		sum, _, err := foreign.SHA256File(ctx, name)
		if err != nil {
			return err
		}
		if sum != x.SHA256 {
			return fmt.Errorf("%s: its SHA-256 is %s; the results say %s", x.Path, sum, x.SHA256)
		}
	}
	return nil
}

// comparePieces makes sure that pieces that are files hold the file's very samples.
func comparePieces(ctx context.Context, dir string, p *result.Published) error {
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
					c.buf[i] = make([]float64, recording.BlockFrames)
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
