// Package terminal sets text for a terminal: made safe to print, and in lines
// of a given width. Widths are counted in characters.
package terminal

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"unicode/utf8"
)

// Clean makes a text safe for a terminal: control characters, line ends among
// them, and characters that change the direction of reading become spaces.
func Clean(s string) string {
	return strings.Map(func(r rune) rune {
		if r < ' ' || r >= 0x7f && r < 0xa0 || r >= 0x2028 && r <= 0x202e || r >= 0x2066 && r <= 0x2069 {
			return ' '
		}
		return r
	}, s)
}

// Text makes a text of several lines safe for a terminal: Clean of each line, with
// its line end and tabs.
func Text(s string) string {
	return strings.Map(func(r rune) rune {
		if r == '\n' || r == '\t' {
			return r
		}
		return []rune(Clean(string(r)))[0]
	}, s)
}

// Writer writes texts to W through Text. Each Write is of whole characters.
type Writer struct {
	W io.Writer
	// Err is the first failure to write.
	Err error
}

// Write implements io.Writer.
func (w *Writer) Write(p []byte) (int, error) {
	if w.Err == nil {
		if _, err := io.WriteString(w.W, Text(string(p))); err != nil {
			w.Err = err
		}
	}
	if w.Err != nil {
		return 0, w.Err
	}
	return len(p), nil
}

// Clip shortens a text to n characters, the last of them an ellipsis when
// anything was left out.
func Clip(s string, n int) string {
	if utf8.RuneCountInString(s) <= n {
		return s
	}
	return string([]rune(s)[:max(0, n-1)]) + "…"
}

// Fold writes text in lines of at most width characters, each behind indent,
// later lines two characters further in.
func Fold(w io.Writer, indent, text string, width int) {
	Hang(w, indent, indent+"  ", text, width)
}

// Hang writes text in lines of at most width characters, the first behind lead,
// the others behind rest. A word that is too long for a line is clipped, and a
// text without words writes nothing.
func Hang(w io.Writer, lead, rest, text string, width int) {
	line := ""
	for _, word := range strings.Fields(text) {
		switch {
		case line == "":
			line = Clip(lead+word, width)
		case utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width:
			fmt.Fprintln(w, line)
			line = Clip(rest+word, width)
		default:
			line += " " + word
		}
	}
	if line != "" {
		fmt.Fprintln(w, line)
	}
}

// Typed is how arguments are typed; quotes keep spaces in any shell.
func Typed(args []string) string {
	words := slices.Clone(args)
	for i, w := range words {
		if w == "" || strings.ContainsAny(w, " \t&()'") {
			words[i] = `"` + w + `"`
		}
	}
	return strings.Join(words, " ")
}
