package console

import (
	"bufio"
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"evenhand/analyze/listening"
	"evenhand/analyze/unit"
	"evenhand/report/terminal"
	"evenhand/report/words"
)

// Tally writes a tally as tables for a terminal of that width.
func Tally(w io.Writer, title string, r listening.Result, width int) error {
	out := bufio.NewWriter(w)
	fmt.Fprintln(out, terminal.Clip(terminal.Clean(title), width))
	line := fmt.Sprintf("%d answer codes found, %d counted, of %s", r.Codes, r.Counted, words.Plural(r.Readers, "listener", "listeners"))
	for _, left := range []struct {
		n    int
		what string
	}{{r.Duplicates, "came twice"}, {r.Repeats, "answered a question again"}, {r.Damaged, "damaged"}, {r.Foreign, "of other audio"}} {
		line += fmt.Sprintf("; %d %s", left.n, left.what)
	}
	for _, e := range r.Earlier {
		line += "; " + earlierCodes(r, e)
	}
	terminal.Fold(out, "", line, width)
	if p := r.Preferences; len(p.Pairs) > 0 || p.ZeroLine.Asked > 0 {
		writePreferences(out, p, width)
	}
	if d := r.Discrimination; len(d.Pairs) > 0 {
		writeDiscrimination(out, d, width)
	}
	if s := r.Ratings; s.Readers+s.Screened > 0 {
		writeRatings(out, s, width)
	}
	if x := r.Aside; x != nil {
		writeAside(out, x, width)
	}
	fmt.Fprintln(out, "\nWhat cannot be concluded")
	for _, c := range r.Caveats {
		terminal.Fold(out, "", "- "+terminal.Clean(c), width)
	}
	return out.Flush()
}

// earlierCodes describes codes from before takes were added.
func earlierCodes(r listening.Result, e listening.EarlierCodes) string {
	if len(e.Takes) == len(r.Takes) {
		return fmt.Sprintf("%d counted about the same takes in another order", e.Counted)
	}
	return fmt.Sprintf("%d counted about the comparison of %d takes, published before", e.Counted, len(e.Takes))
}

func writePreferences(out io.Writer, p listening.Preferences, width int) {
	t := terminalTable{heads: []string{"pair", "first", "second", "neither", "share", "95 %", "p"}}
	for _, q := range p.Pairs {
		t.add(q.A+" / "+q.B, fmt.Sprint(q.ForA), fmt.Sprint(q.ForB), fmt.Sprint(q.Ties), shareText(q.Share), intervalText(q.Share), pText(q.PHolm))
	}
	if z := p.ZeroLine; z.Asked > 0 {
		t.add("one take / itself", fmt.Sprint(z.First), fmt.Sprint(z.Second), fmt.Sprint(z.Ties), "", "", pText(z.OrderP))
	}
	fmt.Fprintf(out, "\nPreferences of %s\n", words.Plural(p.Readers, "listener", "listeners"))
	t.write(out, width)
	note := fmt.Sprintf("share: %% for the first among those with a preference, exact interval; p: two-sided sign test, allowing for %s", words.Plural(len(p.Pairs), "pair", "pairs"))
	if p.ZeroLine.Asked > 0 {
		note += fmt.Sprintf("; one take / itself: the hidden pair of identical takes, first and second as played, %s %% with a preference (%s %%)", shareText(p.ZeroLine.Preferred), intervalText(p.ZeroLine.Preferred))
	}
	terminal.Fold(out, "", note, width)
	if lean := leaning(p); lean != "" {
		terminal.Fold(out, "", lean, width)
	}
	if len(p.Abilities) == 0 {
		return
	}
	t = terminalTable{heads: []string{"take", "answers", "log ability", "95 %"}}
	groups := 0
	for _, a := range p.Abilities {
		groups = max(groups, a.Group+1)
	}
	for _, a := range p.Abilities {
		row := []string{a.Take, fmt.Sprint(a.Compared), "–", ""}
		if a.Group >= 0 {
			row[2], row[3] = unit.Signed(float64(a.Value), 2), unit.Signed(float64(a.Low), 2)+" to "+unit.Signed(float64(a.High), 2)
			if groups > 1 {
				row[0] = fmt.Sprintf("%s (group %d)", a.Take, a.Group+1)
			}
		}
		t.add(row...)
	}
	fmt.Fprintf(out, "\nOrder of preference, %s\n", p.Model)
	t.write(out, width)
	if !p.Estimable {
		terminal.Fold(out, "", "a rough guide: "+terminal.Clean(p.Reason), width)
	}
}

// leaning says how many answers would make a finding of the pair that leans
// most without being one; "" when no pair leans.
func leaning(p listening.Preferences) string {
	best := -1
	for i, q := range p.Pairs {
		if q.PHolm > listening.UsualAlpha && q.ForA != q.ForB && (best < 0 || q.P < p.Pairs[best].P) {
			best = i
		}
	}
	if best < 0 {
		return ""
	}
	q := p.Pairs[best]
	have, share := q.ForA+q.ForB, math.Max(float64(q.Share.Value), 1-float64(q.Share.Value))
	// Two-sided, and as strict as for the first of all pairs.
	plan, err := listening.Search(share, listening.UsualPower, listening.UsualAlpha/float64(2*len(p.Pairs)))
	if err != nil || plan.Always <= have {
		return ""
	}
	return fmt.Sprintf("most one-sided without being a finding: %s / %s; if its share stays the same, about %d answers with a preference are needed to find it; there are %d. Decide on the number before you look again", terminal.Clean(q.A), terminal.Clean(q.B), plan.Always, have)
}

func writeDiscrimination(out io.Writer, d listening.Discrimination, width int) {
	t := terminalTable{heads: []string{"pair", "listeners", "right", "of", "share", "95 %", "p", "alone"}}
	for _, q := range d.Pairs {
		t.add(q.A+" / "+q.B, fmt.Sprint(q.Readers), fmt.Sprint(q.Correct), fmt.Sprint(q.Trials), shareText(q.Share), intervalText(q.Share), pText(q.PHolm),
			fmt.Sprintf("%d (%s)", q.Passed, unit.Format(float64(q.ByChance), 1)))
	}
	fmt.Fprintf(out, "\nTold apart, by %s\n", words.Plural(d.Readers, "listener", "listeners"))
	t.write(out, width)
	terminal.Fold(out, "", fmt.Sprintf("share: %% right, guessing is 50, exact interval; p: one-sided, exact, allowing for %s; alone: listeners with p ≤ 0.05 on their own (as many by guessing)", words.Plural(len(d.Pairs), "pair", "pairs")), width)
}

func writeRatings(out io.Writer, s listening.RatingSummary, width int) {
	t := terminalTable{heads: []string{"take", "ratings", "median", "interval", "its confidence"}}
	for _, r := range append(append([]listening.Rated{}, s.Takes...), s.Hidden, s.Anchor) {
		row := []string{r.Take, fmt.Sprint(r.Ratings), "–", "–", ""}
		if r.Ratings > 0 {
			row[2] = unit.Format(float64(r.Median), 1)
		}
		if !math.IsNaN(float64(r.Low)) {
			row[3] = unit.Format(float64(r.Low), 0) + " to " + unit.Format(float64(r.High), 0)
			row[4] = unit.Format(100*float64(r.Covers), 1) + " %"
		}
		t.add(row...)
	}
	fmt.Fprintf(out, "\nRatings of %s, closeness to the reference, 0 to 100; %d excluded\n", words.Plural(s.Readers, "listener", "listeners"), s.Screened)
	t.write(out, width)
	if len(s.Differences) == 0 {
		return
	}
	t = terminalTable{heads: []string{"pair", "first above", "second above", "equal", "p"}}
	for _, g := range s.Differences {
		t.add(g.A+" / "+g.B, fmt.Sprint(g.AboveA), fmt.Sprint(g.AboveB), fmt.Sprint(g.Equal), pText(g.PHolm))
	}
	fmt.Fprintln(out)
	t.write(out, width)
	terminal.Fold(out, "", fmt.Sprintf("p: two-sided sign test, allowing for %s", words.Plural(len(s.Differences), "pair", "pairs")), width)
}

// writeAside writes the answers about pairs that are not ranked.
func writeAside(out io.Writer, x *listening.Aside, width int) {
	fmt.Fprintln(out, "\nNot ranked: pairs with a bypass, the room or a repeat")
	if len(x.Preferences) > 0 {
		t := terminalTable{heads: []string{"preferences", "first", "second", "neither", "p"}}
		for _, q := range x.Preferences {
			t.add(q.A+" / "+q.B, fmt.Sprint(q.ForA), fmt.Sprint(q.ForB), fmt.Sprint(q.Ties), pText(q.PHolm))
		}
		t.write(out, width)
	}
	if len(x.Trials) > 0 {
		t := terminalTable{heads: []string{"told apart", "listeners", "right", "of", "p"}}
		for _, q := range x.Trials {
			t.add(q.A+" / "+q.B, fmt.Sprint(q.Readers), fmt.Sprint(q.Correct), fmt.Sprint(q.Trials), pText(q.PHolm))
		}
		t.write(out, width)
	}
	if len(x.Ratings) > 0 {
		t := terminalTable{heads: []string{"ratings", "first above", "second above", "equal", "p"}}
		for _, g := range x.Ratings {
			t.add(g.A+" / "+g.B, fmt.Sprint(g.AboveA), fmt.Sprint(g.AboveB), fmt.Sprint(g.Equal), pText(g.PHolm))
		}
		t.write(out, width)
	}
}

// terminalTable has names in its first column and figures in the others. A name
// that is longer than what they leave stands on a line of its own.
type terminalTable struct {
	heads []string
	rows  [][]string
}

func (t *terminalTable) add(cells ...string) {
	for i, c := range cells {
		cells[i] = terminal.Clean(c)
	}
	t.rows = append(t.rows, cells)
}

func (t *terminalTable) write(w io.Writer, width int) {
	wide := make([]int, len(t.heads))
	for _, row := range append([][]string{t.heads}, t.rows...) {
		for i, c := range row {
			wide[i] = max(wide[i], utf8.RuneCountInString(c))
		}
	}
	const gap, least = 2, 8
	room := width
	for _, n := range wide[1:] {
		room -= n + gap
	}
	wide[0] = max(least, min(wide[0], room))
	for _, row := range append([][]string{t.heads}, t.rows...) {
		var b strings.Builder
		for i, c := range row {
			if i == 0 {
				if utf8.RuneCountInString(c) > wide[0] {
					terminal.Fold(w, "", c, width)
					c = ""
				}
				b.WriteString(c + strings.Repeat(" ", wide[0]-utf8.RuneCountInString(c)))
				continue
			}
			b.WriteString(strings.Repeat(" ", gap+wide[i]-utf8.RuneCountInString(c)) + c)
		}
		fmt.Fprintln(w, strings.TrimRight(b.String(), " "))
	}
}

func shareText(s listening.Share) string { return unit.Format(100*float64(s.Value), 1) }

func intervalText(s listening.Share) string {
	return unit.Format(100*float64(s.Low), 1) + " to " + unit.Format(100*float64(s.High), 1)
}

func pText(p listening.P) string {
	if p < 0.0001 {
		return "<0.0001"
	}
	return unit.Format(float64(p), 4)
}
