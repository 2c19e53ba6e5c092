// Package publish writes the audio of a comparison as FLAC: every take at its gain and in
// its place and, of two microphones, one alone, with the gains of their blends. Each file is
// decoded and measured again, unless the store knows one of the same SHA-256. Where the
// pieces are that the player loads is found on the way.
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

	alone string // "left" or "right" where Signal is this microphone of a take that has two
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
// With pieces it also finds in every published file the short pieces that players load
// and decode one at a time: ranges of its bytes, which begin with a block. For each
// published take of two microphones it writes a file of one alone, in pieces too, with the
// gains for other blends. Published.Pieces and Published.Blend are filled in. Cuts lie
// between sections, to the nearest block of the file, where that allows pieces of at most
// PieceSeconds, and shorter ones where the takes together need more than PieceBytes
// decoded.
func (p *Plan) Write(ctx context.Context, dir string, pieces bool, run work.Run) ([]Made, error) {
	var starts []int64 // of the pieces
	if pieces {
		starts = p.pieceStarts()
	}
	if err := disk.MkdirAll(filepath.Join(dir, result.AudioDir), 0o777); err != nil {
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
	return t.play(r, t.First(span), int64(span.Frames), func(_ int64, block [][]float64) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return f(block)
	})
}

// play is recording.Reader.Each at the take's gain.
func (t *Take) play(r *recording.Reader, first, frames int64, f func(at int64, block [][]float64) error) error {
	gain := unit.ToAmplitude(float64(t.Gain))
	return r.Each(first, frames, func(at int64, block [][]float64) error {
		for _, x := range block {
			for k := range x {
				x[k] *= gain
			}
		}
		return f(at, block)
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
	m, err := w.again(ctx, name, p.SHA256, starts)
	if err != nil {
		return Made{}, err
	}
	p.Frames, p.Integrated, p.TruePeak, p.SamplePeak = m.Frames, m.Integrated, m.TruePeak, m.SamplePeak
	p.Deviation = unit.LU(m.Integrated - w.Target)
	p.Pieces = Pieces(p.Path, p.Bytes, p.Frames, starts, m.Offsets)
	made.Published = p
	return made, nil
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
		Alone            string
	}{t.Signal.Heard(), t.First(span), int64(span.Frames), t.Signal.Info.SampleRate, t.Bits, t.Gain, t.alone})
}

// encode writes the whole span of a take, matched and aligned, as FLAC.
func (w *writer) encode(ctx context.Context, name string) (err error) {
	sig := w.Signal
	enc, err := flacio.Create(name, flacio.Spec{SampleRate: sig.Info.SampleRate, Channels: sig.Channels(), Bits: w.Bits})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, enc.Close()) }()
	rounded := w.newRounder()
	err = w.Play(ctx, w.whole(), func(block [][]float64) error { return enc.Write(rounded.round(block)) })
	if err == nil && rounded.clipped > 0 {
		// The ceiling makes this impossible; if it happens, a wrong file must
		// not be published.
		err = fmt.Errorf("%s: %d samples over full scale after matching", w.Name, rounded.clipped)
	}
	return err
}
