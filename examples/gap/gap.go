// Package gap finds where a figure or a reason is missing in a sentence.
// Only tests import it.
package gap

import "regexp"

var (
	// inside is a dash in the place of a figure, a reason or an entry of a list without
	// its text, or brackets without content.
	inside = regexp.MustCompile(`– ?(?:(?:dB|LU|s|ms|ppm|Hz|kHz|samples|cm|to)\b|%)` +
		`|(?:\b(?:because|since|[Rr]eason)|[:;,]) *[.;)]|[;,] *,|\( *\)`)
	broken = regexp.MustCompile(`(?:\b(?:because|since)|[;,]|\bmeasured:) *$`)
)

// In returns the first gap in a text, "" for none.
func In(text string) string { return inside.FindString(text) }

// AtEnd returns what a text breaks off with, "" where it is whole. The head of a column
// may end so.
func AtEnd(text string) string { return broken.FindString(text) }
