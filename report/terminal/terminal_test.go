package terminal

import (
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"unicode/utf8"
)

func TestClean(t *testing.T) {
	for in, want := range map[string]string{
		"Leaning, Ä – 音":               "Leaning, Ä – 音",
		"a\x1b[31mb\r\n\tc":            "a [31mb   c",
		"del\x7f\u009b":                "del  ",
		"\u202eevil\u2066\u2069\u2028": " evil   ",
	} {
		if got := Clean(in); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}

func TestClip(t *testing.T) {
	for _, c := range []struct {
		in   string
		n    int
		want string
	}{{"Leaning", 7, "Leaning"}, {"Öfen", 3, "Öf…"}, {"Leaning", 1, "…"}, {"", 0, ""}} {
		if got := Clip(c.in, c.n); got != c.want {
			t.Errorf("%q to %d: got %q, want %q", c.in, c.n, got, c.want)
		}
	}
}

func TestHang(t *testing.T) {
	var b strings.Builder
	Hang(&b, "! ", "    ", "one two  three "+strings.Repeat("x", 30)+" four", 12)
	if got, want := b.String(), "! one two\n    three\n    xxxxxxx…\n    four\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
	for line := range strings.Lines(b.String()) {
		if n := utf8.RuneCountInString(strings.TrimSuffix(line, "\n")); n > 12 {
			t.Errorf("%q has %d characters", line, n)
		}
	}
	b.Reset()
	if Fold(&b, "  ", " \n ", 12); b.Len() > 0 {
		t.Errorf("of nothing: %q", b.String())
	}
	if Fold(&b, "  ", "one two three", 10); b.String() != "  one two\n    three\n" {
		t.Errorf("got %q", b.String())
	}
}

// TestWriter: lines stay, and nothing that a terminal acts on.
func TestWriter(t *testing.T) {
	var out strings.Builder
	w := &Writer{W: &out}
	fmt.Fprintf(w, "a\x1b[2J\tb\r\n%s\n", "\x9b31m\u202ec\x00")
	if got, want := out.String(), "a [2J\tb \n\ufffd31m c \n"; got != want || w.Err != nil {
		t.Errorf("%q, want %q; %v", got, want, w.Err)
	}
	w = &Writer{W: failing{}}
	if n, err := io.WriteString(w, "x"); n != 0 || err == nil || w.Err == nil {
		t.Errorf("%d, %v", n, err)
	}
}

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, errors.New("full") }
