package publish

import (
	"io"
	"math"

	"evenhand/analyze/flacio"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
)

// rounder rounds the blocks of a take, in order, to the depth of its file.
type rounder struct {
	quantisers []*flacio.Quantiser // of each channel
	ints, part [][]int32
	clipped    int // samples so far
}

// newRounder returns what rounds a take's audio. A microphone alone has dither of its own,
// since it is heard together with its take.
func (t *Take) newRounder() *rounder {
	n := t.Signal.Channels()
	r := &rounder{part: make([][]int32, n)}
	for c := range n {
		seed := t.Signal.DitherSeed(c)
		if t.alone != "" {
			seed = t.Signal.Seed(t.alone + " microphone")
		}
		r.quantisers = append(r.quantisers, flacio.NewQuantiser(t.Bits, dithered(t.Bits), seed))
		r.ints = append(r.ints, make([]int32, recording.BlockFrames))
	}
	return r
}

// round returns a block of at most recording.BlockFrames as integers, valid until the next
// call.
func (r *rounder) round(block [][]float64) [][]int32 {
	for c, x := range block {
		r.part[c] = r.ints[c][:len(x)]
		r.clipped += r.quantisers[c].Quantise(r.part[c], x)
	}
	return r.part
}

// Player plays what is in a take's file from the take's recording. The file, which is
// lossless, need not be decoded for that.
type Player struct {
	take    *Take
	from    *recording.Reader
	rounded *rounder
	at, end int64 // frames of the recording
}

// Player starts the take's file at its beginning; span is what it was written of. Errors are
// those of opening the recording.
func (t *Take) Player(span result.Span) (*Player, error) {
	r, err := t.Signal.Open()
	if err != nil {
		return nil, err
	}
	return &Player{t, r, t.newRounder(), t.First(span), t.First(span) + int64(span.Frames)}, nil
}

// Read fills dst with the next frames as flacio.Decoder.Read does for the file. Errors are
// those of reading the recording.
func (p *Player) Read(dst [][]float64) (frames int, err error) {
	first, n := p.at, min(int64(len(dst[0])), p.end-p.at)
	if n == 0 {
		return 0, io.EOF
	}
	scale := math.Ldexp(1, 1-p.take.Bits)
	p.at += n
	return int(n), p.take.play(p.from, first, n, func(at int64, block [][]float64) error {
		for c, x := range p.rounded.round(block) {
			out := dst[c][at-first:][:len(x)]
			for i, v := range x {
				out[i] = float64(v) * scale
			}
		}
		return nil
	})
}

// Close closes the recording.
func (p *Player) Close() error { return p.from.Close() }
