package guitar

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"

	"evenhand/analyze/unit"
)

// Section is one passage of the playing. Between two of them nothing is played
// for 1 to 2 s.
type Section struct {
	Name     string
	From, To unit.Seconds // on the timeline of the dry recording, from 0.1 s before the first note
}

// Length is how long every recording lasts.
const Length unit.Seconds = 60

// passage is one line of the score. A step holds the keys that begin in it,
// joined by +, as MIDI numbers; a trailing m plays them with the palm on the
// strings, "." lets what sounds sound on, "-" damps it.
type passage struct {
	name  string
	start float64 // s
	step  float64 // s
	ring  bool    // keys sound on until the passage ends
	steps string
}

func score() []passage {
	return []passage{
		{"Riff", 1.2, 0.18, false, `40m 40m 43 40m 45 43 40m 46 45 43 40m 40m 43 40m 38 .
			40m 40m 43 40m 45 43 40m 46 45 43 40m 40m 43 40m 38 40 . .`},
		{"Chords", 8.9, 0.42, false, `40+47+52+56+59+64 . 40+47+52+56+59+64 - 45+52+57+61+64 . 45+52+57+61+64 45+52+57+61+64
			38+45+50+54+57 . 43+47+50+55+59+67 . 40+47+52+56+59+64 . . .`},
		{"Single notes", 17.4, 0.23, false, `64 67 69 . 71 69 67 64 62 64 . . 67 69 71 74 76 . 74 71 69 71 69 67 64 . 62 59 57 59 62 64 . .`},
		{"Arpeggios", 27.0, 0.21, true, `45 52 57 60 64 60 57 52 41 48 53 57 60 57 53 48 43 50 55 59 62 59 55 50 40 47 52 56 59 64 . . . .`},
		{"Held chords", 36.1, 1.9, false, `40+47+52 . 43+50+55 45+52+57 .`},
		{"Fast riff", 47.4, 0.115, false, `40m 40m 52 40m 40m 50 40m 40m 48 40m 40m 47 46 45 43 -
			40m 40m 52 40m 40m 50 40m 40m 48 40m 40m 47 46 45 43 -
			40m 40m 40m 43+50 . 40m 40m 45+52 . 40m 40m 46+53 . 45+52 . 43+50 . - 40m 40m 43 45 46 47 50 52 55 57 59 62 64 67 . . . .
			40+47+52 . . . . . . . . . . . . . . . . . . .`},
	}
}

// Sections returns the passages in their order.
func Sections() []Section {
	var out []Section
	for _, p := range score() {
		end := p.start + p.step*float64(len(strings.Fields(p.steps)))
		out = append(out, Section{p.name, unit.Seconds(p.start - 0.1), unit.Seconds(end)})
	}
	return out
}

// note is one key held down.
type note struct {
	from, to  float64 // s
	key, firm int
	palm      bool
}

// notes reads the score.
func notes() []note {
	var out []note
	for _, p := range score() {
		steps := strings.Fields(p.steps)
		end := p.start + p.step*float64(len(steps))
		var held []int // places in out
		release := func(at float64) {
			for _, i := range held {
				out[i].to = at
			}
			held = nil
		}
		for k, s := range steps {
			at := p.start + p.step*float64(k)
			if s == "." {
				continue
			}
			if !p.ring {
				release(at - 0.004)
			}
			if s == "-" {
				continue
			}
			keys, palm := strings.CutSuffix(s, "m")
			for j, key := range strings.Split(keys, "+") {
				n := note{from: at + 0.011*float64(j), firm: 88, palm: palm}
				fmt.Sscan(key, &n.key)
				if k%4 == 0 {
					n.firm = 104
				}
				held = append(held, len(out))
				out = append(out, n)
			}
		}
		release(end)
	}
	return out
}

// spread is how far the same hands miss a note from pass to pass: the standard
// deviation. Common practice, no source.
const spread = 0.007 // s

// midi writes a pass of the playing as a Standard MIDI File of 1000 ticks a
// second. Pass 0 is the score; in every other pass each note is moved a little.
//
// Source: MIDI Manufacturers Association, Standard MIDI Files 1.0 (1988), from
// memory.
func midi(pass int) []byte {
	const clean, muted = 27, 28 // programs of General MIDI, counted from 0
	type event struct {
		at   int
		data []byte
	}
	events := []event{{0, []byte{0xC0, clean}}, {0, []byte{0xC1, muted}}}
	rng := rand.New(rand.NewPCG(uint64(pass), 7))
	for _, n := range notes() {
		if pass > 0 {
			moved := spread * max(-3, min(3, rng.NormFloat64()))
			n.from, n.to = n.from+moved, n.to+moved
			n.firm = max(1, min(127, n.firm+int(math.Round(4*rng.NormFloat64()))))
		}
		channel := byte(0)
		if n.palm {
			channel = 1
		}
		on, off := int(math.Round(1000*n.from)), int(math.Round(1000*n.to))
		events = append(events, event{on, []byte{0x90 | channel, byte(n.key), byte(n.firm)}},
			event{max(on+1, off), []byte{0x80 | channel, byte(n.key), 64}})
	}
	// A pause at the end of the file keeps the synthesizer going.
	events = append(events, event{int(1000 * Length), []byte{0xFF, 0x2F, 0}})
	slices.SortStableFunc(events, func(a, b event) int { return a.at - b.at })

	// 500 ticks a quarter note of half a second.
	track := []byte{0, 0xFF, 0x51, 3, 0x07, 0xA1, 0x20}
	now := 0
	for _, e := range events {
		track = append(track, variable(e.at-now)...)
		track = append(track, e.data...)
		now = e.at
	}
	var b bytes.Buffer
	b.WriteString("MThd\x00\x00\x00\x06\x00\x00\x00\x01\x01\xF4MTrk")
	binary.Write(&b, binary.BigEndian, uint32(len(track)))
	b.Write(track)
	return b.Bytes()
}

// variable writes a number as MIDI does, seven bits a byte.
func variable(n int) []byte {
	out := []byte{byte(n & 0x7F)}
	for n >>= 7; n > 0; n >>= 7 {
		out = append([]byte{byte(n&0x7F) | 0x80}, out...)
	}
	return out
}
