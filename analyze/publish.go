package analyze

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path"
	"path/filepath"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/disk"
	"evenhand/analyze/flacio"
	"evenhand/analyze/result"
	"evenhand/analyze/store"
	"evenhand/analyze/unit"
)

// PublishOptions say what is published.
type PublishOptions struct {
	// Pieces writes every published take once more in short pieces into
	// dir/audio/pieces, for players that decode one at a time, and for each
	// two-microphone take the pieces of one microphone alone, with the gains for
	// other blends. Published.Pieces and Published.Blend are filled in too.
	//
	// The pieces hold the very samples of the published file: they are cut from
	// it while it is decoded to be measured again. Cuts lie between sections, to
	// the nearest block of the file, where that allows pieces of at most
	// PieceSeconds, and shorter ones where the takes together need more than
	// PieceBytes decoded.
	Pieces bool
}

// Publish writes every take's matched, aligned audio of the whole span as FLAC
// into dir/audio and measures each written file again. It fills in
// Take.Published and Match.WorstDeviation. The audio of a take whose recording
// is marked redistribute: no is made elsewhere, measured and removed: it fills
// in Take.Withheld instead.
//
// Depth: 24 bits when a take's source is deeper than 16, otherwise 16 bits with
// dither, since gain was applied. Frames: the whole span, the same number for
// every take, each shifted by its lag rounded to a whole frame.
func (s *Session) Publish(ctx context.Context, dir string, opts PublishOptions) error {
	into := result.AudioDir
	var starts []int64 // of the pieces
	if opts.Pieces {
		into, starts = PieceDir, s.pieceStarts()
	}
	if err := disk.MkdirAll(filepath.Join(dir, filepath.FromSlash(into)), 0o777); err != nil {
		return err
	}
	res := s.Result
	step := s.progress("writing matched audio", int64(len(res.Takes)))
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(s.workers)
	blends := make([]*result.BlendPlan, len(res.Takes))
	for i := range res.Takes {
		g.Go(func() (err error) {
			if s.Withheld(i) {
				res.Takes[i].Withheld, err = s.withholdTake(ctx, i)
			} else {
				res.Takes[i].Published, err = s.publishTake(ctx, dir, i, starts)
			}
			step(1)
			return err
		})
	}
	for i := range res.Takes {
		if starts != nil && len(res.Takes[i].Mics) == 2 && !s.Withheld(i) {
			g.Go(func() (err error) {
				blends[i], err = s.publishBlend(ctx, dir, i, starts)
				return err
			})
		}
	}
	if err := s.orChanged(g.Wait()); err != nil {
		return err
	}
	res.Match.WorstDeviation = 0
	res.Parameters.Match.Dither = "none: every file has 24 bits"
	for i := range res.Takes {
		t := &res.Takes[i]
		d := unit.LU(0)
		if t.Published != nil {
			t.Published.Blend = blends[i]
			d = t.Published.Deviation
		} else {
			d = t.Withheld.Deviation
		}
		if math.Abs(float64(d)) > math.Abs(float64(res.Match.WorstDeviation)) {
			res.Match.WorstDeviation = d
		}
		if s.publishedBits(i) == 16 {
			res.Parameters.Match.Dither = "16-bit files: triangular, ±1 step, seeded from the recording's SHA-256; 24-bit files: none"
		}
	}
	return nil
}

// WithheldReason is Withheld.Reason.
const WithheldReason = "its recording is marked redistribute: no"

// Withheld tells whether the recording of take i may not be passed on: when it,
// or a file of the same content such as the dry recording, is marked
// redistribute: no.
func (s *Session) Withheld(i int) bool {
	for _, f := range s.Result.Files {
		if !f.Redistribute && f.SHA256 == s.takes[i].sha256 {
			return true
		}
	}
	return false
}

// withholdTake makes a take's matched audio outside the report, measures it and
// removes it.
func (s *Session) withholdTake(ctx context.Context, i int) (*result.Withheld, error) {
	held, err := disk.Temp("withheld")
	if err != nil {
		return nil, err
	}
	defer held.Remove()
	tmp := held.Dir
	if err := disk.Mkdir(filepath.Join(tmp, result.AudioDir), 0o700); err != nil {
		return nil, err
	}
	p, err := s.publishTake(ctx, tmp, i, nil)
	if err != nil {
		return nil, err
	}
	return &result.Withheld{Reason: WithheldReason, Integrated: p.Integrated, TruePeak: p.TruePeak, SamplePeak: p.SamplePeak, Deviation: p.Deviation}, nil
}

func encodingName(bits int) string { return fmt.Sprintf("FLAC, %d-bit", bits) }

// publishedBits is the depth of a take's published file.
func (s *Session) publishedBits(i int) int {
	if info := s.takes[i].info; info.Bits > 16 || info.Float {
		return 24
	}
	return 16
}

func (s *Session) publishTake(ctx context.Context, dir string, i int, starts []int64) (*result.Published, error) {
	t := &s.Result.Takes[i]
	sig := s.takes[i]
	whole := s.Result.Timeline.Spans[0]
	bits := s.publishedBits(i)
	p := &result.Published{
		Path:       path.Join(result.AudioDir, t.Slug+".flac"),
		Encoding:   encodingName(bits),
		Channels:   sig.channels(),
		SampleRate: sig.info.SampleRate,
	}
	name := filepath.Join(dir, filepath.FromSlash(p.Path))
	var err error
	if p.SHA256, p.Bytes, err = s.render(ctx, name, i, whole, bits); err != nil {
		return nil, err
	}
	in := struct {
		SHA256 string
		Starts []int64
	}{p.SHA256, starts}
	place := func(k int) string { return filepath.Join(dir, filepath.FromSlash(piecePath(t.Slug, k))) }
	m, err := withFiles(s, "published audio", in, place, func() (again measuredAgain, err error) {
		m, frames, err := remeasureAndCut(ctx, name, nil, starts, place)
		if err != nil {
			return again, err
		}
		again = measuredAgain{Frames: frames, Integrated: m.Integrated, TruePeak: m.TruePeak, SamplePeak: m.SamplePeak}
		for k, first := range starts {
			x := result.Piece{FirstFrame: first, Frames: frames - first}
			if k+1 < len(starts) {
				x.Frames = starts[k+1] - first
			}
			if x.SHA256, x.Bytes, err = SHA256File(ctx, place(k)); err != nil {
				return again, err
			}
			again.Files = append(again.Files, x)
		}
		return again, nil
	})
	if err != nil {
		return nil, err
	}
	p.Frames, p.Integrated, p.TruePeak, p.SamplePeak = m.Frames, m.Integrated, m.TruePeak, m.SamplePeak
	p.Deviation = unit.LU(m.Integrated - s.Result.Match.Target)
	p.Pieces = named(m.Files, t.Slug)
	return p, nil
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
func withFiles[In any, Out interface{ files() []result.Piece }](s *Session, stage string, in In, place func(k int) string, make func() (Out, error)) (Out, error) {
	entry := func(k int) string {
		return store.Key(stage+" file", struct {
			In string
			K  int
		}{store.Key(stage, in), k})
	}
	made := false
	out, err := once(s, stage, in, nil, func() (Out, error) { made = true; return make() })
	if err != nil {
		return out, err
	}
	for k, x := range out.files() {
		if made {
			break
		}
		sum, _, err := s.store.Get(entry(k), place(k))
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
	if made && s.store != nil {
		for k := range out.files() {
			s.store.Put(entry(k), place(k))
		}
	}
	return out, nil
}

// render writes one span of a take, matched and aligned, as FLAC, or copies it
// from the store when the same audio was encoded before. It returns the file's
// SHA-256 and its length.
func (s *Session) render(ctx context.Context, name string, i int, span result.Span, bits int) (sum string, bytes int64, err error) {
	key := s.audioKey(i, span, bits)
	if sum, bytes, err = s.store.Get(key, name); sum != "" || err != nil {
		if sum != "" {
			s.reused.Add(1)
		}
		return sum, bytes, err
	}
	if err := s.encode(ctx, name, i, span, bits); err != nil {
		return "", 0, err
	}
	// The key stands for what was hashed: nothing else may be kept under it.
	if err := s.takes[i].input.unchanged(); err != nil {
		return "", 0, err
	}
	s.store.Put(key, name)
	return SHA256File(ctx, name)
}

// audioKey names the audio of a span of a take by all that it depends on.
func (s *Session) audioKey(i int, span result.Span, bits int) string {
	return store.Key("audio", struct {
		Take             heard
		First, Frames    int64
		SampleRate, Bits int
		Gain             unit.DB
	}{s.takes[i].heard(), s.firstFrame(i, span), int64(span.Frames), s.takes[i].info.SampleRate, bits, s.Result.Takes[i].Gain})
}

// encode writes one span of a take, matched and aligned, as FLAC.
func (s *Session) encode(ctx context.Context, name string, i int, span result.Span, bits int) (err error) {
	t := &s.Result.Takes[i]
	sig := s.takes[i]
	enc, err := flacio.Create(name, flacio.Spec{SampleRate: sig.info.SampleRate, Channels: sig.channels(), Bits: bits})
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, enc.Close()) }()
	quantisers := make([]*flacio.Quantiser, sig.channels())
	ints := make([][]int32, sig.channels())
	for c := range quantisers {
		quantisers[c] = flacio.NewQuantiser(bits, bits <= 16, sig.ditherSeed(c))
		ints[c] = make([]int32, blockFrames)
	}
	part := make([][]int32, len(ints))
	clipped := 0
	err = s.Play(ctx, i, span, func(block [][]float64) error {
		for c, x := range block {
			part[c] = ints[c][:len(x)]
			clipped += quantisers[c].Quantise(part[c], x)
		}
		return enc.Write(part)
	})
	if err == nil && clipped > 0 {
		// The ceiling makes this impossible; if it happens, a wrong file must
		// not be published.
		err = fmt.Errorf("%s: %d samples over full scale after matching", t.Name, clipped)
	}
	return err
}

// Play hands the matched, aligned audio of take i in a span of the timeline to
// f, block by block, channel-major; a block is valid until f returns. Every
// take has the same number of frames in a span, at the timeline's sample rate,
// and one or two channels, as Take.Signal tells. The lag is taken out to the
// nearest whole frame.
func (s *Session) Play(ctx context.Context, i int, span result.Span, f func(block [][]float64) error) error {
	r, err := s.takes[i].open()
	if err != nil {
		return err
	}
	defer r.Close()
	gain := unit.ToAmplitude(float64(s.Result.Takes[i].Gain))
	return r.each(s.firstFrame(i, span), int64(span.Frames), func(_ int64, block [][]float64) error {
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

// Channels returns how many channels Play hands out for take i.
func (s *Session) Channels(i int) int { return s.takes[i].channels() }
