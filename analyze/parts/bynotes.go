package parts

import (
	"math"
	"slices"
)

const (
	leastMiss  = 0.05 // share of notes, at least, that may be anywhere
	farWindow  = 40   // ticks about another place
	farTimes   = 2    // times that it must be as likely as the usual one; tried on 36 pasted phrases and as many exchanges
	rounds     = 3    // of fitting the misses and the main lag
	leastTight = 8    // notes, for these to be fitted again
)

// tights are the scatters of the notes of one performance through gear that are
// tried, in ticks, and looses those between two passes by the same hands, of which
// one is as likely as the other.
var (
	tights = [...]float64{0.5, 0.8, 1.2, 2, 3.5}
	looses = [...]float64{3, 8}
)

var notePrices = prices{leave: 13, back: 5, creep: 5}

// noteStates is what the notes say of each state: the chances of each lag, and
// which states there are.
type noteStates struct {
	at     []int       // ticks of a at which they begin
	p      [][]float32 // of each: chances of the lags about the line, then of those about other places
	gone   []bool      // those that lie in a gap
	offs   []int       // by how many ticks later than the line each lag is
	like   []float64   // how alike the rises are at the best lag
	main   int         // index of the commonest lag
	miss   float64     // share of the notes that may be anywhere
	tight  float64     // ticks: scatter of the notes that lie at a lag
	sharp  [][]float32 // chances of each note in each lag, with that scatter
	blunt  [][]float32 // the same, with that between two passes
	states []int       // the path: index of a lag, or loose or other
	total  float64     // nats of the path
}

func (s *noteStates) loose() int { return len(s.offs) }

// compareNotes finds the chances of each note of a about off and about far other
// places.
func compareNotes(a, b *sound, notes []int, off func(tick int) int, far []int, missing []gap) *noteStates {
	s := &noteStates{at: notes}
	for l := -reach; l <= reach; l++ {
		s.offs = append(s.offs, l)
	}
	for _, f := range far {
		for l := -farWindow; l <= farWindow; l++ {
			s.offs = append(s.offs, f+l)
		}
	}
	p := make([]float64, len(s.offs))
	for _, at := range notes {
		clear(p)
		likes := p[:lags]
		alike(likes, a, b, at, at+off(at))
		for k, f := range far {
			alike(p[lags+k*(2*farWindow+1):][:2*farWindow+1], a, b, at, at+off(at)+f)
		}
		s.like = append(s.like, slices.Max(p))
		soften(p)
		s.p = append(s.p, narrow(p))
		t := float64(at) * tick
		s.gone = append(s.gone, slices.ContainsFunc(missing, func(g gap) bool { return t > g.from-gapAround && t < g.to+gapAround }))
	}
	return s
}

const gapAround = 0.06 // s about a gap in which a note is not heard as it is

// narrow returns x in half the memory.
func narrow(x []float64) []float32 {
	out := make([]float32, len(x))
	for i, v := range x {
		out[i] = float32(v)
	}
	return out
}

// path finds the likeliest path of all notes, and sets it.
func (s *noteStates) path() {
	s.states, s.total = likeliest(len(s.at), len(s.offs)+2, lags, s.main, notePrices, func(row []float64, i int) {
		clear(row)
		if !s.gone[i] {
			for j, v := range s.sharp[i] {
				if j >= lags && s.main < lags && v < farTimes*s.sharp[i][s.main] {
					v = 0 // it is in place, too: what was copied from here is heard twice
				}
				row[j] = s.fits(v)
			}
			row[s.loose()] = s.fits(s.blunt[i][s.main])
		}
	})
}

// window returns the states from first ≤ k < end of the place to which a lag's state
// belongs.
func (s *noteStates) window(state int) (first, end int) {
	if state < lags {
		return 0, lags
	}
	n := 2*farWindow + 1
	first = lags + (state-lags)/n*n
	return first, first + n
}

// fits is the logarithm of by how much a chance exceeds that of anything.
func (s *noteStates) fits(chance float32) float64 {
	return math.Log((1-s.miss)*float64(chance)*float64(len(s.offs)) + s.miss)
}

// spread blurs the chances about each place by themselves, in dst's memory where it is
// long enough.
func (s *noteStates) spread(dst, p []float32, sigmas ...float64) []float32 {
	out := append(dst[:0], make([]float32, len(p))...)
	for k := 0; k < len(p); {
		_, end := s.window(k)
		for _, sigma := range sigmas {
			blur(out[k:end], p[k:end], sigma, 1/float64(len(sigmas)))
		}
		k = end
	}
	return out
}

// follow finds the likeliest path of all notes, with the scatter that makes it
// likeliest.
func (s *noteStates) follow() {
	n := float64(len(s.offs))
	s.sharp, s.blunt = make([][]float32, len(s.p)), make([][]float32, len(s.p))
	s.states = make([]int, len(s.p))
	kept := make([]bool, len(s.p))
	for i, p := range s.p {
		s.sharp[i], s.blunt[i] = make([]float32, len(p)), s.spread(nil, p, looses[:]...)
		kept[i] = !s.gone[i]
	}
	var best *noteStates
	for _, sigma := range tights {
		s.sharpen(sigma)
		sum := make([]float64, len(s.offs))
		sum[reach] = 1e-9 // where nothing tells, it is where the estimate says
		for i := range s.p {
			if s.gone[i] {
				continue
			}
			for j, v := range s.sharp[i] {
				sum[j] += math.Log((1-firstMiss)*float64(v)*n + firstMiss)
			}
		}
		s.main = argmax(sum)
		for i := range s.states {
			s.states[i] = s.main
		}
		// Misses that follow one another are a part, those here and there the gear's:
		// both beginnings are tried.
		for _, miss := range []float64{0, leastMiss} {
			if try := s.settled(miss, kept); best == nil || try.total > best.total {
				best = &try
			}
		}
	}
	*s = *best
	s.sharpen(s.tight)
}

// sharpen spreads the chances of every note by a scatter.
func (s *noteStates) sharpen(sigma float64) {
	s.tight = sigma
	for i, p := range s.p {
		s.sharp[i] = s.spread(s.sharp[i], p, sigma)
	}
}

// settled returns s with the misses, the path and the main lag fitted in turn; the misses
// begin with a share, 0 for that which all notes give.
func (s noteStates) settled(miss float64, kept []bool) noteStates {
	kept, s.states = slices.Clone(kept), slices.Clone(s.states)
	n := float64(len(s.offs))
	lastMiss, lastMain := 0.0, -1 // of the path
	for range rounds {
		var likely []float64
		for i, k := range kept {
			if k {
				likely = append(likely, float64(s.sharp[i][s.states[i]])*n)
			}
		}
		if len(likely) == 0 {
			break
		}
		if s.miss = miss; miss == 0 {
			s.miss = missRate(likely, leastMiss)
		}
		miss = 0
		if s.miss == lastMiss && s.main == lastMain {
			break // the path would be the same
		}
		lastMiss, lastMain = s.miss, s.main
		s.path()
		count, votes := 0, make([]float64, len(s.offs))
		for i, at := range s.states {
			kept[i] = at < len(s.offs) && !s.gone[i]
			if !kept[i] {
				continue
			}
			count++
			for j := max(0, at-1); j <= min(len(votes)-1, at+1); j++ {
				votes[j] += 1 - 0.5*math.Abs(float64(j-at))
			}
		}
		if count < leastTight {
			break
		}
		s.main = argmax(votes)
	}
	return s
}
