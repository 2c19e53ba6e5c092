package report

import (
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/chart"
)

// pageView is what the page template sees: one view for each section.
type pageView struct {
	Title    string
	Policy   string
	Link     linkView
	Symbols  template.HTML
	Head     headView
	Listen   listenView
	Audience *audienceView // nil without
	Settings settingsView
	Spectra  spectraView
	Loudness loudnessView
	Noise    noiseView
	Likeness likenessView
	Checks   checksView
	Loopback *loopbackView
	Method   methodView
	Files    filesView
	Notes    notesView
}

// label names a take wherever it appears, with its line and marker.
type label struct {
	Name   string
	Slug   string
	Swatch template.HTML
	Refs   []int // footnotes about this take
}

// cell is one cell of a table. Refs are footnote numbers; Span is how many
// columns it takes, 0 for one; Soft is a value that is not resolved.
type cell struct {
	Text   string
	Fold   string // summary that a long text stands behind; "" for none
	Class  string
	Head   bool
	Soft   bool
	Swatch template.HTML
	Dial   template.HTML
	Refs   []int
	Span   int
}

// row is one line of a table; Group starts a group of lines with a heading.
type row struct {
	Group string
	Class string
	Cells []cell
}

// table is a data table. Head and each row's Cells have the same length.
type table struct {
	Caption string
	Class   string
	Over    []cell // headings over several columns; nil for none
	Head    []cell
	Rows    []row
	Columns int
}

// figure is a plot with what must stand around it.
type figure struct {
	ID       string
	Title    string
	Axes     string // what the axes show, in words
	SVG      template.HTML
	Legend   []label
	Words    []string // what to see
	Table    table
	CSV      string
	Download string // link text
}

// AxesID is the id of the words about the axes, by which the plot is described.
func (f figure) AxesID() string { return f.ID + "-axes" }

// Unfolded is how many sentences stand below a figure that has many.
func (f figure) Unfolded() int { return 6 }

// Folded is how many more are told when the reader asks; 0 where all have room.
func (f figure) Folded() int {
	if more := len(f.Words) - f.Unfolded(); more > 2 {
		return more
	}
	return 0
}

// WordsID is the id of the nth sentence.
func (f figure) WordsID(n int) string { return f.ID + "-" + number(n) }

// svg marks a chart's output as markup: chart escapes every text it is given.
func svg(s string) template.HTML { return template.HTML(s) } //nolint:gosec // see above

// builder holds what the sections' views share.
type builder struct {
	res    *result.Result
	labels []label
	notes  footnotes
}

// newPage builds all views from a result.
func newPage(res *result.Result, opts Options) (pageView, error) {
	b := &builder{res: res, notes: collectFootnotes(res), labels: []label{}}
	for i, t := range res.Takes {
		b.labels = append(b.labels, label{Name: t.Name, Slug: t.Slug, Swatch: svg(chart.Swatch(i)), Refs: b.notes.about(t.Name, t.File)})
	}
	notes, err := newNotes(res.Comparison.About)
	if err != nil {
		return pageView{}, fmt.Errorf("notes: %w", err)
	}
	return pageView{
		Title:    orElse(res.Comparison.Title, "Untitled comparison"),
		Policy:   ContentPolicy,
		Link:     b.link(),
		Symbols:  svg(chart.Symbols()),
		Head:     b.head(),
		Listen:   b.listen(),
		Audience: b.audience(),
		Settings: b.settings(opts),
		Spectra:  b.spectra(),
		Loudness: b.loudness(),
		Noise:    b.noise(),
		Likeness: b.likeness(),
		Checks:   b.checks(),
		Loopback: b.loopback(),
		Method:   b.method(),
		Files:    b.files(opts),
		Notes:    notes,
	}, nil
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

// heads turns texts into heading cells. A column of words, not of numbers, is
// marked by a leading <.
func heads(texts ...string) []cell {
	out := make([]cell, 0, len(texts))
	for _, t := range texts {
		c := cell{Text: t, Head: true}
		if words, ok := strings.CutPrefix(t, "<"); ok {
			c.Text, c.Class = words, "t"
		}
		out = append(out, c)
	}
	return out
}

// cells turns texts into number cells.
func cells(texts ...string) []cell {
	out := make([]cell, 0, len(texts))
	for _, t := range texts {
		out = append(out, cell{Text: t})
	}
	return out
}

// takeCell is a take's name as a line heading.
func takeCell(l label) cell { return cell{Text: l.Name, Head: true} }

// markedCell is the same with the take's line and marker, for the table that
// a section shows first.
func markedCell(l label) cell {
	c := takeCell(l)
	c.Swatch = l.Swatch
	return c
}

// notedCell is a marked one with the numbers of the footnotes about the take.
func notedCell(l label) cell {
	c := markedCell(l)
	c.Refs = l.Refs
	return c
}

func newTable(caption string, head []cell, rows []row) table {
	if rows == nil {
		rows = []row{}
	}
	return table{Caption: caption, Head: head, Rows: rows, Columns: len(head)}
}

// floats converts any of the unit types' slices.
func floats[T ~float64](in []T) []float64 {
	out := make([]float64, len(in))
	for i, v := range in {
		out[i] = float64(v)
	}
	return out
}

// whole returns the measures over the whole span, and false when there are
// none.
func whole(t result.Take) (result.Measures, bool) {
	if len(t.Measures) == 0 {
		return result.Measures{}, false
	}
	return t.Measures[0], true
}

// index returns a take's place in the result, −1 when there is none of that
// name.
func (b *builder) index(name string) int {
	for i, t := range b.res.Takes {
		if t.Name == name {
			return i
		}
	}
	return -1
}

// ranked reports whether a take is a contestant: sentences that rank takes leave
// out the others.
func (b *builder) ranked(name string) bool {
	i := b.index(name)
	return i >= 0 && b.res.Takes[i].Contestant()
}

// leftOut says which takes the sentences of its section that rank takes leave out,
// and why; "" for none.
func (b *builder) leftOut() string {
	names := []string{}
	for i := range b.res.Takes {
		if t := &b.res.Takes[i]; !t.Contestant() {
			names = append(names, t.Name+" ("+partWords(t)+")")
		}
	}
	if len(names) == 0 {
		return ""
	}
	return "The sentences here leave out " + listUpTo(names, 8) + "."
}

// partWords says what part a take plays; "" for one without a role.
func partWords(t *result.Take) string {
	out := []string{}
	if t.Role != "" {
		out = append(out, t.Role)
	}
	if t.RepeatOf != "" {
		out = append(out, "repeat of "+t.RepeatOf)
	}
	return strings.Join(out, ", ")
}

// wholeName is the name of the span that covers everything.
func (b *builder) wholeName() string {
	if len(b.res.Timeline.Spans) == 0 {
		return ""
	}
	return b.res.Timeline.Spans[0].Name
}

// sections are the spans after the whole.
func (b *builder) sections() []result.Span {
	if len(b.res.Timeline.Spans) < 2 {
		return []result.Span{}
	}
	return b.res.Timeline.Spans[1:]
}

func (b *builder) chartSections() []chart.Section {
	out := []chart.Section{}
	for _, s := range b.sections() {
		out = append(out, chart.Section{Name: s.Name, From: float64(s.From), To: float64(s.To)})
	}
	return out
}

// span returns the time that the plots over time cover.
func (b *builder) span() (from, to float64) {
	if len(b.res.Timeline.Spans) == 0 {
		return 0, 1
	}
	s := b.res.Timeline.Spans[0]
	return float64(s.From), float64(s.To)
}

// footnotes are the numbered doubts of the whole report.
type footnotes []footnote

type footnote struct {
	Number int
	Where  string
	Text   string

	subjects, sections []string
	general            bool // about every take: not marked at their names
}

// collectFootnotes numbers the result's warnings and those of its parts. The
// same words about several takes or sections are one footnote.
func collectFootnotes(res *result.Result) footnotes {
	out := footnotes{}
	place := map[string]int{}
	add := func(where, section, text string) {
		if text == "" {
			return
		}
		i, ok := place[text]
		if !ok {
			i = len(out)
			place[text] = i
			out = append(out, footnote{Number: i + 1, Text: text, subjects: []string{}, sections: []string{}})
		}
		n := &out[i]
		if where != "" && !slices.Contains(n.subjects, where) {
			n.subjects = append(n.subjects, where)
		}
		if section != "" && !slices.Contains(n.sections, section) {
			n.sections = append(n.sections, section)
		}
	}
	for _, w := range res.Warnings {
		add(w.Where, "", w.Message)
	}
	for _, t := range res.Takes {
		for _, m := range t.Measures {
			for _, w := range m.Warnings {
				add(t.Name, m.Span, w)
			}
		}
		for _, w := range t.Noise.Warnings {
			add(t.Name, "", "noise: "+w)
		}
	}
	if res.Loopback != nil {
		for _, w := range res.Loopback.Warnings {
			add(res.Loopback.File, "", w)
		}
	}
	for i := range out {
		n := &out[i]
		n.general = len(n.subjects) > 1 && len(n.subjects) == len(res.Takes)
		n.Where = manifest.List(n.subjects)
		if n.general {
			n.Where = "All takes"
		}
		if len(n.sections) > 0 && len(n.sections) < len(res.Timeline.Spans) {
			n.Where += " (" + manifest.List(n.sections) + ")"
		}
	}
	return out
}

// about returns the numbers of the footnotes about any of the given subjects.
func (f footnotes) about(where ...string) []int {
	out := []int{}
	for _, n := range f {
		for _, w := range where {
			if w != "" && !n.general && slices.Contains(n.subjects, w) {
				out = append(out, n.Number)
				break
			}
		}
	}
	return out
}

// tell reports whether a footnote gives a reason.
func (f footnotes) tell(reason string) bool {
	return reason != "" && slices.ContainsFunc(f, func(n footnote) bool { return strings.Contains(n.Text, reason) })
}

// number prints a count.
func number(n int) string { return strconv.Itoa(n) }
