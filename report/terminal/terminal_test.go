package terminal

import (
	"strings"
	"testing"
	"unicode/utf8"
)

func TestClean(t *testing.T) {
	for in, want := range map[string]string{
		"Kiln, Ä – 音":                  "Kiln, Ä – 音",
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
	}{{"Kiln", 4, "Kiln"}, {"Öfen", 3, "Öf…"}, {"Kiln", 1, "…"}, {"", 0, ""}} {
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
