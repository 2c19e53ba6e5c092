package touch

import (
	"math"

	"evenhand/analyze/internal/dsp"
)

const (
	// turnSeconds is how long and how far apart the stretches are whose phases are
	// compared: shorter than a turn of a chorus or a vibrato, which take 0.15 s and more.
	// Common practice, no source.
	turnSeconds = 0.064
	// turnFrom and turnTo are the frequencies in Hz, in which most of a guitar's power
	// is; turnBand is the least width of a band, which then has several bins.
	turnFrom, turnTo, turnBand = 80, 3000, 60
)

// turns returns which part of what the filter explains changes its phase from one stretch
// of the music to the next, 0 to 1. Neither a filter nor a gain does that.
func (w *work) turns() float64 {
	n := 2 * int(turnSeconds*w.x.lower/2+0.5)
	hz := w.x.lower / float64(n)
	fft, hann := dsp.NewFFT(n), dsp.Hann(n)
	a, b := make([]float64, n), make([]float64, n)
	ca, cb := make([]complex128, n/2+1), make([]complex128, n/2+1)
	edges := []int{int(math.Ceil(turnFrom / hz))}
	for f := float64(turnFrom); f < turnTo; {
		f = math.Max(f+turnBand, f*math.Cbrt(2))
		edges = append(edges, int(math.Ceil(f/hz)))
	}
	now, before := make([]complex128, len(edges)-1), make([]complex128, len(edges)-1)
	var turned, whole float64
	for i, x := range w.filtered {
		y, follows := w.y.blocks[i], false
		for at := 0; at+n <= len(x); at += n {
			if f := (at + n/2) / w.frame; f >= len(w.counts[i]) || !w.counts[i][f] {
				follows = false
				continue
			}
			for k, h := range hann {
				a[k], b[k] = x[at+k]*h, y[at+k]*h
			}
			fft.Forward(ca, a)
			fft.Forward(cb, b)
			var px, py float64
			for band := range now {
				now[band] = 0
				for k := edges[band]; k < edges[band+1]; k++ {
					now[band] += complex(real(ca[k]), -imag(ca[k])) * cb[k]
					px += real(ca[k])*real(ca[k]) + imag(ca[k])*imag(ca[k])
					py += real(cb[k])*real(cb[k]) + imag(cb[k])*imag(cb[k])
				}
			}
			for band, c := range now { // each stretch counts the same
				c /= complex(math.Sqrt(px*py)+math.SmallestNonzeroFloat32, 0)
				now[band] = c
				d := c * complex(real(before[band]), -imag(before[band]))
				if size := math.Hypot(real(d), imag(d)); follows && size > 0 {
					turned += imag(d) * imag(d) / size
					whole += size
				}
			}
			now, before, follows = before, now, true
		}
	}
	if whole == 0 {
		return 0
	}
	return turned / whole
}
