package publish

import (
	"slices"

	"evenhand/analyze/flacio"
	"evenhand/analyze/result"
)

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

// Pieces returns the pieces of a file of so many bytes and frames that begin at the
// starts, where its blocks begin at the offsets.
func Pieces(path string, bytes, frames int64, starts, offsets []int64) (out []result.Piece) {
	for k, first := range starts {
		toFrame, toByte := frames, bytes
		if k+1 < len(starts) {
			toFrame, toByte = starts[k+1], offsets[k+1]
		}
		out = append(out, result.Piece{Path: path, FirstFrame: first, Frames: toFrame - first, Offset: offsets[k], Bytes: toByte - offsets[k]})
	}
	return out
}
