package view

import (
	"bytes"
	"html/template"
	"strconv"

	"evenhand/templates"
)

// Page is what the top of every page states.
type Page struct {
	Title   string
	Policy  string // what the page may load, as a Content-Security-Policy
	Icon    string // address
	Styles  []string
	Scripts []Script
}

// Script is a script that a page loads: at once, or after the page is there.
type Script struct {
	Path  string
	Defer bool
}

// Renderer makes one page. The zero value is not ready: use NewRenderer.
type Renderer struct {
	templates *template.Template
	tables    int
}

// NewRenderer returns a renderer for a page from which Details, relative to the page,
// leads to the page with the details; "" on that page itself.
func NewRenderer(details string) (*Renderer, error) {
	r := &Renderer{}
	t, err := template.New("").Funcs(template.FuncMap{
		// An id for each table's caption, by which its frame is named.
		"serial":  func() string { r.tables++; return "t" + strconv.Itoa(r.tables) },
		"details": func() string { return details },
	}).ParseFS(templates.Files(), "*.html")
	if err != nil {
		return nil, err
	}
	r.templates = t
	return r, nil
}

// Render executes the template of a name.
func (r *Renderer) Render(name string, data any) (template.HTML, error) {
	var out bytes.Buffer
	if err := r.templates.ExecuteTemplate(&out, name, data); err != nil {
		return "", err
	}
	// These two need no escape in UTF-8 text and in double quotes, and the
	// templates use no others; they occur in nearly every cell.
	plain := bytes.ReplaceAll(out.Bytes(), []byte("&#43;"), []byte("+"))
	return template.HTML(bytes.ReplaceAll(plain, []byte("&#39;"), []byte("'"))), nil //nolint:gosec // made by html/template
}
