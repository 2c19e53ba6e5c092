package listening

import (
	"fmt"
)

// length returns how many characters the code has after its prefix, by its
// first three values.
func length(v []int8) (int, error) {
	if v[0] != version {
		return 0, fmt.Errorf("%w: version %d", ErrVersion, v[0])
	}
	n, ok := answerBits(int(v[1]), int(v[2]))
	if !ok {
		return 0, fmt.Errorf("%w: no test of kind %d with %d takes", ErrDamaged, v[1], v[2])
	}
	return (headBits+n+4)/5 + checkBits/5, nil
}

// parse reads the values of a whole code after its prefix.
func parse(v []int8) (Answer, error) {
	b := make(bits, 0, 5*maxSymbols)
	for _, s := range v {
		b.put(uint64(s), 5)
	}
	check := b[len(b)-checkBits:]
	b = b[:len(b)-checkBits]
	if crc30(b) != uint32(check.take(checkBits)) {
		return Answer{}, fmt.Errorf("%w: the check does not agree", ErrDamaged)
	}
	b.take(5)
	kind := int(b.take(5))
	a := Answer{Kind: kinds[kind], Takes: int(b.take(5))}
	a.Comparison = fmt.Sprintf("%010x", b.take(4*digits))
	a.Nonce = fmt.Sprintf("%010x", b.take(4*digits))
	switch a.Kind {
	case KindPreference:
		p := &Preference{Pairs: make([]Outcome, a.Takes*(a.Takes-1)/2)}
		for i := range p.Pairs {
			p.Pairs[i] = Outcome(b.take(2))
		}
		p.SameTake, p.Same = int(b.take(4)), Outcome(b.take(2))
		a.Preference = p
	case KindTrials:
		a.Trials = &Trials{A: int(b.take(4)), B: int(b.take(4)), Planned: int(b.take(8)), Done: int(b.take(8)), Correct: int(b.take(8))}
	case KindRatings:
		r := &Ratings{Takes: make([]int, a.Takes)}
		rating := func() int {
			if v := int(b.take(7)); v != notRated {
				return v
			}
			return NotRated
		}
		for i := range r.Takes {
			r.Takes[i] = rating()
		}
		r.Hidden, r.Anchor = rating(), rating()
		a.Ratings = r
	}
	// A right check does not make the fields sensible: somebody may have made
	// the code by hand.
	written, err := Encode(a)
	if err != nil {
		return Answer{}, fmt.Errorf("%w: %w", ErrDamaged, err)
	}
	for i, s := range v {
		if written[len(prefix)+i] != alphabet[s] {
			return Answer{}, fmt.Errorf("%w: the filling bits are not zero", ErrDamaged)
		}
	}
	return a, nil
}
