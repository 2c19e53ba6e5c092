package report

import (
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
)

// likenessView is how alike the takes are.
type likenessView struct {
	Words     []string
	Spectral  table
	Residual  table
	Coherence table
	Any       bool
}

func (b *builder) likeness() likenessView {
	ls := b.res.Likeness
	v := likenessView{Words: likenessWords(ls, b.res.Parameters.PairsWith, b.ranked, b.leftOut()), Any: len(ls) > 0}
	top := 0.0
	for _, l := range ls {
		if d := float64(l.Spectral); chart.Finite(d) && d > top {
			top = d
		}
	}
	v.Spectral = b.matrix("Spectral distance: rms difference of the third octaves that are heard, dB", true, func(l result.Likeness) cell {
		c := cell{Text: unit.Format(float64(l.Spectral), 1)}
		switch d := float64(l.Spectral); {
		case !l.Resolved:
			c.Soft = true
		case chart.Finite(d) && top > 0:
			c.Class = "q" + number(int(min(4, d/top*5)))
		}
		return c
	})
	v.Residual = b.matrix("Null: level of what is left when one is subtracted from the other, dB", false, func(l result.Likeness) cell {
		return cell{Text: unit.Format(float64(l.Residual), 1)}
	})
	v.Coherence = b.matrix("Coherence, power-weighted mean, 0 to 1", false, func(l result.Likeness) cell {
		return cell{Text: unit.Format(float64(l.Coherence), 2)}
	})
	return v
}

// matrix sets every pair into a square table, or once each into its lower
// half; where all pairs are with one take, into that take's column.
func (b *builder) matrix(caption string, both bool, show func(result.Likeness) cell) table {
	pairs := map[[2]int]cell{}
	for _, l := range b.res.Likeness {
		i, j := b.index(l.A), b.index(l.B)
		if i < 0 || j < 0 {
			continue
		}
		c := show(l)
		pairs[[2]int{i, j}], pairs[[2]int{j, i}] = c, c
	}
	columns := []int{}
	with := b.res.Parameters.PairsWith
	half := !both && with == ""
	for j, l := range b.labels {
		if with == "" && (both || j < len(b.labels)-1) || with != "" && l.Name == with {
			columns = append(columns, j)
		}
	}
	head := heads("Take")
	for _, j := range columns {
		head = append(head, cell{Text: b.labels[j].Name, Head: true})
	}
	rows := []row{}
	for i, l := range b.labels {
		line := []cell{takeCell(l)}
		if both {
			line = []cell{markedCell(l)}
		}
		for _, j := range columns {
			c, ok := pairs[[2]int{i, j}]
			switch {
			case half && j >= i:
				continue
			case i == j:
				c = cell{Text: "·", Class: "self"}
			case !ok:
				c = cell{Text: "–", Soft: true}
			}
			line = append(line, c)
		}
		if !half || i > 0 {
			rows = append(rows, row{Cells: line})
		}
	}
	return newTable(caption, head, rows)
}
