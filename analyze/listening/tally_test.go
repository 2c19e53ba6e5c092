package listening

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
)

var threeTakes = named("Splitting", "Leaning", "Harrow")

// named are takes that are all ranked.
func named(names ...string) []Take {
	out := []Take{}
	for _, n := range names {
		out = append(out, Take{Name: n})
	}
	return out
}

func reader(i int) string { return fmt.Sprintf("%010x", 0xA000000000+i) }

func votes(i int, same Outcome, pairs ...Outcome) Answer {
	return Answer{Kind: KindPreference, Comparison: hash, Nonce: reader(i), Takes: 3, Preference: &Preference{Pairs: pairs, Same: same}}
}

func tried(i, a, b, planned, done, correct int) Answer {
	return Answer{Kind: KindTrials, Comparison: hash, Nonce: reader(i), Takes: 3, Trials: &Trials{a, b, planned, done, correct}}
}

func marked(i int, hidden, anchor int, takes ...int) Answer {
	return Answer{Kind: KindRatings, Comparison: hash, Nonce: reader(i), Takes: 3, Ratings: &Ratings{takes, hidden, anchor}}
}

func tally(t *testing.T, text string) Result {
	t.Helper()
	r, err := Tally(Find(strings.NewReader(text)), threeTakes, hash)
	if err != nil {
		t.Fatal(err)
	}
	if r.Codes != r.Counted+r.Duplicates+r.Repeats+r.Damaged+r.Foreign {
		t.Errorf("%d codes are not the sum of %d, %d, %d, %d, %d", r.Codes, r.Counted, r.Duplicates, r.Repeats, r.Damaged, r.Foreign)
	}
	return r
}

func pasted(t *testing.T, answers ...Answer) string {
	t.Helper()
	var s strings.Builder
	for _, a := range answers {
		fmt.Fprintf(&s, "my result: %s thanks\n", code(t, a))
	}
	return s.String()
}

func TestTallyCounts(t *testing.T) {
	first := votes(1, Tie, First, First, Tie)
	again := votes(1, Tie, Second, First, Tie)
	other := votes(2, First, First, Second, Tie)
	foreign := votes(3, Tie, First, First, Tie)
	foreign.Comparison = strings.Repeat("0", 64)
	four := Answer{Kind: KindTrials, Comparison: hash, Nonce: reader(4), Takes: 4, Trials: &Trials{0, 3, 10, 10, 9}}
	c := code(t, other)
	s := pasted(t, first, again, first, again, foreign, four, other, tried(1, 0, 1, 10, 10, 9), tried(1, 0, 1, 10, 10, 5), tried(1, 0, 2, 10, 10, 5), marked(1, 95, 10, 90, 80, 70)) +
		strings.ToLower(c) + "\n" + c[:20] + "-" + c[20:] + "\n" + c[:25] + "!"
	r := tally(t, s)
	got := []int{r.Codes, r.Counted, r.Duplicates, r.Repeats, r.Damaged, r.Foreign, r.Readers}
	if want := []int{14, 5, 4, 2, 1, 2, 2}; !slices.Equal(got, want) {
		t.Errorf("codes, counted, duplicates, repeats, damaged, foreign, readers are %v, want %v", got, want)
	}
	// The first answer of reader 1 counts, not the second.
	if p := r.Preferences.Pairs[0]; p.ForA != 2 || p.ForB != 0 {
		t.Errorf("first pair %+v", p)
	}
	if p := r.Discrimination.Pairs[0]; p.Correct != 9 || p.Trials != 10 {
		t.Errorf("trials %+v", p)
	}
}

func TestTallyOfNothing(t *testing.T) {
	r := tally(t, "no code at all")
	if r.Codes != 0 || len(r.Caveats) != 1 || r.Preferences.Estimable {
		t.Errorf("%+v", r)
	}
	b, err := json.Marshal(r)
	if err != nil {
		t.Fatal(err)
	}
	if bytes.Contains(b, []byte(":null,\"")) && !bytes.Contains(b, []byte(`"log_tie":null`)) || bytes.Contains(b, []byte(`"pairs":null`)) || bytes.Contains(b, []byte(`"tiers":null`)) {
		t.Errorf("nil slices in %s", b)
	}
	// Only the zero line was asked.
	r = tally(t, pasted(t, votes(1, First, 0, 0, 0)))
	if r.Counted != 1 || len(r.Preferences.Pairs) != 0 || r.Preferences.ZeroLine.First != 1 || r.Preferences.Reason == "" {
		t.Errorf("%+v", r.Preferences)
	}
}

func TestTallyErrors(t *testing.T) {
	none := Find(strings.NewReader(""))
	for name, c := range map[string]struct {
		takes []Take
		hash  string
	}{"one take": {threeTakes[:1], hash}, "many takes": {make([]Take, 17), hash}, "short hash": {threeTakes, "abc"}, "no hash": {threeTakes, ""}, "not hexadecimal": {threeTakes, "0123456789xyz"[3:]}} {
		if _, err := Tally(none, c.takes, c.hash); !errors.Is(err, ErrTally) {
			t.Errorf("%s: error %v", name, err)
		}
	}
	broken := errors.New("broken")
	if _, err := Tally(Find(iotest.ErrReader(broken)), threeTakes, hash); !errors.Is(err, broken) {
		t.Errorf("error %v, want the reader's", err)
	}
}

func TestTallyTrials(t *testing.T) {
	r := tally(t, pasted(t, tried(1, 0, 1, 16, 16, 12), tried(2, 0, 1, 10, 10, 6), tried(3, 0, 1, 20, 14, 14), tried(4, 0, 1, 4, 4, 2),
		tried(1, 1, 2, 10, 10, 10), tried(5, 0, 2, 12, 11, 3)))
	d := r.Discrimination
	if d.Readers != 5 || len(d.Pairs) != 3 {
		t.Fatalf("%+v", d)
	}
	p := d.Pairs[0]
	if p.A != "Splitting" || p.B != "Leaning" || p.Readers != 3 || p.Unfinished != 1 || p.Trials != 30 || p.Correct != 20 || p.Passed != 1 {
		t.Errorf("%+v", p)
	}
	// 20 of 30: 0.04936857335, exact integer sum.
	near(t, "p", float64(p.P), 0.04936857335, 1e-10)
	near(t, "adjusted", float64(p.PHolm), 2*0.04936857335, 1e-10)
	low, high := Interval(20, 30, 0.95)
	near(t, "low", float64(p.Share.Low), low, 1e-12)
	near(t, "high", float64(p.Share.High), high, 1e-12)
	// Of 16, 10 and 4 trials guessing passes with 0.0384, 0.0107 and never.
	near(t, "by chance", float64(p.ByChance), 0.03840637207+0.0107421875, 1e-9)
	if q := d.Pairs[1]; q.A != "Splitting" || q.B != "Harrow" || q.Trials != 0 || q.P != 1 || !math.IsNaN(float64(q.Share.Value)) || q.Share.High != 1 {
		t.Errorf("nothing finished: %+v", q)
	}
	if q := d.Pairs[2]; q.A != "Leaning" || math.Abs(float64(q.P)*1024-1) > 1e-12 || math.Abs(float64(q.PHolm)*1024-3) > 1e-12 {
		t.Errorf("ten of ten: %+v", q)
	}
}

func TestTallyPreferences(t *testing.T) {
	// 24 readers in a circle of opinions that leans to the first take.
	var all []Answer
	for i := range 24 {
		a, b, c := First, First, Tie
		switch i % 4 {
		case 1:
			c = First
		case 2:
			b, c = Second, Second
		case 3:
			a = Second
		}
		same := Tie
		if i%3 == 0 {
			same = First
		} else if i == 1 {
			same = Second
		}
		all = append(all, votes(i, same, a, b, c))
	}
	r := tally(t, pasted(t, all...))
	p := r.Preferences
	if p.Readers != 24 || len(p.Pairs) != 3 || !p.Estimable || !p.ByReader || p.Reason != "" || !strings.Contains(p.Model, "Davidson") {
		t.Fatalf("%+v", p)
	}
	if v := p.Pairs[0]; v.ForA != 18 || v.ForB != 6 || v.Ties != 0 {
		t.Errorf("%+v", v)
	}
	if v := p.Pairs[2]; v.A != "Leaning" || v.B != "Harrow" || v.ForA != 6 || v.ForB != 6 || v.Ties != 12 || v.P != 1 {
		t.Errorf("%+v", v)
	}
	near(t, "share", float64(p.Pairs[0].Share.Value), 0.75, 1e-12)
	near(t, "p", float64(p.Pairs[0].P), TwoSided(18, 24), 1e-12)
	sum := 0.0
	for i, a := range p.Abilities {
		if a.Take != threeTakes[i].Name || a.Compared != 48 || a.Group != 0 || !(a.Low < a.Value && a.Value < a.High) {
			t.Errorf("%+v", a)
		}
		near(t, "half width", float64(a.High-a.Value), 1.959964*float64(a.Error), 1e-5)
		sum += float64(a.Value)
	}
	near(t, "sum", sum, 0, 1e-9)
	// By symmetry the second and third take are equal and 18 of 24 is what the
	// model expects of both pairs of the first.
	near(t, "second less third", float64(p.Abilities[1].Value-p.Abilities[2].Value), 0, 1e-9)
	near(t, "expected", float64(p.Pairs[0].Expected), float64(p.Pairs[1].Expected), 1e-9)
	z := p.ZeroLine
	if z.Asked != 24 || z.First != 8 || z.Second != 1 || z.Ties != 15 {
		t.Errorf("%+v", z)
	}
	near(t, "zero line", float64(z.Preferred.Value), 9.0/24, 1e-12)
	near(t, "order", float64(z.OrderP), 20.0/512, 1e-12)
	if !slices.ContainsFunc(r.Caveats, func(s string) bool { return strings.Contains(s, "9 (38 %; 95 % interval 19 to 59 %)") }) {
		t.Errorf("the zero line is not among %q", r.Caveats)
	}
}

// Two readers of one opinion: nothing finite, and the tally says so.
func TestTallyWithoutEstimate(t *testing.T) {
	r := tally(t, pasted(t, votes(1, NotAsked, First, First, First), votes(2, NotAsked, First, First, First)))
	p := r.Preferences
	if p.Estimable || p.Penalty != Penalty || p.Reason == "" || !reflect.DeepEqual(p.Tiers, [][]string{{"Splitting"}, {"Leaning"}, {"Harrow"}}) {
		t.Errorf("%+v", p)
	}
	if !(p.Abilities[0].Value > p.Abilities[1].Value && p.Abilities[1].Value > p.Abilities[2].Value) {
		t.Errorf("%+v", p.Abilities)
	}
	all := strings.Join(r.Caveats, "\n")
	for _, s := range []string{"cannot be estimated", "made-up", "No listener was asked about a hidden pair", "chose themselves"} {
		if !strings.Contains(all, s) {
			t.Errorf("the caveats do not say %q:\n%s", s, all)
		}
	}
}

func TestTallyRatings(t *testing.T) {
	var all []Answer
	for i := range 10 {
		all = append(all, marked(i, 90+i, 20, NotRated, 50+i, 60-i))
	}
	all = append(all, marked(20, 89, 20, 100, 100, 0), marked(21, NotRated, 20, 100, 100, 0))
	s := tally(t, pasted(t, all...)).Ratings
	if s.Readers != 10 || s.Screened != 2 || len(s.Takes) != 3 {
		t.Fatalf("%+v", s)
	}
	if v := s.Takes[0]; v.Ratings != 0 || !math.IsNaN(float64(v.Median)) {
		t.Errorf("%+v", v)
	}
	if v := s.Takes[1]; v.Ratings != 10 || v.Median != 54.5 || v.Low != 51 || v.High != 58 || math.Abs(float64(v.Covers)-(1-22.0/1024)) > 1e-12 {
		t.Errorf("%+v", v)
	}
	if s.Hidden.Median != 94.5 || s.Anchor.Median != 20 || s.Anchor.Low != 20 {
		t.Errorf("%+v %+v", s.Hidden, s.Anchor)
	}
	if len(s.Differences) != 1 || s.Differences[0].AboveA != 4 || s.Differences[0].AboveB != 5 || s.Differences[0].Equal != 1 {
		t.Errorf("%+v", s.Differences)
	}
}

// The same text gives the same bytes, and the counts do not depend on the
// order of the codes when nobody answers twice.
func TestTallyIsDeterministic(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	var all []Answer
	for i := range 60 {
		o := func() Outcome { return Outcome(1 + rng.IntN(3)) }
		all = append(all, votes(i, o(), o(), o(), o()), tried(i, 0, 1+i%2, 10, 10, rng.IntN(11)), marked(i, 85+rng.IntN(15), 20, rng.IntN(101), rng.IntN(101), rng.IntN(101)))
	}
	s := pasted(t, all...)
	a, err := json.MarshalIndent(tally(t, s), "", " ")
	if err != nil {
		t.Fatal(err)
	}
	b, _ := json.MarshalIndent(tally(t, s), "", " ")
	if !bytes.Equal(a, b) {
		t.Error("two tallies of one text differ")
	}
	rng.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
	c, _ := json.MarshalIndent(tally(t, pasted(t, all...)), "", " ")
	if !bytes.Equal(a, c) {
		t.Error("the order of the codes changes the tally")
	}
	var r Result
	if err := json.Unmarshal(a, &r); err != nil {
		t.Fatal(err)
	}
	if d, _ := json.MarshalIndent(r, "", " "); !bytes.Equal(a, d) {
		t.Error("the tally does not survive being stored and read")
	}
}

func TestCaveats(t *testing.T) {
	r := tally(t, pasted(t, votes(1, Tie, First, NotAsked, NotAsked), votes(1, Tie, Second, NotAsked, NotAsked), votes(2, First, Second, NotAsked, NotAsked),
		tried(1, 0, 1, 10, 10, 9), tried(2, 0, 1, 10, 4, 4), marked(1, 95, 20, 50, 60, 70), marked(2, 5, 20, 50, 60, 70)))
	all := strings.Join(r.Caveats, "\n")
	for _, s := range []string{
		"1 code was of a listener who had answered", "1 (50 %", "With 2 listeners", "1 test reached p ≤ 0.05 alone; by guessing, 0.0 would",
		"1 test was stopped before the planned number of trials and left out", "the 1 of 2 listeners who gave the hidden reference at least 90", "Fewer than six ratings", "A preference is not a quality",
	} {
		if !strings.Contains(all, s) {
			t.Errorf("the caveats do not say %q:\n%s", s, all)
		}
	}
}

// Law: a take that is not ranked changes nothing about the others. What was
// answered about it is still counted, apart.
func TestTallyAside(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 4))
	list := []Answer{}
	for i := range 60 {
		n := 6 + rng.IntN(10)
		list = append(list, votes(i, Outcome(rng.IntN(4)), Outcome(rng.IntN(4)), Outcome(rng.IntN(4)), Outcome(rng.IntN(4))),
			tried(i, rng.IntN(2), 2, n, n, rng.IntN(n)), tried(i, 0, 1, n, n, rng.IntN(n)),
			marked(i, 92, 5, rng.IntN(101), rng.IntN(101), rng.IntN(101)))
	}
	all := tally(t, pasted(t, list...))
	if all.Aside != nil {
		t.Fatalf("every take is ranked: %+v", all.Aside)
	}
	takes := slices.Clone(threeTakes)
	takes[2].Aside = true
	got, err := Tally(Find(strings.NewReader(pasted(t, list...))), takes, hash)
	if err != nil {
		t.Fatal(err)
	}
	if got.Counted != all.Counted || got.Readers != all.Readers || got.Preferences.ZeroLine != all.Preferences.ZeroLine {
		t.Errorf("counted %d of %d readers, want %d of %d", got.Counted, got.Readers, all.Counted, all.Readers)
	}
	// As if nobody had been asked about the third take.
	for i := range list {
		switch a := &list[i]; {
		case a.Preference != nil:
			pairs := slices.Clone(a.Preference.Pairs)
			pairs[1], pairs[2] = NotAsked, NotAsked
			a.Preference = &Preference{Pairs: pairs, Same: a.Preference.Same}
		case a.Ratings != nil:
			a.Ratings = &Ratings{Takes: []int{a.Ratings.Takes[0], a.Ratings.Takes[1], NotRated}, Hidden: a.Ratings.Hidden, Anchor: a.Ratings.Anchor}
		}
	}
	list = slices.DeleteFunc(list, func(a Answer) bool { return a.Trials != nil && a.Trials.B == 2 })
	without := tally(t, pasted(t, list...))
	without.Preferences.Abilities = slices.DeleteFunc(without.Preferences.Abilities, func(a Ability) bool { return a.Take == "Harrow" })
	same := func(what string, got, want any) {
		g, err := json.Marshal(got)
		if err != nil {
			t.Fatal(err)
		}
		w, err := json.Marshal(want)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(g, w) {
			t.Errorf("%s:\n%s\nwant\n%s", what, g, w)
		}
	}
	same("preferences", got.Preferences, without.Preferences)
	same("told apart", got.Discrimination.Pairs, without.Discrimination.Pairs)
	same("ratings", got.Ratings.Differences, without.Ratings.Differences)
	// The answers about the third take are all there.
	x := got.Aside
	if x == nil || len(x.Preferences) != 2 || len(x.Trials) != 2 || len(x.Ratings) != 2 {
		t.Fatalf("not ranked: %+v", x)
	}
	for i, p := range x.Preferences {
		q := all.Preferences.Pairs[i+1]
		if p.A != q.A || p.B != "Harrow" || p.ForA != q.ForA || p.ForB != q.ForB || p.Ties != q.Ties || p.P != q.P || !math.IsNaN(float64(p.Expected)) {
			t.Errorf("votes %+v, want those of %+v", p, q)
		}
		r := all.Discrimination.Pairs[i+1]
		if s := x.Trials[i]; s.A != r.A || s.B != r.B || s.Trials != r.Trials || s.Correct != r.Correct || s.P != r.P {
			t.Errorf("trials %+v, want those of %+v", s, r)
		}
		g := all.Ratings.Differences[i+1]
		if s := x.Ratings[i]; s.A != g.A || s.B != g.B || s.AboveA != g.AboveA || s.P != g.P {
			t.Errorf("ratings %+v, want those of %+v", s, g)
		}
	}
}
