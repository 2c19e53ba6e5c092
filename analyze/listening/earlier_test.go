package listening

import (
	"errors"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"strings"
	"testing"
)

const laterHash = "beef00112233445566778899"

// fourTakes are the three in another order and one more.
var fourTakes = named("Harrow", "Leaning", "Dune", "Splitting")

var asThree = Earlier{Comparison: hash, Takes: []int{3, 1, 0}, SameReference: true}

func tallyFour(t *testing.T, text string, earlier ...Earlier) Result {
	t.Helper()
	r, err := Tally(Find(strings.NewReader(text)), fourTakes, laterHash, earlier...)
	if err != nil {
		t.Fatal(err)
	}
	if r.Codes != r.Counted+r.Duplicates+r.Repeats+r.Damaged+r.Foreign {
		t.Errorf("%d codes are not the sum of %d, %d, %d, %d, %d", r.Codes, r.Counted, r.Duplicates, r.Repeats, r.Damaged, r.Foreign)
	}
	return r
}

// Law: what readers said of three takes stays the same, take by take, when a
// fourth stands among them in another order.
func TestTallyEarlierSaysTheSame(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 3))
	list := []Answer{}
	for i := range 40 {
		v := votes(i, Outcome(rng.IntN(4)), Outcome(rng.IntN(4)), Outcome(rng.IntN(4)), Outcome(rng.IntN(4)))
		if v.Preference.Same != NotAsked {
			v.Preference.SameTake = rng.IntN(3)
		}
		done := 5 + rng.IntN(10)
		list = append(list, v, tried(i, 0, 1+rng.IntN(2), done, done, rng.IntN(done)), marked(i, 85+rng.IntN(16), 10, rng.IntN(101), rng.IntN(101), rng.IntN(101)))
	}
	text := pasted(t, list...)
	was, is := tally(t, text), tallyFour(t, text, asThree)
	if is.Counted != was.Counted || is.Readers != was.Readers || is.Foreign != 0 || len(is.Preferences.Pairs) != 3 {
		t.Fatalf("%+v\n%+v", was, is)
	}
	if want := []EarlierCodes{{hash[:10], was.Takes, 120, 40}}; !reflect.DeepEqual(is.Earlier, want) {
		t.Errorf("earlier codes %+v, want %+v", is.Earlier, want)
	}
	type votes struct{ a, b, ties int }
	for _, p := range was.Preferences.Pairs {
		i := slices.IndexFunc(is.Preferences.Pairs, func(q PairVote) bool { return q.A == p.B && q.B == p.A })
		if i < 0 { // all three are turned round
			t.Fatalf("%s / %s is gone: %+v", p.A, p.B, is.Preferences.Pairs)
		}
		q := is.Preferences.Pairs[i]
		if got, want := (votes{q.ForB, q.ForA, q.Ties}), (votes{p.ForA, p.ForB, p.Ties}); got != want || q.PHolm != p.PHolm {
			t.Errorf("%s / %s: %+v, was %+v", p.A, p.B, got, want)
		}
	}
	if is.Preferences.ZeroLine != was.Preferences.ZeroLine {
		t.Errorf("zero line %+v, was %+v", is.Preferences.ZeroLine, was.Preferences.ZeroLine)
	}
	for _, a := range was.Preferences.Abilities {
		i := slices.IndexFunc(is.Preferences.Abilities, func(b Ability) bool { return b.Take == a.Take })
		b := is.Preferences.Abilities[i]
		if math.Abs(float64(a.Value-b.Value)) > 1e-9 || math.Abs(float64(a.Error-b.Error)) > 1e-9 || a.Compared != b.Compared {
			t.Errorf("%+v, was %+v", b, a)
		}
	}
	if d := is.Preferences.Abilities[2]; d.Take != "Dune" || d.Group != -1 || d.Compared != 0 {
		t.Errorf("the new take: %+v", d)
	}
	for _, p := range was.Discrimination.Pairs {
		if !slices.ContainsFunc(is.Discrimination.Pairs, func(q PairTrials) bool {
			return q.A == p.B && q.B == p.A && q.Correct == p.Correct && q.Trials == p.Trials && q.PHolm == p.PHolm
		}) {
			t.Errorf("%+v is gone: %+v", p, is.Discrimination.Pairs)
		}
	}
	for _, p := range was.Ratings.Takes {
		if !slices.Contains(is.Ratings.Takes, p) {
			t.Errorf("%+v is gone: %+v", p, is.Ratings.Takes)
		}
	}
	if is.Ratings.Takes[2].Ratings != 0 || is.Ratings.Hidden != was.Ratings.Hidden {
		t.Errorf("%+v", is.Ratings)
	}
	// Without being told of the three, the codes are of other audio.
	if r := tallyFour(t, text); r.Counted != 0 || r.Foreign != 120 || r.Earlier != nil {
		t.Errorf("%d counted, %d foreign", r.Counted, r.Foreign)
	}
	other := asThree
	other.SameReference = false
	if r := tallyFour(t, text, other); r.Counted != 80 || r.Foreign != 40 {
		t.Errorf("another reference: %d counted, %d foreign", r.Counted, r.Foreign)
	}
}

// A reader who comes back after the fourth take was added is one reader: what
// was answered before counts, and of the new code what is new.
func TestTallyReaderComesBack(t *testing.T) {
	before := votes(1, First, First, First, First) // Splitting, Leaning, Harrow in this order
	after := Answer{Kind: KindPreference, Comparison: laterHash, Nonce: reader(1), Takes: 4,
		// Harrow/Leaning, Harrow/Dune, Harrow/Splitting, Leaning/Dune, Leaning/Splitting, Dune/Splitting
		Preference: &Preference{Pairs: []Outcome{First, Second, First, Second, First, Second}, Same: Second}}
	sold := Answer{Kind: KindPreference, Comparison: laterHash, Nonce: reader(2), Takes: 4,
		Preference: &Preference{Pairs: []Outcome{First, First, First, First, First, First}}}
	r := tallyFour(t, pasted(t, before, after, sold), asThree)
	if r.Counted != 3 || r.Readers != 2 || r.Preferences.Readers != 2 || r.Repeats != 0 {
		t.Fatalf("%+v", r)
	}
	want := map[string][2]int{
		"Harrow/Leaning": {1, 1}, "Harrow/Splitting": {1, 1}, "Leaning/Splitting": {1, 1}, // as before, against reader 2
		"Harrow/Dune": {1, 1}, "Leaning/Dune": {1, 1}, "Dune/Splitting": {1, 1}, // from after
	}
	for _, p := range r.Preferences.Pairs {
		if got := [2]int{p.ForA, p.ForB}; got != want[p.A+"/"+p.B] {
			t.Errorf("%s/%s: %v", p.A, p.B, got)
		}
	}
	if z := r.Preferences.ZeroLine; z.Asked != 1 || z.First != 1 {
		t.Errorf("zero line %+v", z)
	}
	if r.Earlier[0].Counted != 1 || r.Earlier[0].Readers != 1 {
		t.Errorf("%+v", r.Earlier)
	}
	// A second full set about the same takes adds nothing.
	again := after
	again.Preference = &Preference{Pairs: []Outcome{Tie, Tie, Tie, Tie, Tie, Tie}}
	if r := tallyFour(t, pasted(t, before, after, again), asThree); r.Counted != 2 || r.Repeats != 1 {
		t.Errorf("%d counted, %d repeats", r.Counted, r.Repeats)
	}
	// The same two takes tried again are the same question.
	later := Answer{Kind: KindTrials, Comparison: laterHash, Nonce: reader(1), Takes: 4, Trials: &Trials{1, 3, 10, 10, 2}}
	if r := tallyFour(t, pasted(t, tried(1, 0, 1, 10, 10, 9), later), asThree); r.Repeats != 1 || r.Discrimination.Pairs[0].Correct != 9 {
		t.Errorf("%+v", r.Discrimination)
	}
}

func TestTallyEarlierErrors(t *testing.T) {
	for name, e := range map[string]Earlier{
		"short hash": {Comparison: "abc", Takes: []int{0, 1}}, "one take": {Comparison: hash, Takes: []int{0}},
		"no such take": {Comparison: hash, Takes: []int{0, 4}}, "a take twice": {Comparison: hash, Takes: []int{1, 1}},
	} {
		if _, err := Tally(Find(strings.NewReader("")), fourTakes, laterHash, e); !errors.Is(err, ErrTally) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}
