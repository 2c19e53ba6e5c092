package parts

import (
	"math"
	"slices"
)

// piece is a row of notes that lie at one place, or at none.
type piece struct {
	first, last int // notes, inclusive
	kind        Kind
	off         int // ticks later than the line, for notes at a place
	notes       int // that are heard
}

// placed reports whether the notes of a piece lie at a place.
func (p piece) placed() bool { return p.kind == Moved }

const (
	near     = 1   // ticks within which two lags are the same
	constant = 2   // ticks within which a piece lies at one lag
	leastRun = 4   // notes of a part
	runTime  = 1.0 // s of a part

	leastAgain = 2   // notes at a place that other notes tell
	clearHit   = 3.0 // nats from which on a note begins clearly where its state says
)

// pieces cuts the path into rows of notes at one place, or at none, that are long
// enough to be told, and what lies between them.
func (s *noteStates) pieces() (out []piece) {
	var all []piece
	var lo, hi int
	for i, at := range s.states {
		if s.gone[i] {
			continue
		}
		k, off := Moved, 0
		switch {
		case at < len(s.offs):
			off = s.offs[at]
		case at == s.loose():
			k = Pass
		default:
			k = Unlike
		}
		if n := len(all) - 1; n >= 0 && all[n].kind == k && (k != Moved || max(hi, off)-min(lo, off) <= constant) {
			lo, hi = min(lo, off), max(hi, off)
			all[n].last, all[n].off = i, (lo+hi)/2
			all[n].notes++
			continue
		}
		lo, hi = off, off
		all = append(all, piece{i, i, k, off, 1})
	}
	var between []piece
	flush := func() {
		if p := together(between); p.notes > 0 && s.long(p) {
			out = append(out, p)
		}
		between = nil
	}
	known := func(p piece) bool { // a place that is told already needs fewer notes
		return p.placed() && p.notes >= leastAgain && slices.ContainsFunc(all, func(x piece) bool { return x.placed() && s.long(x) && abs(x.off-p.off) <= near })
	}
	for _, p := range all {
		if !s.long(p) && !known(p) {
			between = append(between, p)
			continue
		}
		flush()
		if n := len(out) - 1; n >= 0 && out[n].kind == p.kind && abs(out[n].off-p.off) <= near {
			out[n].last, out[n].notes = p.last, out[n].notes+p.notes
			continue
		}
		out = append(out, p)
	}
	flush()
	return out
}

// long reports whether a piece is long enough to be told.
func (s *noteStates) long(p piece) bool {
	return p.notes >= leastRun && float64(s.at[p.last]-s.at[p.first])*tick >= runTime
}

// together is what short pieces are together: lags that wander where most lie at
// some place, another pass, or something else.
func together(short []piece) (p piece) {
	if len(short) == 0 {
		return p
	}
	count := map[Kind]int{}
	for _, x := range short {
		count[x.kind] += x.notes
		p.notes += x.notes
	}
	p.first, p.last, p.kind = short[0].first, short[len(short)-1].last, Unlike
	switch {
	case 2*count[Moved] > p.notes:
		p.kind = Elastic
	case count[Pass] > count[Unlike]:
		p.kind = Pass
	}
	return p
}

// noteSlip is a change of the lag that lasts, between two notes.
type noteSlip struct {
	before, behind int // notes
	by             int // ticks
}

// judge sorts the pieces: those that leave the lag before and come back to it are
// parts, and where one does not come back the lag has changed for good. start is the
// lag, in ticks, before the first change.
func (s *noteStates) judge() (parts []piece, slips []noteSlip, start int) {
	all := s.pieces()
	start = s.offs[s.main]
	var placed []piece
	for _, p := range all {
		if p.placed() {
			placed = append(placed, p)
		} else {
			parts = append(parts, p)
		}
	}
	for len(placed) > 0 && float64(abs(placed[0].off-start))*tick > mostSlip {
		p := placed[0]
		p.off, p.kind = p.off-start, Elsewhere
		parts, placed = append(parts, p), placed[1:]
	}
	if len(placed) == 0 {
		return parts, nil, start
	}
	start = placed[0].off
	base := start
	for i := 0; i+1 < len(placed); {
		back := -1
		for k := len(placed) - 1; k > i; k-- {
			if abs(placed[k].off-base) <= near {
				back = k
				break
			}
		}
		if back < 0 {
			next := placed[i+1]
			by := next.off - base
			if float64(abs(by))*tick > mostSlip {
				next.off, next.kind = by, Elsewhere
				parts = append(parts, next)
				placed = append(placed[:i+1], placed[i+2:]...)
				continue
			}
			slips = append(slips, noteSlip{placed[i].last, next.first, by})
			base = next.off
			i++
			continue
		}
		for _, p := range placed[i+1 : back] {
			if p.off -= base; abs(p.off) <= near {
				continue
			}
			if float64(abs(p.off))*tick > mostSlip {
				p.kind = Elsewhere
			}
			parts = append(parts, p)
		}
		base = placed[back].off
		i = back
	}
	return parts, slips, start
}

const mostSlip = 2.5 // s by which a lag may change for good, or a part be moved

// hit returns the first note from i on, by steps of ±1, that begins clearly where its
// state says.
func (s *noteStates) hit(i, by int) int {
	for k := i; k >= 0 && k < len(s.states); k += by {
		if at := s.states[k]; !s.gone[k] && at < len(s.offs) && s.fits(s.sharp[k][at]) > clearHit {
			return k
		}
	}
	return i
}

// state returns the state of the lag at which note i should be, by what lag the take
// has before and behind each slip; −1 where that is not looked at.
func (s *noteStates) state(start int, slips []noteSlip, note int) int {
	for _, x := range slips {
		if note >= x.behind {
			start += x.by
		}
	}
	return slices.Index(s.offs, start)
}

var never = math.NaN()
