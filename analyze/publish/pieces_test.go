package publish

import (
	"testing"

	"evenhand/analyze/flacio"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// TestCutPieces: pieces begin at blocks, rise, are short enough, and begin
// between the sections where that is possible.
func TestCutPieces(t *testing.T) {
	const block = flacio.BlockFrames
	span := func(first, frames unit.Frames) result.Span { return result.Span{FirstFrame: first, Frames: frames} }
	for _, c := range []struct {
		name     string
		rate     int
		spans    []result.Span
		perFrame int
		most     int64 // frames of a piece
		between  []int64
	}{
		{"no sections", 48000, []result.Span{span(500, 60*48000)}, 64, 20 * 48000, nil},
		{"two sections", 48000, []result.Span{span(1000, 30*48000), span(2000, 10*48000), span(1000+14*48000, 15*48000)}, 64, 20 * 48000, []int64{(10*48000 + 1000 + 14*48000) / 2}},
		{"many takes", 96000, []result.Span{span(0, 100*96000)}, 256, PieceBytes / 256, nil},
		{"one block", 8000, []result.Span{span(0, 100)}, 8, 20 * 8000, nil},
		{"whole blocks", 8000, []result.Span{span(0, 3*block)}, 8, 20 * 8000, nil},
		{"section to the end", 8000, []result.Span{span(0, 50*8000), span(0, 8000), span(50*8000-1, 1)}, 8, 20 * 8000, nil},
	} {
		starts := cutPieces(result.Timeline{SampleRate: c.rate, Spans: c.spans}, c.perFrame)
		if starts[0] != 0 {
			t.Errorf("%s: begins with %d", c.name, starts[0])
		}
		if first := starts[min(1, len(starts)-1)]; int64(c.spans[0].Frames) > 10*int64(c.rate) && (first > 5*int64(c.rate) || first < min(4*int64(c.rate), c.most/2)) {
			t.Errorf("%s: the first piece has %d frames", c.name, first)
		}
		for k, s := range starts {
			next := int64(c.spans[0].Frames)
			if k+1 < len(starts) {
				next = starts[k+1]
			}
			if s%block != 0 || next <= s || next-s > c.most {
				t.Errorf("%s: piece %d is %d to %d, at most %d long", c.name, k, s, next, c.most)
			}
		}
		for _, want := range c.between {
			found := false
			for _, s := range starts {
				found = found || s-want <= block/2 && want-s <= block/2
			}
			if !found {
				t.Errorf("%s: no piece begins at %d: %d", c.name, want, starts)
			}
		}
	}
}
