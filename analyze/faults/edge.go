package faults

import (
	"math"

	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/unit"
)

// Where the spectrum is searched for an edge, and how wide it is looked at. Common
// practice, no source: conversions to lower rates and lossy formats take away what is
// above 16 to 22 kHz. Those to 44.1 kHz often fall slowly.
const (
	edgeFrom  = unit.Hertz(15750)
	edgeTo    = unit.Hertz(22250)
	edgeBand  = unit.Hertz(125)   // the spectrum's resolution
	edgeSlope = unit.Hertz(250)   // each way: within it the spectrum may fall as it likes
	slowFrom  = unit.Hertz(21500) // from here on slowSlope
	slowSlope = unit.Hertz(750)
	edgeReach = unit.Hertz(1250) // each way: what is compared, as far as the spectrum goes
	edgeLeast = unit.Hertz(625)  // beyond the slope as far at least
	edgeEvery = 8                // one segment of so many is looked at
)

// edges averages the spectrum of a recording's channels. It looks at one segment of
// edgeEvery, each of about a twelfth of a second.
type edges struct {
	rate   int
	fft    *dsp.Complex // nil where the rate is too low
	window []float64
	buf    [][]float64
	fill   int64 // of the cycle of edgeEvery segments
	power  []float64
	pair   []float64 // of two channels
}

func newEdges(rate, channels int) edges {
	e := edges{rate: rate}
	if unit.Hertz(rate)/2 < edgeFrom+edgeSlope+edgeLeast {
		return e
	}
	n := dsp.NextPow2(rate / 12)
	e.fft, e.window, e.power, e.pair = dsp.NewComplex(n), dsp.Hann(n), make([]float64, n/2+1), make([]float64, n/2+1)
	for range channels {
		e.buf = append(e.buf, make([]float64, n))
	}
	return e
}

// write takes the next frames of all channels.
func (e *edges) write(ch []*channel, n int) {
	if e.fft == nil {
		return
	}
	size := int64(len(e.window))
	for at := 0; at < n; {
		if e.fill >= size { // between segments
			skip := min(int64(n-at), edgeEvery*size-e.fill)
			at += int(skip)
			e.fill = (e.fill + skip) % (edgeEvery * size)
			continue
		}
		k := min(int64(n-at), size-e.fill)
		for c, s := range ch {
			copy(e.buf[c][e.fill:], s.fresh()[at:at+int(k)])
		}
		at += int(k)
		if e.fill += k; e.fill == size {
			e.add()
		}
	}
}

func (e *edges) add() {
	for c := 0; c < len(e.buf); c += 2 {
		var second []float64
		if c+1 < len(e.buf) {
			second = e.buf[c+1]
		}
		e.fft.PairPower(e.pair, e.buf[c], second, e.window)
		for k, p := range e.pair {
			e.power[k] += p
		}
	}
}

// Drop is by how much the spectrum falls at a frequency: the lowest of its bands
// within 1.25 kHz below over the highest within 1.25 kHz above, but for 0.25 kHz each
// way, 0.75 from 21.5 kHz on. It is negative where the spectrum does not fall.
type Drop struct {
	At unit.Hertz
	By unit.DB
}

// drops returns the fall of the spectrum at each step of edgeBand; nil where the rate
// or the recording is too short or too low.
func (e *edges) drops() []Drop {
	if e.fft == nil {
		return nil
	}
	width := unit.Hertz(e.rate) / unit.Hertz(len(e.window))
	top := int(unit.Hertz(e.rate) / 2 / edgeBand) // bands up to half the rate
	level := make([]float64, top)
	for i := range level {
		from, to := int(unit.Hertz(i)*edgeBand/width), int(unit.Hertz(i+1)*edgeBand/width)
		sum := 0.0
		for _, p := range e.power[from:min(to, len(e.power))] {
			sum += p
		}
		level[i] = unit.FromPower(sum / float64(max(1, to-from)))
	}
	reach, least := int(edgeReach/edgeBand), int(edgeLeast/edgeBand)
	var out []Drop
	for b := int(edgeFrom / edgeBand); b <= int(edgeTo/edgeBand); b++ {
		slope := int(edgeSlope / edgeBand)
		if unit.Hertz(b)*edgeBand >= slowFrom {
			slope = int(slowSlope / edgeBand)
		}
		if b+slope+least > top {
			break
		}
		low, high := math.Inf(1), math.Inf(-1)
		for i := b - reach; i < b-slope; i++ {
			low = min(low, level[i])
		}
		for i := b + slope; i < min(b+reach, top); i++ {
			high = max(high, level[i])
		}
		if math.IsInf(low, 0) {
			return nil // nothing there
		}
		out = append(out, Drop{unit.Hertz(b) * edgeBand, unit.DB(low - high)})
	}
	return out
}
