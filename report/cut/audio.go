package cut

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"path/filepath"
	"sync"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze"
	"evenhand/analyze/disk"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// bits is the depth of every file. No dither: a step of 24 bits is 48 dB below
// one of 16.
const bits = 24

// bext describes a file for programs that place it by its time.
//
// Source: EBU Tech 3285 version 2; coding history as in EBU R 98 (from memory).
func (p *plan) bext(what string) *wavio.Bext {
	c := p.res.Comparison
	mode := "mono"
	if p.channels() == 2 {
		mode = "stereo"
	}
	return &wavio.Bext{
		Description:   manifest.ASCII(c.Title) + ": " + what,
		Originator:    "evenhand",
		Date:          c.Date,
		TimeReference: uint64(p.fps.Sample(p.start, p.rate)),
		CodingHistory: fmt.Sprintf("A=PCM,F=%d,W=%d,M=%s,T=evenhand\r\n", p.rate, bits, mode),
	}
}

// writeTakes writes every voice's own file: converted, matched, aligned.
func (p *plan) writeTakes(ctx context.Context, dir string, step func(int64)) error {
	if err := disk.MkdirAll(filepath.Join(dir, takesDir), 0o777); err != nil {
		return err
	}
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(p.o.Workers)
	var mu sync.Mutex
	for i := range p.voices {
		g.Go(func() error {
			return p.writeTake(ctx, filepath.Join(dir, filepath.FromSlash(p.voices[i].file)), &p.voices[i], func(n int64) {
				mu.Lock()
				defer mu.Unlock()
				step(n)
			})
		})
	}
	return g.Wait()
}

func (p *plan) writeTake(ctx context.Context, name string, v *voice, step func(int64)) (err error) {
	w, err := wavio.Create(name, wavio.Spec{SampleRate: p.rate, Channels: p.channels(), Bits: bits, Bext: p.bext("take " + v.shown)})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	gain := unit.ToAmplitude(float64(v.trim))
	frames, err := p.play(ctx, v, func(block [][]float64) error {
		if v.trim != 0 {
			for _, x := range block {
				for k := range x {
					x[k] *= gain
				}
			}
		}
		step(int64(len(block[0])))
		return w.Write(block)
	})
	if err != nil {
		return err
	}
	if frames != p.frames {
		return fmt.Errorf("%s: %d frames of %d; was the recording changed meanwhile?", p.res.Takes[v.take].Name, frames, p.frames)
	}
	return p.clipped(w, p.res.Takes[v.take].Name)
}

// clipped is an error if a file does not hold what was to be written: a ceiling
// close to full scale leaves no room for what conversion adds.
func (p *plan) clipped(w *wavio.Writer, what string) error {
	if n := w.Clipped(); n > 0 {
		return mistake.Errorf("%s: %d samples over full scale at %d Hz; state a lower ceiling under match in the manifest, −1 dBTP say", what, n, p.rate)
	}
	return nil
}

// reader reads stretches of a voice's file.
type reader struct {
	*wavio.Reader
	buf, view [][]float64
}

const blockFrames = 1 << 14

func (p *plan) open(dir string, voice int) (*reader, error) {
	w, err := wavio.Open(filepath.Join(dir, filepath.FromSlash(p.voices[voice].file)))
	if err != nil {
		return nil, err
	}
	r := &reader{Reader: w, view: make([][]float64, w.Info().Channels)}
	for range r.view {
		r.buf = append(r.buf, make([]float64, blockFrames))
	}
	return r, nil
}

// each hands frames from to to−1 to f in blocks.
func (r *reader) each(from, to int64, f func([][]float64) error) error {
	if err := r.Seek(from); err != nil {
		return err
	}
	for from < to {
		for c := range r.view {
			r.view[c] = r.buf[c][:min(blockFrames, to-from)]
		}
		n, err := r.Read(r.view)
		if err != nil && !(errors.Is(err, io.EOF) && n > 0) {
			return err
		}
		for c := range r.view {
			r.view[c] = r.view[c][:n]
		}
		if err := f(r.view); err != nil {
			return err
		}
		from += int64(n)
	}
	return nil
}

// load returns frames from to to−1.
func (r *reader) load(from, to int64) ([][]float64, error) {
	out := make([][]float64, len(r.buf))
	err := r.each(from, to, func(b [][]float64) error {
		for c := range out {
			out[c] = append(out[c], b[c]...)
		}
		return nil
	})
	return out, err
}

// writeEdit writes the edit from the voices' files.
func (p *plan) writeEdit(ctx context.Context, dir string, step func(int64)) (err error) {
	var cues []wavio.Cue
	for i, x := range p.parts {
		cues = append(cues, wavio.Cue{ID: uint32(i + 1), Frame: x.cut, Label: p.voices[x.voice].shown})
	}
	w, err := wavio.Create(filepath.Join(dir, editFile), wavio.Spec{
		SampleRate: p.rate, Channels: p.channels(), Bits: bits, Bext: p.bext("switching edit"), Cues: cues,
	})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, w.Close()) }()
	readers := map[int]*reader{}
	defer func() {
		for _, r := range readers {
			r.Close()
		}
	}()
	for _, x := range p.parts {
		if readers[x.voice] == nil {
			if readers[x.voice], err = p.open(dir, x.voice); err != nil {
				return err
			}
		}
	}
	half := p.fade / 2
	for i, x := range p.parts {
		from, to := x.cut+half, p.end(i)-half
		if i == 0 {
			from = 0
		} else if err := p.writeFade(w, readers[p.parts[i-1].voice], readers[x.voice], x.cut); err != nil {
			return err
		}
		if i == len(p.parts)-1 {
			to = p.frames
		}
		err := readers[x.voice].each(from, to, func(b [][]float64) error {
			step(int64(len(b[0])))
			if err := ctx.Err(); err != nil {
				return err
			}
			return w.Write(b)
		})
		if err != nil {
			return err
		}
	}
	return p.clipped(w, "the edit")
}

// writeFade writes the crossfade about a cut: gains that add up to 1, the same
// distance from 0 at one end as from 1 at the other.
func (p *plan) writeFade(w *wavio.Writer, before, after *reader, cut int64) error {
	a, err := before.load(cut-p.fade/2, cut+p.fade/2)
	if err != nil {
		return err
	}
	b, err := after.load(cut-p.fade/2, cut+p.fade/2)
	if err != nil {
		return err
	}
	for c := range a {
		for k := range a[c] {
			g := (float64(k) + 0.5) / float64(p.fade)
			a[c][k] += float64(g * (b[c][k] - a[c][k]))
		}
	}
	return w.Write(a)
}

// peakTolerance is how far a file's true peak may lie above the ceiling after
// conversion and fading.
const peakTolerance = unit.DB(0.1)

// loudness is what a file's bext chunk says of it, as measured.
//
// Source: EBU Tech 3285 version 2 (2011): the five loudness fields.
func (m measured) loudness() *wavio.BextLoudness {
	return &wavio.BextLoudness{Integrated: m.Integrated, Range: m.Range, MaxTruePeak: m.TruePeak, MaxMomentary: m.MaxMomentary, MaxShortTerm: m.MaxShortTerm}
}

// measure decodes every file and measures it again, and writes what it found
// into the file's bext chunk: not for takes that are to be guessed, which it
// would tell apart.
func (p *plan) measure(ctx context.Context, dir string, step func(int64)) error {
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(p.o.Workers)
	var mu sync.Mutex
	one := func(name string, m *measured, told bool) {
		g.Go(func() error {
			full := filepath.Join(dir, filepath.FromSlash(name))
			var err error
			if m.Measurement, m.info, err = analyze.RemeasureWAV(ctx, full); err != nil {
				return err
			}
			mu.Lock()
			step(p.frames)
			mu.Unlock()
			if told {
				if err := wavio.SetLoudness(full, m.loudness()); err != nil {
					return err
				}
			}
			m.sha256, m.bytes, err = analyze.SHA256File(ctx, full)
			return err
		})
	}
	one(editFile, &p.edit, true)
	for i := range p.voices {
		one(p.voices[i].file, &p.voices[i].measured, !p.o.Shuffle)
	}
	return g.Wait()
}

func decibels(meanSquare float64) float64 {
	return 10 * math.Log10(meanSquare+1e-12)
}
