package listening

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Kind is what a code answers.
type Kind string

// The kinds of listening test.
const (
	KindPreference Kind = "preference" // which of two hidden takes is preferred
	KindTrials     Kind = "trials"     // ABX: which of two takes a third, X, is
	KindRatings    Kind = "ratings"    // all takes at once, 0 to 100
)

// Outcome is the answer for a pair.
type Outcome int

// The outcomes of a pair, with their values in the code.
const (
	NotAsked Outcome = iota
	Tie              // no preference
	First            // the first is preferred
	Second
)

// NotRated stands for a rating that was not given.
const NotRated = -1

// MinTakes and MaxTakes bound the number of takes in a code, MaxTrials the
// trials of one.
const (
	MinTakes  = 2
	MaxTakes  = 16
	MaxTrials = 255
)

// Answer is what one code says. Exactly the field of its kind is set.
type Answer struct {
	Kind Kind `json:"kind"`
	// Comparison is the first ten hexadecimal digits of the SHA-256 that names
	// the comparison's published audio; [Encode] takes longer ones too.
	Comparison string `json:"comparison"`
	// Nonce is the reader's random number, ten hexadecimal digits. It is the
	// same in all codes of one reader and says nothing about them.
	Nonce string `json:"nonce"`
	// Takes is the number of takes of the comparison, MinTakes to MaxTakes.
	Takes      int         `json:"takes"`
	Preference *Preference `json:"preference,omitempty"`
	Trials     *Trials     `json:"trials,omitempty"`
	Ratings    *Ratings    `json:"ratings,omitempty"`
}

// Preference holds the answers to pairs of takes.
type Preference struct {
	// Pairs has one outcome per pair in the order (0,1) (0,2) … (1,2) …; First
	// is the take that comes first in the comparison, whichever was played first.
	Pairs []Outcome `json:"pairs"`
	// SameTake is the take that the hidden pair of identical takes was made
	// of, Same the answer; First is the one that was played first. Both are 0
	// when there was no such pair.
	SameTake int     `json:"same_take"`
	Same     Outcome `json:"same"`
}

// Trials holds the result of ABX trials with one pair of takes,
// A before B in the comparison's order.
type Trials struct {
	A       int `json:"a"`
	B       int `json:"b"`
	Planned int `json:"planned"` // 1 to MaxTrials
	Done    int `json:"done"`
	Correct int `json:"correct"`
}

// Ratings holds ratings from 0 to 100 or NotRated: per take, of the hidden
// copy of the reference and of the low-passed anchor.
type Ratings struct {
	Takes  []int `json:"takes"`
	Hidden int   `json:"hidden"`
	Anchor int   `json:"anchor"`
}

// Errors of the codes; match them with errors.Is.
var (
	ErrAnswer  = errors.New("answer cannot be written as a code")
	ErrDamaged = errors.New("damaged answer code")
	ErrVersion = errors.New("answer code of a version that this program does not know")
)

const (
	version    = 1
	digits     = 10 // hexadecimal digits of comparison and nonce
	headBits   = 15 + 2*4*digits
	checkBits  = 30
	notRated   = 127
	maxSymbols = (headBits+MaxTakes*(MaxTakes-1)+6+4)/5 + checkBits/5
)

// kinds holds the kinds at their values in the code.
var kinds = [...]Kind{1: KindPreference, 2: KindTrials, 3: KindRatings}

// answerBits is the length of the answers of a kind; false for an unknown one.
func answerBits(kind, takes int) (int, bool) {
	if takes < MinTakes || takes > MaxTakes {
		return 0, false
	}
	switch kind {
	case 1:
		return takes*(takes-1) + 6, true
	case 2:
		return 32, true
	case 3:
		return 7 * (takes + 2), true
	}
	return 0, false
}

// Encode writes an answer as a code of upper-case letters and digits. The
// error wraps [ErrAnswer] and names the field, what was found and what is
// allowed.
//
// Source: the package's documentation.
func Encode(a Answer) (string, error) {
	kind := 0
	for i, k := range kinds {
		if i > 0 && k == a.Kind {
			kind = i
		}
	}
	if kind == 0 {
		return "", fmt.Errorf("%w: the kind is %q; allowed are %q, %q and %q", ErrAnswer, a.Kind, kinds[1], kinds[2], kinds[3])
	}
	if err := within("number of takes", a.Takes, MinTakes, MaxTakes); err != nil {
		return "", err
	}
	comparison, err := number("comparison", a.Comparison, false)
	if err != nil {
		return "", err
	}
	nonce, err := number("nonce", a.Nonce, true)
	if err != nil {
		return "", err
	}
	if n := set(a.Preference) + set(a.Trials) + set(a.Ratings); n != 1 {
		return "", fmt.Errorf("%w: %d of preference, trials and ratings are set; exactly one must be", ErrAnswer, n)
	}
	b := make(bits, 0, 5*maxSymbols)
	b.put(version, 5)
	b.put(uint64(kind), 5)
	b.put(uint64(a.Takes), 5)
	b.put(comparison, 4*digits)
	b.put(nonce, 4*digits)
	switch {
	case kind == 1 && a.Preference != nil:
		err = b.putPreference(a.Takes, a.Preference)
	case kind == 2 && a.Trials != nil:
		err = b.putTrials(a.Takes, a.Trials)
	case kind == 3 && a.Ratings != nil:
		err = b.putRatings(a.Takes, a.Ratings)
	default:
		err = fmt.Errorf("%w: the answers are not of the kind %q", ErrAnswer, a.Kind)
	}
	if err != nil {
		return "", err
	}
	for len(b)%5 != 0 {
		b.put(0, 1)
	}
	b.put(uint64(crc30(b)), checkBits)
	return spell(b), nil
}

func set[T any](p *T) int {
	if p == nil {
		return 0
	}
	return 1
}

// spell writes whole characters.
func spell(b bits) string {
	var s strings.Builder
	s.WriteString(prefix)
	for len(b) > 0 {
		s.WriteByte(alphabet[b.take(5)])
	}
	return s.String()
}

func number(field, hex string, whole bool) (uint64, error) {
	if len(hex) < digits || whole && len(hex) != digits {
		return 0, fmt.Errorf("%w: the %s %q has %d characters; %d hexadecimal digits are needed", ErrAnswer, field, hex, len(hex), digits)
	}
	for _, c := range []byte(hex) {
		if !('0' <= c && c <= '9' || 'a' <= c && c <= 'f' || 'A' <= c && c <= 'F') {
			return 0, fmt.Errorf("%w: the %s %q is not hexadecimal", ErrAnswer, field, hex)
		}
	}
	return strconv.ParseUint(hex[:digits], 16, 4*digits)
}

func within(field string, v, low, high int) error {
	if v < low || v > high {
		return fmt.Errorf("%w: the %s is %d; allowed are %d to %d", ErrAnswer, field, v, low, high)
	}
	return nil
}

func (b *bits) putPreference(takes int, p *Preference) error {
	if want := takes * (takes - 1) / 2; len(p.Pairs) != want {
		return fmt.Errorf("%w: %d pairs for %d takes; there must be %d", ErrAnswer, len(p.Pairs), takes, want)
	}
	for i, o := range p.Pairs {
		if o < NotAsked || o > Second {
			return within(fmt.Sprintf("outcome of pair %d", i+1), int(o), 0, 3)
		}
		b.put(uint64(o), 2)
	}
	if err := within("take of the identical pair", p.SameTake, 0, takes-1); err != nil {
		return err
	}
	if err := within("outcome of the identical pair", int(p.Same), 0, 3); err != nil {
		return err
	}
	if p.Same == NotAsked && p.SameTake != 0 {
		return fmt.Errorf("%w: the take of an identical pair that was not asked is %d; it must be 0", ErrAnswer, p.SameTake)
	}
	b.put(uint64(p.SameTake), 4)
	b.put(uint64(p.Same), 2)
	return nil
}

func (b *bits) putTrials(takes int, t *Trials) error {
	for _, f := range []struct {
		field        string
		v, low, high int
	}{
		{"first take", t.A, 0, takes - 2},
		{"second take", t.B, t.A + 1, takes - 1},
		{"number of trials planned", t.Planned, 1, MaxTrials},
		{"number of trials done", t.Done, 0, t.Planned},
		{"number of right answers", t.Correct, 0, t.Done},
	} {
		if err := within(f.field, f.v, f.low, f.high); err != nil {
			return err
		}
	}
	b.put(uint64(t.A), 4)
	b.put(uint64(t.B), 4)
	b.put(uint64(t.Planned), 8)
	b.put(uint64(t.Done), 8)
	b.put(uint64(t.Correct), 8)
	return nil
}

func (b *bits) putRatings(takes int, r *Ratings) error {
	if len(r.Takes) != takes {
		return fmt.Errorf("%w: %d ratings for %d takes", ErrAnswer, len(r.Takes), takes)
	}
	for i, v := range append(append([]int{}, r.Takes...), r.Hidden, r.Anchor) {
		switch {
		case v == NotRated:
			v = notRated
		case v >= 0 && v <= 100:
		case i < takes:
			return within(fmt.Sprintf("rating of take %d", i+1), v, 0, 100)
		case i == takes:
			return within("rating of the hidden reference", v, 0, 100)
		default:
			return within("rating of the anchor", v, 0, 100)
		}
		b.put(uint64(v), 7)
	}
	return nil
}
