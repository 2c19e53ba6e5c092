package manifest

import "strings"

// Join lists names: "a, b, c", or "a; b, x; c" where a name holds a comma of
// its own.
func Join(names []string) string { return strings.Join(names, separator(names)) }

// List lists names for a sentence: "a", "a and b", "a, b and c", or
// "a; b, x; and c" where a name holds a comma of its own.
func List(names []string) string {
	n := len(names)
	if n < 2 {
		return Join(names)
	}
	if between := separator(names); between != ", " && n > 2 {
		return strings.Join(names[:n-1], between) + "; and " + names[n-1]
	}
	return Join(names[:n-1]) + " and " + names[n-1]
}

// separator is what keeps names apart. A comma in brackets misleads nobody.
func separator(names []string) string {
	for _, n := range names {
		depth := 0
		for _, r := range n {
			switch r {
			case '(':
				depth++
			case ')':
				depth--
			case ',':
				if depth <= 0 {
					return "; "
				}
			}
		}
	}
	return ", "
}
