package publish

import (
	"context"
	"errors"
	"fmt"
	"path"
	"path/filepath"
	"slices"

	"evenhand/analyze/flacio"
	"evenhand/analyze/foreign"
	"evenhand/analyze/result"
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

// firstPiece is the length in seconds of the first piece, so that a player on a slow link
// sounds soon: at 1.6 Mbit/s a mono take of 200 kbit/s is there within a second.
const firstPiece = 4.5

// pieceStarts returns the first frames of the player's pieces.
func (p *Plan) pieceStarts() []int64 {
	perFrame := 0
	for _, t := range p.Takes {
		if t.Withheld {
			continue
		}
		perFrame += 4 * t.Signal.Channels()
		if t.Mics != nil {
			perFrame += 4
		}
	}
	return cutPieces(p.Timeline, perFrame)
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
	// The first piece is short, where enough is left of it for another.
	first := int64(firstPiece*float64(rate)) / block * block
	second := int64(whole.Frames)
	if len(starts) > 1 {
		second = starts[1]
	}
	if first > 0 && second-first >= leastPiece*rate {
		starts = slices.Insert(starts, 1, first)
	}
	return starts
}

// pieceWriter writes a stream in blocks of at most recording.BlockFrames as FLAC files.
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
	p.SHA256, p.Bytes, err = foreign.SHA256File(ctx, filepath.Join(w.dir, filepath.FromSlash(p.Path)))
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
