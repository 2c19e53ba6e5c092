package spectrum

import (
	"math"

	"evenhand/analyze/finding"
)

// Blocks of bins in which the level between the partials is looked for.
const (
	block  = 32            // bins
	group  = 4             // bins
	groups = block / group // in a block
)

// sums are running sums over segments, of unnormalised powers.
type sums struct {
	segments int
	power    []float64 // Σ P per bin
	beat     []float64 // Σ P·M per bin
	floor    []float64 // Σ M² per block
}

func newSums(length int) *sums {
	bins := length/2 + 1
	// Bin 0 and the last, Nyquist's, belong to the outermost blocks.
	return &sums{power: make([]float64, bins), beat: make([]float64, bins), floor: make([]float64, length/2/block)}
}

func (s *sums) clear() {
	s.segments = 0
	clear(s.power)
	clear(s.beat)
	clear(s.floor)
}

func (s *sums) add(p []float64) {
	s.segments++
	for b := range s.floor {
		from := b * block
		in := p[from : from+block]
		m := between(in)
		s.floor[b] += m * m
		sum, beat := s.power[from:from+block], s.beat[from:from+block]
		for i, v := range in {
			sum[i] += v
			beat[i] += v * m
		}
		if b == len(s.floor)-1 {
			last := len(p) - 1
			s.power[last] += p[last]
			s.beat[last] += p[last] * m
		}
	}
}

func (s *sums) merge(o *sums) {
	s.segments += o.segments
	for i := range s.power {
		s.power[i] += o.power[i]
		s.beat[i] += o.beat[i]
	}
	for i := range s.floor {
		s.floor[i] += o.floor[i]
	}
}

// between returns the mean power per bin of the fifth least of a block's groups.
func between(p []float64) float64 {
	var g [groups]float64
	for i := range g {
		q := p[i*group:][:group]
		g[i] = (q[0] + q[1]) + (q[2] + q[3])
	}
	for i := 1; i < groups; i++ {
		v := g[i]
		j := i
		for ; j > 0 && g[j-1] > v; j-- {
			g[j] = g[j-1]
		}
		g[j] = v
	}
	return g[groups/2] / group
}

// psd normalises the sums.
func (s *sums) psd(rate int, p Params) PSD {
	n := p.Length
	out := PSD{Rate: rate, Length: n, Segments: s.segments, Effective: EffectiveAverages(s.segments), Density: make([]float64, n/2+1), Warnings: []finding.Text{}}
	if s.segments == 0 {
		for k := range out.Density {
			out.Density[k] = math.NaN()
		}
		out.Warnings = append(out.Warnings, finding.Say("spectrum.none"))
		return out
	}
	k := float64(s.segments)
	// Σ w² of the periodic Hann window is 3n/8.
	scale := 2 / (float64(rate) * 0.375 * float64(n)) / k
	// Overlapped segments are correlated by 1/6: powers of noise by 1/36.
	overNoise := 1 + 2*(k-1)/k/36
	overBeat := 1 + 2*(k-1)/k/6
	out.NoiseVariance, out.BeatVariance = make([]float64, n/2+1), make([]float64, n/2+1)
	for i, v := range s.power {
		f := s.floor[min(i/block, len(s.floor)-1)]
		out.Density[i] = v * scale
		out.NoiseVariance[i] = f * scale * scale * overNoise
		out.BeatVariance[i] = 2 * math.Max(s.beat[i]-f, 0) * scale * scale * overBeat
	}
	out.Density[0] /= 2
	out.Density[n/2] /= 2
	if s.segments < 8 {
		out.Warnings = append(out.Warnings, finding.Say("spectrum.coarse"))
	}
	return out
}

// EffectiveAverages returns the number of independent segments that k segments
// with half overlap under the Hann window are worth for stationary noise:
// k/(1 + (k−1)/(18k)). 0 for none.
//
// Source: P. D. Welch 1967 (from memory), with the window's correlation of 1/6.
func EffectiveAverages(k int) float64 {
	if k < 1 {
		return 0
	}
	f := float64(k)
	return f / (1 + (f-1)/(18*f))
}
