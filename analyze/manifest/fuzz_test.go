package manifest

import (
	"errors"
	"math"
	"reflect"
	"strings"
	"testing"
	"unicode/utf8"
)

// checkInvariants holds a result of Parse against what it promises.
func checkInvariants(t *testing.T, src []byte) {
	c, err := Parse("m.yaml", src)
	if (c == nil) == (err == nil) {
		t.Fatalf("result %v and error %v", c, err)
	}
	text := strings.ReplaceAll(strings.ReplaceAll(strings.TrimPrefix(string(src), "\xef\xbb\xbf"), "\r\n", "\n"), "\r", "\n")
	lines := strings.Split(text, "\n")
	inside := func(p Pos) {
		if p.Line < 1 || p.Line > len(lines) || p.Column < 1 || p.Column > utf8.RuneCountInString(lines[p.Line-1])+1 {
			t.Fatalf("position %+v is outside the file", p)
		}
	}
	order := func(list []Problem) {
		for i, p := range list {
			inside(p.Pos)
			if p.Message == "" || strings.Contains(p.Message, "%!") && !strings.Contains(text, "%!") || strings.ContainsAny(p.Message, "\n\r") {
				t.Fatalf("message %q", p.Message)
			}
			if i > 0 && (list[i-1].Pos.Line > p.Pos.Line || list[i-1].Pos.Line == p.Pos.Line && list[i-1].Pos.Column > p.Pos.Column) {
				t.Fatalf("not in file order: %+v %+v", list[i-1].Pos, p.Pos)
			}
		}
	}
	var list *Errors
	if err != nil {
		if !errors.As(err, &list) || len(list.List) == 0 {
			t.Fatalf("an error of another type: %v", err)
		}
		order(list.List)
		if _, again := Parse("m.yaml", src); again == nil || again.Error() != err.Error() {
			t.Fatalf("the second time: %v\nthe first: %v", again, err)
		}
		return
	}
	order(c.Warnings)
	// Fractions that are NaN keep DeepEqual from being of use on controls.
	again, _ := Parse("m.yaml", src)
	if again == nil || !reflect.DeepEqual(c.Warnings, again.Warnings) || len(c.Takes) != len(again.Takes) || !reflect.DeepEqual(c.Performance, again.Performance) {
		t.Fatal("the second time it is read another way")
	}
	if c.Title == "" || len(c.Chain) == 0 || len(c.Takes) == 0 || c.slotIndex(c.Varies.Slot) < 0 {
		t.Fatalf("incomplete: %+v", c)
	}
	if c.Reference != "" && c.TakeByName(c.Reference) == nil {
		t.Fatalf("the reference %q is no take", c.Reference)
	}
	slugs := map[string]bool{}
	for i := range c.Takes {
		k := &c.Takes[i]
		inside(k.Pos)
		inside(k.File.Pos)
		if s := Slug(k.Name); s == "" || slugs[s] {
			t.Fatalf("slug %q", s)
		} else {
			slugs[s] = true
		}
		chain := c.ChainOf(k)
		if len(chain) != len(c.Chain) {
			t.Fatalf("%d devices for %d slots", len(chain), len(c.Chain))
		}
		for j, d := range chain {
			if d.Slot != c.Chain[j].Slot {
				t.Fatalf("slot %q where %q was", d.Slot, c.Chain[j].Slot)
			}
			for _, o := range d.Controls {
				inside(o.Pos)
				v := o.Value
				if !math.IsNaN(v.Fraction) && (v.Fraction < 0 || v.Fraction > 1) || math.IsInf(v.Number, 0) || v.Kind == "" || (v.Kind == Unset) != (v.Written == "") {
					t.Fatalf("control %+v", o)
				}
			}
		}
	}
	for _, s := range c.Performance.Sections {
		inside(s.Pos)
		if !(s.To > s.From) || s.From < 0 {
			t.Fatalf("section %+v", s)
		}
	}
}

// seeds are the examples of the manual, the files in testdata and the faulty
// manifests.
func seeds(t testing.TB) []string {
	t.Helper()
	list := append(docExamples(t), readFile(t, "testdata/full.yaml"), readFile(t, "testdata/other.yaml"), readFile(t, "testdata/chains.yaml"))
	for _, block := range strings.Split(readFile(t, "testdata/faults.txt"), "\n== ")[1:] {
		_, body, _ := strings.Cut(block, "\n")
		src, _, _ := strings.Cut(body, "\n--\n")
		list = append(list, unseen.Replace(strings.ReplaceAll(src+"\n", "REST\n", strings.TrimPrefix(rest, "\n"))))
	}
	if len(list) < 90 {
		t.Fatalf("only %d seeds", len(list))
	}
	return list
}

func TestInvariants(t *testing.T) {
	for _, src := range seeds(t) {
		checkInvariants(t, []byte(src))
		// Every line end, and cut anywhere.
		checkInvariants(t, []byte(strings.ReplaceAll(src, "\n", "\r\n")))
		for i := 0; i < len(src); i += 7 {
			checkInvariants(t, []byte(src[:i]))
		}
	}
}

// TestLineEnds: positions do not depend on the kind of line ends nor on a byte
// order mark.
func TestLineEnds(t *testing.T) {
	for _, src := range seeds(t) {
		if strings.ContainsAny(src, "\r") || strings.HasPrefix(src, "\xef\xbb\xbf") {
			continue
		}
		want := strings.Join(problems(src), "\n")
		for _, other := range []string{strings.ReplaceAll(src, "\n", "\r\n"), strings.ReplaceAll(src, "\n", "\r"), "\xef\xbb\xbf" + src} {
			if got := strings.Join(problems(other), "\n"); got != want {
				t.Errorf("got\n%s\nwant\n%s\nof %q", got, want, other)
			}
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, src := range seeds(f) {
		f.Add([]byte(src))
	}
	f.Fuzz(checkInvariants)
}
