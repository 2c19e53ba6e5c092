package manifest

import (
	_ "embed"
	"go/doc/comment"
	"strings"
)

//go:embed doc.go
var docSource string

// Manual returns the manual of the language, which is this package's comment
// less its first paragraph, as plain text in lines of at most width characters
// where the examples allow it.
func Manual(width int) string {
	text, _, _ := strings.Cut(strings.ReplaceAll(docSource, "\r\n", "\n"), "\npackage ")
	lines := strings.Split(text, "\n")
	for i, l := range lines {
		lines[i] = strings.TrimPrefix(strings.TrimPrefix(l, "//"), " ")
	}
	doc := (&comment.Parser{}).Parse(strings.Join(lines, "\n"))
	for len(doc.Content) > 0 {
		if _, ok := doc.Content[0].(*comment.Heading); ok {
			break
		}
		doc.Content = doc.Content[1:]
	}
	return string((&comment.Printer{TextWidth: width, TextCodePrefix: "    "}).Text(doc))
}
