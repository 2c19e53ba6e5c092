package parts

import (
	"cmp"
	"math"
	"slices"

	"evenhand/analyze/unit"
)

const (
	mostNote   = 4.0  // nats that one note says, at most
	leavePlace = 10.0 // nats that it costs to leave what is said, and
	backPlace  = 6.0  // to come back
	leaveAgain = 4.0  // the same where something is found already; tried on 40 to 80
	backAgain  = 3.0  // faults of each kind, of other seeds than those of TestFaultsInParts

	certainAway = 5.0  // nats that a moment of a certain part says
	unclearNote = -1.0 // nats for another thing, above which a note is not clearly in place
	leastOdd    = 2    // of these in a part, or of windows that are clearly elsewhere,
	otherNote   = 1.0  // nats for another thing, of which one is enough
)

// usuals are chances of a window of the take to be in place with which the fit begins,
// the greatest last: windows that are not, one behind the other, are a part, those here
// and there the gear's.
var usuals = [...]float64{0.9, 0.97}

// seen is what one moment of the take says.
type seen struct {
	time   float64
	away   float64 // nats for another thing, of a note
	window int     // −1 for a note
	beside bool    // of a window, that it clearly lies beside;
	slight bool    // by no more than the hidden frames
}

// withPhase returns the parts in which notes and windows together do not lie in
// place. What lies in parts that are found for certain speaks for that; windows that lie
// beside by no more than the hidden frames, by which a slip would not be told, say nothing
// unless they clearly do and something else is found; nor does a polarity that octaves turn.
func (s *noteStates) withPhase(ph *phases, rate, start int, slips []noteSlip, found []Part, hidden float64) (out []Part) {
	at, off, chance := ph.places(rate)
	worth := ph.worth()
	var all []seen
	known := func(t float64) bool {
		return slices.ContainsFunc(found, func(p Part) bool { return p.certain() && t >= float64(p.From) && t <= float64(p.To) })
	}
	for _, p := range found {
		if p.certain() {
			for t := float64(p.From); t <= float64(p.To); t += windowSeconds {
				all = append(all, seen{time: t, away: certainAway, window: -1})
			}
		}
	}
	for i, k := range at {
		if k == inverted && (ph.even || ph.clarity() < turnPlain) {
			continue
		}
		beside := k == besideIt && ph.corr[i] >= clearPhase*ph.noise
		slight := k == besideIt && !(math.Abs(off[i]) > hidden)
		if t := ph.windows[i].time; (beside || !slight) && (!known(t) || k != inPlace) {
			all = append(all, seen{time: t, window: i, beside: beside, slight: slight})
		}
	}
	for i, t := range s.at {
		if s.gone[i] || known(float64(t)*tick) {
			continue
		}
		l := s.state(start, slips, i)
		if l < 0 {
			continue
		}
		in := s.fits(s.sharp[i][l])
		away := max(0, s.fits(s.blunt[i][l])) - in
		all = append(all, seen{time: float64(t) * tick, away: max(-mostNote, min(mostNote, away)), window: -1})
	}
	slices.SortStableFunc(all, func(x, y seen) int { return cmp.Compare(x.time, y.time) })
	follow := func(p prices, usual float64, again bool) ([]int, float64) {
		return likeliest(len(all), 2, 0, 0, p, func(row []float64, i int) {
			switch x := all[i]; {
			case x.slight && !again:
				row[0], row[1] = 0, 0
			case x.window < 0:
				row[0], row[1] = 0, x.away
			case at[x.window] == inPlace:
				row[0], row[1] = worth*math.Log(usual), worth*math.Log(chance)
			default:
				row[0], row[1] = worth*math.Log(1-usual), worth*math.Log(1-chance)
			}
		})
	}
	var path []int
	usual, best := 0.0, math.Inf(-1)
	for _, u := range usuals {
		for range rounds {
			way, total := follow(prices{leave: leavePlace, back: backPlace}, u, false)
			if total > best {
				best, path, usual = total, way, u
			}
			placed, windows := 1.0, 1.0
			for i, x := range all {
				if x.window >= 0 && !x.slight && way[i] == 0 {
					windows++
					if at[x.window] == inPlace {
						placed++
					}
				}
			}
			u = max(chance+0.05, min(usuals[1], placed/windows))
		}
	}
	rows := func(path []int, again bool) (out []Part) {
		for i := 0; i < len(path); i++ {
			if path[i] == 0 {
				continue
			}
			first := i
			for i+1 < len(path) && path[i+1] == 1 {
				i++
			}
			for _, row := range odd(all[first : i+1]) {
				unclear, other, beside := 0, 0, 0 // notes, or what is certain; windows
				for _, x := range row {
					if x.window < 0 && x.away > unclearNote {
						unclear++
					}
					if x.window < 0 && x.away > otherNote {
						other++
					}
					if x.beside && (again || !x.slight) {
						beside++
					}
				}
				if unclear >= leastOdd || other > 0 || beside >= leastOdd { // the phase alone changes where a chord dies away
					out = append(out, Part{From: unit.Seconds(row[0].time), To: unit.Seconds(row[len(row)-1].time), Kind: Unlike, by: "both"})
				}
			}
		}
		return out
	}
	out = rows(path, false)
	// Where something is found, the question is where it begins and ends, and more of it is no
	// surprise.
	if len(out)+len(found)+len(slips) > 0 {
		path, _ = follow(prices{leave: leaveAgain, back: backAgain}, usual, true)
		out = rows(path, true)
	}
	return out
}

// sharpenBy spreads the chances of the notes by the scatter of those between windows in
// step, of either polarity, about a lag some ticks later, which it returns: what is
// elsewhere, with them, would blur both. Too few of them change nothing.
func (s *noteStates) sharpenBy(ph *phases, rate, start int, slips []noteSlip) (later int) {
	at, _, _ := ph.places(rate)
	inStep := func(window int) bool { return at[window] == inPlace || at[window] == inverted }
	var between, states []int // such notes, and where they should be
	for i, t := range s.at {
		k, _ := slices.BinarySearchFunc(ph.windows, float64(t)*tick, func(w window, t float64) int { return cmp.Compare(w.time, t) })
		l := s.state(start, slips, i)
		if !s.gone[i] && k > 0 && k < len(at) && inStep(k-1) && inStep(k) && l >= stepReach && l+stepReach < len(s.offs) {
			between, states = append(between, i), append(states, l)
		}
	}
	if len(between) < leastOnsets {
		return 0
	}
	tight, best := s.tight, math.Inf(-1)
	for _, sigma := range tights {
		s.sharpen(sigma)
		for by := -stepReach; by <= stepReach; by++ {
			sum := 0.0
			for k, i := range between {
				sum += s.fits(s.sharp[i][states[k]+by])
			}
			if sum > best {
				best, tight, later = sum, sigma, by
			}
		}
	}
	s.sharpen(tight)
	s.main = min(max(s.main+later, 0), len(s.offs)-1)
	return later
}

// odd returns a part without what lies at its ends, or for longer within it, where the
// notes are clearly in place: there it is the gear that moves the phase.
func odd(row []seen) (out [][]seen) {
	path, _ := likeliest(len(row), 2, 0, -1, prices{leave: mostNote}, func(dst []float64, i int) {
		dst[0], dst[1] = row[i].away, 0
		if row[i].beside && !row[i].slight {
			dst[0] = otherNote
		}
	})
	first := 0
	for i := range path {
		if i+1 < len(path) && path[i+1] == path[i] {
			continue
		}
		if path[i] == 0 {
			out = append(out, row[first:i+1])
		}
		first = i + 1
	}
	return out
}

// contradict reports whether the notes near a time are rather in place than some ticks
// later.
func (s *noteStates) contradict(start int, slips []noteSlip, later, time float64) bool {
	nats := 0.0
	by := int(math.Round(later))
	for i, at := range s.at {
		l := s.state(start, slips, i)
		if s.gone[i] || math.Abs(float64(at)*tick-time) > nearNotes || l < 0 {
			continue
		}
		if first, end := s.window(l); l+by >= first && l+by < end {
			nats += s.fits(s.sharp[i][l+by]) - s.fits(s.sharp[i][l])
		}
	}
	return nats <= -ratherPlaced
}

const (
	nearNotes    = 1.5 // s
	ratherPlaced = 1.0 // nats by which the notes are in place where the windows say they are not
)

// certain reports whether a part is not what a says whatever the gear is.
func (p Part) certain() bool {
	return p.Kind == Moved || p.Kind == Elsewhere || p.Kind == Missing || p.Kind == Turned
}

func (p Part) overlaps(q Part) bool { return p.To > q.From && p.From < q.To }

// besideTurn is how near a part whose lag changes a change of polarity is not told: the
// phase there is that of two places.
const besideTurn = unit.Seconds(1.5)

// apart returns those rows of windows that no part holds already.
func (j *Judgement) apart(found, rows []Part) (out []Part) {
	for _, q := range rows {
		beside := unit.Seconds(0)
		if q.Kind == Turned {
			beside = besideTurn
		}
		if q.Kind == Moved && j.notes.contradict(j.start, j.steps, float64(q.Lag)/float64(j.rate)/tick, float64(q.From+q.To)/2) {
			continue
		}
		if !slices.ContainsFunc(found, func(p Part) bool { return p.overlaps(Part{From: q.From - beside, To: q.To + beside}) }) &&
			!(q.Kind == Turned && (slices.ContainsFunc(j.Slips, func(x Slip) bool { return x.To > q.From-beside && x.From < q.To+beside }) || j.moves(q))) {
			out = append(out, q)
		}
	}
	return out
}

// moves reports whether the notes say that the lag changes where a part begins or ends,
// by a few ticks, which makes tones look inverted.
func (j *Judgement) moves(p Part) bool {
	for by := -stepReach; by <= stepReach; by++ {
		for _, at := range []unit.Seconds{p.From, p.To} {
			if by != 0 && j.notesSay(jump{time: float64(at), size: float64(by) * tick * float64(j.rate)}) >= movedByNotes {
				return true
			}
		}
	}
	return false
}

const movedByNotes = 8 // nats

// backAgain takes slips after which the lag is what it was before out of Slips, and
// returns what lies between them as moved.
func (j *Judgement) backAgain() (out []Part) {
	for i := 0; i+1 < len(j.Slips); {
		x, y := j.Slips[i], j.Slips[i+1]
		if math.Abs(float64(x.Lag+y.Lag)) > max(sameLag, strays*math.Hypot(float64(x.Error), float64(y.Error))) {
			i++
			continue
		}
		out = append(out, Part{From: x.At, To: y.At, Kind: Moved, Lag: x.Lag, by: "phase"})
		j.Slips = slices.Delete(j.Slips, i, i+2)
	}
	return out
}

const (
	sameLag = 1.5 // frames within which a lag is that before

	bridge     = unit.Seconds(0.5) // between parts that are one
	besidePart = unit.Seconds(1.5) // of a part of which notes and windows scatter, where windows alone tell no slip
	overhang   = unit.Seconds(1.2) // of what is told less exactly that may lie about a certain part
	shareAbout = 0.25              // or this share of the whole
	mostMoved  = 2                 // parts at lags of their own; more are elastic
)

// edged gives what notes say less exactly, as another pass, the ends that notes and
// windows know together; soft parts that these do not overlap keep their own.
func edged(notes, both []Part) (out []Part) {
	known := make([]bool, len(notes))
	for _, q := range both {
		longest := unit.Seconds(0)
		for i, p := range notes {
			if length := p.To - p.From; !p.certain() && p.overlaps(q) {
				known[i] = true
				if length > longest {
					q.Kind, longest = p.Kind, length
				}
			}
		}
		out = append(out, q)
	}
	for i, p := range notes {
		if !known[i] {
			out = append(out, p)
		}
	}
	return out
}

// joined makes one part of those that touch.
func joined(all []Part) (out []Part) {
	slices.SortStableFunc(all, func(x, y Part) int { return cmp.Compare(x.From, y.From) })
	for len(all) > 0 {
		to, n := all[0].To, 1
		for n < len(all) && all[n].From < to+bridge {
			to = max(to, all[n].To)
			n++
		}
		out = append(out, merged(all[:n])...)
		all = all[n:]
	}
	return out
}

// merged returns what parts that touch, in order of time, are: where those that are
// certain are nearly all of it these by themselves, else the whole of it as what most of
// it is. It is cut between two that lie at places of their own.
func merged(row []Part) []Part {
	whole := Part{From: row[0].From, Kind: Unlike, by: "both"}
	var certain []Part
	moved, covered, longest := 0, unit.Seconds(0), unit.Seconds(0)
	for _, p := range row {
		whole.To = max(whole.To, p.To)
		switch length := p.To - p.From; {
		case p.certain():
			certain = append(certain, p)
			covered += length
			if p.Kind == Moved {
				moved++
			}
		case length > longest:
			whole.Kind, longest = p.Kind, length
		}
	}
	if moved > mostMoved && moved == len(certain) {
		whole.Kind = Elastic
		return []Part{whole}
	}
	last := -1
	for i, q := range certain {
		if q.by != "notes" {
			continue
		}
		if last >= 0 && math.Abs(float64(q.Lag-certain[last].Lag)) > 0 {
			return slices.Concat(cut(row, whole.From, (certain[last].To+q.From)/2), cut(row, (certain[last].To+q.From)/2, whole.To))
		}
		last = i
	}
	length := whole.To - whole.From
	if len(certain) == 0 || length-covered > max(overhang, shareAbout*length) {
		return []Part{whole}
	}
	if len(certain) == 1 && (certain[0].Kind == Moved || certain[0].Kind == Elsewhere) {
		certain[0].From, certain[0].To = whole.From, whole.To
	}
	// A gap is as long as it is: what is beside it for the length of a part is something else.
	if q := certain[0]; q.Kind == Missing && q.From-whole.From > runTime {
		certain = slices.Insert(certain, 0, Part{From: whole.From, To: q.From, Kind: whole.Kind, by: whole.by})
	}
	if q := certain[len(certain)-1]; q.Kind == Missing && whole.To-q.To > runTime {
		certain = append(certain, Part{From: q.To, To: whole.To, Kind: whole.Kind, by: whole.by})
	}
	return certain
}

// cut is merged for what lies between two times.
func cut(row []Part, from, to unit.Seconds) []Part {
	var in []Part
	for _, p := range row {
		if p.From, p.To = max(p.From, from), min(p.To, to); p.To > p.From {
			in = append(in, p)
		}
	}
	return merged(in)
}
