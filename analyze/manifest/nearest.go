package manifest

// Nearest returns the one of names that found was probably meant to be, "" if
// none is close: fewer changes of a character, or swaps of two neighbours, than
// a third of it, at least two. Case does not count.
func Nearest(found string, names []string) string { return near(found, names) }
