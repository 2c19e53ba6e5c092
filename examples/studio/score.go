package studio

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
)

// Part is one section of a score.
//
// Notes holds one token per step. A token names strings and frets: "63" is
// string 6 (the lowest) at fret 3, "60+52+42" a chord. A trailing m mutes with
// the palm, b bends a whole tone up, ~ adds vibrato; "." lets the note before
// sound on and "-" damps all strings.
type Part struct {
	Name  string
	Start float64 // s, the first note
	Tempo float64 // quarter notes a minute
	Step  float64 // quarter notes per token
	Notes string
	Ring  bool    // strings sound on until they are played again
	Firm  float64 // how firmly it is played; 0 means 1
}

// Duration is the time from the first note to the damping of the last, in s.
func (p Part) Duration() float64 {
	return float64(len(strings.Fields(p.Notes))) * p.Step * 60 / p.Tempo
}

// Span is the part on the timeline of the dry recording, in s, with 0.1 s before
// the first note and 0.3 s after the damping of the last.
func (p Part) Span() (from, to float64) { return p.Start - 0.1, p.Start + p.Duration() + 0.3 }

// Score is a performance as it is written down.
type Score struct {
	Parts  []Part
	Length float64 // s, with the pause before and after
}

// baritone is the open strings' pitch in Hz, lowest first: B1 E2 A2 D3 F♯3 B3,
// equal temperament with A at 440 Hz.
func baritone() [6]float64 {
	var out [6]float64
	for i, key := range [6]float64{35, 40, 45, 50, 54, 59} { // A4 is 69
		out[i] = 440 * math.Pow(2, (key-69)/12)
	}
	return out
}

// fiveRiffs is the score of the fuzz comparison.
func fiveRiffs() Score {
	return Score{Length: 52, Parts: []Part{
		{Name: "Low riff", Start: 1, Tempo: 108, Step: 0.5, Notes: `
			60m 60m 63 60m 60m 65 60m 61  60m 60m 63 60m 66 65 63 61
			60m 60m 63 60m 60m 65 60m 61  60m 63 65 66 60+52+42 . . .`},
		{Name: "Open chords", Start: 11.5, Tempo: 96, Step: 1, Notes: `
			60+52+42+30+20+10 . 60+52+42+30+20+10 .  53+42+30+21+10 . 53+42+30+21+10 .
			63+52+40+30+20+13 . 63+52+40+30+20+13 .  50+42+32+20+10 . . .`},
		{Name: "Single notes", Start: 23.5, Tempo: 100, Step: 0.5, Firm: 1.5, Notes: `
			37 39b . . 29 27 39 37~ . . 49 . 37 .
			27 29b . . 210 29 27 39 27~ . . 39 37~ .`},
		{Name: "Arpeggio", Start: 33.5, Tempo: 92, Step: 0.5, Ring: true, Notes: `
			60 42 30 20 10 20 30 42  53 42 30 21 10 21 30 42
			63 40 30 20 13 20 30 40`},
		{Name: "Held chord", Start: 43.5, Tempo: 60, Step: 1, Notes: `60+52+42+30+20+10 . . . . . .`},
	}}
}

// threeRiffs is the shorter score of the microphone comparison.
func threeRiffs() Score {
	five := fiveRiffs().Parts
	parts := []Part{five[1], five[3], five[2]}
	for i, start := range []float64{1, 13, 23} {
		parts[i].Start = start
	}
	return Score{Length: 33, Parts: parts}
}

// note is one pluck of one string.
type note struct {
	start, end float64 // s
	hz         float64
	level      float64 // 1: played firmly
	pick       float64 // plucking point as a fraction of the string from the bridge
	mute       bool
	bend       float64 // cents, reached 0.35 s after the pluck
	vibrato    float64 // cents
}

// play turns a score into plucks per string, with the small unevenness of a
// hand, and returns an error for a token that it does not understand.
func (s Score) play(seed uint64) ([6][]note, error) {
	rng := rand.New(rand.NewPCG(seed, streamPlaying))
	uneven := func(by float64) float64 { return by * (rng.Float64() + rng.Float64() - 1) }
	open := baritone()
	var out [6][]note
	for _, part := range s.Parts {
		step := part.Step * 60 / part.Tempo
		end := part.Start + part.Duration()
		var sounding [6]bool
		release := func(at float64, only int) {
			for i := range sounding {
				if sounding[i] && (only < 0 || only == i) {
					out[i][len(out[i])-1].end = at
					sounding[i] = false
				}
			}
		}
		for i, token := range strings.Fields(part.Notes) {
			at := part.Start + float64(i)*step
			if token == "." {
				continue
			}
			if !part.Ring || token == "-" {
				release(at-0.004, -1)
			}
			if token == "-" {
				continue
			}
			n := note{end: end}
			switch {
			case strings.HasSuffix(token, "m"):
				n.mute = true
			case strings.HasSuffix(token, "b"):
				n.bend = 200
			case strings.HasSuffix(token, "~"):
				n.vibrato = 18
			}
			base := at
			if i > 0 {
				base += uneven(0.008)
			}
			for k, place := range strings.Split(strings.TrimRight(token, "mb~"), "+") {
				var str, fret int
				if _, err := fmt.Sscanf(place, "%1d%d", &str, &fret); err != nil || str < 1 || str > 6 {
					return out, fmt.Errorf("part %q, step %d: %q names no string and fret", part.Name, i+1, token)
				}
				str = 6 - str
				release(base-0.004, str)
				n.start = base + float64(k)*0.011
				n.hz = open[str] * math.Pow(2, float64(fret)/12)
				n.level = 1 + uneven(0.12)
				if part.Firm != 0 {
					n.level *= part.Firm
				}
				if strings.Contains(token, "+") {
					n.level *= 0.55
				}
				n.pick = 0.14 + uneven(0.02)
				out[str] = append(out[str], n)
				sounding[str] = true
			}
		}
		release(end, -1)
	}
	return out, nil
}
