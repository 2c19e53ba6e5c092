package parts

import (
	"math"
	"slices"

	"evenhand/analyze/internal/dsp"
)

const (
	farHop     = 5    // ticks of rises that are added up
	farPiece   = 3000 // ticks of a piece of the take
	farEach    = 1000 // ticks from piece to piece
	farNear    = 250  // ticks about the place where a piece should be
	farBetter  = 1.15 // times that another place must be more alike
	farLeast   = 0.25 // likeness that it must reach
	farSame    = 30   // ticks within which two places are one
	mostPlaces = 6    // other places that are tried
)

// places returns by how many ticks pieces of b lie elsewhere than along off
// with all of their rises: offsets to add to off, the commonest first. Two
// neighbouring pieces must lie at one such place.
func places(a, b *sound, off func(tick int) int) []int {
	n := a.n / farHop
	piece := farPiece / farHop
	if n < 2*piece {
		return nil
	}
	size := dsp.NextPow2(n + piece)
	fft := dsp.NewFFT(size)
	var spectra [bands][]complex128
	energy := make([]float64, n+1) // of a, summed
	x := make([]float64, size)
	var scale [bands]float64
	for band := range bands {
		clear(x)
		coarse(x[:n], a.rises[band])
		sq := 0.0
		for _, v := range x[:n] {
			sq += v * v
		}
		if sq > 0 {
			scale[band] = math.Sqrt(float64(n) / sq)
		}
		for i := range x[:n] {
			x[i] *= scale[band]
			energy[i+1] += x[i] * x[i]
		}
		spectra[band] = fft.Forward(nil, x)
	}
	for i := range n {
		energy[i+1] += energy[i]
	}
	sum, y := make([]complex128, size/2+1), make([]complex128, size/2+1)
	type found struct{ at, off int }
	var all []found
	curve := make([]float64, size)
	for from := 0; from+farPiece <= a.n; from += farEach {
		clear(sum)
		mine := 0.0
		first := from + off(from+farPiece/2)
		if first < 0 || first+farPiece > b.n {
			continue
		}
		for band := range bands {
			clear(x)
			coarse(x[:piece], b.rises[band][first:first+farPiece])
			own := 0.0
			for _, v := range x[:piece] {
				own += v * v
			}
			if own == 0 {
				continue
			}
			g := 1 / math.Sqrt(own)
			for i := range x[:piece] {
				x[i] *= g
			}
			mine++
			y = fft.Forward(y, x)
			for k, v := range y {
				sum[k] += spectra[band][k] * complex(real(v), -imag(v))
			}
		}
		if mine == 0 {
			continue
		}
		curve = fft.Inverse(curve, sum)
		here, there, at := 0.0, 0.0, 0
		for j := 0; j+piece <= n; j++ {
			e := energy[j+piece] - energy[j]
			if e <= 1e-3*energy[n]*float64(piece)/float64(n) {
				continue
			}
			v := curve[j] / math.Sqrt(mine*e)
			if d := j*farHop - from; d >= -farNear && d <= farNear {
				here = max(here, v)
			} else if v > there {
				there, at = v, d
			}
		}
		if there > farBetter*here && there > farLeast {
			all = append(all, found{from, -at}) // later in b than in a by −at
		}
	}
	type cluster struct{ off, count int }
	var clusters []cluster
	for i := 1; i < len(all); i++ {
		p, q := all[i-1], all[i]
		if q.at-p.at > farEach || abs(q.off-p.off) > farSame {
			continue
		}
		k := slices.IndexFunc(clusters, func(c cluster) bool { return abs(c.off-p.off) <= farSame })
		if k < 0 {
			clusters = append(clusters, cluster{p.off, 1})
		} else {
			clusters[k].count++
		}
	}
	slices.SortStableFunc(clusters, func(x, y cluster) int { return y.count - x.count })
	var out []int
	for _, c := range clusters[:min(len(clusters), mostPlaces)] {
		out = append(out, c.off)
	}
	return out
}

// coarse adds up farHop values of x at a time.
func coarse(dst []float64, x []float32) {
	for i := range dst {
		for _, v := range x[i*farHop : (i+1)*farHop] {
			dst[i] += float64(v)
		}
	}
}

func abs(i int) int { return max(i, -i) }
