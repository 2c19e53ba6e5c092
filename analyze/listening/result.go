package listening

import (
	"math"
	"strconv"

	"evenhand/analyze/unit"
)

// P is a probability that may be very small. It is stored with four
// significant digits, NaN as null.
type P float64

// MarshalJSON writes four significant digits.
func (p P) MarshalJSON() ([]byte, error) {
	if math.IsNaN(float64(p)) {
		return []byte("null"), nil
	}
	return strconv.AppendFloat(nil, float64(p), 'g', 4, 64), nil
}

// UnmarshalJSON reads what MarshalJSON writes.
func (p *P) UnmarshalJSON(b []byte) error {
	if string(b) == "null" {
		*p = P(math.NaN())
		return nil
	}
	v, err := strconv.ParseFloat(string(b), 64)
	*p = P(v)
	return err
}

// Confidence is that of all intervals of a tally.
const Confidence = 0.95

// Result is the tally of an audience's answer codes: plain data in the order
// of the comparison's takes, slices never nil.
type Result struct {
	Comparison string      `json:"comparison"` // first ten hexadecimal digits
	Takes      []string    `json:"takes"`
	Confidence unit.Number `json:"confidence"`
	// Codes is the number of codes found, sound or not: the sum of the other
	// five.
	Codes      int `json:"codes"`
	Counted    int `json:"counted"`
	Duplicates int `json:"duplicates"` // the same code again
	// Repeats are further, different answers of one reader to the same
	// question; the first one in the text is counted.
	Repeats int `json:"repeats"`
	Damaged int `json:"damaged"` // the check does not agree, or an unknown version
	Foreign int `json:"foreign"` // of another comparison
	// Readers is the number of different readers among the codes counted.
	Readers int `json:"readers"`
	// Earlier tells of the codes counted that are about earlier comparisons of
	// some of the takes; nil when there are none.
	Earlier []EarlierCodes `json:"earlier,omitempty"`

	Preferences    Preferences    `json:"preferences"`
	Discrimination Discrimination `json:"discrimination"`
	Ratings        RatingSummary  `json:"ratings"`
	// Aside are the answers about takes that are not ranked; nil without any.
	Aside *Aside `json:"not_ranked,omitempty"`
	// Caveats says in sentences what cannot be concluded.
	Caveats []string `json:"caveats"`
}

// Take is a take of the comparison that listeners can hear.
type Take struct {
	Name string
	// Aside: the take is not ranked. Answers about it are counted, but listed in
	// [Result].Aside, and neither the order of preference nor the probabilities of
	// other pairs depend on them.
	Aside bool
}

// Aside are the pairs with a take that is not ranked, those that were asked. The
// probabilities allow for the number of pairs in the same list.
type Aside struct {
	Preferences []PairVote   `json:"preferences,omitempty"` // without an expected share
	Trials      []PairTrials `json:"trials,omitempty"`
	Ratings     []RatedGap   `json:"ratings,omitempty"`
}

// Preferences sums up the preferences.
type Preferences struct {
	Readers int        `json:"readers"`
	Pairs   []PairVote `json:"pairs"` // those that were asked
	// Abilities is empty when nothing was answered.
	Abilities []Ability `json:"abilities"`
	// Model names the model; Tie is the log of its tie parameter, with its
	// standard error. −Inf without ties.
	Model    string      `json:"model"`
	Tie      unit.Number `json:"log_tie"`
	TieError unit.Number `json:"log_tie_std_error"`
	// Estimable is false when the answers have no finite estimate: Reason says
	// why, Penalty how many answers for each side of each pair were made up
	// to get the abilities all the same, and Tiers which takes the answers
	// keep apart, by name.
	Estimable bool        `json:"estimable"`
	Reason    string      `json:"reason"`
	Penalty   unit.Number `json:"penalty"`
	Tiers     [][]string  `json:"tiers"`
	// ByReader says that the errors allow for each reader's answers hanging
	// together.
	ByReader bool     `json:"errors_by_reader"`
	ZeroLine ZeroLine `json:"zero_line"`
}

// PairVote holds the votes for one pair.
type PairVote struct {
	A     string `json:"a"`
	B     string `json:"b"`
	ForA  int    `json:"for_a"`
	ForB  int    `json:"for_b"`
	Ties  int    `json:"ties"`
	Share Share  `json:"share_for_a"` // among those with a preference
	// Exact two-sided sign test, each reader counted once; and adjusted for
	// the number of pairs (Holm).
	P     P `json:"p"`
	PHolm P `json:"p_holm"`
	// Expected is the share for A by the fitted model; NaN without one.
	Expected unit.Number `json:"expected_share_for_a"`
}

// Share is a proportion with its exact interval; NaN and 0 to 1 of nothing.
type Share struct {
	Value unit.Number `json:"value"`
	Low   unit.Number `json:"low"`
	High  unit.Number `json:"high"`
}

func share(k, n int) Share {
	low, high := Interval(k, n, Confidence)
	v := math.NaN()
	if n > 0 {
		v = float64(k) / float64(n)
	}
	return Share{unit.Number(v), unit.Number(low), unit.Number(high)}
}

// Ability is a take's log ability, the mean of its group being 0.
type Ability struct {
	Take     string      `json:"take"`
	Value    unit.Number `json:"log_ability"` // NaN for a take that was in no pair
	Error    unit.Number `json:"std_error"`
	Low      unit.Number `json:"low"`
	High     unit.Number `json:"high"`
	Group    int         `json:"group"` // abilities of different groups cannot be compared
	Compared int         `json:"compared"`
}

// ZeroLine is what readers answered when both takes of the pair were the same:
// the noise of the preferences.
type ZeroLine struct {
	Asked     int   `json:"asked"`
	Ties      int   `json:"ties"`
	First     int   `json:"first_played"`
	Second    int   `json:"second_played"`
	Preferred Share `json:"share_with_a_preference"`
	// OrderP is the two-sided sign test of first against second: whether the
	// order of playing sways the readers.
	OrderP P `json:"order_p"`
}

// Discrimination sums up the ABX trials.
type Discrimination struct {
	Readers int          `json:"readers"`
	Pairs   []PairTrials `json:"pairs"` // those that were tried
}

// PairTrials pools all readers' finished trials with one pair.
type PairTrials struct {
	A          string `json:"a"`
	B          string `json:"b"`
	Readers    int    `json:"readers"`    // with all planned trials done
	Unfinished int    `json:"unfinished"` // readers who stopped before; left out
	Trials     int    `json:"trials"`
	Correct    int    `json:"correct"`
	Share      Share  `json:"share_correct"`
	// P is the exact one-sided probability that guessing gets so many right;
	// PHolm is adjusted for the number of pairs.
	P     P `json:"p"`
	PHolm P `json:"p_holm"`
	// Passed readers reached p ≤ 0.05 on their own; so many would have by
	// guessing, on average.
	Passed   int         `json:"readers_passed"`
	ByChance unit.Number `json:"readers_passed_by_chance"`
}

// RatingSummary sums up the ratings.
type RatingSummary struct {
	Readers int `json:"readers"` // kept
	// Screened readers rated the hidden reference below ScreenBelow, or not
	// at all; left out.
	Screened    int        `json:"screened"`
	ScreenBelow int        `json:"screen_below"`
	Takes       []Rated    `json:"takes"`
	Hidden      Rated      `json:"hidden_reference"`
	Anchor      Rated      `json:"anchor"`
	Differences []RatedGap `json:"differences"` // between the takes, all pairs that were rated
}

// Rated is a take's ratings, 0 to 100.
type Rated struct {
	Take    string      `json:"take"`
	Ratings int         `json:"ratings"`
	Median  unit.Number `json:"median"`
	Low     unit.Number `json:"low"` // NaN below six ratings: no interval has the confidence
	High    unit.Number `json:"high"`
	Covers  unit.Number `json:"covers"` // the interval's exact confidence
}

// RatedGap is how many readers rated one take above another.
type RatedGap struct {
	A      string `json:"a"`
	B      string `json:"b"`
	AboveA int    `json:"a_above_b"`
	AboveB int    `json:"b_above_a"`
	Equal  int    `json:"equal"`
	P      P      `json:"p"` // exact two-sided sign test
	PHolm  P      `json:"p_holm"`
}
