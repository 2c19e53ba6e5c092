package loudness

import (
	"fmt"
	"math"

	"evenhand/analyze/unit"
)

// Blend measures two channels once, so that the integrated loudness of any
// mixture of them is known: the K filter is linear, and the power of a mixture
// in a gating block follows from the powers of both channels and their product.
// It must not be used by two goroutines at once.
type Blend struct {
	filter   kFilter
	a, b     channel
	rate     int64
	frames   int64
	next     int64
	sub      triple
	complete []triple // one for each 100 ms
}

// triple holds Σ x², Σ x·y and Σ y² of K-weighted frames.
type triple struct{ xx, xy, yy float64 }

func (t *triple) add(u triple) { t.xx += u.xx; t.xy += u.xy; t.yy += u.yy }

// NewBlend returns a Blend for a sample rate as NewMeter takes it. Memory grows
// by 240 bytes a second. Errors wrap ErrFormat.
func NewBlend(rate int) (*Blend, error) {
	if rate < MinRate || rate > MaxRate {
		return nil, fmt.Errorf("%w: sample rate %d Hz, allowed are %d to %d Hz", ErrFormat, rate, MinRate, MaxRate)
	}
	return &Blend{filter: newKFilter(float64(rate)), rate: int64(rate), next: int64(rate) / (perSecond / coarseHop)}, nil
}

// Write takes the next frames of both channels, which must be equally long.
// Errors wrap ErrBlock.
func (m *Blend) Write(x, y []float64) error {
	if len(x) != len(y) {
		return fmt.Errorf("%w: %d and %d frames, both need the same number", ErrBlock, len(x), len(y))
	}
	for i := range x {
		u, v := m.filter.step(&m.a, x[i]), m.filter.step(&m.b, y[i])
		m.sub.xx += u * u
		m.sub.xy += u * v
		m.sub.yy += v * v
		m.frames++
		if m.frames == m.next {
			m.complete = append(m.complete, m.sub)
			m.sub = triple{}
			m.next = m.boundary(len(m.complete) + 1)
		}
	}
	m.a.settle()
	m.b.settle()
	return nil
}

func (m *Blend) boundary(i int) int64 { return int64(i) * m.rate / (perSecond / coarseHop) }

// step filters one sample.
func (k *kFilter) step(c *channel, v float64) float64 {
	u := k.b0*v + c.s1
	y := u + c.t1
	c.s1, c.s2 = (k.d1*v+c.s2)-k.a1*c.s1, k.d2*v-k.a2*c.s1
	c.t1, c.t2 = (k.e1*u+c.t2)-k.c1*c.t1, k.e2*u-k.c2*c.t1
	return y
}

// Integrated returns the integrated loudness of gx·x + gy·y as one channel, of
// what was written so far; weight multiplies its power (2 for two equal
// channels). −Inf for silence, NaN for less than 0.4 s.
//
// Source: ITU-R BS.1770-5 (11/2023), Annex 1, eqs (5) to (7).
func (m *Blend) Integrated(gx, gy, weight float64) unit.LUFS {
	const blocks = momentaryLen / coarseHop
	if len(m.complete) < blocks {
		return unit.LUFS(math.NaN())
	}
	gating := Windows{ExactN: defaultExactN}
	for i := blocks; i <= len(m.complete); i++ {
		var t triple
		for _, u := range m.complete[i-blocks : i] {
			t.add(u)
		}
		p := weight * (gx*gx*t.xx + 2*gx*gy*t.xy + gy*gy*t.yy) / float64(m.boundary(i)-m.boundary(i-blocks))
		if loudnessOf(p) > keptFrom {
			gating.add(p)
		}
	}
	return unit.LUFS(gating.integrated(0))
}
