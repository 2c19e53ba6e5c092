// Package notes shows an author's notes on a page.
package notes

import (
	"bytes"
	"fmt"
	"html/template"
	"strings"

	"github.com/yuin/goldmark"
	"github.com/yuin/goldmark/ast"
	"github.com/yuin/goldmark/extension"
	"github.com/yuin/goldmark/text"

	"evenhand/report/words"
)

// View is the author's own text, for the template "notes".
type View struct {
	HTML  template.HTML
	Doubt []string // what was left out
}

// limit bounds the text: some Markdown takes far more than linear time.
const limit = 64 << 10

// New turns Markdown into safe HTML: raw HTML is left out, pictures and
// links into the folder are replaced by their text, headings go below the
// page's own and have no ids. It returns an error only where the Markdown library
// fails, which no text is known to cause; a text that is too long is a doubt.
func New(markdown string) (View, error) {
	v := View{Doubt: []string{}}
	if strings.TrimSpace(markdown) == "" {
		return v, nil
	}
	if len(markdown) > limit {
		v.Doubt = append(v.Doubt, fmt.Sprintf("the notes are %d bytes long and are not shown: at most %d are", len(markdown), limit))
		return v, nil
	}
	md := goldmark.New(goldmark.WithExtensions(extension.Strikethrough, extension.Linkify,
		extension.NewTable(extension.WithTableCellAlignMethod(extension.TableCellAlignAttribute))))
	src := []byte(markdown)
	doc := md.Parser().Parse(text.NewReader(src))
	pictures, links, raw, err := tame(doc, src)
	if err != nil {
		return v, err
	}
	var out bytes.Buffer
	if err := md.Renderer().Render(&out, src, doc); err != nil {
		return v, err
	}
	if pictures > 0 {
		v.Doubt = append(v.Doubt, words.Plural(pictures, "picture", "pictures")+" left out: the page shows none from notes")
	}
	if links > 0 {
		v.Doubt = append(v.Doubt, words.Plural(links, "link", "links")+" shown as text: only full web and mail addresses are kept")
	}
	if raw > 0 {
		v.Doubt = append(v.Doubt, words.Plural(raw, "piece", "pieces")+" of HTML left out")
	}
	v.HTML = template.HTML(out.String()) //nolint:gosec // raw HTML is off and the tree has been tamed
	return v, nil
}

// tame changes the tree so that its HTML asks for nothing from elsewhere and
// fits below the page's headings. It returns what it had to replace.
func tame(doc ast.Node, src []byte) (pictures, links, raw int, err error) {
	var drop []ast.Node
	err = ast.Walk(doc, func(n ast.Node, entering bool) (ast.WalkStatus, error) {
		if !entering {
			return ast.WalkContinue, nil
		}
		switch n := n.(type) {
		case *ast.Heading:
			n.Level = min(6, n.Level+2)
		case *ast.Image:
			pictures++
			drop = append(drop, n)
		case *ast.Link:
			if !webAddress(string(n.Destination)) {
				links++
				drop = append(drop, n)
				return ast.WalkContinue, nil
			}
			n.SetAttributeString("rel", []byte("noopener noreferrer nofollow"))
		case *ast.AutoLink:
			if !webAddress(string(n.URL(src))) && n.AutoLinkType != ast.AutoLinkEmail {
				links++
				drop = append(drop, n)
				return ast.WalkContinue, nil
			}
			n.SetAttributeString("rel", []byte("noopener noreferrer nofollow"))
		case *ast.RawHTML, *ast.HTMLBlock:
			raw++
		}
		return ast.WalkContinue, nil
	})
	// Innermost first: a link around a picture keeps the picture's words.
	for i := len(drop) - 1; i >= 0; i-- {
		n := drop[i]
		parent := n.Parent()
		if parent == nil {
			continue
		}
		if a, ok := n.(*ast.AutoLink); ok {
			parent.ReplaceChild(parent, n, ast.NewString(a.Label(src)))
			continue
		}
		if _, ok := n.(*ast.Image); ok {
			parent.InsertBefore(parent, n, ast.NewString([]byte("[picture: ")))
		}
		for c := n.FirstChild(); c != nil; c = n.FirstChild() {
			parent.InsertBefore(parent, n, c)
		}
		if _, ok := n.(*ast.Image); ok {
			parent.InsertBefore(parent, n, ast.NewString([]byte("]")))
		}
		parent.RemoveChild(parent, n)
	}
	return pictures, links, raw, err
}

// webAddress tells whether a link may be kept.
func webAddress(dest string) bool {
	d := strings.ToLower(strings.TrimSpace(dest))
	return strings.HasPrefix(d, "https://") || strings.HasPrefix(d, "http://") || strings.HasPrefix(d, "mailto:")
}
