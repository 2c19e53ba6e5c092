package listening

import (
	"errors"
	"fmt"
	"strings"
)

var errNoCode = errors.New("no answer code")

// decode reads a text that holds one code and nothing else but what may stand
// around and inside a code. The error wraps errNoCode when the text does not
// begin with a code or something follows it, ErrVersion or ErrDamaged.
func decode(text string) (Answer, error) {
	marks := newMarks(strings.NewReader(text))
	for v := marks.at(0).v; v == soft || v == hard; v = marks.at(0).v {
		marks.drop(1)
	}
	n, ok := marks.prefixed()
	if !ok {
		return Answer{}, fmt.Errorf("%w: it begins with %s", errNoCode, prefix)
	}
	a, _, used, err := marks.read(n)
	if err != nil {
		return Answer{}, err
	}
	marks.drop(used)
	for marks.at(0).v != end {
		if v := marks.at(0).v; v != soft && v != hard {
			return Answer{}, fmt.Errorf("%w: more text follows after the last character", errNoCode)
		}
		marks.drop(1)
	}
	return a, nil
}
