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
func Tally(found iter.Seq2[Found, error], takes []Take, comparison string, earlier ...Earlier) (Result, error) {
	if n := len(takes); n < MinTakes || n > MaxTakes {
		return Result{}, fmt.Errorf("%w: the comparison has %d takes; listening tests have %d to %d", ErrTally, n, MinTakes, MaxTakes)
	}
	about, err := states(len(takes), comparison, earlier)
	if err != nil {
		return Result{}, err
	}
	r := Result{Comparison: strings.ToLower(comparison[:digits]), Takes: []string{}, Confidence: Confidence}
	for _, t := range takes {
		r.Takes = append(r.Takes, t.Name)
	}
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
	var aside Aside
	if r.Preferences, aside.Preferences, err = preferences(answers[1], takes); err != nil {
		return Result{}, err
	}
	r.Discrimination, aside.Trials = discrimination(answers[2], takes)
	r.Ratings, aside.Ratings = ratings(answers[3], takes)
	if len(aside.Preferences)+len(aside.Trials)+len(aside.Ratings) > 0 {
		r.Aside = &aside
	}
	r.Caveats = caveats(r)
	return r, nil
}

// preferences sums up the answers of that kind. Votes about pairs that are not
// ranked are returned apart; the fit knows nothing of them.
func preferences(answers []Answer, takes []Take) (Preferences, []PairVote, error) {
	p := Preferences{
		Readers: len(answers), Pairs: []PairVote{}, Abilities: []Ability{}, Tiers: [][]string{},
		Tie: unit.Number(math.NaN()), TieError: unit.Number(math.NaN()),
	}
	counts, apart := NewCounts(len(takes)), NewCounts(len(takes))
	var readers [][]Outcome
	for _, a := range answers {
		ranked, other := split(a.Preference.Pairs, takes)
		counts.Add(ranked)
		apart.Add(other)
		readers = append(readers, ranked)
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

	aside := pairVotes(apart, takes, nil)
	fit, err := FitPreferences(counts, readers)
	switch {
	case err == nil:
		p.describe(fit, counts, takes)
	case len(answers) > 0 && !blank(counts):
		return Preferences{}, nil, err
	default:
		p.Reason = "no preferences were given"
		return p, aside, nil
	}
	p.Pairs = pairVotes(counts, takes, &fit)
	return p, aside, nil
}

// split parts one reader's outcomes into those of pairs that are ranked and the
// others.
func split(pairs []Outcome, takes []Take) (ranked, other []Outcome) {
	ranked, other = make([]Outcome, len(pairs)), make([]Outcome, len(pairs))
	k := 0
	for i := range takes {
		for j := i + 1; j < len(takes); j++ {
			if takes[i].Aside || takes[j].Aside {
				other[k] = pairs[k]
			} else {
				ranked[k] = pairs[k]
			}
			k++
		}
	}
	return ranked, other
}

// pairVotes lists the pairs that were asked; fit is nil for those without a model.
func pairVotes(counts Counts, takes []Take, fit *Fit) []PairVote {
	out := []PairVote{}
	var ps []float64
	for i := range takes {
		for j := i + 1; j < len(takes); j++ {
			if counts.asked(i, j) == 0 {
				continue
			}
			a, b := int(counts.Wins[i][j]), int(counts.Wins[j][i])
			expected := math.NaN()
			if fit != nil {
				d, _ := fit.Difference(i, j)
				expected = 1 / (1 + math.Exp(-d))
			}
			out = append(out, PairVote{
				A: takes[i].Name, B: takes[j].Name, ForA: a, ForB: b, Ties: int(counts.Ties[i][j]),
				Share: share(a, a+b), P: P(TwoSided(a, a+b)), Expected: unit.Number(expected),
			})
			ps = append(ps, TwoSided(a, a+b))
		}
	}
	for i, v := range Holm(ps) {
		out[i].PHolm = P(v)
	}
	return out
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
func (p *Preferences) describe(fit Fit, counts Counts, takes []Take) {
	z := math.Sqrt2 * math.Erfinv(Confidence)
	for i, t := range takes {
		if t.Aside {
			continue
		}
		e := fit.Error(i)
		compared := 0.0
		for j := range takes {
			if j != i {
				compared += counts.asked(min(i, j), max(i, j))
			}
		}
		v := fit.Ability[i]
		p.Abilities = append(p.Abilities, Ability{
			Take: t.Name, Value: unit.Number(v), Error: unit.Number(e),
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
			names = append(names, takes[i].Name)
		}
		p.Tiers = append(p.Tiers, names)
	}
}

// discrimination pools the trials; those of pairs that are not ranked apart.
func discrimination(answers []Answer, takes []Take) (d Discrimination, aside []PairTrials) {
	d.Pairs = []PairTrials{}
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
	for k, p := range pools {
		if p.Readers+p.Unfinished == 0 {
			continue
		}
		a, b := takes[k/n], takes[k%n]
		p.A, p.B = a.Name, b.Name
		p.Share = share(p.Correct, p.Trials)
		p.P = P(Tail(p.Correct, p.Trials, 0.5))
		p.ByChance = unit.Number(chance[k])
		if a.Aside || b.Aside {
			aside = append(aside, p)
		} else {
			d.Pairs = append(d.Pairs, p)
		}
	}
	for _, pairs := range [][]PairTrials{d.Pairs, aside} {
		var ps []float64
		for _, p := range pairs {
			ps = append(ps, float64(p.P))
		}
		for i, v := range Holm(ps) {
			pairs[i].PHolm = P(v)
		}
	}
	return d, aside
}

// ratings sums up the ratings; differences of pairs that are not ranked apart.
func ratings(answers []Answer, takes []Take) (s RatingSummary, aside []RatedGap) {
	s = RatingSummary{ScreenBelow: ScreenBelow, Takes: []Rated{}, Differences: []RatedGap{}}
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
	for i, t := range takes {
		s.Takes = append(s.Takes, rated(t.Name, values[i]))
	}
	s.Hidden, s.Anchor = rated("hidden reference", values[n]), rated("anchor", values[n+1])
	for k, g := range gaps {
		if g.AboveA+g.AboveB+g.Equal == 0 {
			continue
		}
		a, b := takes[k/n], takes[k%n]
		g.A, g.B, g.P = a.Name, b.Name, P(TwoSided(g.AboveA, g.AboveA+g.AboveB))
		if a.Aside || b.Aside {
			aside = append(aside, g)
		} else {
			s.Differences = append(s.Differences, g)
		}
	}
	for _, pairs := range [][]RatedGap{s.Differences, aside} {
		var ps []float64
		for _, g := range pairs {
			ps = append(ps, float64(g.P))
		}
		for i, v := range Holm(ps) {
			pairs[i].PHolm = P(v)
		}
	}
	return s, aside
}

func rated(name string, values []float64) Rated {
	median, low, high, covers := Median(values, Confidence)
	return Rated{name, len(values), unit.Number(median), unit.Number(low), unit.Number(high), unit.Number(covers)}
}
