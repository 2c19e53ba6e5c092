// Package listening turns blind listening answers into numbers: it writes and
// reads the short answer code that readers leave in comments, tallies the
// codes of an audience, and holds the exact statistics that the listening
// tests and their planner use. It reads no audio.
//
// # Statistics
//
// All tests of two-choice answers are exact binomial sums ([Tail],
// [Critical], [Interval], [Search]); no normal approximation is used.
// Preferences are fitted with the Bradley–Terry model, extended for answers
// without a preference by Davidson 1970 ([FitPreferences]). Medians carry
// intervals from the sign test ([Median]).
//
// # The answer code
//
// A code is one word of Latin letters and digits, for instance the 42
// characters of a full set of preferences between eight takes:
//
//	EVNH118KY3D10C827DABHES800ZF6B70V85GKH6JQX
//
// Every character carries five bits. The alphabet, in the order of the values
// 0 to 31, leaves out I, L, O and U:
//
//	0123456789ABCDEFGHJKMNPQRSTVWXYZ
//
// A reader of codes takes lower case for upper case, I and L for 1, O for 0
// and U for V. Source: the base-32 alphabet in common use for codes typed by
// people (D. Crockford, "Base 32"), from memory; U is there left without a
// value.
//
// A blind test plays all takes equally loud: matched over the whole, and then in the
// section that the test uses. How the player outside the test was set does not matter to
// it, so a code of version 1 always says: equally loud.
//
// The code begins with the four characters EVNH, which belong to no field.
// The rest is one string of bits, the most significant bit of each field and
// of each character first:
//
//	bits   field
//	5      version, 1
//	5      kind: 1 preferences, 2 ABX trials, 3 ratings
//	5      n, the number of takes of the comparison, 2 to 16
//	40     comparison: the first 40 bits, ten hexadecimal digits, of the
//	       SHA-256 that names the comparison's published audio
//	40     nonce: a random number that the reader's browser drew once
//	…      answers, see below
//	0–4    zero bits that fill up the last character
//	30     check: CRC-30 of all bits from the version to the last zero bit
//
// Answers of kind 1, preferences, n(n−1)/2·2 + 6 bits:
//
//	2 each the pairs of takes in the order (0,1) (0,2) … (0,n−1) (1,2) … (n−2,n−1):
//	       0 not asked, 1 no preference, 2 the first of the pair, 3 the second
//	4      the take that the hidden pair of two identical takes was made of;
//	       0 when there was no such pair
//	2      the answer for that pair: 0 not asked, 1 no preference, 2 the one
//	       played first, 3 the one played second
//
// Answers of kind 2, ABX trials with one pair of takes, 32 bits:
//
//	4      first take, counted from 0
//	4      second take, greater than the first
//	8      trials planned, 1 to 255
//	8      trials done, 0 to planned
//	8      trials answered rightly, 0 to done
//
// Answers of kind 3, ratings, 7·(n+2) bits:
//
//	7 each the ratings of the takes in their order, 0 to 100; 127 not rated
//	7      the rating of the hidden copy of the reference
//	7      the rating of the low-passed anchor
//
// The CRC-30 has the generator polynomial 0x2030B9C7, starts with all ones,
// takes the most significant bit first and is inverted at the end; the ASCII
// digits 123456789, eight bits each, give 0x04C34ABF. Source: CRC-30/CDMA,
// 3GPP2 C.S0005, from memory; the check value agrees. It detects every damage
// that lies within 30 successive bits: each single wrong character, each pair
// of exchanged neighbours and any scramble of six neighbours. Of all other
// damage, and of random text that happens to hold the four first characters,
// one in 2³⁰ = 1.07·10⁹ passes at most.
//
// A code has the length that its kind and n ask for, so what follows it does
// not matter: preferences of eight takes 42 characters (of sixteen 79),
// trials 36, ratings of eight takes 43.
//
// Between two characters there may stand up to 16 others that are neither
// letters nor digits: spaces, line ends, hyphens, quotation marks, soft
// hyphens and other invisible characters, also written as HTML entities
// (&shy; &#8203; &amp;nbsp;), as JSON escapes (\n \u00ad) or as bare HTML tags
// (<wbr> <br/> </b>). Between the first four, only invisible
// ones and tags.
package listening
