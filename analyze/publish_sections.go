package analyze

import (
	"context"
	"errors"
	"fmt"
	"math"
	"path"
	"path/filepath"
	"slices"

	"evenhand/analyze/flacio"
	"evenhand/analyze/loudness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// PieceDir is the folder of the player's pieces in a report, with forward
// slashes.
const PieceDir = result.AudioDir + "/pieces"

// Limits of the pieces. A player keeps two of them decoded, in 32-bit floats,
// for every take: PieceBytes is half of what a page may hold on a phone.
const (
	PieceSeconds = 20
	PieceBytes   = 60 << 20
	leastPiece   = 2 // seconds
)

// blendSteps is the number of blends whose makeup gain is listed; between them
// players go in a straight line.
const blendSteps = 41

// pieceStarts returns the first frames of the player's pieces.
func (s *Session) pieceStarts() []int64 {
	perFrame := 0
	for i, t := range s.Result.Takes {
		if s.Withheld(i) {
			continue
		}
		perFrame += 4 * s.takes[i].channels()
		if len(t.Mics) == 2 {
			perFrame += 4
		}
	}
	return cutPieces(s.Result.Timeline, perFrame)
}

// cutPieces returns the first frames of all pieces, counted from the start of
// the whole span, all of them multiples of flacio.BlockFrames; perFrame is how
// many bytes a frame of all takes needs.
func cutPieces(tl result.Timeline, perFrame int) []int64 {
	const block = flacio.BlockFrames
	whole := tl.Spans[0]
	rate := int64(tl.SampleRate)
	most := max(leastPiece*rate, min(PieceSeconds*rate, PieceBytes/int64(max(perFrame, 1)))) / block
	// Candidates: the middle of what lies between two sections. From here on
	// all is in blocks.
	end := (int64(whole.Frames) + block - 1) / block
	at := []int64{}
	for i := 2; i < len(tl.Spans); i++ {
		a, b := tl.Spans[i-1], tl.Spans[i]
		if gap := int64(b.FirstFrame - a.FirstFrame - a.Frames); gap >= 0 {
			c := (int64(b.FirstFrame-whole.FirstFrame) - gap/2 + block/2) / block
			at = append(at, min(c, end))
		}
	}
	at = append(at, end)
	slices.Sort(at)
	starts := []int64{0}
	for from := int64(0); from < end; {
		next := int64(0)
		for _, c := range at {
			if c > from && (c-from <= most || next == 0) {
				next = c
			}
		}
		// Too long even up to the nearest candidate: equal parts.
		parts := (next - from + most - 1) / most
		for k := int64(1); k <= parts; k++ {
			if p := from + (next-from)*k/parts; p < end {
				starts = append(starts, p*block)
			}
		}
		from = next
	}
	return starts
}

// pieceWriter writes a stream in blocks of at most blockFrames as FLAC files.
type pieceWriter struct {
	dir, stem  string
	spec       flacio.Spec
	starts     []int64
	quantisers []*flacio.Quantiser
	ints       [][]int32
	buf        [][]int32
	enc        *flacio.Encoder
	pos        int64
	pieces     []result.Piece
}

func (w *pieceWriter) write(ctx context.Context, block [][]float64) error {
	for i, n := 0, len(block[0]); i < n; {
		if k := len(w.pieces); k < len(w.starts) && w.pos == w.starts[k] {
			if err := w.begin(ctx); err != nil {
				return err
			}
		}
		end := n
		if k := len(w.pieces); k < len(w.starts) {
			end = min(n, i+int(w.starts[k]-w.pos))
		}
		w.ints = w.ints[:0]
		for c, x := range block {
			out := w.buf[c][:end-i]
			if w.quantisers[c].Quantise(out, x[i:end]) > 0 {
				return errors.Join(fmt.Errorf("%s: samples over full scale in a piece", w.stem), w.abandon())
			}
			w.ints = append(w.ints, out)
		}
		if err := w.enc.Write(w.ints); err != nil {
			return errors.Join(err, w.abandon())
		}
		w.pos += int64(end - i)
		i = end
	}
	return nil
}

func (w *pieceWriter) begin(ctx context.Context) error {
	if err := w.end(ctx); err != nil {
		return err
	}
	p := result.Piece{Path: piecePath(w.stem, len(w.pieces)), FirstFrame: w.pos}
	var err error
	if w.enc, err = flacio.Create(filepath.Join(w.dir, filepath.FromSlash(p.Path)), w.spec); err != nil {
		return err
	}
	w.pieces = append(w.pieces, p)
	return nil
}

// piecePath is where piece k of a take, from 0, lies in a report.
func piecePath(stem string, k int) string {
	return path.Join(PieceDir, fmt.Sprintf("%s.%d.flac", stem, k+1))
}

func (w *pieceWriter) end(ctx context.Context) error {
	if w.enc == nil {
		return nil
	}
	err := w.enc.Close()
	w.enc = nil
	if err != nil {
		return err
	}
	p := &w.pieces[len(w.pieces)-1]
	p.Frames = w.pos - p.FirstFrame
	p.SHA256, p.Bytes, err = SHA256File(ctx, filepath.Join(w.dir, filepath.FromSlash(p.Path)))
	return err
}

func (w *pieceWriter) finish(ctx context.Context) ([]result.Piece, error) {
	if err := w.end(ctx); err != nil {
		return nil, err
	}
	return w.pieces, nil
}

func (w *pieceWriter) abandon() error {
	if w.enc == nil {
		return nil
	}
	err := w.enc.Close()
	w.enc = nil
	return err
}

// blendFacts is a blend plan with what its files are, without their paths.
type blendFacts struct {
	Side  string
	Gain  unit.DB
	Steps []result.BlendStep
	Files []result.Piece
}

func (b blendFacts) files() []result.Piece { return b.Files }

// publishBlend writes the microphone that is softer in the blend alone, at the
// take's gain or as far below as keeps it under full scale, and finds the gains
// for other blends.
func (s *Session) publishBlend(ctx context.Context, dir string, i int, starts []int64) (*result.BlendPlan, error) {
	t := &s.Result.Takes[i]
	whole := s.Result.Timeline.Spans[0]
	mics := s.Manifest.Takes[i].Mics
	left, right, err := s.micSignals(i, mics)
	if err != nil {
		return nil, err
	}
	stem := t.Slug + ".mic"
	in := struct {
		Left, Right   heard
		Blend         [2]unit.DB
		Channels      int
		First, Frames int64
		Bits          int
		Gain          unit.DB
		Target        unit.LUFS
		Ceiling       unit.DBTP
		Starts        []int64
	}{left.heard(), right.heard(), [2]unit.DB{mics.Left.Blend, mics.Right.Blend}, s.takes[i].channels(), s.firstFrame(i, whole), int64(whole.Frames),
		s.publishedBits(i), t.Gain, s.Result.Match.Target, s.Result.Parameters.Match.Ceiling, starts}
	place := func(k int) string { return filepath.Join(dir, filepath.FromSlash(piecePath(stem, k))) }
	b, err := withFiles(s, "blend", in, place, func() (blendFacts, error) {
		plan, err := s.makeBlend(ctx, dir, stem, i, left, right, starts)
		if err == nil {
			err = left.input.unchanged()
		}
		return plan, err
	})
	if err != nil {
		return nil, err
	}
	return &result.BlendPlan{Side: b.Side, Gain: b.Gain, Start: unit.Number(blendPosition(mics)), Steps: b.Steps, Pieces: named(b.Files, stem)}, nil
}

// makeBlend is publishBlend; it puts the pieces at stem in dir.
func (s *Session) makeBlend(ctx context.Context, dir, stem string, i int, left, right *signal, starts []int64) (plan blendFacts, err error) {
	t := &s.Result.Takes[i]
	whole := s.Result.Timeline.Spans[0]
	mics := s.Manifest.Takes[i].Mics
	rate := s.Result.Timeline.SampleRate
	meter, err := loudness.NewBlend(rate)
	if err != nil {
		return plan, err
	}
	start := blendPosition(mics)
	plan.Side = "right"
	if mics.Right.Blend > mics.Left.Blend {
		plan.Side = "left"
	}
	positions := make([]float64, 0, blendSteps+1)
	for k := range blendSteps {
		positions = append(positions, float64(k)/(blendSteps-1))
	}
	if k, found := slices.BinarySearch(positions, start); !found {
		positions = slices.Insert(positions, k, start)
	}
	// The first pass measures, and finds the peak of each blend.
	peaks := make([]float64, len(positions))
	err = s.eachPair(ctx, left, right, i, whole, func(l, r []float64) error {
		r = r[:len(l)]
		least := slices.Min(peaks)
		for n, v := range l {
			// No blend is greater than the greater of the two.
			if w := r[n]; max(math.Abs(v), math.Abs(w)) > least {
				for k, p := range positions {
					peaks[k] = max(peaks[k], math.Abs((1-p)*v+p*w))
				}
				least = slices.Min(peaks)
			}
		}
		return meter.Write(l, r)
	})
	if err != nil {
		return plan, err
	}
	weight := float64(s.takes[i].channels()) // 2 for two equal channels
	for k, p := range positions {
		gain := blendGain(meter, p, weight, float64(s.Result.Match.Target))
		if math.IsInf(gain, 0) || math.IsNaN(gain) {
			if p > 0 && p < 1 {
				continue // the two cancel here: no gain makes this blend heard
			}
			return plan, fmt.Errorf("%s: the %s microphone has nothing above −70 LUFS, so blends cannot be matched; check the channels of the file", t.Name, map[bool]string{true: "left", false: "right"}[p == 0])
		}
		plan.Steps = append(plan.Steps, result.BlendStep{
			Position: unit.Number(p),
			Gain:     unit.DB(gain),
			Peak:     unit.DBFS(unit.FromAmplitude(peaks[k]) + gain),
		})
	}
	alone, peak := right, peaks[len(peaks)-1]
	if plan.Side == "left" {
		alone, peak = left, peaks[0]
	}
	plan.Gain = unit.DB(math.Min(float64(t.Gain), float64(s.Result.Parameters.Match.Ceiling)-unit.FromAmplitude(peak)))
	bits := s.publishedBits(i)
	w := &pieceWriter{dir: dir, stem: stem, starts: starts, spec: flacio.Spec{SampleRate: rate, Channels: 1, Bits: bits},
		quantisers: []*flacio.Quantiser{flacio.NewQuantiser(bits, bits <= 16, alone.seed(plan.Side+" microphone"))}, buf: [][]int32{make([]int32, blockFrames)}}
	r, err := alone.open()
	if err != nil {
		return plan, err
	}
	defer r.Close()
	g := unit.ToAmplitude(float64(plan.Gain))
	err = r.each(s.firstFrame(i, whole), int64(whole.Frames), func(_ int64, block [][]float64) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		for k := range block[0] {
			block[0][k] *= g
		}
		return w.write(ctx, block[:1])
	})
	if err != nil {
		return plan, errors.Join(err, w.abandon())
	}
	plan.Files, err = w.finish(ctx)
	for k := range plan.Files {
		plan.Files[k].Path = ""
	}
	return plan, err
}

// blendPosition is where the manifest's blend lies.
func blendPosition(m *manifest.Mics) float64 {
	l, r := unit.ToAmplitude(float64(m.Left.Blend)), unit.ToAmplitude(float64(m.Right.Blend))
	return r / (l + r)
}

// blendGain returns the gain in dB that brings the blend at position p to the
// target. The absolute gate does not move with it, so it is found by trying.
func blendGain(m *loudness.Blend, p, weight, target float64) float64 {
	gain := 0.0
	for range 20 {
		g := unit.ToAmplitude(gain)
		miss := target - float64(m.Integrated(g*(1-p), g*p, weight))
		if math.Abs(miss) < 1e-6 || math.IsInf(miss, 0) || math.IsNaN(miss) {
			return gain + miss
		}
		gain += miss
	}
	return gain
}

// micSignals returns the two microphones of a take as signals of one channel.
func (s *Session) micSignals(i int, mics *manifest.Mics) (left, right *signal, err error) {
	if mics == nil {
		return nil, nil, fmt.Errorf("%s: no microphones are described", s.Result.Takes[i].Name)
	}
	channels := s.Manifest.Takes[i].Channels
	if channels == nil {
		channels = []int{1, 2}
	}
	one := func(c int) *signal {
		sig := *s.takes[i]
		row := make([]float64, sig.info.Channels)
		row[c-1] = 1
		sig.mix = [][]float64{row}
		return &sig
	}
	return one(channels[0]), one(channels[1]), nil
}

// eachPair hands both microphones of a take to f, block by block.
func (s *Session) eachPair(ctx context.Context, left, right *signal, i int, span result.Span, f func(l, r []float64) error) error {
	both := *left
	both.mix = [][]float64{left.mix[0], right.mix[0]}
	r, err := both.open()
	if err != nil {
		return err
	}
	defer r.Close()
	return r.each(s.firstFrame(i, span), int64(span.Frames), func(_ int64, block [][]float64) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		return f(block[0], block[1])
	})
}
