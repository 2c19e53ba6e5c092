package manifest

import (
	"math"
	"strings"

	"evenhand/analyze/unit"
)

// Pitch is the pitch of a string.
type Pitch struct {
	Name      string // as written: "F#3"
	Frequency unit.Hertz
}

// Pitches reads note names such as "B1" or "F#3" from a tuning, in the order
// written; words that are not note names are left out. A4 is 440 Hz in equal
// temperament.
//
// Source: ISO 16:1975.
func Pitches(tuning string) []Pitch {
	steps := map[byte]int{'C': 0, 'D': 2, 'E': 4, 'F': 5, 'G': 7, 'A': 9, 'B': 11}
	out := []Pitch{}
	for _, w := range strings.Fields(strings.ReplaceAll(tuning, ",", " ")) {
		n, ok := steps[w[0]]
		rest := w[1:]
		if !ok || len(rest) == 0 {
			continue
		}
		switch {
		case strings.HasPrefix(rest, "#"):
			n, rest = n+1, rest[1:]
		case strings.HasPrefix(rest, "♯"):
			n, rest = n+1, strings.TrimPrefix(rest, "♯")
		case strings.HasPrefix(rest, "b"):
			n, rest = n-1, rest[1:]
		case strings.HasPrefix(rest, "♭"):
			n, rest = n-1, strings.TrimPrefix(rest, "♭")
		}
		if len(rest) != 1 || rest[0] < '0' || rest[0] > '9' {
			continue
		}
		midi := 12*(int(rest[0]-'0')+1) + n
		out = append(out, Pitch{w, unit.Hertz(440 * math.Pow(2, float64(midi-69)/12))})
	}
	return out
}
