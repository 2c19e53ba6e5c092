package report

import (
	"bufio"
	"bytes"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math"
	"os"
	"path"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/disk"
	"evenhand/analyze/flacio"
	"evenhand/analyze/manifest"
	"evenhand/analyze/publish"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/view"
	"evenhand/templates"
)

// playerData is what the scripts of the page know of the comparison from the
// start. Frames count from the start of the whole span.
type playerData struct {
	ID string `json:"id"` // of the published audio
	// Earlier are the first 16 digits of earlier IDs, under which a browser
	// may know its reader.
	Earlier   []string        `json:"earlier,omitempty"`
	Title     string          `json:"title"`
	Rate      int             `json:"rate"`
	Target    unit.LUFS       `json:"target"`
	Tolerance unit.LU         `json:"tolerance"`
	Reference int             `json:"reference"` // −1 without one
	WebOnly   bool            `json:"webOnly,omitempty"`
	Cuts      []int64         `json:"cuts"`  // first frames of the pieces, then the end
	Block     int             `json:"block"` // frames of a block of the files
	Sections  []playerSection `json:"sections"`
	Takes     []playerTake    `json:"takes"`
}

// Frames is the length of the performance.
func (d *playerData) Frames() int64 { return d.Cuts[len(d.Cuts)-1] }

type playerSection struct {
	Name   string `json:"name"`
	Slug   string `json:"slug"`
	First  int64  `json:"first"`
	Frames int64  `json:"frames"`
	// Raised is by how many dB each take is raised where the section is matched by
	// itself; without it, it plays as over the whole.
	Raised []float64 `json:"raised,omitempty"`

	level  unit.LUFS
	reason string // why it is not matched by itself
}

type playerTake struct {
	Name       string       `json:"name"`
	Slug       string       `json:"slug"`
	Gain       unit.DB      `json:"gain"`
	Inverted   bool         `json:"inverted,omitempty"`
	Channels   int          `json:"channels"`
	Bits       int          `json:"bits"` // of its files
	Integrated unit.LUFS    `json:"integrated"`
	Peak       unit.DBFS    `json:"peak"`
	Path       string       `json:"path"`
	Blend      *playerBlend `json:"blend,omitempty"`
	// Aside: the take is not a contestant, so listeners are not asked to rank it.
	// Repeats, where it records a take of the player a second time, is that take's
	// number from 1 on.
	Aside   bool `json:"aside,omitempty"`
	Repeats int  `json:"repeats,omitempty"`
	playerPieces
}

// playerPieces are the pieces of a file, which follow each other in it. The first has the
// stream header too, of Head bytes. Piece k, from 1 on, has Sizes[k−1] bytes; the script
// for readers who open the page from a disk is Stem.k.js. In reports of earlier versions
// File is "", and each piece is a file, Stem.k.flac.
type playerPieces struct {
	File  string  `json:"file,omitempty"`
	Head  int64   `json:"head,omitempty"`
	Stem  string  `json:"stem"`
	Sizes []int64 `json:"sizes"`
}

// script is the name of the script with a piece, counted from 0.
func (p playerPieces) script(k int) string { return fmt.Sprintf("%s.%d%s", p.Stem, k+1, scriptSuffix) }

// part is the file that a piece, counted from 0, is in, and where.
func (p playerPieces) part(k int) (name string, from, bytes int64) {
	if p.File == "" {
		return fmt.Sprintf("%s.%d.flac", p.Stem, k+1), 0, p.Sizes[k]
	}
	for _, n := range p.Sizes[:k] {
		from += n
	}
	return p.File, from, p.Sizes[k]
}

// playerBlend: Own and Alone are the gains of the two microphones in the take's
// published file, the second being the one that the pieces hold, and Scale the
// gain from its recording to the pieces; all linear.
type playerBlend struct {
	Left  string  `json:"left"`
	Right string  `json:"right"`
	Side  string  `json:"side"`
	Own   float64 `json:"own"`
	Alone float64 `json:"alone"`
	Scale float64 `json:"scale"`
	Start float64 `json:"start"`
	playerPieces
}

// playerMore is what the scripts load of a take when a reader opens its blend
// or the check of the figures. Steps: position, gain and sample peak in dB, as
// analyze.BlendStep.
type playerMore struct {
	SHA256 string       `json:"sha256"`
	Pieces []string     `json:"pieces,omitempty"` // their SHA-256, where they are files
	Steps  [][3]float64 `json:"steps,omitempty"`
}

// scripts are those that a page with the player loads, in order, the first at once;
// they load the others when a reader opens what needs them. Without a player there are
// none.
func (d *playerData) scripts() []view.Script {
	if d == nil {
		return nil
	}
	return []view.Script{{Path: "sound.js"}, {Path: playerDataName, Defer: true}, {Path: "listen.js", Defer: true}}
}

// newPlayerData returns nil when the published takes are not all there in
// pieces that are cut at the same frames: then the page keeps its plain
// players. Takes that are withheld are left out: the player numbers its takes
// as Result.Heard does.
func newPlayerData(res *result.Result) *playerData {
	d := &playerData{
		ID: res.AudioID(), Title: res.Comparison.Title, Rate: res.Timeline.SampleRate,
		Target: res.Match.Target, Tolerance: res.Parameters.Match.Tolerance,
		Block: flacio.BlockFrames, Reference: -1, Sections: []playerSection{}, Takes: []playerTake{},
	}
	if len(res.Timeline.Spans) == 0 || d.ID == "" {
		return nil
	}
	for _, e := range res.Earlier() {
		d.Earlier = append(d.Earlier, e.Comparison[:min(16, len(e.Comparison))])
	}
	whole := res.Timeline.Spans[0]
	used := map[string]bool{"whole": true}
	published := []*result.Take{}
	for i := range res.Takes {
		if res.Takes[i].Published != nil {
			published = append(published, &res.Takes[i])
		}
	}
	for i, s := range res.Timeline.Spans[1:] {
		slug := manifest.Slug(s.Name)
		for n := 2; used[slug]; n++ {
			slug = fmt.Sprintf("%s-%d", manifest.Slug(s.Name), n)
		}
		used[slug] = true
		m := matchSection(published, i+1, s.To-s.From, res.Match.Target, res.Parameters.Match.Ceiling)
		out := playerSection{Name: s.Name, Slug: slug, First: int64(s.FirstFrame - whole.FirstFrame), Frames: int64(s.Frames), level: m.Level, reason: m.Reason}
		for _, by := range m.Raised {
			out.Raised = append(out.Raised, rounded(float64(by), 3))
		}
		d.Sections = append(d.Sections, out)
	}
	heard := res.Heard()
	for _, t := range res.Takes {
		p := t.Published
		if p == nil {
			continue
		}
		if t.Name == res.Comparison.Reference {
			d.Reference = len(d.Takes)
		}
		out := playerTake{
			Name: t.Name, Slug: t.Slug, Gain: t.Gain, Inverted: t.Alignment.PolarityToReference == "inverted",
			Channels: p.Channels, Bits: publish.Depth(p.Encoding), Integrated: p.Integrated, Peak: p.SamplePeak, Path: p.Path,
			Aside: !t.Contestant(),
		}
		if t.RepeatOf != "" {
			out.Repeats = 1 + slices.Index(heard, t.RepeatOf) // 0 when that one is withheld
		}
		ok := d.pieces(&out.playerPieces, p.Pieces)
		if p.Blend != nil && len(t.Mics) == 2 {
			out.Blend = newPlayerBlend(t)
			ok = ok && d.pieces(&out.Blend.playerPieces, p.Blend.Pieces)
		}
		if !ok {
			return nil
		}
		d.Takes = append(d.Takes, out)
	}
	return d
}

// pieceDir is the folder of the scripts with pieces, and of the pieces of earlier
// versions.
const pieceDir = result.AudioDir + "/pieces"

// pieces describes a file's pieces, and says whether they begin where those before do,
// and lie in the file without a gap.
func (d *playerData) pieces(to *playerPieces, in []result.Piece) bool {
	if len(in) == 0 {
		return false
	}
	if to.Head = in[0].Offset; to.Head > 0 {
		to.File = in[0].Path
	}
	to.Stem = path.Join(pieceDir, strings.TrimSuffix(strings.TrimSuffix(path.Base(in[0].Path), ".flac"), ".1"))
	cuts, ok := []int64{}, true
	for k, p := range in {
		cuts = append(cuts, p.FirstFrame)
		to.Sizes = append(to.Sizes, p.Bytes)
		ok = ok && (k == 0 || p.FirstFrame == in[k-1].FirstFrame+in[k-1].Frames)
		name, from, _ := to.part(k)
		ok = ok && p.Path == name && (k == 0 || p.Offset == from)
		if k == 0 {
			to.Sizes[0] += to.Head
		}
	}
	last := in[len(in)-1]
	cuts = append(cuts, last.FirstFrame+last.Frames)
	if d.Cuts == nil {
		d.Cuts = cuts
	}
	return ok && slices.Equal(d.Cuts, cuts)
}

func newPlayerBlend(t result.Take) *playerBlend {
	b := t.Published.Blend
	own, alone := t.Mics[0], t.Mics[1]
	if b.Side == "left" {
		own, alone = alone, own
	}
	gain := float64(t.Gain)
	return &playerBlend{
		Left: t.Mics[0].Name, Right: t.Mics[1].Name, Side: b.Side,
		Own:   rounded(unit.ToAmplitude(gain+float64(own.Blend)), 9), // more digits differ between processors
		Alone: rounded(unit.ToAmplitude(gain+float64(alone.Blend)), 9),
		Scale: rounded(unit.ToAmplitude(float64(b.Gain)), 9),
		Start: rounded(float64(b.Start), 5),
	}
}

// Contestants is how many takes of the player are ranked.
func (d *playerData) Contestants() int {
	n := 0
	for _, t := range d.Takes {
		if !t.Aside {
			n++
		}
	}
	return n
}

// Size is how much a reader loads who hears all of every take.
func (d *playerData) Size() string {
	sum := int64(0)
	for _, t := range d.Takes {
		for _, n := range t.Sizes {
			sum += n
		}
	}
	return byteWords(sum)
}

// Tests reports whether there is a blind test for these takes.
func (d *playerData) Tests() bool { return d.Contestants() > 1 || d.Repeated() || d.Rated() }

// Repeated reports whether the player has a take and its repeat.
func (d *playerData) Repeated() bool {
	return slices.ContainsFunc(d.Takes, func(t playerTake) bool { return t.Repeats > 0 })
}

// Rated reports whether the player has the reference and a contestant beside it.
func (d *playerData) Rated() bool {
	if d.Reference < 0 {
		return false
	}
	return slices.ContainsFunc(d.Takes, func(t playerTake) bool { return !t.Aside && t.Slug != d.Takes[d.Reference].Slug })
}

// newPlayerMore is in the order of the player's takes.
func newPlayerMore(res *result.Result) []playerMore {
	list := []playerMore{}
	for _, t := range res.Takes {
		if t.Published == nil {
			continue
		}
		m := playerMore{SHA256: t.Published.SHA256}
		for _, p := range t.Published.Pieces {
			if p.SHA256 != "" {
				m.Pieces = append(m.Pieces, p.SHA256)
			}
		}
		if b := t.Published.Blend; b != nil {
			for _, s := range b.Steps {
				m.Steps = append(m.Steps, [3]float64{rounded(float64(s.Position), 5), rounded(float64(s.Gain), 4), rounded(float64(s.Peak), 3)})
			}
		}
		list = append(list, m)
	}
	return list
}

func rounded(v float64, digits int) float64 {
	unit := math.Pow10(digits)
	return math.Round(v*unit) / unit
}

// Names of the player's own files.
const (
	playerDataName = "listen-data.js"
	playerMoreName = "listen-more.js"
	scriptSuffix   = ".js"
)

// writePlayer writes the scripts and styles of the plots and of the listening area, its data and,
// unless it is for the web only, of each piece a script with its bytes in base64, for
// readers who open the page from a disk, where a page may not fetch files.
func writePlayer(dir string, put func(name string, data []byte) error, res *result.Result, webOnly bool) error {
	scripts, err := fs.Glob(templates.Files(), "*.js")
	if err != nil {
		return err
	}
	for _, name := range append(scripts, "listen.css", "plots.css") {
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
	d.WebOnly = webOnly
	for _, f := range []struct {
		name, call string
		value      any
	}{{playerDataName, "data", d}, {playerMoreName, "more", newPlayerMore(res)}} {
		var out bytes.Buffer
		fmt.Fprintf(&out, "Evenhand.%s(", f.call)
		if err := json.NewEncoder(&out).Encode(f.value); err != nil { // escapes <, > and &, U+2028 and U+2029
			return fmt.Errorf("report: player: %w", err)
		}
		out.WriteString(");\n")
		if err := put(f.name, out.Bytes()); err != nil {
			return err
		}
	}
	if webOnly {
		return nil
	}
	if err := disk.MkdirAll(filepath.Join(dir, filepath.FromSlash(pieceDir)), 0o777); err != nil {
		return fmt.Errorf("report: player: %w", err)
	}
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for _, t := range d.Takes {
		files := []playerPieces{t.playerPieces}
		if t.Blend != nil {
			files = append(files, t.Blend.playerPieces)
		}
		for _, f := range files {
			for k := range f.Sizes {
				g.Go(func() error {
					return f.writeScript(dir, k)
				})
			}
		}
	}
	if err := g.Wait(); err != nil {
		return fmt.Errorf("report: player: %w", err)
	}
	return nil
}

// writeScript writes the script that hands a piece to the page.
func (p playerPieces) writeScript(dir string, k int) (err error) {
	name, from, bytes := p.part(k)
	in, err := os.Open(filepath.Join(dir, filepath.FromSlash(name)))
	if err != nil {
		return err
	}
	defer in.Close()
	out, err := disk.Create(filepath.Join(dir, filepath.FromSlash(p.script(k))))
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, out.Close()) }()
	w := bufio.NewWriterSize(out, 1<<16)
	fmt.Fprintf(w, "Evenhand.audio(%q,\"", p.script(k)) // errors come with Flush
	coded := base64.NewEncoder(base64.StdEncoding, w)
	n, err := io.Copy(coded, io.NewSectionReader(in, from, bytes))
	if err == nil && n != bytes {
		err = fmt.Errorf("%s ends within piece %d", name, k+1)
	}
	err = errors.Join(err, coded.Close())
	w.WriteString("\");\n")
	return errors.Join(err, w.Flush())
}
