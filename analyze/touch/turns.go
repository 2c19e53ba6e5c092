package touch

import (
	"math"

	"evenhand/analyze/internal/dsp"
)

const (
	// turnSeconds is how long the stretches are whose phases are compared, and how far apart
	// for the fast turns: less than a turn of a chorus or a vibrato takes, 0.15 s and more.
	// Common practice, no source.
	turnSeconds = 0.064
	// driftStretches is how many stretches apart they are for the slow ones: 0.5 s.
	driftStretches = 8
	// sameNote is how alike the magnitudes of two spectra are, 0 to 1, while a note goes on;
	// leastTurns is how many such pairs of stretches there must be.
	sameNote, leastTurns = 0.9, 30
	// turnFrom and turnTo are the frequencies in Hz, in which most of a guitar's power
	// is; turnBand is the least width of a band, which then has several bins.
	turnFrom, turnTo, turnBand = 80, 3000, 60
)

// stretch is what is compared of 64 ms of a block.
type stretch struct {
	counts bool
	bands  []complex128 // cross powers of filtered dry recording and take; each stretch counts the same
	bins   []float64    // magnitudes of the dry recording, of power 1
}

// turned adds up pairs of stretches.
type turned struct {
	pairs       int
	part, whole float64
}

func (t *turned) add(a, b *stretch) {
	alike := 0.0
	if a.counts && b.counts {
		for k, v := range a.bins {
			alike += v * b.bins[k]
		}
	}
	if alike < sameNote {
		return
	}
	t.pairs++
	for band, c := range a.bands {
		d := c * complex(real(b.bands[band]), -imag(b.bands[band]))
		if size := math.Hypot(real(d), imag(d)); size > 0 {
			t.part += imag(d) * imag(d) / size
			t.whole += size
		}
	}
}

// of is the part that turned; 0 where that may be chance.
func (t *turned) of() float64 {
	if t.pairs < leastTurns {
		return 0
	}
	return t.part / t.whole
}

// turns returns which part of what the filter explains changes its phase while a note goes
// on, 0 to 1: from one stretch to the next, and how much more in half a second. Neither a
// filter nor a gain does that, distortion hardly, and noise turns as much in any time.
func (w *work) turns() (turns, drifts float64) {
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
	lowest, highest := edges[0], edges[len(edges)-1]
	last := make([]stretch, driftStretches+1) // the stretches in turn
	for i := range last {
		last[i].bands, last[i].bins = make([]complex128, len(edges)-1), make([]float64, highest-lowest)
	}
	var next, later turned
	for i, x := range w.filtered {
		y := w.y.blocks[i]
		for s := range last { // those of another block
			last[s].counts = false
		}
		for s := 0; (s+1)*n <= len(x); s++ {
			at, now := s*n, &last[s%len(last)]
			f := (at + n/2) / w.frame
			if now.counts = f < len(w.counts[i]) && w.counts[i][f]; !now.counts {
				continue
			}
			for k, h := range hann {
				a[k], b[k] = x[at+k]*h, y[at+k]*h
			}
			fft.Forward(ca, a)
			fft.Forward(cb, b)
			var px, py float64
			for k := lowest; k < highest; k++ {
				px += real(ca[k])*real(ca[k]) + imag(ca[k])*imag(ca[k])
				py += real(cb[k])*real(cb[k]) + imag(cb[k])*imag(cb[k])
			}
			if px == 0 || py == 0 {
				now.counts = false
				continue
			}
			for k := range now.bins {
				now.bins[k] = math.Hypot(real(ca[lowest+k]), imag(ca[lowest+k])) / math.Sqrt(px)
			}
			for band := range now.bands {
				c := complex128(0)
				for k := edges[band]; k < edges[band+1]; k++ {
					c += complex(real(ca[k]), -imag(ca[k])) * cb[k]
				}
				now.bands[band] = c / complex(math.Sqrt(px*py), 0)
			}
			next.add(&last[(s+driftStretches)%len(last)], now)
			later.add(&last[(s+1)%len(last)], now)
		}
	}
	return next.of(), math.Max(0, later.of()-next.of())
}
