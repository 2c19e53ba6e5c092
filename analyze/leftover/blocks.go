package leftover

import (
	"fmt"
	"math"

	"evenhand/analyze/align"
	"evenhand/analyze/internal/dsp"
)

// BlockSeconds is the length of a block. Shorter blocks lose more of each to the
// window; longer ones make the two halves of the music less alike.
const BlockSeconds = 4

// leastPlaying is the part of a block that must be played for it to count. Common
// practice, no source.
const leastPlaying = 0.5

// Stretch is Frames frames of the timeline from First on.
type Stretch struct{ First, Frames int64 }

// Block is a stretch of the music that is used as a whole for fitting or for judging.
type Block struct {
	Stretch
	Section int // its place among the sections that Blocks was given
}

// Blocks returns up to most blocks of BlockSeconds that are spread evenly over the
// sections, in order of time. None crosses the end of a section, and at least half of
// each is within one of the stretches of playing.
func Blocks(rate int, sections, playing []Stretch, most int) []Block {
	var all []Block
	size := int64(BlockSeconds * rate)
	for k, s := range sections {
		for at := s.First; at+size <= s.First+s.Frames; at += size {
			played := int64(0)
			for _, p := range playing {
				played += max(0, min(at+size, p.First+p.Frames)-max(at, p.First))
			}
			if float64(played) >= leastPlaying*float64(size) {
				all = append(all, Block{Stretch{at, size}, k})
			}
		}
	}
	if len(all) <= most {
		return all
	}
	var out []Block
	for i := range most {
		out = append(out, all[(2*i+1)*len(all)/(2*most)])
	}
	return out
}

// Excerpt is what is kept of a take to compare it with others. It does not change once
// made and may be shared by goroutines.
type Excerpt struct {
	rate    int
	blocks  []Block
	samples [][]float32 // of each block
}

// Read returns the blocks of a take. Its frame n + offset is frame n of the timeline.
// Errors are those of the source.
func Read(src align.Source, offset int64, blocks []Block) (*Excerpt, error) {
	e := &Excerpt{rate: src.Rate(), blocks: blocks}
	for _, b := range blocks {
		x := make([]float64, b.Frames)
		if _, err := src.ReadAt(x, b.First+offset); err != nil {
			return nil, err // the source names the file and the place
		}
		kept := make([]float32, len(x))
		for i, v := range x {
			kept[i] = float32(v)
		}
		e.samples = append(e.samples, kept)
	}
	return e, nil
}

// silent reports whether every sample is 0.
func (e *Excerpt) silent() bool {
	for _, x := range e.samples {
		for _, v := range x {
			if v != 0 {
				return false
			}
		}
	}
	return true
}

// Length returns the length of a window in frames at a sample rate: the power of two
// from 0.3 s, which is 16,384 at 48 kHz.
func Length(rate int) int { return dsp.NextPow2(int(0.3 * float64(rate))) }

// same refuses excerpts that cannot be compared.
func same(x, y *Excerpt) error {
	if x.rate != y.rate {
		return fmt.Errorf("leftover: %w: %d Hz and %d Hz; convert one of the recordings first", align.ErrRates, x.rate, y.rate)
	}
	if len(x.blocks) != len(y.blocks) {
		return fmt.Errorf("leftover: excerpts of %d and %d blocks", len(x.blocks), len(y.blocks))
	}
	for i, b := range x.blocks {
		if b != y.blocks[i] {
			return fmt.Errorf("leftover: block %d begins at frame %d of one excerpt and %d of the other", i+1, b.First, y.blocks[i].First)
		}
	}
	return nil
}

// bandRange returns the first bin of a window of length n from low Hz on and the first
// one from high Hz on.
func bandRange(n, rate int, low, high float64) (from, to int) {
	at := func(f float64) int { return min(n/2+1, int(math.Ceil(f*float64(n)/float64(rate)))) }
	return at(low), at(high)
}
