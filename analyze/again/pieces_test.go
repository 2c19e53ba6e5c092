package again_test

import (
	"context"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"evenhand/analyze"
	"evenhand/analyze/again"
	"evenhand/analyze/result"
)

// Pieces that are not where the results say, of a take's file or of its microphone alone,
// are found.
func TestPiecesAreLookedFor(t *testing.T) {
	good, _, dir := plainComparison(t, fmt.Sprintf(plainManifest, ", mics: {left: {name: A}, right: {name: B, blend: -3 dB}}}"), 2)
	text, err := json.Marshal(good)
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		change func(p *result.Published)
		want   string // in what is said of Two; "" for nothing
	}{
		{"as made", func(*result.Published) {}, ""},
		{"offset", func(p *result.Published) { p.Pieces[0].Offset++ }, "audio/two.flac: piece 1 has"},
		{"length", func(p *result.Published) { p.Pieces[0].Bytes-- }, "audio/two.flac: piece 1 has"},
		{"another file", func(p *result.Published) { p.Pieces[0].Path = "audio/one.flac" }, "audio/two.flac: piece 1 has"},
		{"a second piece", func(p *result.Published) {
			p.Pieces = append(p.Pieces, p.Pieces[0])
			p.Pieces[1].FirstFrame = 5000
			p.Blend.Pieces = p.Pieces
		}, "a piece cannot begin at frame 5000"},
		{"a late start", func(p *result.Published) {
			p.Pieces[0].FirstFrame, p.Blend.Pieces[0].FirstFrame = 4096, 4096
		}, "begins at frame 4096; allowed: 0"},
		{"microphone", func(p *result.Published) { p.Blend.Pieces[0].Offset++ }, "audio/two.mic.flac: piece 1 has"},
		{"no microphone", func(p *result.Published) { p.Blend.Pieces = nil }, "begin at different frames"},
	} {
		res, err := result.Decode(text)
		if err != nil {
			t.Fatal(err)
		}
		c.change(res.Takes[1].Published)
		files, err := again.Files(context.Background(), dir, res, analyze.Options{}.Run())
		if err != nil {
			t.Fatal(err)
		}
		for _, f := range files {
			want := c.want
			if f.Name != "Two" {
				want = ""
			}
			if f.Err != "" || (want == "") != (f.Pieces == "") || !strings.Contains(f.Pieces, want) {
				t.Errorf("%s: %s: %q, %q", c.name, f.Name, f.Err, f.Pieces)
			}
		}
	}
}
