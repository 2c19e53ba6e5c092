package manifest

import (
	"go/parser"
	"go/token"
	"strings"
	"testing"
)

// docExamples returns the YAML examples of the package comment, each made into
// a whole manifest by what its first line says it is.
func docExamples(t testing.TB) []string {
	t.Helper()
	f, err := parser.ParseFile(token.NewFileSet(), "doc.go", nil, parser.ParseComments|parser.PackageClauseOnly)
	if err != nil {
		t.Fatal(err)
	}
	var blocks []string
	inside := false
	for _, line := range strings.Split(f.Doc.Text(), "\n") {
		code, indented := strings.CutPrefix(line, "\t")
		switch {
		case indented && (!inside || strings.HasPrefix(code, "# ")):
			blocks = append(blocks, code)
			inside = true
		case indented:
			blocks[len(blocks)-1] += "\n" + code
		case line != "":
			inside = false
		}
	}
	indent := func(s, by string) string { return by + strings.ReplaceAll(s, "\n", "\n"+by) + "\n" }
	const head = "title: x\nvaries: amp\nchain:\n  - slot: amp\n    device: Studio valve amplifier\n    controls: {volume: 5}\n"
	const takes = "takes:\n  - name: Leaning\n    file: leaning.wav\n"
	for i, b := range blocks {
		what, body, _ := strings.Cut(b, "\n")
		switch what {
		case "# a whole manifest":
			blocks[i] = body
		case "# at the top":
			blocks[i] = head + takes + body
		case "# a slot of the chain":
			blocks[i] = head + "  -\n" + indent(body, "    ") + takes
		case "# in a take":
			blocks[i] = head + takes + "  - name: Two\n    file: two.wav\n" + indent(body, "    ")
		case "# controls":
			blocks[i] = head[:strings.Index(head, "    controls")] + "    controls:\n" + indent(body, "      ") + takes
		default:
			t.Fatalf("example begins with %q, which says not what it is:\n%s", what, b)
		}
	}
	return blocks
}

func TestDocExamples(t *testing.T) {
	examples := docExamples(t)
	if len(examples) < 10 {
		t.Fatalf("only %d examples found in doc.go", len(examples))
	}
	for _, src := range examples {
		c, err := Parse("doc.go", []byte(src))
		if err != nil {
			t.Errorf("%v\n--- of\n%s", err, src)
			continue
		}
		if len(c.Warnings) > 0 {
			t.Errorf("%v\n--- of\n%s", c.Warnings, src)
		}
	}
}

// TestDocNamesEveryKey fails when a key is not in the manual.
func TestDocNamesEveryKey(t *testing.T) {
	doc := readFile(t, "doc.go")
	check := func(names []string) {
		for _, n := range names {
			if !strings.Contains(doc, n) {
				t.Errorf("doc.go does not name the key %s", n)
			}
		}
	}
	check(comparisonObject().names())
	check(performanceObject().names())
	check(takeObject().names())
	check(matchObject().names())
	check(micsObject(true).names())
	check(positionObject().names())
	check(photoObject().names())
	check(detailObject().names())
	for _, k := range deviceKeys() {
		check([]string{k.name})
	}
}
