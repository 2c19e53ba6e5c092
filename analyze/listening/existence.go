package listening

import "slices"

// groups numbers the sets of items that answers connect; −1 for items without
// answers.
func (c Counts) groups() []int {
	n := len(c.Wins)
	group := make([]int, n)
	for i := range group {
		group[i] = -1
	}
	count := 0
	for i := range n {
		if group[i] >= 0 {
			continue
		}
		members := []int{i}
		for k := 0; k < len(members); k++ {
			for j := range n {
				a, b := min(members[k], j), max(members[k], j)
				if a != b && c.asked(a, b) > 0 && !slices.Contains(members, j) {
					members = append(members, j)
				}
			}
		}
		if len(members) > 1 {
			for _, m := range members {
				group[m] = count
			}
			count++
		}
	}
	return group
}

// existence returns the tiers of the items and why the likelihood has no
// finite maximum; "" when it has one.
//
// The model is log-linear: the likelihood rises for ever in a direction (b, d)
// of abilities and log ν exactly when every outcome that was seen has the
// greatest of the three scores b_i, b_j and (b_i+b_j)/2+d of its pair, and
// some score is less. With d = 0 that is Ford's condition, ties counting for
// both sides: every item must be reachable from every other of its group. A
// d > 0 (possible only with ties, and d < 0 only without any, where ν is left
// out) can be scaled to 1/2: the preferred item must then lie at least 1
// above the other, tied items at most 1 apart. Such b exist exactly when the
// graph of these constraints has no cycle of negative length.
func (c Counts) existence(group []int) ([][]int, string) {
	n := len(c.Wins)
	ties := false
	reach := make([][]bool, n)
	for i := range n {
		reach[i] = make([]bool, n)
		reach[i][i] = true
		for j := range n {
			tied := i != j && c.Ties[min(i, j)][max(i, j)] > 0
			ties = ties || tied
			reach[i][j] = reach[i][j] || tied || i != j && c.Wins[i][j] > 0
		}
	}
	for k := range n {
		for i := range n {
			for j := range n {
				reach[i][j] = reach[i][j] || reach[i][k] && reach[k][j]
			}
		}
	}
	var tiers [][]int
	split := false
	placed := make([]bool, n)
	for i := range n {
		if placed[i] || group[i] < 0 {
			continue
		}
		var tier []int
		for j := range n {
			if group[j] != group[i] {
				continue
			}
			if reach[i][j] && reach[j][i] {
				tier = append(tier, j)
				placed[j] = true
			} else {
				split = true
			}
		}
		tiers = append(tiers, tier)
	}
	// Earlier tiers reach later ones; a tier reaches fewer items the later it is.
	reached := func(t []int) int {
		k := 0
		for j := range n {
			if reach[t[0]][j] {
				k++
			}
		}
		return k
	}
	slices.SortStableFunc(tiers, func(a, b []int) int {
		if ga, gb := group[a[0]], group[b[0]]; ga != gb {
			return ga - gb
		}
		return reached(b) - reached(a)
	})
	switch {
	case split:
		return tiers, "some takes, or sets of takes, were preferred without exception: how much better they are has no upper bound in these answers"
	case ties && c.tiesUnbounded():
		return tiers, "no order of the takes contradicts itself: how often readers have no preference has no upper bound in these answers"
	}
	return tiers, ""
}

// tiesUnbounded says whether abilities exist in which each preferred item lies
// at least 1 above the other and tied items at most 1 apart.
func (c Counts) tiesUnbounded() bool {
	n := len(c.Wins)
	type edge struct {
		from, to int
		length   float64
	}
	var edges []edge // b[to] ≤ b[from] + length
	for i := range n {
		for j := range n {
			if i != j && c.Wins[i][j] > 0 {
				edges = append(edges, edge{i, j, -1})
			}
			if i < j && c.Ties[i][j] > 0 {
				edges = append(edges, edge{i, j, 1}, edge{j, i, 1})
			}
		}
	}
	b := make([]float64, n)
	for range n + 1 {
		changed := false
		for _, e := range edges {
			if b[e.from]+e.length < b[e.to] {
				b[e.to] = b[e.from] + e.length
				changed = true
			}
		}
		if !changed {
			return true
		}
	}
	return false
}
