package activity

import (
	"math"
	"slices"

	"evenhand/analyze/finding"
	"evenhand/analyze/unit"
)

// run is a stretch of blocks, half open.
type run struct{ from, to int }

// judge fills in levels, playing and pauses from the blocks' powers.
func (d *Detector) judge(r *Result) {
	x := d.powers
	pause := d.count(d.p.MinPause)
	floor, steady := quietest(x, pause)
	level := levelOf(x)
	if level == 0 {
		r.Floor, r.Threshold = unit.DBFS(math.Inf(-1)), unit.DBFS(math.Inf(-1))
		r.Pauses = append(r.Pauses, Stretch{0, d.frames})
		r.Warnings = append(r.Warnings, finding.Say("playing.silent"))
		return
	}
	silent := digitallySilent(x, pause)
	switch {
	case floor > 0:
		r.Floor = unit.DBFS(unit.FromPower(floor))
	case silent:
		r.Floor = unit.DBFS(math.Inf(-1))
	}
	if floor == 0 && !silent || floor > 0 && !silent && unit.FromPower(level/floor) < float64(d.p.MinContrast) {
		r.Playing = append(r.Playing, Stretch{0, d.frames})
		r.Warnings = append(r.Warnings, finding.Say("playing.throughout"))
		return
	}
	// Where the only quiet is digital, the rest says nothing of a floor: its
	// quietest stretch is the end of a decay.
	low := level / unit.ToPower(float64(d.p.Reach))
	if floor > 0 && unit.FromPower(level/floor) >= float64(d.p.MinContrast) && (!silent || steady) {
		low = max(low, floor*unit.ToPower(float64(d.p.Margin)))
	}
	high := low * unit.ToPower(float64(d.p.Hysteresis))
	r.Threshold = unit.DBFS(unit.FromPower(low))

	bursts := joined(above(x, low, high), pause)
	long := d.count(d.p.MinPlaying)
	for _, b := range bursts {
		if b.to-b.from >= long {
			r.Playing = append(r.Playing, d.stretch(b))
		}
	}
	r.Playing = mergedAcross(r.Playing, d.frame(pause))
	guard := d.count(d.p.Guard)
	at := 0
	for i := 0; i <= len(bursts); i++ {
		gap := run{at, len(x)}
		if i < len(bursts) {
			gap.to, at = bursts[i].from, bursts[i].to
		}
		own, _ := lowest(x[gap.from:gap.to], pause)
		if math.IsInf(own, 1) || own > low {
			continue
		}
		if i > 0 {
			if !silent || steady {
				own = max(own, floor) // part of the gap may be digital silence
			}
			gap.from = settled(x, gap, own*unit.ToPower(float64(d.p.Settle))) + guard
		}
		if i < len(bursts) {
			gap.to -= guard
		}
		if gap.to-gap.from >= pause {
			r.Pauses = append(r.Pauses, d.stretch(gap))
		}
	}
	if len(r.Playing) == 0 {
		r.Warnings = append(r.Warnings, finding.Say("playing.none"))
	}
	if len(r.Pauses) == 0 {
		r.Warnings = append(r.Warnings, finding.Say("playing.no-pause"))
	}
}

// count returns how many blocks cover a time; at least 1.
func (d *Detector) count(t unit.Seconds) int {
	return max(1, int(math.Ceil(float64(t)*float64(d.rate)/float64(d.length*d.joined)-1e-9)))
}

// frame returns the first frame of block i, at most the recording's length.
func (d *Detector) frame(i int) int64 { return min(int64(i)*d.length*d.joined, d.frames) }

func (d *Detector) stretch(r run) Stretch {
	from := d.frame(r.from)
	return Stretch{from, d.frame(r.to) - from}
}

// quietest returns the least mean power of n blocks in a row of which none is
// digital silence, 0 when there is no such row, and whether the row is steady:
// its halves within 1.5 dB, as noise is and a decay is not.
func quietest(x []float32, n int) (power float64, steady bool) {
	least, at := math.Inf(1), 0
	for from := 0; from < len(x); {
		to := from
		for to < len(x) && float64(x[to]) > digitalSilence {
			to++
		}
		if p, i := lowest(x[from:to], n); p < least {
			least, at = p, from+i
		}
		from = to + 1
	}
	if math.IsInf(least, 1) {
		return 0, false
	}
	half := max(1, n/2)
	a, _ := lowest(x[at:at+half], half)
	b, _ := lowest(x[at+n-half:at+n], half)
	return least, math.Abs(unit.FromPower(a/b)) < 1.5
}

// lowest returns the least mean power of n blocks in a row and where the row
// begins; +Inf when x is shorter.
func lowest(x []float32, n int) (power float64, at int) {
	power = math.Inf(1)
	var sum float64
	for i := range x {
		if i%n == 0 { // afresh now and then, against rounding left over from loud blocks
			sum = 0
			for _, v := range x[max(0, i-n) : i+1] {
				sum += float64(v)
			}
		} else {
			sum += float64(x[i])
		}
		if i >= n {
			sum -= float64(x[i-n])
		}
		if p := max(sum, 0) / float64(n); i >= n-1 && p < power {
			power, at = p, i-n+1
		}
	}
	return power, at
}

// levelOf returns the power that a tenth of the blocks above digital silence
// exceed; 0 when there are none.
func levelOf(x []float32) float64 {
	var v []float32
	for _, p := range x {
		if float64(p) > digitalSilence {
			v = append(v, p)
		}
	}
	if len(v) == 0 {
		return 0
	}
	slices.Sort(v)
	return float64(v[(len(v)-1)*9/10])
}

// digitallySilent reports whether n blocks in a row are digital silence.
func digitallySilent(x []float32, n int) bool {
	c := 0
	for _, p := range x {
		if c++; float64(p) > digitalSilence {
			c = 0
		}
		if c == n {
			return true
		}
	}
	return false
}

// above returns the runs that rise above high, each from where the power left
// low to where it is back.
func above(x []float32, low, high float64) []run {
	var out []run
	for i := 0; i < len(x); i++ {
		if float64(x[i]) <= high {
			continue
		}
		r := run{i, i}
		for r.from > 0 && float64(x[r.from-1]) > low {
			r.from--
		}
		for r.to < len(x) && float64(x[r.to]) > low {
			r.to++
		}
		out = append(out, r)
		i = r.to
	}
	return out
}

// joined merges runs less than gap blocks apart.
func joined(r []run, gap int) []run {
	var out []run
	for _, v := range r {
		if n := len(out); n > 0 && v.from-out[n-1].to < gap {
			out[n-1].to = v.to
			continue
		}
		out = append(out, v)
	}
	return out
}

// mergedAcross merges stretches less than gap frames apart.
func mergedAcross(s []Stretch, gap int64) []Stretch {
	out := s[:0]
	for _, v := range s {
		if n := len(out); n > 0 && v.First-out[n-1].End() < gap {
			out[n-1].Frames = v.End() - out[n-1].First
			continue
		}
		out = append(out, v)
	}
	return out
}

// settled returns the first block of the gap from which on the mean of five
// blocks is not above limit.
func settled(x []float32, gap run, limit float64) int {
	const n = 5
	for i := gap.from; i+n <= gap.to; i++ {
		var sum float64
		for _, v := range x[i : i+n] {
			sum += float64(v)
		}
		if sum <= limit*n {
			return i
		}
	}
	return gap.to
}
