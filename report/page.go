package report

import (
	"cmp"
	"fmt"
	"html/template"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/report/audience"
	"evenhand/report/chart"
	"evenhand/report/fair"
	"evenhand/report/notes"
	"evenhand/report/settings/panel"
	"evenhand/report/view"
	"evenhand/report/words"
)

// The parts of pages that views are made of.
type (
	label  = view.Label
	cell   = view.Cell
	row    = view.Row
	table  = view.Table
	figure = view.Figure
	fact   = view.Fact
)

var (
	heads      = view.Heads
	cells      = view.Cells
	takeCell   = view.TakeCell
	markedCell = view.MarkedCell
	notedCell  = view.NotedCell
	newTable   = view.NewTable
	svg        = view.SVG

	plural   = words.Plural
	listUpTo = words.ListUpTo
	dB       = words.DB
	bandName = words.BandName

	number = strconv.Itoa
	orElse = cmp.Or[string]
)

// The pages.
const (
	indexName   = "index.html"
	detailsName = "details.html"
	frameName   = "listen.html"
)

// section is a part of a page: the element id, which never changes, because others
// link to it; the heading; the template of what is below the heading; and what makes
// the view for the template, nil where there is nothing to show.
type section struct {
	id, title string
	template  string
	build     func(*builder) any
	own       bool // the template makes the element and the heading itself
}

// indexSections are the parts of index.html, in order: what is heard first.
var indexSections = []section{
	{id: "listen", title: "Listen", template: "listen", build: func(b *builder) any { return b.listen(b.beside()) }, own: true},
	{id: "notes", title: "Notes by the author", template: "notes", build: func(b *builder) any { return present(b.authorsNotes()) }},
	{id: "audience", title: "What listeners heard", template: "audience", build: func(b *builder) any { return present(b.audience()) }},
	{id: "differs", title: "What differs", template: "differs", build: func(b *builder) any { return present(b.differs()) }},
	{id: "settings", title: "Settings", template: "settings", build: func(b *builder) any { return b.settings() }},
	{id: "spectra", title: "Tone", template: "spectra", build: func(b *builder) any { return b.spectra() }},
	{id: "likeness", title: "How alike the takes are", template: "likeness", build: func(b *builder) any { return present(b.likeness()) }},
	{id: "gear", title: "Only EQ? Drive and touch", template: "gear", build: func(b *builder) any { return present(b.gear()) }},
	{id: "loudness", title: "Loudness and dynamics", template: "loudness", build: func(b *builder) any { return b.loudness() }},
	{id: "noise", title: "Noise in the pauses", template: "noise", build: func(b *builder) any { return b.noise() }},
	{id: "checks", title: "Is it fair?", template: "fair", build: func(b *builder) any { return fair.Of(b.res) }},
	{id: "about", title: "About this comparison", template: "about", build: func(b *builder) any { return b.colophon() }},
}

// detailsSections are the parts of details.html: what a reader needs who wants to check.
var detailsSections = []section{
	{id: "checks", title: "Checks", template: "checks", build: func(b *builder) any { return fair.ChecksOf(b.res) }},
	{id: "finer", title: "Finer figures", template: "finer", build: func(b *builder) any { return b.finer() }},
	{id: "method", title: "Method", template: "method", build: func(b *builder) any { return b.method() }},
	{id: "files", title: "Files", template: "files", build: func(b *builder) any { return b.files() }},
}

// present is a view, or nil without.
func present[T any](v *T) any {
	if v == nil {
		return nil
	}
	return v
}

// pageView is what the template of a page sees.
type pageView struct {
	view.Page
	Link     *linkView  // nil on a page that is no address to pass on
	Plots    *plotsView // nil on a page whose plots do not follow a take
	Symbols  template.HTML
	Head     template.HTML
	Sections []sectionView
	Tool     string
}

// plotsView is what plots.js must know of the takes.
type plotsView struct {
	Slugs   string
	First   int // the one that is chosen at first
	Colours int // after so many takes their colours begin again
}

type sectionView struct {
	ID, Title string
	HTML      template.HTML
	Own       bool
}

// builder holds what the sections' views share.
type builder struct {
	res    *result.Result
	opts   Options
	labels []label
	notes  footnotes
	player *playerData // nil without pieces: the page then has plain players only
	about  *notes.View // nil without notes of the author
}

func newBuilder(res *result.Result, opts Options) (*builder, error) {
	b := &builder{res: res, opts: opts, notes: collectFootnotes(res), labels: []label{}, player: newPlayerData(res)}
	for i, t := range res.Takes {
		b.labels = append(b.labels, label{Name: t.Name, Slug: t.Slug, Take: i, Swatch: svg(chart.Swatch(i)), Refs: b.notes.about(t.Name, t.File)})
	}
	about, err := notes.New(res.Comparison.About)
	if err != nil {
		return nil, fmt.Errorf("notes: %w", err)
	}
	if about.HTML != "" || len(about.Doubt) > 0 {
		b.about = &about
	}
	return b, nil
}

func (b *builder) settings() panel.View {
	return panel.Of(b.res, b.labels, b.opts.pictures, b.opts.sheet)
}

func (b *builder) audience() *audience.View { return audience.Of(b.res, b.labels) }

func (b *builder) authorsNotes() *notes.View { return b.about }

func (b *builder) tool() string {
	return strings.TrimSpace(b.res.Tool.Name + " " + b.res.Tool.Version)
}

// indexPage makes index.html.
func (b *builder) indexPage() ([]byte, error) {
	link := b.link()
	slugs := []string{}
	for _, l := range b.labels {
		slugs = append(slugs, l.Slug)
	}
	p := pageView{Page: view.Page{Title: b.res.Comparison.Heading(), Styles: []string{"style.css", "plots.css", "listen.css"}, Scripts: append([]view.Script{{Path: "moved.js", Defer: true}, {Path: "plots.js", Defer: true}}, b.player.scripts()...)}, Link: &link, Plots: &plotsView{strings.Join(slugs, " "), max(0, b.farthest()), chart.Colours}}
	return b.page(p, "page", detailsName, "head", b.head(), indexSections)
}

// frameSections are the parts of listen.html: the player alone, without a plot.
var frameSections = []section{{id: "listen", title: "Listen", template: "listen", build: func(b *builder) any { return b.listen(nil) }, own: true}}

// framePage makes listen.html.
func (b *builder) framePage() ([]byte, error) {
	p := pageView{Page: view.Page{Title: b.res.Comparison.Heading(), Styles: []string{"style.css", "plots.css", "listen.css"}, Scripts: b.player.scripts()}}
	return b.page(p, "frame", detailsName, "frame-head", b.head(), frameSections)
}

// detailsPage makes details.html.
func (b *builder) detailsPage() ([]byte, error) {
	p := pageView{Page: view.Page{Title: "Details: " + b.res.Comparison.Heading(), Styles: []string{"style.css", "plots.css"}}}
	return b.page(p, "page", "", "details-head", b.detailsHead(), detailsSections)
}

// page makes a page of sections by a template; details leads from it to details.html.
func (b *builder) page(p pageView, layout, details, head string, headView any, sections []section) ([]byte, error) {
	r, err := view.NewRenderer(details)
	if err != nil {
		return nil, err
	}
	p.Policy, p.Symbols, p.Tool = ContentPolicy, svg(chart.Symbols()), b.tool()
	if p.Head, err = r.Render(head, headView); err != nil {
		return nil, err
	}
	for _, s := range sections {
		v := s.build(b)
		if v == nil {
			continue
		}
		html, err := r.Render(s.template, v)
		if err != nil {
			return nil, err
		}
		p.Sections = append(p.Sections, sectionView{s.id, s.title, html, s.own})
	}
	html, err := r.Render(layout, p)
	return []byte(html), err
}

// floats converts any of the unit types' slices.
func floats[T ~float64](in []T) []float64 {
	out := make([]float64, len(in))
	for i, v := range in {
		out[i] = float64(v)
	}
	return out
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
	if names := b.notRanked(); names != "" {
		return "The sentences here leave out " + names + "."
	}
	return ""
}

// notRanked names the takes that are no contestants, with the parts they play; "" for none.
func (b *builder) notRanked() string {
	names := []string{}
	for i := range b.res.Takes {
		if t := &b.res.Takes[i]; !t.Contestant() {
			name := t.Name
			if part := partWords(t); part != "" {
				name += " (" + part + ")"
			}
			names = append(names, name)
		}
	}
	return listUpTo(names, 8)
}

// partWords says what part a take plays; "" for one without a role, or whose name says
// it.
func partWords(t *result.Take) string {
	out := []string{}
	if t.Role != "" && !named(t, t.Role) {
		out = append(out, t.Role)
	}
	if t.RepeatOf != "" {
		out = append(out, "repeat of "+t.RepeatOf)
	}
	return strings.Join(out, ", ")
}

// named reports whether a word is one of those of a take's name.
func named(t *result.Take, word string) bool {
	return slices.ContainsFunc(strings.FieldsFunc(t.Name, func(r rune) bool { return !unicode.IsLetter(r) }), func(s string) bool { return strings.EqualFold(s, word) })
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
				add(t.Name, m.Span, w.Words)
			}
		}
		for _, w := range t.Noise.Warnings {
			add(t.Name, "", "noise: "+w.Words)
		}
	}
	if res.Loopback != nil {
		for _, w := range res.Loopback.Warnings {
			add(res.Loopback.File, "", w.Words)
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
