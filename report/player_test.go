package report

import (
	"bytes"
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

// frameOffset is where the frame of a FLAC file begins that starts with the block of a
// number below 128 or, in two bytes, below 2048.
// Source: RFC 9639, 9.1: sync code and fixed block size, coded number.
func frameOffset(t *testing.T, file []byte, block int64) int {
	t.Helper()
	number := []byte{byte(block)}
	if block >= 128 {
		number = []byte{0xc0 | byte(block>>6), 0x80 | byte(block&0x3f)}
	}
	for i := 42; i+8 < len(file); i++ {
		if file[i] == 0xff && file[i+1] == 0xf8 && bytes.Equal(file[i+4:i+4+len(number)], number) && crcOfHead(file[i:i+5+len(number)]) {
			return i
		}
	}
	t.Fatalf("block %d is not found", block)
	return 0
}

// crcOfHead reports whether the last byte of a frame's head is right, for heads whose
// block size and rate need no bytes of their own.
// Source: RFC 9639, 9.1.8: CRC-8 with the polynomial x⁸ + x² + x + 1.
func crcOfHead(head []byte) bool {
	sum := byte(0)
	for _, b := range head[:len(head)-1] {
		sum ^= b
		for range 8 {
			if sum&0x80 != 0 {
				sum = sum<<1 ^ 0x07
			} else {
				sum <<= 1
			}
		}
	}
	return sum == head[len(head)-1]
}

// The pieces of a take, joined, are the published file, each but the first begins with
// its block, and each script holds its piece.
func TestPiecesAreThePublishedAudio(t *testing.T) {
	res, dir := playedReport(t)
	d := newPlayerData(res)
	if d == nil {
		t.Fatal("no player data")
	}
	if n := len(d.Cuts) - 1; n < 2 {
		t.Fatalf("%d pieces: the test wants a cut", n)
	}
	for _, take := range d.Takes {
		files := []playerPieces{take.playerPieces}
		if take.Blend != nil {
			files = append(files, take.Blend.playerPieces)
		}
		for _, f := range files {
			flac, err := os.ReadFile(filepath.Join(dir, f.File))
			must(t, err)
			joined := []byte{}
			for k := range f.Sizes {
				name, from, n := f.part(k)
				if name != f.File || from != int64(len(joined)) {
					t.Errorf("%s: piece %d is in %s from byte %d on, before it are %d", f.File, k, name, from, len(joined))
				}
				if at := frameOffset(t, flac, d.Cuts[k]/flacio.BlockFrames); k > 0 && int64(at) != from || k == 0 && int64(at) != f.Head {
					t.Errorf("%s: piece %d has its first block at byte %d; stated are %d and a header of %d", f.File, k, at, from, f.Head)
				}
				text := read(t, filepath.Join(dir, f.script(k)))
				text, ok := strings.CutPrefix(text, `Evenhand.audio("`+f.script(k)+`","`)
				text, ok2 := strings.CutSuffix(text, "\");\n")
				got, err := base64.StdEncoding.DecodeString(text)
				if !ok || !ok2 || err != nil || int64(len(got)) != n {
					t.Errorf("%s: %d bytes, stated %d (%v)", f.script(k), len(got), n, err)
				}
				joined = append(joined, got...)
			}
			if !bytes.Equal(joined, flac) {
				t.Errorf("%s: the pieces are not the file", f.File)
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

// loneMicrophone returns the samples of the microphone that is published alone.
func loneMicrophone(t *testing.T, dir string, b *playerBlend) []float64 {
	t.Helper()
	return samples(t, filepath.Join(dir, b.File))[0]
}

// Each listed blend has the target loudness and the stated peak, measured on
// the mixture as a player makes it; half way between two it is still within
// the tolerance of the match. At the manifest's own blend the mixture is the
// published file.
func TestBlendsAreMatched(t *testing.T) {
	res, dir := playedReport(t)
	d := newPlayerData(res)
	take := d.Takes[1]
	b, steps := take.Blend, newPlayerMore(res)[1].Steps
	if b == nil || len(steps) < 41 {
		t.Fatalf("no blend of a two-microphone take: %+v", b)
	}
	whole := samples(t, filepath.Join(dir, take.Path))[0]
	alone := loneMicrophone(t, dir, b)
	measure := func(x []float64) (lufs, peak float64) {
		m, err := loudness.NewMeter(d.Rate, 1)
		if err == nil {
			err = m.Write([][]float64{x})
		}
		if err != nil {
			t.Fatal(err)
		}
		r := m.Finish()[0]
		return float64(r.Integrated), float64(r.SamplePeak)
	}
	for k := 0; k < len(steps); k += 4 {
		s := steps[k]
		lufs, peak := measure(blendOf(b, whole, alone, s[0], s[1]))
		if math.Abs(lufs-float64(d.Target)) > 0.01 || math.Abs(peak-s[2]) > 0.02 {
			t.Errorf("position %.4f: %.3f LUFS and %.3f dBFS; target %.3f, stated peak %.3f", s[0], lufs, peak, float64(d.Target), s[2])
		}
		if k+1 < len(steps) {
			n := steps[k+1]
			lufs, _ := measure(blendOf(b, whole, alone, (s[0]+n[0])/2, (s[1]+n[1])/2))
			if math.Abs(lufs-float64(d.Target)) > float64(d.Tolerance) {
				t.Errorf("between %.4f and %.4f: %.3f LUFS, target %.3f", s[0], n[0], lufs, float64(d.Target))
			}
		}
	}
	at := slices.IndexFunc(steps, func(s [3]float64) bool { return math.Abs(s[0]-b.Start) < 1e-4 })
	if at < 0 {
		t.Fatalf("the manifest's blend, at %v, is not among the steps", b.Start)
	}
	own := blendOf(b, whole, alone, steps[at][0], steps[at][1])
	worst := 0.0
	for i := range own {
		worst = math.Max(worst, math.Abs(own[i]-whole[i]))
	}
	if worst > 1e-4 { // gains are stored to 0.0001 dB
		t.Errorf("at the manifest's blend the mixture is off by %g", worst)
	}
}

// The data scripts are one call each with JSON that no markup can break out of;
// hashes and blends wait until they are needed.
func TestPlayerDataScript(t *testing.T) {
	res, dir := playedReport(t)
	load := func(name, call string, to any) {
		text := read(t, filepath.Join(dir, name))
		text, ok := strings.CutPrefix(text, "Evenhand."+call+"(")
		if !ok {
			t.Fatalf("%s begins with %.40q", name, text)
		}
		if err := json.Unmarshal([]byte(strings.TrimSuffix(strings.TrimSpace(text), ");")), to); err != nil {
			t.Fatal(err)
		}
		if strings.ContainsAny(text, "<>") {
			t.Errorf("%s: markup signs are not escaped", name)
		}
	}
	var got playerData
	load(playerDataName, "data", &got)
	if got.ID != res.AudioID() || len(got.ID) != 64 || len(got.Takes) != len(res.Takes) || !got.Takes[2].Inverted || got.Reference != 0 {
		t.Errorf("%+v", got)
	}
	var more []playerMore
	load(playerMoreName, "more", &more)
	for i, take := range res.Takes {
		if more[i].SHA256 != take.Published.SHA256 || len(more[i].Pieces) > 0 {
			t.Errorf("%+v", more[i])
		}
	}
}

// What a browser loads before the first touch beside the page itself.
func TestStartWeight(t *testing.T) {
	_, dir := playedReport(t)
	scripts := 0
	for _, script := range new(playerData).scripts() {
		n := len(read(t, filepath.Join(dir, script.Path)))
		t.Logf("%s: %d bytes", script.Path, n)
		scripts += n
	}
	if scripts > 35_000 {
		t.Errorf("the scripts that every reader loads have %d bytes, more than 35 kB", scripts)
	}
}

// Without pieces the page has plain players and no script of the player.
func TestNoPiecesNoPlayer(t *testing.T) {
	dir := write(t, fixture())
	html := read(t, filepath.Join(dir, "index.html"))
	if strings.Contains(html, "sound.js") || strings.Contains(html, "listen.js") || !strings.Contains(html, "<audio") {
		t.Error("a page without pieces needs plain players and no script of the player")
	}
}
