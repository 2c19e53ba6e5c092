package notes

import (
	"strings"
	"testing"
)

func TestNotes(t *testing.T) {
	v, err := New("# Top\n\n<b>raw</b> ![cat](http://x.example/c.png) [a](b.html) [c](//host/x) <javascript:alert(1)> https://ok.example/\n\n| a | b |\n|:-:|--:|\n| 1 | 2 |\n\n[![in](y.png)](https://z.example/)\n")
	if err != nil {
		t.Fatal(err)
	}
	h := string(v.HTML)
	for _, bad := range []string{"<img", "<b>", "style=", "href=\"b.html\"", "//host", "href=\"javascript", "<h1", " id="} {
		if strings.Contains(h, bad) {
			t.Errorf("notes hold %q:\n%s", bad, h)
		}
	}
	for _, good := range []string{"<h3>Top</h3>", "[picture: cat]", `href="https://ok.example/"`, `align="right"`, "[picture: in]"} {
		if !strings.Contains(h, good) {
			t.Errorf("notes lack %q:\n%s", good, h)
		}
	}
	if len(v.Doubt) != 3 {
		t.Errorf("doubts: %q", v.Doubt)
	}
	if v, err = New(strings.Repeat("*a_ ", 17000)); err != nil || v.HTML != "" || len(v.Doubt) != 1 {
		t.Errorf("long notes: %v, %q", err, v.Doubt)
	}
}
