// Package publish writes the audio of a comparison: every take at its gain and in its
// place, as FLAC, in pieces for the player and, of two microphones, one alone. Each
// file that was written is decoded and measured again.
//
// What it writes follows from a Plan, which is plain data: it asks for no figure but
// those. The same plan gives the same bytes.
package publish

import (
	"context"
	"errors"
	"fmt"
	"path"
	"path/filepath"

	"evenhand/analyze/disk"
	"evenhand/analyze/flacio"
	"evenhand/analyze/foreign"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/store"
	"evenhand/analyze/unit"
	"evenhand/analyze/work"
)

// Plan says what is published.
type Plan struct {
	Timeline result.Timeline
	Target   unit.LUFS // that the gains bring the takes to
	Ceiling  unit.DBTP // of the true peak
	Takes    []Take
}

// Take is one take of a plan.
type Take struct {
	Name, Slug string
	Signal     *recording.Signal
	Frame      int64 // of the recording, at frame 0 of the timeline
	Gain       unit.DB
	Bits       int     // of its files: 16, with dither, or 24
	Mics       *[2]Mic // left and right, where the signal is their blend; nil for other signals
	Withheld   bool    // its audio must not be passed on
}

// Mic is one of two microphones.
type Mic struct {
	Channel int // of the recording, from 1
	Blend   unit.DB
}

// Made is what was made of a take: Withheld of one whose audio must not be passed on,
// Published of any other.
type Made struct {
	Published *result.Published
	Withheld  *result.Withheld
	Reused    bool // the store had its audio
}

// Write writes every take's matched, aligned audio of the whole span as FLAC
// into dir/audio and measures each written file again. The audio of a take that is
// withheld is made elsewhere, measured and removed. It returns what was made of each
// take.
//
// Frames: the whole span, the same number for every take, each shifted by its lag
// rounded to a whole frame.
//
// With pieces it writes every published take once more in short pieces into
// dir/audio/pieces, for players that decode one at a time, and for each
// two-microphone take the pieces of one microphone alone, with the gains for
// other blends. Published.Pieces and Published.Blend are filled in too. The pieces
// hold the very samples of the published file: they are cut from it while it is
// decoded to be measured again. Cuts lie between sections, to the nearest block of
// the file, where that allows pieces of at most PieceSeconds, and shorter ones where
// the takes together need more than PieceBytes decoded.
func (p *Plan) Write(ctx context.Context, dir string, pieces bool, run work.Run) ([]Made, error) {
	into := result.AudioDir
	var starts []int64 // of the pieces
	if pieces {
		into, starts = PieceDir, p.pieceStarts()
	}
	if err := disk.MkdirAll(filepath.Join(dir, filepath.FromSlash(into)), 0o777); err != nil {
		return nil, err
	}
	step := run.Stage("writing matched audio", int64(len(p.Takes)))
	g, ctx := run.Group(ctx)
	made := make([]Made, len(p.Takes))
	blends := make([]*result.BlendPlan, len(p.Takes))
	for i := range p.Takes {
		t := writer{p, &p.Takes[i], run}
		g.Go(func() (err error) {
			if t.Withheld {
				made[i], err = t.withhold(ctx)
			} else {
				made[i], err = t.write(ctx, dir, starts)
			}
			step(1)
			return err
		})
	}
	for i := range p.Takes {
		t := writer{p, &p.Takes[i], run}
		if starts != nil && t.Mics != nil && !t.Withheld {
			g.Go(func() (err error) {
				blends[i], err = t.writeBlend(ctx, dir, starts)
				return err
			})
		}
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	for i := range made {
		if made[i].Published != nil {
			made[i].Published.Blend = blends[i]
		}
	}
	return made, nil
}

// WithheldReason is Withheld.Reason.
const WithheldReason = "its recording is marked redistribute: no"

// First returns the frame of the recording at which a span of the timeline begins.
func (t *Take) First(span result.Span) int64 { return int64(span.FirstFrame) + t.Frame }

// Play hands the matched, aligned audio of the take in a span of the timeline to
// f, block by block, channel-major; a block is valid until f returns. The lag is
// taken out to the nearest whole frame.
func (t *Take) Play(ctx context.Context, span result.Span, f func(block [][]float64) error) error {
	r, err := t.Signal.Open()
	if err != nil {
		return err
	}
	defer r.Close()
	gain := unit.ToAmplitude(float64(t.Gain))
	return r.Each(t.First(span), int64(span.Frames), func(_ int64, block [][]float64) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		for _, x := range block {
			for k := range x {
				x[k] *= gain
			}
		}
		return f(block)
	})
}

// writer writes one take of a plan.
type writer struct {
	*Plan
	*Take
	work.Run
}

// whole is the time that is published.
func (w *writer) whole() result.Span { return w.Timeline.Spans[0] }

// withhold makes a take's matched audio outside the report, measures it and
// removes it.
func (w *writer) withhold(ctx context.Context) (Made, error) {
	held, err := disk.Temp("withheld")
	if err != nil {
		return Made{}, err
	}
	defer held.Remove()
	tmp := held.Dir
	if err := disk.Mkdir(filepath.Join(tmp, result.AudioDir), 0o700); err != nil {
		return Made{}, err
	}
	made, err := w.write(ctx, tmp, nil)
	if err != nil {
		return Made{}, err
	}
	p := made.Published
	return Made{Withheld: &result.Withheld{Reason: WithheldReason, Integrated: p.Integrated, TruePeak: p.TruePeak, SamplePeak: p.SamplePeak, Deviation: p.Deviation}, Reused: made.Reused}, nil
}

func (w *writer) write(ctx context.Context, dir string, starts []int64) (made Made, err error) {
	p := &result.Published{
		Path:       path.Join(result.AudioDir, w.Slug+".flac"),
		Encoding:   EncodingName(w.Bits),
		Channels:   w.Signal.Channels(),
		SampleRate: w.Signal.Info.SampleRate,
	}
	name := filepath.Join(dir, filepath.FromSlash(p.Path))
	if p.SHA256, p.Bytes, made.Reused, err = w.render(ctx, name); err != nil {
		return Made{}, err
	}
	in := struct {
		SHA256 string
		Starts []int64
	}{p.SHA256, starts}
	place := func(k int) string { return filepath.Join(dir, filepath.FromSlash(piecePath(w.Slug, k))) }
	m, err := withFiles(w.Run, "published audio", in, place, func() (again measuredAgain, err error) {
		m, frames, err := measureAndCut(ctx, name, starts, place)
		if err != nil {
			return again, err
		}
		again = measuredAgain{Frames: frames, Integrated: m.Integrated, TruePeak: m.TruePeak, SamplePeak: m.SamplePeak}
		for k, first := range starts {
			x := result.Piece{FirstFrame: first, Frames: frames - first}
			if k+1 < len(starts) {
				x.Frames = starts[k+1] - first
			}
			if x.SHA256, x.Bytes, err = foreign.SHA256File(ctx, place(k)); err != nil {
				return again, err
			}
			again.Files = append(again.Files, x)
		}
		return again, nil
	})
	if err != nil {
		return Made{}, err
	}
	p.Frames, p.Integrated, p.TruePeak, p.SamplePeak = m.Frames, m.Integrated, m.TruePeak, m.SamplePeak
	p.Deviation = unit.LU(m.Integrated - w.Target)
	p.Pieces = named(m.Files, w.Slug)
	made.Published = p
	return made, nil
}

// measuredAgain is what was found when a published file was decoded: by its content,
// so that no other file has it, whatever the store says that it is.
type measuredAgain struct {
	Frames     int64
	Integrated unit.LUFS
	TruePeak   unit.DBTP
	SamplePeak unit.DBFS
	Files      []result.Piece // without their paths
}

func (m measuredAgain) files() []result.Piece { return m.Files }

// named returns pieces of a take, or of what is made of it, with their paths.
func named(pieces []result.Piece, stem string) (out []result.Piece) {
	for k, x := range pieces {
		x.Path = piecePath(stem, k)
		out = append(out, x)
	}
	return out
}

// withFiles is once for what is made together with files: file k at place(k), each
// as files says. Where one of them is not in the store as it was, all are made again.
func withFiles[In any, Out interface{ files() []result.Piece }](run work.Run, stage string, in In, place func(k int) string, make func() (Out, error)) (Out, error) {
	entry := func(k int) string {
		return store.Key(stage+" file", struct {
			In string
			K  int
		}{store.Key(stage, in), k})
	}
	made := false
	out, err := work.Once(run, stage, in, nil, func() (Out, error) { made = true; return make() })
	if err != nil {
		return out, err
	}
	for k, x := range out.files() {
		if made {
			break
		}
		sum, _, err := run.Store.Get(entry(k), place(k))
		if err != nil {
			return out, err
		}
		if sum != x.SHA256 {
			if out, err = make(); err != nil {
				return out, err
			}
			made = true
		}
	}
	if made && run.Store != nil {
		for k := range out.files() {
			run.Store.Put(entry(k), place(k))
		}
	}
	return out, nil
}

// render writes the whole span of a take, matched and aligned, as FLAC, or copies it
// from the store when the same audio was encoded before. It returns the file's
// SHA-256 and its length.
func (w *writer) render(ctx context.Context, name string) (sum string, bytes int64, reused bool, err error) {
	key := w.Key(w.whole())
	if sum, bytes, err = w.Store.Get(key, name); sum != "" || err != nil {
		return sum, bytes, sum != "", err
	}
	if err := w.encode(ctx, name); err != nil {
		return "", 0, false, err
	}
	// The key stands for what was hashed: nothing else may be kept under it.
	if err := w.Signal.Input.Unchanged(); err != nil {
		return "", 0, false, err
	}
	w.Store.Put(key, name)
	sum, bytes, err = foreign.SHA256File(ctx, name)
	return sum, bytes, false, err
}

// Key names the audio of a span of a take by all that it depends on.
func (t *Take) Key(span result.Span) string {
	return store.Key("audio", struct {
		Take             recording.Heard
		First, Frames    int64
		SampleRate, Bits int
		Gain             unit.DB
	}{t.Signal.Heard(), t.First(span), int64(span.Frames), t.Signal.Info.SampleRate, t.Bits, t.Gain})
}

// quantiser returns what rounds one channel of the take's audio to its files' depth,
// or of what else is made of its recording.
func (t *Take) quantiser(seed uint64) *flacio.Quantiser {
	return flacio.NewQuantiser(t.Bits, dithered(t.Bits), seed)
}

// encode writes the whole span of a take, matched and aligned, as FLAC.
func (w *writer) encode(ctx context.Context, name string) (err error) {
	sig := w.Signal
	enc, err := flacio.Create(name, flacio.Spec{SampleRate: sig.Info.SampleRate, Channels: sig.Channels(), Bits: w.Bits})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, enc.Close()) }()
	quantisers := make([]*flacio.Quantiser, sig.Channels())
	ints := make([][]int32, sig.Channels())
	for c := range quantisers {
		quantisers[c] = w.quantiser(sig.DitherSeed(c))
		ints[c] = make([]int32, recording.BlockFrames)
	}
	part := make([][]int32, len(ints))
	clipped := 0
	err = w.Play(ctx, w.whole(), func(block [][]float64) error {
		for c, x := range block {
			part[c] = ints[c][:len(x)]
			clipped += quantisers[c].Quantise(part[c], x)
		}
		return enc.Write(part)
	})
	if err == nil && clipped > 0 {
		// The ceiling makes this impossible; if it happens, a wrong file must
		// not be published.
		err = fmt.Errorf("%s: %d samples over full scale after matching", w.Name, clipped)
	}
	return err
}
