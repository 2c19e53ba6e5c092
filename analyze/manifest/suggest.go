package manifest

import (
	"slices"
	"strings"
)

// distance is the number of single-character insertions, deletions,
// replacements and swaps of neighbours that lead from a to b, where no
// character is changed twice (optimal string alignment).
func distance(a, b string) int {
	x, y := []rune(a), []rune(b)
	before, last, row := make([]int, len(y)+1), make([]int, len(y)+1), make([]int, len(y)+1)
	for j := range last {
		last[j] = j
	}
	for i := 1; i <= len(x); i++ {
		row[0] = i
		for j := 1; j <= len(y); j++ {
			cost := 1
			if x[i-1] == y[j-1] {
				cost = 0
			}
			row[j] = min(last[j]+1, row[j-1]+1, last[j-1]+cost)
			if i > 1 && j > 1 && x[i-1] == y[j-2] && x[i-2] == y[j-1] {
				row[j] = min(row[j], before[j-2]+1)
			}
		}
		before, last, row = last, row, before
	}
	return last[len(y)]
}

// Nearest returns the one of names that found was probably meant to be, "" if
// none is close: fewer changes of a character, or swaps of two neighbours, than
// a third of it, at least two. Case does not count; the earliest of equally
// close names wins.
func Nearest(found string, names []string) string {
	const longest, most = 80, 200 // the work must not grow with what is found
	n := len([]rune(found))
	if n == 0 || n > longest {
		return ""
	}
	best, bestDistance := "", max(2, n/3)+1
	for _, name := range names[:min(len(names), most)] {
		if m := len([]rune(name)); m > longest || m-n >= bestDistance || n-m >= bestDistance {
			continue
		}
		d := distance(strings.ToLower(found), strings.ToLower(name))
		if d < bestDistance && d < n {
			best, bestDistance = name, d
		}
	}
	return best
}

func didYouMean(found string, names []string) string {
	if n := Nearest(found, names); n != "" {
		return "did you mean " + quote(n) + "?"
	}
	return ""
}

// suggest is the hint for a name that is not one of the known ones: the
// nearest, or all of them.
func suggest(found, what string, names []string) string {
	if hint := didYouMean(found, names); hint != "" {
		return hint
	}
	if len(names) == 0 {
		return ""
	}
	const most = 30
	if len(names) > most {
		names = append(slices.Clone(names[:most]), "…")
	}
	return what + ": " + strings.Join(names, ", ")
}
