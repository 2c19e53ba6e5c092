package cut

import (
	"fmt"
	"math"
	"strings"

	"evenhand/analyze/unit"
)

// Site is what a video site that turns down to a loudness, and turns nothing up, does to the edit
// and to its parts as clips of their own.
type Site struct {
	Target unit.LUFS `json:"turns_down_to_lufs"`
	Edit   unit.LU   `json:"edit_lu"` // 0 or less
	// Clips are the parts; when takes are to be guessed only the least and the greatest
	// change, in this order. What is shorter than a gating block is NaN.
	Clips []unit.LU `json:"single_clips_lu"`
}

// siteTargets are the loudnesses in LUFS that video sites turn down to: common practice, no
// source; −23 is the target of EBU R 128.
var siteTargets = [...]unit.LUFS{-14, -16, -23}

// unequal is the least difference in LU between the changes of single clips that
// undoes the match, in the precision in which they are shown.
const unequal = 0.1

func (p *plan) sites() []Site {
	out := []Site{}
	for _, target := range siteTargets {
		change := func(loudness unit.LUFS) unit.LU {
			switch {
			case math.IsInf(float64(loudness), -1):
				return 0 // silence
			case math.IsNaN(float64(loudness)):
				return unit.LU(math.NaN())
			}
			return min(0, unit.LU(target-loudness))
		}
		s := Site{Target: target, Edit: change(p.edit.Integrated), Clips: []unit.LU{}}
		for i := range p.parts {
			s.Clips = append(s.Clips, change(p.parts[i].loudness))
		}
		if p.o.Shuffle {
			least, greatest := s.extremes()
			s.Clips = []unit.LU{least, greatest}
		}
		out = append(out, s)
	}
	return out
}

// extremes returns the changes of the clip that is changed least and of the one that is
// changed most, NaN if none could be measured.
func (s Site) extremes() (least, most unit.LU) {
	least, most = unit.LU(math.NaN()), unit.LU(math.NaN())
	for _, c := range s.Clips {
		if math.IsNaN(float64(c)) {
			continue
		}
		if !(c <= least) {
			least = c
		}
		if !(c >= most) {
			most = c
		}
	}
	return least, most
}

// toldClips is how many clips a text tells one by one.
const toldClips = 4

// ClipsText says by how much single clips are turned down: "0.0, 2.1 and 3.4 dB", or
// "0.0 to 3.4 dB".
func (s Site) ClipsText() string {
	least, most := s.extremes()
	switch {
	case math.IsNaN(float64(least)):
		return "not measured: all are too short"
	case unit.Format(-float64(least), 1) == unit.Format(-float64(most), 1):
		return down(least) + " dB"
	case len(s.Clips) > toldClips:
		return down(least) + " to " + down(most) + " dB"
	}
	var each []string
	for _, c := range s.Clips {
		if !math.IsNaN(float64(c)) {
			each = append(each, down(c))
		}
	}
	return strings.Join(each, ", ") + " dB"
}

// EditText says by how much the edit is turned down.
func (s Site) EditText() string { return down(s.Edit) + " dB" }

// down is a change without its sign: what is turned down, by how much.
func down(c unit.LU) string { return unit.Format(math.Abs(float64(c)), 1) }

// oneFile advises to publish the edit as one file where a site would turn single clips down by
// unequal amounts; "" where none does.
func oneFile(sites []Site) string {
	for _, s := range sites {
		if least, most := s.extremes(); float64(least-most) >= unequal {
			return fmt.Sprintf("publish as one file: a site that turns down to %s would turn single clips down by %s, and they would no longer match", s.Target, s.ClipsText())
		}
	}
	return ""
}
