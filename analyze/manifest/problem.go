package manifest

import (
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"

	"evenhand/analyze/mistake"
)

// Problem is one mistake in a manifest, or one doubt about it.
type Problem struct {
	Pos     Pos
	Path    string // the manifest file, as opened
	Field   string // where in the manifest: takes[0].fuzz.controls.tone; "" for the whole
	Message string // what was found and what is allowed; lower case, no full stop
	Hint    string // what to do; "" when there is nothing to say
	Source  string // the line of the file, without its line end
}

// String returns the problem as file:line:column: message, followed by the
// source line with a caret under the place and by the hint when there is one.
// Long source lines are cut to the part around the caret.
func (p Problem) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s:%d:%d: %s", p.Path, p.Pos.Line, p.Pos.Column, p.Message)
	if strings.TrimSpace(p.Source) != "" {
		line, column := window(p.Source, p.Pos.Column)
		fmt.Fprintf(&b, "\n    %s\n    %s^", line, strings.Repeat(" ", column-1))
	}
	if p.Hint != "" {
		fmt.Fprintf(&b, "\nhint: %s", p.Hint)
	}
	return b.String()
}

// window cuts a line to at most 100 characters around the column and returns
// it with the column in it. Characters that would spoil a terminal are blanked.
func window(line string, column int) (string, int) {
	const most = 100
	column = max(1, column)
	// Only the part around the caret is looked at more than once: all of a
	// large manifest may stand on one line.
	n := utf8.RuneCountInString(line)
	column = min(column, n+1)
	from := 0
	if n > most {
		from = max(0, min(column-1-most/2, n-most))
	}
	cut, i := make([]rune, 0, most), 0
	for _, c := range line {
		if i >= from && len(cut) < most {
			if c < ' ' || c == 0x7f {
				c = ' '
			}
			cut = append(cut, c)
		}
		i++
	}
	if from > 0 {
		cut[0] = '…'
	}
	if from+most < n {
		cut[len(cut)-1] = '…'
	}
	return string(cut), column - from
}

// Errors is every mistake found in a manifest, in file order, at least one.
type Errors struct{ List []Problem }

// Error returns all problems, each as Problem.String gives it, one after
// another without a final line end.
func (e *Errors) Error() string {
	parts := make([]string, len(e.List))
	for i, p := range e.List {
		parts[i] = p.String()
	}
	return strings.Join(parts, "\n")
}

// Unwrap says that the manifest is to be mended.
func (e *Errors) Unwrap() error { return mistake.Err }

func sortProblems(list []Problem) {
	slices.SortStableFunc(list, func(a, b Problem) int {
		if a.Pos.Line != b.Pos.Line {
			return a.Pos.Line - b.Pos.Line
		}
		return a.Pos.Column - b.Pos.Column
	})
}

// place is where something stands: in the file and in the manifest.
type place struct {
	pos   Pos
	field string
}

func (w *walker) fault(at place, hint, format string, args ...any) {
	w.problems = append(w.problems, w.problem(at, hint, format, args...))
}

func (w *walker) warn(at place, hint, format string, args ...any) {
	w.warnings = append(w.warnings, w.problem(at, hint, format, args...))
}

func (w *walker) problem(at place, hint, format string, args ...any) Problem {
	at.pos.Line = max(1, min(at.pos.Line, len(w.lines)))
	source := ""
	if len(w.lines) > 0 {
		source = w.lines[at.pos.Line-1]
	}
	at.pos.Column = max(1, min(at.pos.Column, utf8.RuneCountInString(source)+1))
	return Problem{Pos: at.pos, Path: w.path, Field: at.field, Message: fmt.Sprintf(format, args...), Hint: hint, Source: source}
}

// quote shows what was found: in double quotes, on one line, cut when long.
func quote(s string) string {
	const most = 60
	r := []rune(strings.ReplaceAll(s, "\n", " "))
	if len(r) > most {
		r = append(r[:most-1], '…')
	}
	return `"` + string(r) + `"`
}
