package manifest

import "testing"

func TestList(t *testing.T) {
	for _, c := range []struct {
		names      []string
		list, join string
	}{
		{nil, "", ""},
		{[]string{"a"}, "a", "a"},
		{[]string{"a", "b"}, "a and b", "a, b"},
		{[]string{"a", "b", "c"}, "a, b and c", "a, b, c"},
		{[]string{"a", "b (x, y)", "c"}, "a, b (x, y) and c", "a, b (x, y), c"},
		{[]string{"a, x", "b"}, "a, x and b", "a, x; b"},
		{[]string{"a", "b", "c, x"}, "a; b; and c, x", "a; b; c, x"},
		{[]string{"a, x", "b", "c"}, "a, x; b; and c", "a, x; b; c"},
	} {
		if got := List(c.names); got != c.list {
			t.Errorf("List(%q) = %q, not %q", c.names, got, c.list)
		}
		if got := Join(c.names); got != c.join {
			t.Errorf("Join(%q) = %q, not %q", c.names, got, c.join)
		}
	}
}

func TestASCII(t *testing.T) {
	for in, want := range map[string]string{
		"plain, 'text' #1": "plain, 'text' #1", "Grüße – à la façon d’Åre": "Gruesse - a la facon d'Are", "Übung „Œuvre“…": "Uebung \"Oeuvre\"...",
		"u\u0308ber": "ueber", "日本\u00a0ß": "?? ss",
	} {
		if got := ASCII(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}
