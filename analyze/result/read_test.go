package result_test

import (
	"errors"
	"strings"
	"testing"

	"evenhand/analyze/mistake"
	"evenhand/analyze/result"
)

// TestDecodeTouch: a touch whose lists are not as long as its levels is refused with the
// name of the take, since page and tables go through them together.
func TestDecodeTouch(t *testing.T) {
	text := func(gain, lower, upper string) string {
		return `{"takes":[{"name":"None"},{"name":"One","touch":{"measured":true,"in_dbfs":[-30,-20],"gain_db":` + gain + `,"gain_lower_db":` + lower + `,"gain_upper_db":` + upper + `}}]}`
	}
	const both, one = "[1,0]", "[1]"
	if _, err := result.Decode([]byte(text(both, both, both))); err != nil {
		t.Error(err)
	}
	for _, bad := range []string{text(one, both, both), text(both, "null", both), text(both, both, "[1,2,3]")} {
		if _, err := result.Decode([]byte(bad)); !errors.Is(err, mistake.Err) || !strings.Contains(err.Error(), `take "One" has a touch of 2 levels with `) {
			t.Errorf("%s: %v", bad, err)
		}
	}
}

func TestHeading(t *testing.T) {
	for title, want := range map[string]string{"": "Untitled comparison", " \n": "Untitled comparison", " Four\n  fuzzes ": "Four fuzzes"} {
		if got := (result.Comparison{Title: title}).Heading(); got != want {
			t.Errorf("%q: %q, want %q", title, got, want)
		}
	}
}
