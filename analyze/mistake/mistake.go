// Package mistake tells errors that the user can mend (a wrong file, a wrong
// value, a destination that must stay) from failures of the machine and of the
// program. Such an error matches Err; nothing else has to know its type.
package mistake

import (
	"errors"
	"fmt"
	"strings"
)

// Err is matched, by errors.Is, by every error that comes from the input or from
// the use. A type of error becomes one by unwrapping to it.
var Err = errors.New("the input or the use was wrong")

// Kind returns a sentinel of its own that says text and matches Err, as does
// every error that wraps it.
func Kind(text string) error { return &kind{text} }

type kind struct{ text string }

func (k *kind) Error() string { return k.text }

func (k *kind) Is(target error) bool { return target == Err }

// Error lists what is wrong with an input, one problem or more. All that can be
// found at once is found in one run.
type Error struct{ Problems []error }

// Errorf returns an Error of one problem, which fmt.Errorf makes.
func Errorf(format string, args ...any) error {
	return &Error{[]error{fmt.Errorf(format, args...)}}
}

// Of returns an Error of one problem.
func Of(err error) error { return &Error{[]error{err}} }

// Error returns the problems, one on a line.
func (e *Error) Error() string {
	lines := make([]string, len(e.Problems))
	for i, p := range e.Problems {
		lines[i] = p.Error()
	}
	return strings.Join(lines, "\n")
}

// Unwrap returns the problems.
func (e *Error) Unwrap() []error { return e.Problems }

// Is says that an Error matches Err.
func (e *Error) Is(target error) bool { return target == Err }
