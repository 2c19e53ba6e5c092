package view

import (
	"slices"
	"testing"
)

// A column in which all lines are alike becomes a fact; the first, which names the
// lines, stays.
func TestAlike(t *testing.T) {
	rows := func(lines ...[]string) (out []Row) {
		for _, l := range lines {
			out = append(out, Row{Cells: Cells(l...)})
		}
		return out
	}
	head := Heads("Take", "Gain, dB", "Published, measured again, LUFS", "<Polarity")
	got := NewTable("", head, rows([]string{"A", "1", "−20", "same"}, []string{"A", "2", "−20", "same"})).Alike()
	if want := []Fact{{"Published, measured again", "−20 LUFS"}, {"Polarity", "same"}}; !slices.Equal(got.Same, want) || got.Columns != 2 || got.Rows[1].Cells[1].Text != "2" {
		t.Errorf("%+v", got)
	}
	for name, r := range map[string][]Row{
		"one line":          rows([]string{"A", "1", "−20", "same"}),
		"a cell over three": {rows([]string{"A", "1", "−20", "same"})[0], {Cells: []Cell{{Text: "B"}, {Text: "1", Span: 3}}}},
	} {
		if got := NewTable("", head, r).Alike(); got.Columns != 4 || got.Same != nil {
			t.Errorf("%s: %+v", name, got)
		}
	}
}
