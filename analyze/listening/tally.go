package listening

import (
	"errors"
	"fmt"
	"iter"
	"math"
	"strings"

	"evenhand/analyze/unit"
)

// ErrTally is wrapped by the errors of [Tally] that lie in its arguments.
var ErrTally = errors.New("cannot tally")

// Tally counts the codes that [Find] yields, for the comparison with the takes
// and the SHA-256 of its published audio (at least the first ten hexadecimal
// digits), and those about earlier comparisons of some of its takes. Only sound
// codes of these count, each once; of a reader's further answers to the same
// question only the first. Preferences of one reader about several comparisons
// are one set of answers: later codes add the pairs that were not asked before.
// The result depends on nothing but the arguments. The error wraps [ErrTally]
// or is the one that reading the text gave.
func Tally(found iter.Seq2[Found, error], takes []string, comparison string, earlier ...Earlier) (Result, error) {
	if n := len(takes); n < MinTakes || n > MaxTakes {
		return Result{}, fmt.Errorf("%w: the comparison has %d takes; listening tests have %d to %d", ErrTally, n, MinTakes, MaxTakes)
	}
	about, err := states(len(takes), comparison, earlier)
	if err != nil {
		return Result{}, err
	}
	r := Result{Comparison: strings.ToLower(comparison[:digits]), Takes: append([]string{}, takes...), Confidence: Confidence}
	type question struct {
		nonce string
		kind  Kind
		a, b  int
		about string // preferences only
	}
	codes := map[string]bool{}
	asked := map[question]bool{}
	readers := map[string]bool{}
	preferred := map[string]*Preference{} // by nonce
	var answers [4][]Answer               // by kind, in the order of kinds
	for f, err := range found {
		if err != nil {
			return Result{}, err
		}
		r.Codes++
		a, st := f.Answer, about[f.Answer.Comparison]
		switch {
		case f.Err != nil:
			r.Damaged++
			continue
		case st == nil || a.Takes != len(st.Takes) || a.Ratings != nil && !st.SameReference:
			r.Foreign++
			continue
		case codes[f.Code]:
			r.Duplicates++
			continue
		}
		codes[f.Code] = true
		a = st.today(a, len(takes))
		q := question{nonce: a.Nonce, kind: a.Kind}
		if a.Trials != nil {
			q.a, q.b = a.Trials.A, a.Trials.B
		}
		if a.Preference != nil {
			q.about = a.Comparison
		}
		before := preferred[a.Nonce]
		if asked[q] || a.Preference != nil && before != nil && !before.fill(a.Preference) {
			r.Repeats++
			continue
		}
		asked[q], readers[a.Nonce], st.readers[a.Nonce] = true, true, true
		r.Counted++
		st.counted++
		if a.Preference != nil {
			if before != nil {
				continue
			}
			preferred[a.Nonce] = a.Preference
		}
		for k := 1; k < len(kinds); k++ {
			if kinds[k] == a.Kind {
				answers[k] = append(answers[k], a)
			}
		}
	}
	r.Readers = len(readers)
	r.tellEarlier(earlier, about)
	if r.Preferences, err = preferences(answers[1], takes); err != nil {
		return Result{}, err
	}
	r.Discrimination = discrimination(answers[2], takes)
	r.Ratings = ratings(answers[3], takes)
	r.Caveats = caveats(r)
	return r, nil
}

// preferences sums up the answers of that kind.
func preferences(answers []Answer, takes []string) (Preferences, error) {
	p := Preferences{
		Readers: len(answers), Pairs: []PairVote{}, Abilities: []Ability{}, Tiers: [][]string{},
		Tie: unit.Number(math.NaN()), TieError: unit.Number(math.NaN()),
	}
	counts := NewCounts(len(takes))
	var readers [][]Outcome
	for _, a := range answers {
		counts.Add(a.Preference.Pairs)
		readers = append(readers, a.Preference.Pairs)
		switch a.Preference.Same {
		case Tie:
			p.ZeroLine.Ties++
		case First:
			p.ZeroLine.First++
		case Second:
			p.ZeroLine.Second++
		}
	}
	z := &p.ZeroLine
	z.Asked = z.Ties + z.First + z.Second
	z.Preferred = share(z.First+z.Second, z.Asked)
	z.OrderP = P(TwoSided(z.First, z.First+z.Second))

	fit, err := FitPreferences(counts, readers)
	switch {
	case err == nil:
		p.describe(fit, counts, takes)
	case len(answers) > 0 && !blank(counts):
		return Preferences{}, err
	default:
		p.Reason = "no preferences were given"
		return p, nil
	}
	var ps []float64
	for i := range takes {
		for j := i + 1; j < len(takes); j++ {
			if counts.asked(i, j) == 0 {
				continue
			}
			a, b := int(counts.Wins[i][j]), int(counts.Wins[j][i])
			d, _ := fit.Difference(i, j)
			p.Pairs = append(p.Pairs, PairVote{
				A: takes[i], B: takes[j], ForA: a, ForB: b, Ties: int(counts.Ties[i][j]),
				Share: share(a, a+b), P: P(TwoSided(a, a+b)), Expected: unit.Number(1 / (1 + math.Exp(-d))),
			})
			ps = append(ps, TwoSided(a, a+b))
		}
	}
	for i, v := range Holm(ps) {
		p.Pairs[i].PHolm = P(v)
	}
	return p, nil
}

func blank(c Counts) bool {
	for i := range c.Wins {
		for j := i + 1; j < len(c.Wins); j++ {
			if c.asked(i, j) > 0 {
				return false
			}
		}
	}
	return true
}

// describe writes the fit into the summary.
func (p *Preferences) describe(fit Fit, counts Counts, takes []string) {
	z := math.Sqrt2 * math.Erfinv(Confidence)
	for i, name := range takes {
		e := fit.Error(i)
		compared := 0.0
		for j := range takes {
			if j != i {
				compared += counts.asked(min(i, j), max(i, j))
			}
		}
		v := fit.Ability[i]
		p.Abilities = append(p.Abilities, Ability{
			Take: name, Value: unit.Number(v), Error: unit.Number(e),
			Low: unit.Number(v - z*e), High: unit.Number(v + z*e), Group: fit.Group[i], Compared: int(compared),
		})
	}
	p.Model = "Bradley–Terry"
	if !math.IsInf(fit.Tie, -1) {
		p.Model = "Bradley–Terry with ties (Davidson 1970)"
	}
	p.Tie, p.TieError = unit.Number(fit.Tie), unit.Number(fit.TieError)
	p.Estimable, p.Reason, p.Penalty = fit.Finite, fit.Reason, unit.Number(fit.Penalty)
	p.ByReader = fit.ByReader != nil
	for _, t := range fit.Tiers {
		names := []string{}
		for _, i := range t {
			names = append(names, takes[i])
		}
		p.Tiers = append(p.Tiers, names)
	}
}

// discrimination pools the trials.
func discrimination(answers []Answer, takes []string) Discrimination {
	d := Discrimination{Pairs: []PairTrials{}}
	readers := map[string]bool{}
	n := len(takes)
	pools := make([]PairTrials, n*n)
	chance := make([]float64, n*n)
	for _, a := range answers {
		t := a.Trials
		k := t.A*n + t.B
		readers[a.Nonce] = true
		if t.Done < t.Planned {
			pools[k].Unfinished++
			continue
		}
		pools[k].Readers++
		pools[k].Trials += t.Done
		pools[k].Correct += t.Correct
		if least, ok := Critical(t.Done, UsualAlpha); ok {
			chance[k] += Tail(least, t.Done, 0.5)
			if t.Correct >= least {
				pools[k].Passed++
			}
		}
	}
	d.Readers = len(readers)
	var ps []float64
	for k, p := range pools {
		if p.Readers+p.Unfinished == 0 {
			continue
		}
		p.A, p.B = takes[k/n], takes[k%n]
		p.Share = share(p.Correct, p.Trials)
		p.P = P(Tail(p.Correct, p.Trials, 0.5))
		p.ByChance = unit.Number(chance[k])
		d.Pairs = append(d.Pairs, p)
		ps = append(ps, float64(p.P))
	}
	for i, v := range Holm(ps) {
		d.Pairs[i].PHolm = P(v)
	}
	return d
}

// ratings sums up the ratings.
func ratings(answers []Answer, takes []string) RatingSummary {
	s := RatingSummary{ScreenBelow: ScreenBelow, Takes: []Rated{}, Differences: []RatedGap{}}
	n := len(takes)
	values := make([][]float64, n+2)
	gaps := make([]RatedGap, n*n)
	for _, a := range answers {
		if a.Ratings.Hidden < ScreenBelow { // NotRated too
			s.Screened++
			continue
		}
		s.Readers++
		given := append(append([]int{}, a.Ratings.Takes...), a.Ratings.Hidden, a.Ratings.Anchor)
		for i, v := range given {
			if v == NotRated {
				continue
			}
			values[i] = append(values[i], float64(v))
			for j := i + 1; j < n; j++ {
				switch g := &gaps[i*n+j]; {
				case given[j] == NotRated:
				case v > given[j]:
					g.AboveA++
				case v < given[j]:
					g.AboveB++
				default:
					g.Equal++
				}
			}
		}
	}
	for i, name := range takes {
		s.Takes = append(s.Takes, rated(name, values[i]))
	}
	s.Hidden, s.Anchor = rated("hidden reference", values[n]), rated("anchor", values[n+1])
	var ps []float64
	for k, g := range gaps {
		if g.AboveA+g.AboveB+g.Equal == 0 {
			continue
		}
		p := TwoSided(g.AboveA, g.AboveA+g.AboveB)
		g.A, g.B, g.P = takes[k/n], takes[k%n], P(p)
		s.Differences = append(s.Differences, g)
		ps = append(ps, p)
	}
	for i, v := range Holm(ps) {
		s.Differences[i].PHolm = P(v)
	}
	return s
}

func rated(name string, values []float64) Rated {
	median, low, high, covers := Median(values, Confidence)
	return Rated{name, len(values), unit.Number(median), unit.Number(low), unit.Number(high), unit.Number(covers)}
}
