package settings

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
)

// Format is the version of the layout of settings.json. It grows when a field
// changes its meaning or goes; new fields alone do not change it.
const Format = 1

// kind is what the file says of itself, so that another JSON file is not taken
// for a record.
const kind = "evenhand settings record"

// maxSize is the most bytes that a settings.json may have; the largest manifest
// makes one of about 4 MiB.
const maxSize = 16 << 20

// maxMemory is the memory that a decoded record may take.
const maxMemory = 64 << 20

// Record is everything that a manifest says. Texts are as written; "" is not
// stated.
type Record struct {
	Kind        string      `json:"kind"`
	Format      int         `json:"format"`
	Tool        Tool        `json:"tool"`
	Title       string      `json:"title"`
	By          string      `json:"by,omitempty"`
	Date        string      `json:"date,omitempty"`
	URL         string      `json:"url,omitempty"`
	Copies      string      `json:"copies,omitempty"` // "16 bit", "24 bit"
	Varies      string      `json:"varies"`
	Reference   string      `json:"reference,omitempty"`
	Mains       string      `json:"mains,omitempty"`
	About       *File       `json:"about,omitempty"`
	SetBy       string      `json:"set_by,omitempty"`
	MayDiffer   []string    `json:"may_differ,omitempty"`
	Disclosure  string      `json:"disclosure,omitempty"`
	FullScale   string      `json:"full_scale_in,omitempty"`
	Target      string      `json:"target,omitempty"`
	Ceiling     string      `json:"ceiling,omitempty"`
	Limits      []Limit     `json:"limits,omitempty"`
	Performance Performance `json:"performance"`
	Chain       []Device    `json:"chain"` // in signal order
	Takes       []Take      `json:"takes"`
}

// Tool names the program that wrote a record.
type Tool struct {
	Name    string `json:"name"`
	Version string `json:"version"`
}

// Limit is the author's limit of one check.
type Limit struct {
	ID    string `json:"id"`
	Limit string `json:"limit"`
}

// Performance is what was played.
type Performance struct {
	Instrument   string    `json:"instrument,omitempty"`
	Tuning       string    `json:"tuning,omitempty"`
	Pickup       string    `json:"pickup,omitempty"`
	Notes        string    `json:"notes,omitempty"`
	Dry          *File     `json:"dry,omitempty"`
	Loopback     *File     `json:"loopback,omitempty"`
	Sections     []Section `json:"sections,omitempty"`
	SectionsFrom string    `json:"sections_from,omitempty"` // "markers"
}

// Section is a part of the performance, in seconds of the dry recording.
type Section struct {
	Name string  `json:"name"`
	From float64 `json:"from_s"`
	To   float64 `json:"to_s"`
}

// File is a file that the manifest names.
type File struct {
	Path         string `json:"path"` // as written, relative to the manifest's folder
	SHA256       string `json:"sha256,omitempty"`
	Bytes        int64  `json:"bytes,omitempty"`
	Redistribute bool   `json:"redistribute"`
}

// Device is one device in one slot of the chain, or, in a take without a
// device, changes to the chain's device there.
type Device struct {
	Slot      string    `json:"slot"`
	Device    string    `json:"device,omitempty"`
	Kind      string    `json:"kind,omitempty"`
	Controls  []Control `json:"controls,omitempty"`
	File      *File     `json:"file,omitempty"`
	Impedance string    `json:"impedance,omitempty"`
	Power     string    `json:"power,omitempty"`
	Position  *Position `json:"position,omitempty"`
	Photo     *Photo    `json:"photo,omitempty"`
	Notes     string    `json:"notes,omitempty"`
}

// Control is a control and where it stands.
type Control struct {
	Name     string   `json:"name"`
	Value    string   `json:"value"`              // as written; "" when it is there and not stated
	Fraction *float64 `json:"fraction,omitempty"` // position in its travel, 0 to 1; absent where it has none; for readers, read anew from Value
	Travel   string   `json:"travel,omitempty"`   // "270°"; "" for the usual 300°
	From     string   `json:"from,omitempty"`     // where the travel begins; "" for 7 o'clock
	Scale    string   `json:"scale,omitempty"`
	Steps    []string `json:"steps,omitempty"`
}

// Position is where a microphone stood.
type Position struct {
	Distance string `json:"distance,omitempty"`
	Angle    string `json:"angle,omitempty"`
	From     string `json:"from,omitempty"`
	At       string `json:"at,omitempty"`
}

// Photo is a picture. Published is its path beside the record, resized and
// without metadata, with its size in pixels; "" when it was not published.
type Photo struct {
	File      File   `json:"file"`
	Alt       string `json:"alt"`
	Published string `json:"published,omitempty"`
	Width     int    `json:"width,omitempty"`
	Height    int    `json:"height,omitempty"`
}

// Take is one render of the performance.
type Take struct {
	Name     string   `json:"name"`
	File     File     `json:"file"`
	RepeatOf string   `json:"repeat_of,omitempty"`
	Role     string   `json:"role,omitempty"`
	Channels []int    `json:"channels,omitempty"`
	Left     *Mic     `json:"left_microphone,omitempty"`
	Right    *Mic     `json:"right_microphone,omitempty"`
	Devices  []Device `json:"devices"` // what this take puts into slots of the chain
	Notes    string   `json:"notes,omitempty"`
	// How its controls were chosen and its disclosure, where they are its own.
	SetBy      string `json:"set_by,omitempty"`
	Disclosure string `json:"disclosure,omitempty"`
	Photo      *Photo `json:"photo,omitempty"`
}

// Mic is one microphone of two and its gain in the blend.
type Mic struct {
	Name     string    `json:"name"`
	Blend    string    `json:"blend"`
	File     *File     `json:"file,omitempty"`
	Position *Position `json:"position,omitempty"`
	Photo    *Photo    `json:"photo,omitempty"`
	Notes    string    `json:"notes,omitempty"`
}

// Hash returns the lower-case hexadecimal SHA-256 and the length of a file of
// the manifest, given its path as written.
type Hash func(ctx context.Context, path string) (sum string, bytes int64, err error)

// New makes the record of a comparison. hash is asked once for every file; nil
// leaves the hashes out. Its errors are passed on.
func New(ctx context.Context, c *manifest.Comparison, version string, hash Hash) (*Record, error) {
	b := builder{ctx: ctx, hash: hash, known: map[string]File{}}
	r := &Record{
		Kind: kind, Format: Format, Tool: Tool{"evenhand", version},
		Title: c.Title, By: c.By, Date: c.Date, URL: c.URL, Copies: manifest.CopiesText(c.Copies), Varies: c.Varies.Written, Reference: c.Reference,
		About: b.file(c.About), SetBy: c.SetBy, Disclosure: c.Disclosure, FullScale: c.FullScale.Written,
		Performance: Performance{
			Instrument: c.Performance.Instrument, Tuning: c.Performance.Tuning, Pickup: c.Performance.Pickup, Notes: c.Performance.Notes,
			Dry: b.file(c.Performance.Dry), Loopback: b.file(c.Performance.Loopback), SectionsFrom: c.Performance.SectionsFrom,
		},
		Chain: []Device{}, Takes: []Take{},
	}
	if c.Mains != 0 {
		r.Mains = decimal(float64(c.Mains)) + " Hz"
	}
	if t := c.Match.Target; t != nil {
		r.Target = decimal(float64(*t)) + " LUFS"
	}
	if t := c.Match.Ceiling; t != nil {
		r.Ceiling = decimal(float64(*t)) + " dBTP"
	}
	for _, p := range c.MayDiffer {
		r.MayDiffer = append(r.MayDiffer, p.Written)
	}
	for _, l := range c.Limits {
		r.Limits = append(r.Limits, Limit{l.ID, l.Written})
	}
	for _, s := range c.Performance.Sections {
		r.Performance.Sections = append(r.Performance.Sections, Section{s.Name, float64(s.From), float64(s.To)})
	}
	for _, d := range c.Chain {
		r.Chain = append(r.Chain, b.device(d))
	}
	for _, t := range c.Takes {
		k := Take{Name: t.Name, File: *b.file(&t.File), RepeatOf: t.RepeatOf, Role: string(t.Role), Channels: t.Channels, Devices: []Device{}, Notes: t.Notes, SetBy: t.SetBy, Disclosure: t.Disclosure, Photo: b.photo(t.Photo)}
		if t.Mics != nil {
			k.Left, k.Right = b.mic(t.Mics.Left), b.mic(t.Mics.Right)
		}
		for _, s := range t.Slots {
			k.Devices = append(k.Devices, b.device(s.Device))
		}
		r.Takes = append(r.Takes, k)
	}
	if b.err != nil {
		return nil, b.err
	}
	return r, nil
}

// builder makes the parts of a record and keeps the first error.
type builder struct {
	ctx   context.Context
	hash  Hash
	known map[string]File
	err   error
}

func (b *builder) file(f *manifest.File) *File {
	if f == nil {
		return nil
	}
	out, ok := b.known[f.Path]
	if !ok {
		out.Path = f.Path
		if b.hash != nil && b.err == nil {
			out.SHA256, out.Bytes, b.err = b.hash(b.ctx, f.Path)
		}
		b.known[f.Path] = out
	}
	out.Redistribute = f.Redistribute
	return &out
}

func (b *builder) device(d manifest.Device) Device {
	out := Device{
		Slot: d.Slot, Device: d.Name, Kind: d.Kind, File: b.file(d.File), Impedance: d.Impedance.Written, Power: d.Power.Written,
		Position: position(d.Position), Photo: b.photo(d.Photo), Notes: d.Notes,
	}
	for _, c := range d.Controls {
		k := Control{Name: c.Name, Value: c.Value.Written, Travel: c.Travel, From: c.From, Scale: c.Scale, Steps: c.Steps}
		if f := c.Value.Fraction; !math.IsNaN(f) {
			f = math.Round(f*1e6) / 1e6
			k.Fraction = &f
		}
		out.Controls = append(out.Controls, k)
	}
	return out
}

func (b *builder) mic(m manifest.Mic) *Mic {
	return &Mic{Name: m.Name, Blend: decimal(float64(m.Blend)) + " dB", File: b.file(m.File), Position: position(m.Position), Photo: b.photo(m.Photo), Notes: m.Notes}
}

func (b *builder) photo(p *manifest.Photo) *Photo {
	if p == nil {
		return nil
	}
	return &Photo{File: *b.file(&p.File), Alt: p.Alt}
}

func position(p *manifest.Position) *Position {
	if p == nil {
		return nil
	}
	return &Position{p.Distance.Written, p.Angle.Written, p.From, p.At}
}

// decimal prints a number in its shortest form without an exponent.
func decimal(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }

// ErrNotRecord is wrapped by the errors about a file that is no record or of a
// newer format.
var ErrNotRecord = mistake.Kind("not a settings record")

// Read reads a settings.json and checks that a manifest could say the same. name
// is for messages. Errors: ErrNotRecord, or a *manifest.Errors when something
// in it is not what a manifest allows.
func Read(name string, r io.Reader) (*Record, *manifest.Comparison, error) {
	data, err := io.ReadAll(io.LimitReader(r, maxSize+1))
	if err != nil {
		return nil, nil, fmt.Errorf("%s: %w", name, err)
	}
	if len(data) > maxSize {
		return nil, nil, fmt.Errorf("%s: %w: larger than %d MiB", name, ErrNotRecord, maxSize>>20)
	}
	rec := new(Record)
	if err := foreign.JSON(data, rec, maxMemory); err != nil {
		return nil, nil, fmt.Errorf("%s: %w: %v; name a settings.json", name, ErrNotRecord, err)
	}
	switch {
	case rec.Kind != kind:
		return nil, nil, fmt.Errorf("%s: %w: its kind is %q, that of a record is %q; name a settings.json", name, ErrNotRecord, clip(rec.Kind), kind)
	case rec.Format < 1 || rec.Format > Format:
		return nil, nil, fmt.Errorf("%s: %w of a format that can be read: format %d, this version reads 1 to %d; use the version that wrote it or a later one", name, ErrNotRecord, rec.Format, Format)
	}
	for _, p := range rec.photos() {
		if p.Published == "" {
			continue
		}
		if err := foreign.Path(p.Published); err != nil || !strings.HasPrefix(p.Published, photoDir+"/") {
			return nil, nil, fmt.Errorf("%s: %w: it says that a picture is at %q, and they are in %s/", name, ErrNotRecord, clip(p.Published), photoDir)
		}
	}
	for i := range rec.Takes {
		rec.Takes[i].Role = string(manifest.ReadRole(rec.Takes[i].Role))
	}
	c, err := manifest.Parse(name+" as a manifest", rec.Manifest())
	if err != nil {
		return nil, nil, err
	}
	return rec, c, nil
}

func clip(s string) string {
	if len(s) > 40 {
		return strings.ToValidUTF8(s[:40], "") + "…"
	}
	return s
}

// Open reads a record or the settings of a manifest: a settings.json, a folder
// that holds one, or a manifest, whose files' hashes are asked from hash, nil
// for none.
func Open(ctx context.Context, path string, hash Hash) (*Record, *manifest.Comparison, error) {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		path = filepath.Join(path, nameIn(path))
	}
	f, err := foreign.Open(path)
	if err != nil {
		return nil, nil, err
	}
	defer f.Close()
	if strings.EqualFold(filepath.Ext(path), ".json") {
		return Read(path, f)
	}
	src, err := io.ReadAll(io.LimitReader(f, manifest.MaxSize+1))
	if err != nil {
		return nil, nil, err
	}
	c, err := manifest.Parse(path, src)
	if err != nil {
		return nil, nil, err
	}
	rec, err := New(ctx, c, "", hash)
	return rec, c, err
}

// nameIn is the name of the settings in a folder, which may be that of an earlier
// version.
func nameIn(dir string) string {
	if _, err := os.Stat(filepath.Join(dir, JSONName)); err != nil {
		if _, err := os.Stat(filepath.Join(dir, EarlierName)); err == nil {
			return EarlierName
		}
	}
	return JSONName
}

// JSON returns the record as the bytes of settings.json.
func (r *Record) JSON() ([]byte, error) {
	var out bytes.Buffer
	e := json.NewEncoder(&out)
	e.SetEscapeHTML(false)
	e.SetIndent("", " ")
	err := e.Encode(r)
	return out.Bytes(), err
}
