package cut

import (
	"encoding/json"
	"fmt"
	"math"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"evenhand/report/cut/timecode"
)

// otio reads OpenTimelineIO's JSON by what the format's documentation says of each
// type, and not by the types that the program writes: the keys that a type must have, and what may
// be in them.
//
// Source: OpenTimelineIO, documentation of the serialized data types (structure);
// versions of single types from memory.
type otio struct {
	t     *testing.T
	types map[string]int // how many of each were read
}

func (o *otio) fail(format string, args ...any) { o.t.Helper(); o.t.Fatalf(format, args...) }

// object checks the type of v and that it has these keys and no other.
func (o *otio) object(v any, schema string, keys ...string) map[string]any {
	o.t.Helper()
	m, ok := v.(map[string]any)
	if !ok || m["OTIO_SCHEMA"] != schema {
		o.fail("%v is no %s", v, schema)
	}
	if len(m) != len(keys)+1 {
		o.fail("%s has %d keys, want %v", schema, len(m), keys)
	}
	for _, k := range keys {
		if _, ok := m[k]; !ok {
			o.fail("%s has no %s", schema, k)
		}
	}
	o.types[schema]++
	return m
}

func (o *otio) text(v any) string {
	o.t.Helper()
	s, ok := v.(string)
	if !ok {
		o.fail("%v is no text", v)
	}
	return s
}

func (o *otio) list(v any) []any {
	o.t.Helper()
	l, ok := v.([]any)
	if !ok {
		o.fail("%v is no list", v)
	}
	return l
}

// time returns a RationalTime in seconds and its rate.
func (o *otio) time(v any) (value, rate float64) {
	o.t.Helper()
	m := o.object(v, "RationalTime.1", "rate", "value")
	value, ok := m["value"].(float64)
	rate, ok2 := m["rate"].(float64)
	if !ok || !ok2 || !(rate > 0) || math.IsInf(value, 0) {
		o.fail("a time of %v", v)
	}
	return value, rate
}

// span returns a TimeRange in frames of its rate, which must be the picture's.
func (o *otio) span(v any, fps float64) (first, frames int64) {
	o.t.Helper()
	m := o.object(v, "TimeRange.1", "start_time", "duration")
	a, r1 := o.time(m["start_time"])
	b, r2 := o.time(m["duration"])
	if r1 != fps || r2 != fps || a != math.Trunc(a) || b != math.Trunc(b) || b < 1 {
		o.fail("%v and %v at %v and %v per second; want whole frames at %v", a, b, r1, r2, fps)
	}
	return int64(a), int64(b)
}

// item checks what stacks, tracks, clips and gaps have in common.
func (o *otio) item(v any, schema string, more ...string) map[string]any {
	o.t.Helper()
	m := o.object(v, schema, append([]string{"name", "metadata", "source_range", "effects", "markers", "enabled"}, more...)...)
	o.text(m["name"])
	if _, ok := m["metadata"].(map[string]any); !ok {
		o.fail("%s: metadata %v", schema, m["metadata"])
	}
	if len(o.list(m["effects"])) != 0 {
		o.fail("%s: effects %v", schema, m["effects"])
	}
	if _, ok := m["enabled"].(bool); !ok {
		o.fail("%s: enabled %v", schema, m["enabled"])
	}
	return m
}

// otioItem is a clip or gap as it is placed on its track, in frames of the picture.
type otioItem struct {
	name, file               string // "" for a gap
	at, frames, first, begin int64
	length                   int64
	fade                     [2]float64 // of the transition before it, in seconds
}

type otioTrack struct {
	name, kind string
	enabled    bool
	items      []otioItem
}

type otioFile struct {
	start   int64
	tracks  []otioTrack
	markers []otioItem
	types   map[string]int
}

func readOTIO(t *testing.T, path string, fps float64) otioFile {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if text := string(b); strings.Contains(text, "NaN") || strings.Contains(text, "Infinity") || !strings.HasPrefix(text, "{\n    \"OTIO_SCHEMA\"") {
		t.Fatalf("the file begins with %.40q", text)
	}
	var v any
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatal(err)
	}
	o := &otio{t, map[string]int{}}
	m := o.object(v, "Timeline.1", "name", "metadata", "global_start_time", "tracks")
	out := otioFile{types: o.types}
	start, rate := o.time(m["global_start_time"])
	if rate != fps {
		t.Fatalf("it begins at a rate of %v, want %v", rate, fps)
	}
	out.start = int64(start)
	s := o.item(m["tracks"], "Stack.1", "children")
	if s["source_range"] != nil {
		t.Fatalf("the stack has a range %v", s["source_range"])
	}
	for _, x := range o.list(s["markers"]) {
		k := o.object(x, "Marker.2", "name", "color", "marked_range", "metadata")
		if c := o.text(k["color"]); !slices.Contains([]string{"PINK", "RED", "ORANGE", "YELLOW", "GREEN", "CYAN", "BLUE", "PURPLE", "MAGENTA", "BLACK", "WHITE"}, c) {
			t.Fatalf("a marker of colour %s", c)
		}
		first, frames := o.span(k["marked_range"], fps)
		out.markers = append(out.markers, otioItem{name: o.text(k["name"]), at: first, frames: frames})
	}
	for _, x := range o.list(s["children"]) {
		k := o.item(x, "Track.1", "kind", "children")
		track := otioTrack{name: o.text(k["name"]), kind: o.text(k["kind"]), enabled: k["enabled"].(bool)}
		if track.kind != "Audio" && track.kind != "Video" || k["source_range"] != nil || len(o.list(k["markers"])) != 0 {
			t.Fatalf("track %s of kind %s", track.name, track.kind)
		}
		at, fade := int64(0), [2]float64{}
		children := o.list(k["children"])
		for i, c := range children {
			schema := o.text(c.(map[string]any)["OTIO_SCHEMA"])
			if schema == "Transition.1" {
				d := o.object(c, schema, "name", "metadata", "transition_type", "in_offset", "out_offset")
				in, r1 := o.time(d["in_offset"])
				end, r2 := o.time(d["out_offset"])
				if d["transition_type"] != "SMPTE_Dissolve" || i == 0 || i == len(children)-1 || in < 0 || end < 0 {
					t.Fatalf("transition %v at place %d of %d", d, i, len(children))
				}
				fade = [2]float64{in / r1, end / r2}
				continue
			}
			item := otioItem{at: at, fade: fade}
			fade = [2]float64{}
			switch schema {
			case "Gap.1":
				item.first, item.frames = o.span(o.item(c, schema)["source_range"], fps)
			case "Clip.2":
				d := o.item(c, schema, "media_references", "active_media_reference_key")
				item.name = d["name"].(string)
				item.first, item.frames = o.span(d["source_range"], fps)
				refs, ok := d["media_references"].(map[string]any)
				if !ok || len(refs) != 1 || d["active_media_reference_key"] != "DEFAULT_MEDIA" {
					t.Fatalf("clip %s has references %v", item.name, d["media_references"])
				}
				r := o.object(refs["DEFAULT_MEDIA"], "ExternalReference.1", "target_url", "available_range", "metadata", "name")
				u, err := url.Parse(o.text(r["target_url"]))
				if err != nil || u.IsAbs() {
					t.Fatalf("clip %s refers to %v: %v", item.name, r["target_url"], err)
				}
				item.file = u.Path
				item.begin, item.length = o.span(r["available_range"], fps)
				if item.first < item.begin || item.first+item.frames > item.begin+item.length {
					t.Fatalf("clip %s uses frames %d to %d of %d to %d", item.name, item.first, item.first+item.frames, item.begin, item.begin+item.length)
				}
				if _, err := os.Stat(filepath.Join(filepath.Dir(path), filepath.FromSlash(item.file))); err != nil {
					t.Fatal(err)
				}
			default:
				t.Fatalf("a %s in a track", schema)
			}
			at += item.frames
			track.items = append(track.items, item)
		}
		out.tracks = append(out.tracks, track)
	}
	return out
}

func (f otioFile) track(t *testing.T, name string) otioTrack {
	t.Helper()
	i := slices.IndexFunc(f.tracks, func(k otioTrack) bool { return k.name == name })
	if i < 0 {
		t.Fatalf("no track %q", name)
	}
	return f.tracks[i]
}

// The timeline, read back, has the cuts of the cue list: each on its frame, from the listed place of
// the listed file, with its fade.
func TestTimelineHasTheCuts(t *testing.T) {
	for _, c := range []struct {
		name string
		sc   *scenario
		o    Options
	}{
		{"switching", at48k, Options{Reach: DefaultReach}},
		{"switching after a title", at48k, Options{Reach: DefaultReach, FPS: "29.97df", Start: "01:00:00:00", Title: 1.5, Closing: 2, Pictures: true}},
		{"turns", at44k, Options{Turns: true, Reach: DefaultReach, FPS: "23.98", Title: 2, Closing: 1, Excerpt: 1}},
		{"guess", at48k, Options{Turns: true, Shuffle: true, Seed: 4, FPS: "59.94", Sections: []string{"Riff"}}},
	} {
		t.Run(c.name, func(t *testing.T) {
			dir, rec := write(t, c.sc, c.o)
			fps, err := timecode.Parse(rec.FrameRate)
			if err != nil {
				t.Fatal(err)
			}
			num, den := fps.PerSecond()
			f := readOTIO(t, filepath.Join(dir, timelineFile), float64(num)/float64(den))
			if start, _ := fps.Frame(rec.Start); f.start != start {
				t.Errorf("it begins at frame %d, want %d", f.start, start)
			}
			edit := f.track(t, "Edit")
			if len(edit.items) != 1 || !edit.enabled || edit.items[0].file != editFile || edit.items[0].frames != fps.FrameAt(rec.Frames, rec.SampleRate) {
				t.Errorf("the edit is %+v", edit)
			}
			cues := readCues(t, dir)
			cuts := f.track(t, "Cuts")
			items := cuts.items
			if c.o.Title > 0 {
				if items[0].file != "" || items[0].frames != int64(math.Round(float64(c.o.Title)*float64(num)/float64(den))) {
					t.Errorf("the title is %+v", items[0])
				}
				items = items[1:]
			}
			if len(items) != len(cues) || len(f.markers) != len(cues) || cuts.enabled {
				t.Fatalf("%d cuts and %d markers for %d cues, enabled %v", len(items), len(f.markers), len(cues), cuts.enabled)
			}
			samples := func(frame int64) float64 {
				return float64(frame) * float64(rec.SampleRate) * float64(den) / float64(num)
			}
			for i, q := range cues {
				x := items[i]
				if d := math.Abs(samples(x.at) - float64(q.first)); d > 0.5 {
					t.Errorf("cut %d is %g samples from the cue", i+1, d)
				}
				// Two roundings meet where a title comes first.
				if d := math.Abs(samples(x.first-f.start) - float64(q.source)); d > 1 {
					t.Errorf("cut %d plays its file from %g samples off", i+1, d)
				}
				if x.file != q.file || x.name != q.take {
					t.Errorf("cut %d is %s of %s, want %s of %s", i+1, x.name, x.file, q.take, q.file)
				}
				if i > 0 {
					for k, want := range []int{q.first - q.fadeFirst, q.fadeEnd - q.first} {
						if d := x.fade[k]*float64(rec.SampleRate) - float64(want); math.Abs(d) > 0.01 {
							t.Errorf("fade %d is %v s", i, x.fade)
						}
					}
				}
				if m := f.markers[i]; m.at != x.at || m.frames != x.frames || !strings.HasPrefix(m.name, q.take) {
					t.Errorf("marker %d is %+v, the cut %+v", i+1, m, x)
				}
			}
			if c.o.Pictures {
				shown, over := f.track(t, "Pictures"), f.track(t, "Lower thirds")
				if n := len(cues) + 2; len(shown.items) != n || len(over.items) != n || !shown.enabled || over.enabled {
					t.Fatalf("%d pictures and %d lower thirds for %d cues", len(shown.items), len(over.items), len(cues))
				}
				for i, q := range cues {
					if x := shown.items[i+1]; x.at != items[i].at || x.frames != items[i].frames || x.file != q.picture || !strings.Contains(x.file, "/landscape/") || over.items[i+1].at != x.at {
						t.Errorf("picture %d is %+v, the cue has %s", i+1, x, q.picture)
					}
				}
				if a, z := shown.items[0], shown.items[len(cues)+1]; a.file != "pictures/landscape/title.png" || z.file != "pictures/landscape/closing.png" || over.items[0].file != "" {
					t.Errorf("cards %+v and %+v", a, z)
				}
			}
			if !c.o.Turns {
				for _, a := range rec.Audio[1:] {
					k := f.track(t, a.Take)
					x := k.items[len(k.items)-1]
					if x.file != a.Path || x.at != items[0].at || x.first != f.start || k.enabled {
						t.Errorf("%s is stacked as %+v", a.Take, x)
					}
				}
			}
			for _, want := range []string{"Timeline.1", "Stack.1", "Track.1", "Clip.2", "ExternalReference.1", "Marker.2", "Transition.1", "TimeRange.1", "RationalTime.1"} {
				if f.types[want] == 0 {
					t.Errorf("no %s was read", want)
				}
			}
		})
	}
}

// Files are named in order, by letters that every system takes, and the read-me names each.
func TestStemsAndTheirReadMe(t *testing.T) {
	for _, c := range []struct {
		n, of int
		name  string
		want  string
	}{
		{2, 9, "Splitting", "02_Splitting"},
		{7, 120, "Übersteuert, heiß / laut", "007_Uebersteuert-heiss-laut"},
		{1, 3, "雷", "01_take"},
		{3, 3, "../../CON", "03_CON"},
		{4, 4, strings.Repeat("long name ", 9), "04_long-name-long-name-long-name-long-name"},
	} {
		if got := stem(c.n, c.of, c.name); got != c.want {
			t.Errorf("%q: %q, want %q", c.name, got, c.want)
		}
	}
	dir, rec := at48k.edit(t)
	b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(readMeFile)))
	if err != nil {
		t.Fatal(err)
	}
	for i, a := range rec.Audio[1:] {
		if want := fmt.Sprintf("takes/%02d_", i+1); !strings.HasPrefix(a.Path, want) || !strings.HasSuffix(a.Path, "_matched_48k24.wav") {
			t.Errorf("take %d is %s", i+1, a.Path)
		}
		if !strings.Contains(string(b), filepath.Base(a.Path)+"  "+a.Take+"\n") {
			t.Errorf("the read-me lacks %s:\n%s", a.Path, b)
		}
	}
}
