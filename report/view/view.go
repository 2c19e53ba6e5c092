// Package view holds what pages show things with: facts, tables, figures with the
// words around them, and the templates that turn these into HTML.
package view

import (
	"html/template"
	"strconv"
	"strings"
	"unicode/utf8"

	"evenhand/report/words"
)

// SVG marks a drawing of package chart as markup: chart escapes every text that it is
// given.
func SVG(s string) template.HTML { return template.HTML(s) } //nolint:gosec // see above

// Fact is a name with a value.
type Fact struct{ Name, Value string }

// longFact is the length in bytes from which a fact takes a row of its own.
const longFact = 60

// Long reports whether a fact takes a row of its own in a grid of facts.
func (f Fact) Long() bool { return len(f.Value) > longFact }

// Label names a take wherever it appears, with its line and marker.
type Label struct {
	Name   string
	Slug   string
	Take   int // its place in the result
	Swatch template.HTML
	Refs   []int // footnotes about this take
}

// Cell is one cell of a table. Refs are footnote numbers; Span is how many
// columns it takes, 0 for one; Soft is a value that is not resolved.
type Cell struct {
	Text   string
	Fold   string // summary that a long text is folded behind; "" for none
	Class  string
	Head   bool
	Soft   bool
	Swatch template.HTML
	Dial   template.HTML
	Refs   []int
	Span   int
	Pick   string // number of the take that a click chooses; "" for none
	Pair   string // numbers of the two takes that a click chooses; "" for none
}

// Row is one line of a table; Group starts a group of lines with a heading.
type Row struct {
	Group string
	Class string
	Cells []Cell
}

// Table is a data table. Head and each row's Cells have the same length.
type Table struct {
	Caption string
	Class   string
	Over    []Cell // headings over several columns; nil for none
	Head    []Cell
	Rows    []Row
	Columns int
	Same    []Fact // columns that were taken out, since every line has the same value there
}

// Alike returns a table without the columns of numbers and words that are the same in
// every line, which Same then names. One of fewer than two lines, with headings over
// several columns or with cells that span several stays as it is.
func (t Table) Alike() Table {
	if len(t.Rows) < 2 || t.Over != nil {
		return t
	}
	for _, r := range t.Rows {
		if len(r.Cells) != t.Columns {
			return t
		}
	}
	out := t
	out.Head, out.Rows, out.Same = nil, make([]Row, len(t.Rows)), nil
	for i, r := range t.Rows {
		out.Rows[i] = Row{Group: r.Group, Class: r.Class}
	}
	for k, head := range t.Head {
		same := k > 0
		for _, r := range t.Rows {
			same = same && r.Cells[k].Text == t.Rows[0].Cells[k].Text && r.Cells[k].Soft == t.Rows[0].Cells[k].Soft
		}
		if same {
			f := Fact{Name: head.Text, Value: t.Rows[0].Cells[k].Text}
			if f.Value == "" {
				continue // there is nothing to say of any line
			}
			if at := strings.LastIndex(f.Name, ", "); at >= 0 { // "Gain, dB"
				f.Name, f.Value = f.Name[:at], f.Value+f.Name[at+1:]
				if t.Rows[0].Cells[k].Text == "–" {
					f.Value = "not measured"
				}
			}
			out.Same = append(out.Same, f)
			continue
		}
		out.Head = append(out.Head, head)
		for i, r := range t.Rows {
			out.Rows[i].Cells = append(out.Rows[i].Cells, r.Cells[k])
		}
	}
	out.Columns = len(out.Head)
	return out
}

// NewTable returns a table with a column for each cell of its head.
func NewTable(caption string, head []Cell, rows []Row) Table {
	if rows == nil {
		rows = []Row{}
	}
	return Table{Caption: caption, Head: head, Rows: rows, Columns: len(head)}
}

// Heads turns texts into heading cells. A column of words, not of numbers, is
// marked by a leading <.
func Heads(texts ...string) []Cell {
	out := make([]Cell, 0, len(texts))
	for _, t := range texts {
		c := Cell{Text: t, Head: true}
		if words, ok := strings.CutPrefix(t, "<"); ok {
			c.Text, c.Class = words, "t"
		}
		out = append(out, c)
	}
	return out
}

// Cells turns texts into number cells.
func Cells(texts ...string) []Cell {
	out := make([]Cell, 0, len(texts))
	for _, t := range texts {
		out = append(out, Cell{Text: t})
	}
	return out
}

// TakeCell is a take's name as the heading of a line or a column.
func TakeCell(l Label) Cell { return Cell{Text: l.Name, Head: true, Pick: strconv.Itoa(l.Take)} }

// MarkedCell is the same with the take's line and marker, for the table that
// a section shows first.
func MarkedCell(l Label) Cell {
	c := TakeCell(l)
	c.Swatch = l.Swatch
	return c
}

// NotedCell is a marked one with the numbers of the footnotes about the take.
func NotedCell(l Label) Cell {
	c := MarkedCell(l)
	c.Refs = l.Refs
	return c
}

// Figure is a plot with the words and the table that belong to it.
type Figure struct {
	ID       string
	Title    string
	Axes     string // what the axes show, in words
	SVG      template.HTML
	Legend   []Label
	Words    []string // what to see
	Table    Table
	CSV      string
	Download string // link text
}

// AxesID is the id of the words about the axes, by which the plot is described.
func (f Figure) AxesID() string { return f.ID + "-axes" }

// DataID is the id of what its table is folded in.
func (f Figure) DataID() string { return f.ID + "-data" }

// Unfolded is how many sentences appear below a figure that has many.
func (f Figure) Unfolded() int { return 6 }

// Folded is how many more appear when the reader asks; 0 where all have room.
func (f Figure) Folded() int {
	if more := len(f.Words) - f.Unfolded(); more > 2 {
		return more
	}
	return 0
}

// WordsID is the id of the nth sentence.
func (f Figure) WordsID(n int) string { return f.ID + "-" + strconv.Itoa(n) }

// Folded is a text that stands behind its summary where it is long. Lines stay.
type Folded struct {
	Text    string
	Summary string // "" for a short text
}

// Above these a text is folded.
const (
	maxUnfolded      = 240 // characters
	maxUnfoldedLines = 4
)

// Fold returns a text as it is shown: behind the number of its lines or words where it is
// long.
func Fold(text string) Folded {
	text = strings.TrimSpace(text)
	f := Folded{Text: text}
	lines := strings.Count(text, "\n") + 1
	switch {
	case lines > maxUnfoldedLines:
		f.Summary = words.Plural(lines, "line", "lines")
	case utf8.RuneCountInString(text) > maxUnfolded:
		f.Summary = words.Plural(len(strings.Fields(text)), "word", "words")
	}
	return f
}
