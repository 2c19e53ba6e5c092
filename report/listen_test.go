package report

import (
	"encoding/base64"
	"encoding/json"
	"errors"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/flacio"
	"evenhand/analyze/loudness"
	"evenhand/analyze/unit"
)

// samples decodes a FLAC file whole.
func samples(t *testing.T, path string) [][]float64 {
	t.Helper()
	d, err := flacio.Open(path)
	if err != nil {
		t.Fatal(err)
	}
	defer d.Close()
	out := make([][]float64, d.Info().Channels)
	buf := make([][]float64, len(out))
	for c := range buf {
		buf[c] = make([]float64, 4096)
	}
	for {
		n, err := d.Read(buf)
		for c := range out {
			out[c] = append(out[c], buf[c][:n]...)
		}
		if errors.Is(err, io.EOF) {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
	}
}

// The pieces of a take, joined, are the published file to the sample; each
// twin holds its piece to the byte.
func TestPiecesAreThePublishedAudio(t *testing.T) {
	res, dir := playedReport(t)
	d := newPlayerData(res)
	if d == nil {
		t.Fatal("no player data")
	}
	if n := len(d.Takes[0].Pieces); n < 2 {
		t.Fatalf("%d pieces: the test wants a cut", n)
	}
	for _, take := range d.Takes {
		whole := samples(t, filepath.Join(dir, take.Path))
		joined := make([][]float64, len(whole))
		for k, p := range take.Pieces {
			if p.First != d.Takes[0].Pieces[k].First {
				t.Errorf("%s is cut elsewhere than the first take", take.Name)
			}
			part := samples(t, filepath.Join(dir, p.Path))
			if int64(len(part[0])) != p.Frames || p.First != int64(len(joined[0])) {
				t.Errorf("%s: %d frames from %d, stated %d from %d", p.Path, len(part[0]), len(joined[0]), p.Frames, p.First)
			}
			for c := range joined {
				joined[c] = append(joined[c], part[c]...)
			}
			flac, err := os.ReadFile(filepath.Join(dir, p.Path))
			if err != nil {
				t.Fatal(err)
			}
			twin := read(t, filepath.Join(dir, strings.TrimSuffix(p.Path, ".flac")+".js"))
			text, ok := strings.CutPrefix(twin, `Evenhand.audio("`+p.Path+`","`)
			text, ok2 := strings.CutSuffix(text, "\");\n")
			got, err := base64.StdEncoding.DecodeString(text)
			if !ok || !ok2 || err != nil || !slices.Equal(got, flac) {
				t.Errorf("%s: the twin does not hold the piece (%v)", p.Path, err)
			}
		}
		for c := range whole {
			if !slices.Equal(joined[c], whole[c]) {
				t.Errorf("%s: the pieces are not the published file", take.Name)
			}
		}
	}
}

// blendOf mixes as the player does, from the published file and the lone
// microphone.
func blendOf(b *playerBlend, whole, alone []float64, position, gain float64) []float64 {
	g := unit.ToAmplitude(gain)
	left, right := (1-position)*g, position*g
	own, other := left, right
	if b.Side == "left" {
		own, other = right, left
	}
	m := own / b.Own
	s := (other - m*b.Alone) / b.Scale
	out := make([]float64, len(whole))
	for i := range out {
		out[i] = m*whole[i] + s*alone[i]
	}
	return out
}

// Each listed blend has the target loudness and the stated peak, measured on
// the mixture as a player makes it; half way between two it is still within
// the tolerance of the match. At the manifest's own blend the mixture is the
// published file.
func TestBlendsAreMatched(t *testing.T) {
	res, dir := playedReport(t)
	d := newPlayerData(res)
	take := d.Takes[1]
	b := take.Blend
	if b == nil || len(b.Steps) < 41 {
		t.Fatalf("no blend of a two-microphone take: %+v", b)
	}
	whole := samples(t, filepath.Join(dir, take.Path))[0]
	alone := []float64{}
	for _, p := range b.Pieces {
		alone = append(alone, samples(t, filepath.Join(dir, p.Path))[0]...)
	}
	measure := func(x []float64) (lufs, peak float64) {
		m, err := loudness.NewMeter(d.Rate, 1, loudness.Options{})
		if err == nil {
			err = m.Write([][]float64{x})
		}
		if err != nil {
			t.Fatal(err)
		}
		r := m.Finish()[0]
		return float64(r.Integrated), float64(r.SamplePeak)
	}
	for k := 0; k < len(b.Steps); k += 4 {
		s := b.Steps[k]
		lufs, peak := measure(blendOf(b, whole, alone, s[0], s[1]))
		if math.Abs(lufs-float64(d.Target)) > 0.01 || math.Abs(peak-s[2]) > 0.02 {
			t.Errorf("position %.4f: %.3f LUFS and %.3f dBFS; target %.3f, stated peak %.3f", s[0], lufs, peak, float64(d.Target), s[2])
		}
		if k+1 < len(b.Steps) {
			n := b.Steps[k+1]
			lufs, _ := measure(blendOf(b, whole, alone, (s[0]+n[0])/2, (s[1]+n[1])/2))
			if math.Abs(lufs-float64(d.Target)) > float64(d.Tolerance) {
				t.Errorf("between %.4f and %.4f: %.3f LUFS, target %.3f", s[0], n[0], lufs, float64(d.Target))
			}
		}
	}
	at := slices.IndexFunc(b.Steps, func(s [3]float64) bool { return math.Abs(s[0]-float64(b.Start)) < 1e-4 })
	if at < 0 {
		t.Fatalf("the manifest's blend, at %v, is not among the steps", b.Start)
	}
	own := blendOf(b, whole, alone, b.Steps[at][0], b.Steps[at][1])
	worst := 0.0
	for i := range own {
		worst = math.Max(worst, math.Abs(own[i]-whole[i]))
	}
	if worst > 1e-4 { // gains are stored to 0.0001 dB
		t.Errorf("at the manifest's blend the mixture is off by %g", worst)
	}
}

// The data script is one call with JSON that no markup can break out of.
func TestPlayerDataScript(t *testing.T) {
	res, dir := playedReport(t)
	text := read(t, filepath.Join(dir, playerDataName))
	text, ok := strings.CutPrefix(text, "Evenhand.data(")
	if !ok {
		t.Fatalf("begins with %.40q", text)
	}
	text = strings.TrimSuffix(strings.TrimSpace(text), ");")
	var got playerData
	if err := json.Unmarshal([]byte(text), &got); err != nil {
		t.Fatal(err)
	}
	if got.ID != res.AudioID() || len(got.ID) != 64 || len(got.Takes) != len(res.Takes) || !got.Takes[2].Inverted || got.Reference != 0 || got.Takes[3].Repeat != 0 {
		t.Errorf("%+v", got)
	}
	if strings.ContainsAny(text, "<>") {
		t.Error("markup signs are not escaped")
	}
}

// Without pieces the page has plain players and no script.
func TestNoPiecesNoPlayer(t *testing.T) {
	dir := write(t, fixture())
	html := read(t, filepath.Join(dir, "index.html"))
	if strings.Contains(html, "<script") || !strings.Contains(html, "<audio") {
		t.Error("a page without pieces needs plain players and no script")
	}
}
