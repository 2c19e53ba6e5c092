package report

import (
	"bytes"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"

	"evenhand/analyze"
	"evenhand/analyze/manifest"
	"evenhand/analyze/unit"
	"evenhand/templates"
)

// playerData is what the scripts of the page know of the comparison. Frames
// count from the start of the whole span.
type playerData struct {
	ID        string          `json:"id"` // of the published audio
	Title     string          `json:"title"`
	Rate      int             `json:"rate"`
	Frames    int64           `json:"frames"`
	Target    unit.LUFS       `json:"target"`
	Tolerance unit.LU         `json:"tolerance"`
	Ceiling   unit.DBTP       `json:"ceiling"`
	Reference int             `json:"reference"` // −1 without one
	Sections  []playerSection `json:"sections"`
	Takes     []playerTake    `json:"takes"`
}

type playerSection struct {
	Name   string `json:"name"`
	Slug   string `json:"slug"`
	First  int64  `json:"first"`
	Frames int64  `json:"frames"`
}

type playerTake struct {
	Name       string        `json:"name"`
	Slug       string        `json:"slug"`
	Gain       unit.DB       `json:"gain"`
	Inverted   bool          `json:"inverted"`
	Repeat     int           `json:"repeat"` // the take it repeats, or −1
	Channels   int           `json:"channels"`
	Integrated unit.LUFS     `json:"integrated"`
	Peak       unit.DBFS     `json:"peak"`
	Path       string        `json:"path"`
	SHA256     string        `json:"sha256"`
	Bytes      int64         `json:"bytes"`
	Pieces     []playerPiece `json:"pieces"`
	Blend      *playerBlend  `json:"blend,omitempty"`
}

type playerPiece struct {
	Path   string `json:"path"`
	First  int64  `json:"first"`
	Frames int64  `json:"frames"`
	SHA256 string `json:"sha256"`
	Bytes  int64  `json:"bytes"`
}

// playerBlend: Own and Alone are the gains of the two microphones in the take's
// published file, the second being the one that Pieces hold, and Scale the gain
// from its recording to Pieces; all linear. Steps: position, gain and sample
// peak in dB, as analyze.BlendStep.
type playerBlend struct {
	Left   string        `json:"left"`
	Right  string        `json:"right"`
	Side   string        `json:"side"`
	Own    float64       `json:"own"`
	Alone  float64       `json:"alone"`
	Scale  float64       `json:"scale"`
	Start  unit.Number   `json:"start"`
	Steps  [][3]float64  `json:"steps"`
	Pieces []playerPiece `json:"pieces"`
}

// Scripts returns the scripts that the page loads, in order, after the one in
// its head; they load the others when a reader opens what needs them.
func (*playerData) Scripts() []string {
	return []string{playerDataName, "listen.js"}
}

// newPlayerData returns nil when the takes are not all published in pieces:
// then the page keeps its plain players.
func newPlayerData(res *analyze.Result) *playerData {
	d := &playerData{
		ID: res.AudioID(), Title: res.Comparison.Title, Rate: res.Timeline.SampleRate,
		Target: res.Match.Target, Tolerance: res.Parameters.Match.Tolerance, Ceiling: res.Parameters.Match.Ceiling,
		Reference: -1, Sections: []playerSection{}, Takes: []playerTake{},
	}
	if len(res.Timeline.Spans) == 0 || d.ID == "" {
		return nil
	}
	whole := res.Timeline.Spans[0]
	d.Frames = int64(whole.Frames)
	used := map[string]bool{"whole": true}
	for _, s := range res.Timeline.Spans[1:] {
		slug := manifest.Slug(s.Name)
		for n := 2; used[slug]; n++ {
			slug = fmt.Sprintf("%s-%d", manifest.Slug(s.Name), n)
		}
		used[slug] = true
		d.Sections = append(d.Sections, playerSection{s.Name, slug, int64(s.FirstFrame - whole.FirstFrame), int64(s.Frames)})
	}
	for i, t := range res.Takes {
		p := t.Published
		if len(p.Pieces) == 0 {
			return nil
		}
		if t.Name == res.Comparison.Reference {
			d.Reference = i
		}
		out := playerTake{
			Name: t.Name, Slug: t.Slug, Gain: t.Gain, Inverted: t.Alignment.PolarityToReference == "inverted", Repeat: -1,
			Channels: p.Channels, Integrated: p.Integrated, Peak: p.SamplePeak,
			Path: p.Path, SHA256: p.SHA256, Bytes: p.Bytes, Pieces: playerPieces(p.Pieces),
		}
		for k, o := range res.Takes {
			if t.RepeatOf != "" && o.Name == t.RepeatOf {
				out.Repeat = k
			}
		}
		if p.Blend != nil && len(t.Mics) == 2 {
			out.Blend = newPlayerBlend(t)
		}
		d.Takes = append(d.Takes, out)
	}
	return d
}

func playerPieces(in []analyze.Piece) []playerPiece {
	out := []playerPiece{}
	for _, p := range in {
		out = append(out, playerPiece{p.Path, p.FirstFrame, p.Frames, p.SHA256, p.Bytes})
	}
	return out
}

func newPlayerBlend(t analyze.Take) *playerBlend {
	b := t.Published.Blend
	own, alone := t.Mics[0], t.Mics[1]
	if b.Side == "left" {
		own, alone = alone, own
	}
	gain := float64(t.Gain)
	out := &playerBlend{
		Left: t.Mics[0].Name, Right: t.Mics[1].Name, Side: b.Side,
		Own:   unit.ToAmplitude(gain + float64(own.Blend)),
		Alone: unit.ToAmplitude(gain + float64(alone.Blend)),
		Scale: unit.ToAmplitude(float64(b.Gain)),
		Start: b.Start, Steps: [][3]float64{}, Pieces: playerPieces(b.Pieces),
	}
	for _, s := range b.Steps {
		round := func(v float64) float64 { return math.Round(v*1e4) / 1e4 }
		out.Steps = append(out.Steps, [3]float64{float64(s.Position), round(float64(s.Gain)), round(float64(s.Peak))})
	}
	return out
}

// Names of the player's own files.
const (
	playerDataName = "listen-data.js"
	twinSuffix     = ".js"
)

// writePlayer writes the scripts and style of the listening area, its data and,
// beside each piece, a twin: the same bytes in base64 in a script, for readers
// who open the page from a disk, where a page may not fetch files.
func writePlayer(dir string, put func(name string, data []byte) error, res *analyze.Result) error {
	scripts, err := fs.Glob(templates.Files(), "*.js")
	if err != nil {
		return err
	}
	for _, name := range append(scripts, "listen.css") {
		b, err := templates.Files().ReadFile(name)
		if err != nil {
			return fmt.Errorf("report: %w", err)
		}
		if err := put(name, b); err != nil {
			return err
		}
	}
	d := newPlayerData(res)
	if d == nil {
		return nil
	}
	var out bytes.Buffer
	out.WriteString("Evenhand.data(")
	e := json.NewEncoder(&out) // escapes <, > and &, U+2028 and U+2029
	if err := e.Encode(d); err != nil {
		return fmt.Errorf("report: player: %w", err)
	}
	out.WriteString(");\n")
	if err := put(playerDataName, out.Bytes()); err != nil {
		return err
	}
	for _, t := range d.Takes {
		pieces := t.Pieces
		if t.Blend != nil {
			pieces = append(pieces, t.Blend.Pieces...)
		}
		for _, p := range pieces {
			if err := writeTwin(filepath.Join(dir, filepath.FromSlash(p.Path)), p.Path); err != nil {
				return fmt.Errorf("report: player: %w", err)
			}
		}
	}
	return nil
}

// writeTwin writes the script that hands a piece to the page.
func writeTwin(piece, name string) (err error) {
	in, err := os.Open(piece)
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := os.Create(strings.TrimSuffix(piece, filepath.Ext(piece)) + twinSuffix)
	if err != nil {
		return err
	}
	defer func() {
		if cerr := out.Close(); err == nil {
			err = cerr
		}
	}()
	if _, err := fmt.Fprintf(out, "Evenhand.audio(%q,\"", name); err != nil {
		return err
	}
	b64 := base64.NewEncoder(base64.StdEncoding, out)
	if _, err := io.Copy(b64, in); err != nil {
		return err
	}
	if err := b64.Close(); err != nil {
		return err
	}
	_, err = io.WriteString(out, "\");\n")
	return err
}
