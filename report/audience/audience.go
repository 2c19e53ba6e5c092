// Package audience says what listeners answered: the section of the page about the blind
// tests.
package audience

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/listening"
	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
	"evenhand/report/tables"
	"evenhand/report/view"
	"evenhand/report/words"
)

// View is what listeners answered on the published page.
type View struct {
	Words       []string
	Preferences *preferences // nil when no such answer counted
	Trials      *trials
	Ratings     *ratings
	Caveats     []string
}

// preferences are the answers to which of two takes is preferred.
type preferences struct {
	Told  told
	Zero  string // "" when nobody was asked about a hidden pair of one take
	Order view.Figure
	Pairs pairTable
}

// trials are the answers to whether two takes can be told apart.
type trials struct {
	Told  told
	Same  []string // of takes and their repeats
	Pairs pairTable
}

// ratings are the answers to how close takes are to the reference.
type ratings struct {
	Told  told
	Takes view.Table
	Pairs pairTable
}

// pairTable is a table with a line per pair of takes. When there are many, the
// page shows those with the clearest answers, and the file CSV holds all.
type pairTable struct {
	Table view.Table
	Rest  string // what is not shown, "" when nothing is left out
	CSV   string
}

// A table on the page has all pairs up to those of eight takes, and
// PairsClearest of more.
const (
	PairsAll      = 28
	PairsClearest = 20
)

// newPairTable is view.NewTable with the lines of pairs, their probabilities and
// lines that follow in any case.
func newPairTable(caption, csv string, head []view.Cell, rows []view.Row, ps []listening.P, after ...view.Row) pairTable {
	t := pairTable{CSV: csv}
	if len(rows) > PairsAll {
		order := make([]int, len(rows))
		for i := range order {
			order[i] = i
		}
		slices.SortStableFunc(order, func(i, k int) int { return cmp.Compare(ps[i], ps[k]) })
		slices.Sort(order[:PairsClearest])
		shown := []view.Row{}
		for _, i := range order[:PairsClearest] {
			shown = append(shown, rows[i])
		}
		t.Rest = fmt.Sprintf("These are the %d of %d pairs with the most one-sided answers.", PairsClearest, len(rows))
		rows = shown
	}
	t.Table = view.NewTable(caption, head, append(rows, after...))
	return t
}

// told is what the answers show: a sentence and the findings that it
// announces.
type told struct {
	Lead     string
	Findings []string
}

// findings is how many findings of a kind are told in words; the others are
// in the tables.
const findings = 6

// builder holds what the parts share.
type builder struct {
	res    *result.Result
	labels []view.Label
}

// Of returns the view of a result's answers, with the labels of its takes, for the
// template "audience"; nil where no answers were counted.
func Of(res *result.Result, labels []view.Label) *View {
	a := res.Audience
	if a == nil {
		return nil
	}
	b := builder{res, labels}
	v := &View{Words: leadWords(a, b.res.Heard()), Caveats: a.Caveats}
	var aside listening.Aside
	if a.Aside != nil {
		aside = *a.Aside
	}
	if len(a.Preferences.Pairs)+len(aside.Preferences) > 0 || a.Preferences.ZeroLine.Asked > 0 {
		v.Preferences = b.preferences(a.Preferences, aside.Preferences)
	}
	if len(a.Discrimination.Pairs)+len(aside.Trials) > 0 {
		v.Trials = b.trials(a.Discrimination, aside.Trials)
	}
	if a.Ratings.Readers+a.Ratings.Screened > 0 {
		v.Ratings = b.ratings(a.Ratings, aside.Ratings)
	}
	return v
}

// leadWords says how many answers there are, of what, and how to read the
// rest; heard are the takes of the page that can be listened to.
func leadWords(a *listening.Result, heard []string) []string {
	s := fmt.Sprintf("%s left answers of the blind tests above as codes in comments; %s.", words.Plural(a.Readers, "listener", "listeners"), words.Plural(a.Counted, "code was counted", "codes were counted"))
	if out := leftOut(a); len(out) > 0 {
		s += " Left out: " + manifest.List(out) + "."
	}
	added := slices.DeleteFunc(slices.Clone(heard), func(name string) bool { return slices.Contains(a.Takes, name) })
	if len(added) > 0 {
		s += fmt.Sprintf(" They heard the comparison of %d takes that was published before %s added. The audio of those takes is the same.", len(a.Takes), isAre(added))
	}
	for _, e := range a.Earlier {
		if len(e.Takes) < len(a.Takes) {
			s += fmt.Sprintf(" %s left %s about the comparison of %d takes that was published before: %s. The audio of those takes is the same.",
				words.Plural(e.Readers, "listener", "listeners"), words.Plural(e.Counted, "code", "codes"), len(e.Takes), manifest.List(e.Takes))
		}
	}
	return []string{s, fmt.Sprintf("Each share is followed by the interval in which the true share lies with %.0f %% confidence, had the listeners been a random sample, and by how often chance alone would make the answers so one-sided. A difference is reported as a finding only where that is at most %.0f %%, after allowing for the number of pairs that were looked at, and where the interval leaves out no difference.", 100*float64(a.Confidence), 100*listening.UsualAlpha)}
}

// isAre lists takes with their verb.
func isAre(names []string) string {
	if len(names) == 1 {
		return names[0] + " was"
	}
	return manifest.List(names) + " were"
}

// leftOut lists what was not counted.
func leftOut(a *listening.Result) []string {
	out := []string{}
	add := func(n int, one, many string) {
		if n > 0 {
			out = append(out, words.Plural(n, one, many))
		}
	}
	add(a.Duplicates, "code that came again", "codes that came again")
	add(a.Repeats, "further answer to a question already answered", "further answers to a question already answered")
	add(a.Damaged, "damaged code", "damaged codes")
	add(a.Foreign, "code of other audio", "codes of other audio")
	return out
}

// index returns a take's place in the result, −1 where there is none of that name.
func (b builder) index(name string) int {
	return slices.IndexFunc(b.labels, func(l view.Label) bool { return l.Name == name })
}

// named is a take's name as the first cell of a line, with its look.
func (b builder) named(name string) view.Cell {
	if i := b.index(name); i >= 0 {
		c := view.TakeCell(b.labels[i])
		c.Pick = "" // the tables are many
		return c
	}
	return view.Cell{Text: name, Head: true}
}

// pairCells begin a line about two takes.
func (b builder) pairCells(x, y string) []view.Cell {
	second := b.named(y)
	second.Head, second.Class = false, "t"
	second.Swatch = ""
	return []view.Cell{b.named(x), second}
}

// tell makes a lead for findings about some of so many pairs, of which at most
// as many as are told in words are kept.
func tell(found []string, pairs int, what, none string) told {
	if len(found) == 0 {
		return told{Lead: fmt.Sprintf(none, words.Plural(pairs, "pair", "pairs")), Findings: []string{}}
	}
	t := told{Lead: fmt.Sprintf("In %d of %s %s", len(found), words.Plural(pairs, "pair", "pairs"), what), Findings: found}
	if n := len(found) - findings; n > 0 {
		t.Findings = append(found[:findings:findings], words.Plural(n, "further pair, in the table in bold.", "further pairs, in the table in bold."))
	}
	return t
}

// oneSetting reports whether one of two takes repeats the other.
func (b builder) oneSetting(x, y string) bool {
	return slices.ContainsFunc(b.res.Takes, func(t result.Take) bool {
		return t.RepeatOf != "" && (t.Name == x && t.RepeatOf == y || t.Name == y && t.RepeatOf == x)
	})
}

// repeats tells of two takes that are recordings of the same, "" otherwise. A tally
// of an earlier version ranks them.
func (b builder) repeats(x, y string) string {
	if b.oneSetting(x, y) {
		return " Both are recordings of the same take: this is about the repeat, not about the gear."
	}
	return ""
}

// asideRows puts the lines of pairs that are not ranked below a heading.
func asideRows(rows []view.Row) []view.Row {
	if len(rows) > 0 {
		rows[0].Group = "Not ranked: with a bypass, the room or a repeat"
	}
	return rows
}

func (b builder) preferences(p listening.Preferences, aside []listening.PairVote) *preferences {
	v := &preferences{Told: told{Findings: []string{}}}
	rows, after, found, ps := []view.Row{}, []view.Row{}, []string{}, []listening.P{}
	line := func(q listening.PairVote) view.Row {
		return view.Row{Cells: append(b.pairCells(q.A, q.B), view.Cells(
			strconv.Itoa(q.ForA), strconv.Itoa(q.ForB), strconv.Itoa(q.Ties), percent(q.Share.Value, q.Share), between(q.Share), byChance(q.PHolm))...)}
	}
	for _, q := range aside {
		after = append(after, line(q))
	}
	after = asideRows(after)
	for _, q := range p.Pairs {
		r := line(q)
		if float64(q.PHolm) <= listening.UsualAlpha {
			r.Class = "differs"
			win, lose, k, share := q.A, q.B, q.ForA, q.Share
			if q.ForB > q.ForA {
				win, lose, k, share = q.B, q.A, q.ForB, turned(q.Share)
			}
			found = append(found, fmt.Sprintf("%s was preferred to %s by %d of %s with a preference: %s; by chance %s.%s",
				win, lose, k, words.Plural(q.ForA+q.ForB, "listener", "listeners"), shareWords(share), chanceWords(q.PHolm), b.repeats(q.A, q.B)))
		}
		rows, ps = append(rows, r), append(ps, q.PHolm)
	}
	if len(p.Pairs) > 0 {
		v.Told = tell(found, len(p.Pairs), "more listeners preferred one take than chance explains:",
			"In none of %s does the count exclude that preferences were even: of no take can it be said that it was preferred.")
	}
	if z := p.ZeroLine; z.Asked > 0 {
		after = append(after, view.Row{Group: "For comparison", Cells: append([]view.Cell{{Text: "One take", Head: true}, {Text: "itself, hidden", Class: "t"}},
			view.Cells(strconv.Itoa(z.First), strconv.Itoa(z.Second), strconv.Itoa(z.Ties), percent(firstShare(z), z.Preferred), "–", byChance(z.OrderP))...)})
		v.Zero = fmt.Sprintf("The zero line: of %s given the same take twice without knowing it, %d preferred one of the two: %s. That much preference comes from nothing in the sound.",
			words.Plural(z.Asked, "listener", "listeners"), z.First+z.Second, shareWords(z.Preferred))
		if float64(z.OrderP) <= listening.UsualAlpha {
			more := "first"
			if z.Second > z.First {
				more = "second"
			}
			v.Zero += fmt.Sprintf(" Most of them chose the one played %s: the order of playing swayed listeners, which the pairs balance by playing each take equally often first.", more)
		}
	}
	v.Pairs = newPairTable("Preferences, pair by pair", tables.Preferences, view.Heads("First take", "<Second take", "Prefer the first", "Prefer the second", "No preference", "Share for the first, %", "95 % interval, %", "So one-sided by chance, %"), rows, ps, after...)
	v.Order = b.orderFigure(p)
	return v
}

// firstShare is the share for the one played first among those with a
// preference.
func firstShare(z listening.ZeroLine) unit.Number {
	if z.First+z.Second == 0 {
		return unit.Number(math.NaN())
	}
	return unit.Number(float64(z.First) / float64(z.First+z.Second))
}

// orderFigure draws the fitted abilities as the share that prefers each take
// to an average one.
func (b builder) orderFigure(p listening.Preferences) view.Figure {
	f := view.Figure{ID: "order", Title: "Order of preference",
		Axes:  "In % of answers with a preference: how many would prefer the take to an average take of this comparison, with 95 % intervals. The line at 50 is no preference.",
		Words: []string{}, Legend: []view.Label{}}
	groups := 0
	for _, a := range p.Abilities {
		groups = max(groups, a.Group+1)
	}
	drawn := []chart.ShareRow{}
	rows := []view.Row{}
	for _, a := range p.Abilities {
		if a.Group < 0 {
			continue // in no pair that was asked
		}
		s := listening.Share{Value: preferred(a.Value), Low: preferred(a.Low), High: preferred(a.High)}
		rows = append(rows, view.Row{Cells: append([]view.Cell{b.named(a.Take)}, view.Cells(strconv.Itoa(a.Compared), percent(s.Value, s), between(s), unit.Signed(float64(a.Value), 2), unit.Format(float64(a.Error), 2))...)})
		drawn = append(drawn, chart.ShareRow{Name: a.Take, Take: max(0, b.index(a.Take)), Value: float64(s.Value), Low: float64(s.Low), High: float64(s.High), Soft: !p.Estimable || groups > 1})
	}
	f.Table = view.NewTable("Order of preference: "+p.Model, view.Heads("Take", "Answers", "Share against an average take, %", "95 % interval, %", "Log ability", "Standard error"), rows)
	if len(drawn) == 0 {
		return f
	}
	f.SVG = view.SVG(chart.Shares(chart.Text{Title: "Order of preference of " + words.Plural(len(drawn), "take", "takes"), By: f.AxesID()}, drawn, 0.5))
	switch {
	case groups > 1:
		f.Words = append(f.Words, "Grey: some takes were never compared with each other, not even by way of third ones, so these shares must not be compared.")
	case !p.Estimable:
		f.Words = append(f.Words, "Grey: "+p.Reason+", so the shares rest on made-up answers beside the real ones and are a rough guide only.")
	}
	f.Words = append(f.Words, fmt.Sprintf("All answers together give one order by the model of %s, fitted by maximum likelihood. The intervals are about each take against the average; whether two takes differ is shown pair by pair, not by whether their lines overlap.", p.Model))
	return f
}

// preferred is the share that prefers an item of this log ability to one of
// ability 0.
func preferred(v unit.Number) unit.Number { return unit.Number(1 / (1 + math.Exp(-float64(v)))) }

func (b builder) trials(d listening.Discrimination, aside []listening.PairTrials) *trials {
	v := &trials{Told: told{Findings: []string{}}, Same: []string{}}
	rows, after, found, ps := []view.Row{}, []view.Row{}, []string{}, []listening.P{}
	line := func(q listening.PairTrials) view.Row {
		return view.Row{Cells: append(b.pairCells(q.A, q.B), view.Cells(
			strconv.Itoa(q.Readers), strconv.Itoa(q.Trials), strconv.Itoa(q.Correct), percent(q.Share.Value, q.Share), between(q.Share), byChance(q.PHolm),
			strconv.Itoa(q.Passed), unit.Format(float64(q.ByChance), 1))...)}
	}
	for _, q := range aside {
		after = append(after, line(q))
		if b.oneSetting(q.A, q.B) && q.Trials > 0 {
			v.Same = append(v.Same, fmt.Sprintf("%s and %s are two recordings of one setting. %d of %s about them were right: %s. Any difference heard there is between two passes, not between devices.",
				q.A, q.B, q.Correct, words.Plural(q.Trials, "answer", "answers"), shareWords(q.Share)))
		}
	}
	for _, q := range d.Pairs {
		r := line(q)
		if float64(q.PHolm) <= listening.UsualAlpha && float64(q.Share.Low) > 0.5 {
			r.Class = "differs"
			found = append(found, fmt.Sprintf("%s and %s were told apart: %d of %s were right, %s; by guessing %s.%s",
				q.A, q.B, q.Correct, words.Plural(q.Trials, "answer", "answers"), shareWords(q.Share), chanceWords(q.PHolm), b.repeats(q.A, q.B)))
		}
		rows, ps = append(rows, r), append(ps, q.PHolm)
	}
	if len(d.Pairs) > 0 {
		v.Told = tell(found, len(d.Pairs), "more answers were right than guessing, which gets 50\u00a0%, explains:",
			"In none of %s were more answers right than guessing explains. That does not show that the takes sound the same: the interval says how large a difference can still hide behind these answers.")
	}
	v.Pairs = newPairTable("Told apart, all finished tests together", tables.Trials, view.Heads("First take", "<Second take", "Listeners", "Answers", "Right", "Share right, %", "95 % interval, %", "So many right by chance, %", "Listeners below 5 % alone", "Of them by chance"), rows, ps, asideRows(after)...)
	return v
}

func (b builder) ratings(s listening.RatingSummary, aside []listening.RatedGap) *ratings {
	v := &ratings{Told: told{Findings: []string{}}}
	rows := []view.Row{}
	line := func(first view.Cell, r listening.Rated) {
		interval := "–"
		if chart.Finite(float64(r.Low)) && chart.Finite(float64(r.High)) {
			interval = unit.Format(float64(r.Low), 0) + " to " + unit.Format(float64(r.High), 0)
		}
		rows = append(rows, view.Row{Cells: append([]view.Cell{first}, view.Cells(strconv.Itoa(r.Ratings), median(r.Median), interval, percentOf(r.Covers))...)})
	}
	for _, r := range s.Takes {
		if r.Ratings > 0 {
			line(b.named(r.Take), r)
		}
	}
	line(view.Cell{Text: "Hidden copy of the reference", Head: true}, s.Hidden)
	line(view.Cell{Text: "Low-passed copy", Head: true}, s.Anchor)
	v.Takes = view.NewTable("How close to the reference, 0 to 100", view.Heads("Take", "Ratings", "Median", "Interval", "Its confidence, %"), rows)
	pairs, after, found, ps := []view.Row{}, []view.Row{}, []string{}, []listening.P{}
	gap := func(g listening.RatedGap) view.Row {
		return view.Row{Cells: append(b.pairCells(g.A, g.B), view.Cells(strconv.Itoa(g.AboveA), strconv.Itoa(g.AboveB), strconv.Itoa(g.Equal), byChance(g.PHolm))...)}
	}
	for _, g := range aside {
		after = append(after, gap(g))
	}
	for _, g := range s.Differences {
		r := gap(g)
		if float64(g.PHolm) <= listening.UsualAlpha {
			r.Class = "differs"
			win, lose, k := g.A, g.B, g.AboveA
			if g.AboveB > g.AboveA {
				win, lose, k = g.B, g.A, g.AboveB
			}
			found = append(found, fmt.Sprintf("%s was rated closer than %s by %d of %s who rated them differently; by chance %s.%s",
				win, lose, k, words.Plural(g.AboveA+g.AboveB, "listener", "listeners"), chanceWords(g.PHolm), b.repeats(g.A, g.B)))
		}
		pairs, ps = append(pairs, r), append(ps, g.PHolm)
	}
	if len(s.Differences) > 0 {
		v.Told = tell(found, len(s.Differences), "more listeners rated one take closer to the reference than chance explains:",
			"In none of %s do the ratings exclude that neither take is closer to the reference.")
	}
	v.Pairs = newPairTable("Ratings, pair by pair", tables.Ratings, view.Heads("First take", "<Second take", "First above second", "Second above first", "Equal", "So one-sided by chance, %"), pairs, ps, asideRows(after)...)
	return v
}

// shareWords is a share with its interval within a sentence.
func shareWords(s listening.Share) string {
	return percent(s.Value, s) + "\u00a0% (" + between(s) + "\u00a0%)"
}

// turned is the same share counted from the other side.
func turned(s listening.Share) listening.Share {
	return listening.Share{Value: 1 - s.Value, Low: 1 - s.High, High: 1 - s.Low}
}

// digitsOf is the number of decimals that a percentage with an interval is
// printed with: one when the interval is narrow or ends next to even.
func digitsOf(s listening.Share) int {
	near := func(v unit.Number) bool { return math.Round(100*float64(v)) == 50 && v != 0.5 }
	if s.High-s.Low < 0.1 || near(s.Low) || near(s.High) {
		return 1
	}
	return 0
}

// percent prints a share with the digits that its interval supports.
func percent(v unit.Number, s listening.Share) string {
	return unit.Format(100*float64(v), digitsOf(s))
}

// between prints the interval of a share.
func between(s listening.Share) string {
	return percent(s.Low, s) + " to " + percent(s.High, s)
}

// percentOf prints a confidence.
func percentOf(v unit.Number) string { return unit.Format(100*float64(v), 1) }

// median prints a median of whole numbers, which may lie half way between two.
func median(v unit.Number) string {
	if f := float64(v); f != math.Trunc(f) {
		return unit.Format(f, 1)
	}
	return unit.Format(float64(v), 0)
}

// chanceWords is byChance within a sentence.
func chanceWords(p listening.P) string {
	return "in " + strings.Replace(byChance(p), "<", "less than", 1) + "\u00a0% of such polls"
}

// byChance prints a probability in percent.
func byChance(p listening.P) string {
	f := float64(p)
	switch {
	case f < 0.0001:
		return "< 0.01"
	case f < 0.01:
		return unit.Format(100*f, 2)
	case f < 0.1:
		return unit.Format(100*f, 1)
	}
	return unit.Format(100*f, 0)
}
