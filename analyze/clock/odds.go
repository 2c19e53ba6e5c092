package clock

import (
	"math"
	"slices"
)

const (
	stray    = 0.1    // share of notes that may lie anywhere
	midReach = 0.02   // s: how far the notes may lie from the line on the whole
	midGrid  = 2.5e-4 // s
	oddNotes = 400    // more notes are thinned out
)

// odds are how far a list of notes speaks for one scatter about one lag, in
// decades against no relation, and the likeliest lag in seconds after the line.
type odds struct{ decades, mid float64 }

// odds returns the odds that the notes lie sigma seconds, normally distributed,
// about a lag within 20 ms of the line, each as likely as the other, against
// lying anywhere within the reach. A note that is alike at several places
// counts at each with the chance that it lies there.
func (l lagList) odds(sigma float64) odds {
	const n = int(midReach / midGrid)
	if len(l) == 0 {
		return odds{}
	}
	best, top := odds{}, math.Inf(-1)
	var all [2*n + 1]float64
	for i := range all {
		mid := float64(i-n) * midGrid
		all[i] = l.decades(mid, sigma)
		if all[i] > top {
			top, best.mid = all[i], mid
		}
	}
	best.decades = meanOdds(all[:])
	return best
}

// meanOdds returns the logarithm of the mean of odds given as decades.
func meanOdds(decades []float64) float64 {
	top, sum := slices.Max(decades), 0.0
	for _, d := range decades {
		sum += math.Pow(10, d-top)
	}
	return top + math.Log10(sum/float64(len(decades)))
}

// decades is the sum of the logarithms of the notes' odds.
func (l lagList) decades(mid, sigma float64) float64 {
	every := max(1, (len(l)+oddNotes-1)/oddNotes)
	sum := 0.0
	for i := 0; i < len(l); i += every {
		sum += l[i].decades(mid, sigma)
	}
	return sum * float64(every)
}

// decades is the logarithm of the odds that the note lies about mid.
func (o *OnsetLag) decades(mid, sigma float64) float64 {
	if o.peaks == nil {
		return 0
	}
	near, scale := 0.0, 2*onsetReach/(sigma*math.Sqrt(2*math.Pi))
	for _, p := range o.peaks {
		if x := (p.at - mid) / sigma; math.Abs(x) < 6 {
			near += p.chance * math.Exp(-x*x/2)
		}
	}
	return math.Log10((1-stray)*scale*near + stray)
}

// near returns the difference from the line that is nearest to mid among the
// note's likely places; false where it has none.
func (o OnsetLag) near(mid float64) (at float64, ok bool) {
	for _, p := range o.peaks {
		if p.chance >= leastChance && (!ok || math.Abs(p.at-mid) < math.Abs(at-mid)) {
			at, ok = p.at, true
		}
	}
	return at, ok
}

// near is that of each note that has one.
func (l lagList) near(mid float64) (d []float64) {
	for _, o := range l {
		if at, ok := o.near(mid); ok {
			d = append(d, at)
		}
	}
	return d
}

const leastChance = 0.25

func compare(x, y float64) int {
	switch {
	case x < y:
		return -1
	case x > y:
		return 1
	}
	return 0
}

// placeOdds joins the odds of places: the first, which the estimate says, has
// nine tenths beforehand, the others share the rest.
func placeOdds(decades []float64) float64 {
	if len(decades) == 1 {
		return decades[0]
	}
	d := slices.Clone(decades)
	n := float64(len(d))
	for i := range d {
		share := 0.1 / (n - 1)
		if i == 0 {
			share = 0.9
		}
		d[i] += math.Log10(share * n)
	}
	return meanOdds(d)
}
