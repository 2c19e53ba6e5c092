package report

import (
	"cmp"
	"math"
	"slices"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
	"evenhand/report/words"
)

// likenessView is how alike the takes are.
type likenessView struct {
	Words     []string
	Spectral  table
	Residual  table
	Coherence table
}

// likeness is nil where there is no pair of takes.
func (b *builder) likeness() *likenessView {
	ls := b.res.Likeness
	if len(ls) == 0 {
		return nil
	}
	v := &likenessView{Words: words.Likeness(ls, b.res.Parameters.PairsWith, b.ranked, b.leftOut())}
	top := 0.0
	for _, l := range ls {
		if d := float64(l.Spectral); chart.Finite(d) && d > top {
			top = d
		}
	}
	order := b.likenessOrder()
	caption := "Spectral distance: rms difference of the third octaves that are heard, dB"
	if len(b.res.Leftover) > 0 {
		caption += "; in brackets, what is left after the best equaliser, dB"
	}
	v.Spectral = b.matrix(caption, order, func(l result.Likeness) cell {
		c := cell{Text: unit.Format(float64(l.Spectral), 1) + b.leftoverNext(l), Pair: number(b.index(l.A)) + " " + number(b.index(l.B))}
		switch d := float64(l.Spectral); {
		case !l.Resolved:
			c.Soft = true
		case chart.Finite(d) && top > 0:
			c.Class = "q" + number(int(min(4, d/top*5)))
		}
		return c
	})
	v.Residual = b.matrix("Null: level of what is left when one is subtracted from the other, dB", order, func(l result.Likeness) cell {
		return cell{Text: unit.Format(float64(l.Residual), 1)}
	})
	v.Coherence = b.matrix("Coherence, power-weighted mean, 0 to 1", order, func(l result.Likeness) cell {
		return cell{Text: unit.Format(float64(l.Coherence), 2)}
	})
	return v
}

// leftoverNext is what is left of a pair, next to its distance; "" where that was not
// measured.
func (b *builder) leftoverNext(l result.Likeness) string {
	if left := b.res.LeftoverOf(l.A, l.B); left != nil && left.Reason.Words == "" {
		return " (" + unit.Format(float64(left.Equaliser), 1) + ")"
	}
	return ""
}

// matrix sets every pair once into the lower half of a table, in an order of takes; where
// all pairs are with one take, into that take's column.
func (b *builder) matrix(caption string, order []int, show func(result.Likeness) cell) table {
	pairs := map[[2]int]cell{}
	for _, l := range b.res.Likeness {
		i, j := b.index(l.A), b.index(l.B)
		if i < 0 || j < 0 {
			continue
		}
		c := show(l)
		pairs[[2]int{i, j}], pairs[[2]int{j, i}] = c, c
	}
	columns := order[:len(order)-1]
	with := slices.IndexFunc(b.labels, func(l label) bool { return l.Name == b.res.Parameters.PairsWith })
	if with >= 0 {
		columns = []int{with}
	}
	head := heads("Take")
	for _, j := range columns {
		head = append(head, takeCell(b.labels[j]))
	}
	rows := []row{}
	for k, i := range order {
		line := []cell{markedCell(b.labels[i])}
		for n, j := range columns {
			if with < 0 && n >= k || i == j {
				break
			}
			c, ok := pairs[[2]int{i, j}]
			if !ok {
				c = cell{Text: "–", Soft: true}
			}
			line = append(line, c)
		}
		if len(line) > 1 {
			rows = append(rows, row{Cells: line})
		}
	}
	return newTable(caption, head, rows)
}

// likenessOrder are the takes' places in the result, so that like takes are neighbours:
// a short way through all of them, over spectral distances. Where all pairs are with one
// take, they are in the order of their distances from it.
func (b *builder) likenessOrder() []int {
	n := len(b.labels)
	far := 0.0
	distance := map[[2]int]float64{}
	for _, l := range b.res.Likeness {
		if d := float64(l.Spectral); chart.Finite(d) {
			i, j := b.index(l.A), b.index(l.B)
			distance[[2]int{i, j}], distance[[2]int{j, i}] = d, d
			far = math.Max(far, d)
		}
	}
	apart := func(i, j int) float64 {
		if d, ok := distance[[2]int{i, j}]; ok || i == j {
			return d
		}
		return far // not measured
	}
	all := make([]int, n)
	for i := range all {
		all[i] = i
	}
	if with := b.index(b.res.Parameters.PairsWith); with >= 0 {
		slices.SortStableFunc(all, func(i, j int) int { return cmp.Compare(apart(with, i), apart(with, j)) })
		return all
	}
	return shortWay(all, apart)
}

// shortWay orders places so that the sum of the distances of neighbours is small: from
// each place to the nearest that is left, the best of these ways, in which then stretches
// are turned round while that makes it shorter.
// Source: G. A. Croes, "A method for solving traveling-salesman problems", 1958 (turning
// stretches round, from memory).
func shortWay(places []int, apart func(i, j int) float64) []int {
	length := func(way []int) float64 {
		sum := 0.0
		for k := 1; k < len(way); k++ {
			sum += apart(way[k-1], way[k])
		}
		return sum
	}
	var best []int
	for start := range places {
		way := slices.Clone(places)
		way[0], way[start] = way[start], way[0]
		for k := 1; k < len(way); k++ {
			near := k
			for m := k + 1; m < len(way); m++ {
				if apart(way[k-1], way[m]) < apart(way[k-1], way[near]) {
					near = m
				}
			}
			way[k], way[near] = way[near], way[k]
		}
		if best == nil || length(way) < length(best) {
			best = way
		}
	}
	const least = 1e-9 // so that rounding turns nothing round for ever
	for better := true; better; {
		better = false
		for i := range best {
			for j := i + 1; j < len(best); j++ {
				before := length(best)
				slices.Reverse(best[i : j+1])
				if length(best) < before-least {
					better = true
				} else {
					slices.Reverse(best[i : j+1])
				}
			}
		}
	}
	if n := len(best) - 1; n > 0 && best[0] > best[n] { // one of the two directions
		slices.Reverse(best)
	}
	return best
}
