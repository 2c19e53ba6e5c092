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

	"evenhand/analyze/disk"
	"evenhand/analyze/foreign"
	"evenhand/analyze/loudness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/publish"
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

// reader reads stretches of a file.
type reader struct {
	*wavio.Reader
	buf, view [][]float64
}

const blockFrames = 1 << 14

func (p *plan) open(dir string, voice int) (*reader, error) {
	return openWAV(filepath.Join(dir, filepath.FromSlash(p.voices[voice].file)))
}

func openWAV(name string) (*reader, error) {
	w, err := wavio.Open(name)
	if err != nil {
		return nil, err
	}
	r := &reader{Reader: w, view: make([][]float64, w.Info().Channels)}
	for range r.view {
		r.buf = append(r.buf, make([]float64, blockFrames))
	}
	return r, nil
}

// each hands frames from to to−1 to f in blocks. What is not in the file is silence.
func (r *reader) each(from, to int64, f func([][]float64) error) error {
	last := r.Info().Frames
	if inside := max(from, 0); inside < min(to, last) {
		if err := r.Seek(inside); err != nil {
			return err
		}
	}
	for from < to {
		n := min(blockFrames, to-from)
		silent := from < 0 || from >= last
		if from < 0 {
			n = min(n, -from)
		} else if !silent {
			n = min(n, last-from)
		}
		for c := range r.view {
			r.view[c] = r.buf[c][:n]
			if silent {
				clear(r.view[c])
			}
		}
		if !silent {
			read, err := r.Read(r.view)
			if err != nil && !(errors.Is(err, io.EOF) && read > 0) {
				return err
			}
			n = int64(read)
			for c := range r.view {
				r.view[c] = r.view[c][:n]
			}
		}
		if err := f(r.view); err != nil {
			return err
		}
		from += n
	}
	return nil
}

// load returns frames from to to−1.
func (r *reader) load(from, to int64) (stretch, error) {
	out := make(stretch, len(r.buf))
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
		SampleRate: p.rate, Channels: p.channels(), Bits: bits, Bext: p.bext("edit"), Cues: cues,
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
	silence := func(frames int64) error {
		quiet := make([][]float64, p.channels())
		for frames > 0 {
			n := min(frames, blockFrames)
			for c := range quiet {
				quiet[c] = make([]float64, n)
			}
			if err := w.Write(quiet); err != nil {
				return err
			}
			frames -= n
			step(n)
		}
		return nil
	}
	if err := silence(p.lead); err != nil {
		return err
	}
	for i := range p.parts {
		x := &p.parts[i]
		r, shift := readers[x.voice], x.source-x.cut
		from, to := p.fadeIn(i)
		var before stretch
		if i > 0 {
			b := p.parts[i-1]
			if before, err = readers[b.voice].load(from+b.source-b.cut, to+b.source-b.cut); err != nil {
				return err
			}
		}
		after, err := r.load(from+shift, to+shift)
		if err != nil {
			return err
		}
		mixed := p.mix(before, after, x)
		step(to - from)
		if err := w.Write(mixed); err != nil {
			return err
		}
		out, end := p.fadeOut(i)
		err = r.each(to+shift, out+shift, func(b [][]float64) error {
			step(int64(len(b[0])))
			if err := ctx.Err(); err != nil {
				return err
			}
			return w.Write(b)
		})
		if err != nil {
			return err
		}
		if i == len(p.parts)-1 && end > out {
			before, err := r.load(out+shift, end+shift)
			if err != nil {
				return err
			}
			step(end - out)
			if err := w.Write(p.mix(before, nil, nil)); err != nil {
				return err
			}
		}
	}
	if err := silence(p.length - p.sound); err != nil {
		return err
	}
	return p.clipped(w, "the edit")
}

// stretch is some audio, a slice of samples for each channel; nil is silence.
type stretch [][]float64

// gains returns those of a fade at its place g, from 0 to 1, between takes of a
// correlation; see the package.
func gains(g, correlation float64) (before, after float64) {
	n := math.Sqrt(float64((1-g)*(1-g)) + float64(g*g) + float64(2*correlation*g)*(1-g))
	return (1 - g) / n, g / n
}

// fadeHeadroom is how far below the ceiling samples of a fade must stay where they are
// higher than both takes, for true peaks between samples: common practice, no source.
const fadeHeadroom = unit.DB(2)

// mix fades from one stretch to the other, and keeps in x, unless it is nil, what the
// fade is made for.
func (p *plan) mix(before, after stretch, x *part) stretch {
	if before == nil || after == nil { // from or to silence
		return blend(before, after, 1)
	}
	x.correlation = correlation(before, after)
	x.used = max(leastCorrelation, x.correlation)
	x.level = unit.DBFS(max(before.level(), after.level()))
	mixed := blend(before, after, float64(x.used))
	allowed := unit.ToAmplitude(float64(p.res.Parameters.Match.Ceiling) - float64(fadeHeadroom))
	if highest := mixed.peak(); highest > allowed && highest > max(before.peak(), after.peak()) {
		x.used = 1
		mixed = blend(before, after, 1)
	}
	return mixed
}

// blend is the fade for a correlation.
func blend(before, after stretch, correlation float64) stretch {
	of := after
	if of == nil {
		of = before
	}
	out := make(stretch, len(of))
	for c := range of {
		n := len(of[c])
		out[c] = make([]float64, n)
		for k := range n {
			a, b := gains((float64(k)+0.5)/float64(n), correlation)
			if before != nil {
				out[c][k] += float64(a * before[c][k])
			}
			if after != nil {
				out[c][k] += float64(b * after[c][k])
			}
		}
	}
	return out
}

// leastCorrelation is the least that a fade makes up for: no gain is then above 1.16.
const leastCorrelation = -0.5

// level returns the mean square in dB, that of the channels averaged.
func (s stretch) level() float64 {
	sum, n := 0.0, 0
	for _, x := range s {
		for _, v := range x {
			sum += float64(v * v)
		}
		n += len(x)
	}
	return decibels(sum / float64(n))
}

func (s stretch) peak() float64 {
	most := 0.0
	for _, x := range s {
		for _, v := range x {
			most = math.Max(most, math.Abs(v))
		}
	}
	return most
}

// correlation returns that of two stretches, from −1 to 1, to three decimals, so that it is the same
// on every processor; 1 where one of them is silent.
func correlation(a, b stretch) unit.Number {
	var ab, aa, bb float64
	for c := range a {
		for k := range a[c] {
			ab += float64(a[c][k] * b[c][k])
			aa += float64(a[c][k] * a[c][k])
			bb += float64(b[c][k] * b[c][k])
		}
	}
	if aa == 0 || bb == 0 {
		return 1
	}
	return unit.Number(math.Round(1000*ab/math.Sqrt(aa*bb)) / 1000)
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
	one := func(name string, m *measured, told bool, again func(name string) error) {
		g.Go(func() error {
			full := filepath.Join(dir, filepath.FromSlash(name))
			err := again(full)
			if err != nil {
				return err
			}
			mu.Lock()
			step(m.info.Frames)
			mu.Unlock()
			if told {
				if err := wavio.SetLoudness(full, m.loudness()); err != nil {
					return err
				}
			}
			m.sha256, m.bytes, err = foreign.SHA256File(ctx, full)
			return err
		})
	}
	one(editFile, &p.edit, true, func(name string) error { return p.measureEdit(ctx, name) })
	for i := range p.voices {
		m := &p.voices[i].measured
		one(p.voices[i].file, m, !p.o.Shuffle, func(name string) (err error) {
			m.Measurement, m.info, err = publish.MeasureWAV(ctx, name)
			return err
		})
	}
	return g.Wait()
}

// measureEdit measures the edit, and each of its parts as a clip of its own.
func (p *plan) measureEdit(ctx context.Context, name string) error {
	r, err := openWAV(name)
	if err != nil {
		return err
	}
	defer r.Close()
	p.edit.info = r.Info()
	m, err := loudness.NewMeter(p.edit.info.SampleRate, p.edit.info.Channels)
	if err != nil {
		return err
	}
	m.Track(loudness.Range{Frames: p.edit.info.Frames})
	for i, x := range p.parts {
		m.Track(loudness.Range{First: x.cut, Frames: p.end(i) - x.cut})
	}
	err = r.each(0, p.edit.info.Frames, func(block [][]float64) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return m.Write(block)
	})
	if err != nil {
		return err
	}
	found := m.Finish()
	p.edit.Measurement = found[0]
	for i := range p.parts {
		p.parts[i].loudness = found[i+1].Integrated
	}
	return nil
}

func decibels(meanSquare float64) float64 {
	return 10 * math.Log10(meanSquare+1e-12)
}
