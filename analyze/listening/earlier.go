package listening

import (
	"fmt"
	"strings"
)

// Earlier is the comparison as it was when fewer takes were published, or the
// same in another order. Codes about it count for the takes of today.
type Earlier struct {
	Comparison string // the SHA-256 of then, at least its first ten hexadecimal digits
	// Takes are the places of its takes, in the order of then, among those of
	// today, from 0, each once.
	Takes []int
	// SameReference says that ratings were given against the reference of today;
	// if not they count as codes of another comparison.
	SameReference bool
}

// EarlierCodes tells of the counted codes about an earlier comparison.
type EarlierCodes struct {
	Comparison string   `json:"comparison"` // first ten hexadecimal digits
	Takes      []string `json:"takes"`      // by their names of today, in the order of then
	Counted    int      `json:"counted"`
	Readers    int      `json:"readers"`
}

// state is a comparison that codes may be about.
type state struct {
	Earlier
	readers map[string]bool
	counted int
}

// states returns those that codes count for, by the ten digits.
func states(takes int, comparison string, earlier []Earlier) (map[string]*state, error) {
	all := map[string]*state{}
	today := Earlier{Comparison: comparison, SameReference: true}
	for i := range takes {
		today.Takes = append(today.Takes, i)
	}
	for _, e := range append([]Earlier{today}, earlier...) {
		hash, err := number("comparison", e.Comparison, false)
		if err != nil {
			return nil, fmt.Errorf("%w: %w", ErrTally, err)
		}
		if n := len(e.Takes); n < MinTakes || n > MaxTakes {
			return nil, fmt.Errorf("%w: an earlier comparison has %d takes; listening tests have %d to %d", ErrTally, n, MinTakes, MaxTakes)
		}
		used := map[int]bool{}
		for _, t := range e.Takes {
			if t < 0 || t >= takes || used[t] {
				return nil, fmt.Errorf("%w: the takes of an earlier comparison are %v; they must be different places among the %d takes", ErrTally, e.Takes, takes)
			}
			used[t] = true
		}
		if id := fmt.Sprintf("%010x", hash); all[id] == nil {
			all[id] = &state{Earlier: e, readers: map[string]bool{}}
		}
	}
	return all, nil
}

// today returns an answer about e as one about the takes of today, n of them.
func (e Earlier) today(a Answer, n int) Answer {
	a.Takes = n
	switch {
	case a.Preference != nil:
		p := &Preference{Pairs: make([]Outcome, n*(n-1)/2), Same: a.Preference.Same}
		if p.Same != NotAsked {
			p.SameTake = e.Takes[a.Preference.SameTake]
		}
		k := 0
		for i, x := range e.Takes {
			for _, y := range e.Takes[i+1:] {
				o := a.Preference.Pairs[k]
				if x > y && (o == First || o == Second) {
					o = First + Second - o
				}
				p.Pairs[pairIndex(min(x, y), max(x, y), n)] = o
				k++
			}
		}
		a.Preference = p
	case a.Trials != nil:
		t := *a.Trials
		x, y := e.Takes[t.A], e.Takes[t.B]
		t.A, t.B = min(x, y), max(x, y)
		a.Trials = &t
	case a.Ratings != nil:
		r := &Ratings{Takes: make([]int, n), Hidden: a.Ratings.Hidden, Anchor: a.Ratings.Anchor}
		for i := range r.Takes {
			r.Takes[i] = NotRated
		}
		for i, v := range a.Ratings.Takes {
			r.Takes[e.Takes[i]] = v
		}
		a.Ratings = r
	}
	return a
}

// pairIndex is the place of the pair i < j of n takes in [Preference].Pairs.
func pairIndex(i, j, n int) int { return i*(2*n-i-1)/2 + j - i - 1 }

// fill takes over the outcomes of pairs that were not asked in p, and says
// whether there were any.
func (p *Preference) fill(from *Preference) bool {
	filled := false
	for k, o := range from.Pairs {
		if p.Pairs[k] == NotAsked && o != NotAsked {
			p.Pairs[k], filled = o, true
		}
	}
	if p.Same == NotAsked && from.Same != NotAsked {
		p.Same, p.SameTake, filled = from.Same, from.SameTake, true
	}
	return filled
}

// tellEarlier says of each earlier comparison how many of its codes counted.
func (r *Result) tellEarlier(earlier []Earlier, all map[string]*state) {
	told := map[string]bool{r.Comparison: true}
	for _, e := range earlier {
		id := strings.ToLower(e.Comparison[:digits])
		s := all[id]
		if told[id] || s.counted == 0 {
			continue
		}
		told[id] = true
		c := EarlierCodes{Comparison: id, Takes: []string{}, Counted: s.counted, Readers: len(s.readers)}
		for _, t := range s.Takes {
			c.Takes = append(c.Takes, r.Takes[t])
		}
		r.Earlier = append(r.Earlier, c)
	}
}
