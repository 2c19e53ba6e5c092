// Package timeline writes the timeline of an edit in the format that editing programs
// exchange: OpenTimelineIO's JSON, a file with the ending .otio.
//
// Times are whole frames of the picture, also for sound, since editors read these most
// reliably (common practice, no source); only the offsets of transitions, which are
// shorter than a frame, count samples.
//
// Source: OpenTimelineIO, documentation of the serialized data types: Timeline.1,
// Stack.1, Track.1, Clip.2, Gap.1, Transition.1, Marker.2, ExternalReference.1,
// TimeRange.1 and RationalTime.1 (structure as published; versions of single types from
// memory).
package timeline

import (
	"bytes"
	"encoding/json"
	"net/url"
)

// Timeline is an edit. Every rate is frames per second of the picture.
type Timeline struct {
	Name    string
	Rate    Rate
	Start   int64 // frame of the camera's day at the beginning
	Tracks  []Track
	Markers []Marker
}

// Rate is a number of frames per second as a fraction: 30000/1001.
type Rate struct{ Num, Den int64 }

// Track is a picture or sound track. Items follow each other without gaps but those
// that are among them. A track that is not Enabled is there, and is not played.
type Track struct {
	Name    string
	Sound   bool
	Enabled bool
	Items   []Item
}

// Item is a clip, a gap where File is "", or with Fade a transition between the items
// before and after it.
type Item struct {
	Name   string
	File   string // with forward slashes, from the folder of the timeline
	First  int64  // first frame of the file that is used, counted as the file counts
	Frames int64  // how many are used, or the length of a gap
	Begin  int64  // the frame at which the file begins: its timecode, 0 for pictures
	Length int64  // whole frames that the file has
	Note   map[string]string
	Fade   *Fade
}

// Fade is how far a transition goes into the items before and after it, in samples.
type Fade struct {
	SampleRate    int
	Before, After int64
}

// Marker is a name for a stretch of the timeline.
type Marker struct {
	Name          string
	First, Frames int64 // from the beginning of the timeline
	Note          map[string]string
}

// The types of the format.

type rational struct {
	Schema string  `json:"OTIO_SCHEMA"`
	Rate   float64 `json:"rate"`
	Value  float64 `json:"value"`
}

type timeRange struct {
	Schema   string   `json:"OTIO_SCHEMA"`
	Start    rational `json:"start_time"`
	Duration rational `json:"duration"`
}

type marker struct {
	Schema string              `json:"OTIO_SCHEMA"`
	Name   string              `json:"name"`
	Color  string              `json:"color"`
	Range  timeRange           `json:"marked_range"`
	Meta   map[string]metadata `json:"metadata"`
}

type reference struct {
	Schema    string              `json:"OTIO_SCHEMA"`
	Name      string              `json:"name"`
	URL       string              `json:"target_url"`
	Available timeRange           `json:"available_range"`
	Meta      map[string]metadata `json:"metadata"`
}

// item is what stacks, tracks, clips and gaps have in common.
type item struct {
	Schema  string              `json:"OTIO_SCHEMA"`
	Name    string              `json:"name"`
	Meta    map[string]metadata `json:"metadata"`
	Source  *timeRange          `json:"source_range"`
	Effects []any               `json:"effects"`
	Markers []marker            `json:"markers"`
	Enabled bool                `json:"enabled"`
}

type clip struct {
	item
	References map[string]reference `json:"media_references"`
	Active     string               `json:"active_media_reference_key"`
}

type transition struct {
	Schema string              `json:"OTIO_SCHEMA"`
	Name   string              `json:"name"`
	Meta   map[string]metadata `json:"metadata"`
	Type   string              `json:"transition_type"`
	In     rational            `json:"in_offset"`
	Out    rational            `json:"out_offset"`
}

type track struct {
	item
	Kind     string `json:"kind"`
	Children []any  `json:"children"`
}

type stack struct {
	item
	Children []track `json:"children"`
}

type timeline struct {
	Schema string              `json:"OTIO_SCHEMA"`
	Name   string              `json:"name"`
	Meta   map[string]metadata `json:"metadata"`
	Start  rational            `json:"global_start_time"`
	Tracks stack               `json:"tracks"`
}

type metadata map[string]string

// space is the name under which the program's own metadata is kept.
const space = "evenhand"

const media = "DEFAULT_MEDIA"

// JSON returns the file. The error is that of the encoder.
func (t Timeline) JSON() ([]byte, error) {
	out := timeline{"Timeline.1", t.Name, note(nil), t.time(t.Start), stack{t.item("Stack.1", "tracks", nil, nil, true), []track{}}}
	for _, m := range t.Markers {
		out.Tracks.Markers = append(out.Tracks.Markers, marker{"Marker.2", m.Name, "GREEN", t.span(m.First, m.Frames), note(m.Note)})
	}
	for _, x := range t.Tracks {
		k := track{t.item("Track.1", x.Name, nil, nil, x.Enabled), "Video", []any{}}
		if x.Sound {
			k.Kind = "Audio"
		}
		for _, i := range x.Items {
			k.Children = append(k.Children, t.child(i))
		}
		out.Tracks.Children = append(out.Tracks.Children, k)
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	enc.SetIndent("", "    ")
	err := enc.Encode(out)
	return b.Bytes(), err
}

func (t Timeline) child(i Item) any {
	if i.Fade != nil {
		samples := func(n int64) rational { return rational{"RationalTime.1", float64(i.Fade.SampleRate), float64(n)} }
		return transition{"Transition.1", i.Name, note(i.Note), "SMPTE_Dissolve", samples(i.Fade.Before), samples(i.Fade.After)}
	}
	used := t.span(i.First, i.Frames)
	if i.File == "" {
		return t.item("Gap.1", i.Name, &used, i.Note, true)
	}
	return clip{t.item("Clip.2", i.Name, &used, i.Note, true), map[string]reference{media: {
		"ExternalReference.1", i.Name, (&url.URL{Path: i.File}).String(), t.span(i.Begin, i.Length), note(nil),
	}}, media}
}

func (t Timeline) item(schema, name string, source *timeRange, n map[string]string, enabled bool) item {
	return item{schema, name, note(n), source, []any{}, []marker{}, enabled}
}

func (t Timeline) time(frames int64) rational {
	return rational{"RationalTime.1", float64(t.Rate.Num) / float64(t.Rate.Den), float64(frames)}
}

func (t Timeline) span(first, frames int64) timeRange {
	return timeRange{"TimeRange.1", t.time(first), t.time(frames)}
}

func note(n map[string]string) map[string]metadata {
	if len(n) == 0 {
		return map[string]metadata{}
	}
	return map[string]metadata{space: n}
}
