package listening

import (
	"fmt"
	"math"
)

// caveats returns what a reader of the tally must not conclude, in the order
// of importance.
func caveats(r Result) []string {
	if r.Counted == 0 {
		return []string{"No sound answer code of this comparison was found: nothing can be concluded."}
	}
	c := []string{
		"The listeners chose themselves. Their answers say nothing about guitarists or listeners in general, and no interval here covers that error. People who heard a difference may have been more willing to answer.",
		"Loudspeakers, headphones, rooms and care are unknown. A difference that was not heard is not proof that there is none.",
		"Nobody was watched. A page can keep honest listeners blind. It cannot stop anyone from looking, answering twice from two browsers or making up a code.",
	}
	for _, e := range r.Earlier {
		if len(e.Takes) < len(r.Takes) {
			c = append(c, fmt.Sprintf("%s about the comparison of %d takes that was published before: the takes added since have fewer answers, from other listeners at another time.", count(e.Counted, "code is", "codes are"), len(e.Takes)))
		}
	}
	if r.Repeats > 0 {
		c = append(c, fmt.Sprintf("%s of a listener who had answered the same question before; the first in the text was counted, which may not be the first that was given.", count(r.Repeats, "code was", "codes were")))
	}
	if p := r.Preferences; len(p.Pairs) > 0 {
		c = append(c, "A preference is not a quality, and an order of preference is an average over listeners who may disagree: it may be the order of none of them.")
		if z := p.ZeroLine; z.Asked > 0 {
			c = append(c, fmt.Sprintf("Of %s who compared a take with itself unknowingly, %d (%.0f %%; 95 %% interval %.0f to %.0f %%) preferred one of the two. Preferences for real pairs contain that much chance.",
				count(z.Asked, "listener", "listeners"), z.First+z.Second, 100*z.Preferred.Value, 100*z.Preferred.Low, 100*z.Preferred.High))
		} else {
			c = append(c, "No listener was asked about a hidden pair of identical takes: how many preferences come from chance is unknown.")
		}
		if !p.Estimable {
			c = append(c, fmt.Sprintf("The abilities cannot be estimated from these answers alone: %s. The values shown add %g made-up answers for each side of each pair and are a rough guide.", p.Reason, float64(p.Penalty)))
		}
		groups := 0
		for _, a := range p.Abilities {
			groups = max(groups, a.Group+1)
		}
		if groups > 1 {
			c = append(c, "Some takes were never compared with each other, not even by way of third ones: their abilities cannot be compared.")
		}
		if !p.ByReader {
			c = append(c, "The answers of one listener depend on each other. With one listener the errors cannot allow for that and are too small.")
		} else if p.Readers < 20 {
			c = append(c, fmt.Sprintf("With %d listeners the intervals of the abilities, which rest on large numbers, are rough.", p.Readers))
		}
	}
	if d := r.Discrimination; len(d.Pairs) > 0 {
		c = append(c, "The pooled share of right answers averages over listeners and equipment: a share near one half can hide a few who always hear the difference. The p-value asks only whether all answers together could be guesses; its interval takes all answers as equally good.")
		unfinished, passed, chance := 0, 0, 0.0
		for _, p := range d.Pairs {
			unfinished += p.Unfinished
			passed += p.Passed
			chance += float64(p.ByChance)
		}
		c = append(c, fmt.Sprintf("%s p ≤ 0.05 alone; by guessing, %.1f would have on average.", count(passed, "test reached", "tests reached"), chance))
		if unfinished > 0 {
			c = append(c, fmt.Sprintf("%s stopped before the planned number of trials and left out.", count(unfinished, "test was", "tests were")))
		}
	}
	if s := r.Ratings; s.Readers+s.Screened > 0 {
		c = append(c, fmt.Sprintf("Ratings are those of the %d of %d listeners who gave the hidden reference at least %d; the rest do not count, as in ITU-R BS.1534-3, which favours listeners who hear the difference. This was not a test to that recommendation: listeners were not trained, rooms not controlled.", s.Readers, s.Readers+s.Screened, s.ScreenBelow))
		for _, t := range s.Takes {
			if t.Ratings > 0 && math.IsNaN(float64(t.Low)) {
				c = append(c, "Fewer than six ratings of a take have no interval for their median with a confidence of 95 %.")
				break
			}
		}
	}
	return c
}

func count(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return fmt.Sprintf("%d %s", n, many)
}
