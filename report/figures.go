package report

import (
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// figureHeads are the headings of the figures of a struct that the page shows; see
// result.Figure.
func figureHeads(of any) []cell {
	out := []cell{}
	for _, f := range result.Figures(of) {
		if f.Page != "" {
			out = append(out, cell{Text: f.Page, Head: true})
		}
	}
	return out
}

// figureCells are the figures themselves; those after matching have the gain.
func figureCells(of any, gain unit.DB) []cell {
	out := []cell{}
	for _, f := range result.Figures(of) {
		if f.Page != "" {
			out = append(out, cell{Text: f.String(gain)})
		}
	}
	return out
}
