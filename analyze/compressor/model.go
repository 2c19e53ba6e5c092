package compressor

import (
	"cmp"
	"math"
	"slices"

	"evenhand/analyze/unit"
)

// Detector is what a compressor takes for the level going in.
type Detector struct {
	Peak  bool         // peaks that decay; otherwise rms
	Decay unit.Seconds // time constant: of the power for rms, of the amplitude for peaks
}

// decays are those that are tried at first; the best one is then refined by a factor of
// finer up and down, and the root of that.
var decays = [...]unit.Seconds{0.003, 0.010, 0.030}

const finer = math.Sqrt2

// levels returns the level in dB that the detector has in the middle of each step of so
// many samples. An rms is that of a full-scale sine less 3 dB, a peak that of the sample.
func (d Detector) levels(x []float64, rate float64, by int) []float64 {
	out := make([]float64, len(x)/by)
	a := -math.Expm1(-1 / (float64(d.Decay) * rate))
	p, n := 0.0, min(len(x), int(rate/20))
	for _, v := range x[:n] { // a level to begin with
		p += v * v / float64(n)
	}
	if d.Peak {
		a *= 2 - a // of the power
		p *= 2
	}
	for i, v := range x[:len(out)*by] {
		if d.Peak && i > 0 && i+1 < len(x) {
			v = crest(x[i-1], v, x[i+1])
		}
		v = v*v - p
		if d.Peak && v > 0 {
			p += v
		} else if d.Peak {
			p -= a * p
		} else {
			p += a * v
		}
		if i%by == by/2 {
			out[i/by] = unit.FromPower(p + faintest)
		}
	}
	return out
}

// crest is where the parabola through three samples is furthest from zero, if that is
// between them: the second one otherwise.
func crest(a, b, c float64) float64 {
	if bend := 2*b - a - c; math.Abs(a-c) < math.Abs(bend) && bend*b > 0 {
		return b + (a-c)*(a-c)/(8*bend)
	}
	return b
}

// faintest is the power of silence: no level is minus infinity.
const faintest = 1e-15

// settings are those of a compressor that its gain is not proportional to: threshold and
// knee in dB, attack and release as logarithms of seconds.
type settings [4]float64

const (
	threshold = iota
	attack
	release
	knee // last: at first it is held
)

// over is by how much a level exceeds the threshold.
func (s *settings) over(level float64) float64 {
	switch d, w := level-s[threshold], s[knee]; {
	case 2*d <= -w:
		return 0
	case 2*d < w:
		return (d + w/2) * (d + w/2) / (2 * w)
	default:
		return d
	}
}

// follow sets h to what the gain falls by at each step of so many seconds, as a multiple of 1 − 1/ratio.
func (s *settings) follow(h, levels []float64, step float64) {
	fall, rise := -math.Expm1(-step/math.Exp(s[attack])), -math.Expm1(-step/math.Exp(s[release]))
	last := s.over(levels[0])
	now := last
	for i, l := range levels {
		o := s.over(l)
		if d := (o+last)/2 - now; d > 0 {
			now += fall * d
		} else {
			now += rise * d
		}
		h[i], last = now, o
	}
}

// line is a straight line from what follow gives to the gain, in dB, and what it leaves, rms.
type line struct{ slope, offset, left float64 }

// fit fits a model to the gains in the windows that count of some blocks.
func (w *work) fit(t *trial, s settings, blocks []int) line {
	var n, x, y, xx, xy, yy float64
	for _, b := range blocks {
		h := w.h[:len(t.levels[b])]
		s.follow(h, t.levels[b], w.step)
		half := func(k int) (sum float64) {
			for _, v := range h[k*hop:][:hop] {
				sum += v
			}
			return sum
		}
		before := half(0)
		for k, counts := range t.counts[b] {
			after := half(k + 1)
			if counts {
				m, g := -(before+after)/(2*hop), t.gain[b][k]
				n, x, y, xx, xy, yy = n+1, x+m, y+g, xx+m*m, xy+m*g, yy+g*g
			}
			before = after
		}
	}
	xx, xy, yy = xx-x*x/n, xy-x*y/n, yy-y*y/n
	var l line
	if xx > 0 {
		l.slope = xy / xx
	}
	l.offset, l.left = (y-l.slope*x)/n, math.Sqrt(math.Max(0, yy-xy*l.slope)/n)
	return l
}

// below is by how many dB a threshold may be below all windows that count: in the rests
// between them the gain recovers down to it.
const below = 30

// bounds of settings: the threshold from below all that is played to full scale, a knee to
// 24 dB, attacks of 0.2 to 300 ms and releases of 5 ms to 3 s, beyond what pedals have.
// Common practice, no source.
func bounds(lowest float64) (low, high settings) {
	return settings{lowest - below, math.Log(0.0002), math.Log(0.005), 0}, settings{0, math.Log(0.3), math.Log(3), 24}
}

// found are settings and what they leave.
type found struct {
	settings
	left float64
}

// start returns the best of a grid of settings.
func (w *work) start(t *trial) settings {
	best := found{left: math.Inf(1)}
	q := t.played()
	for _, from := range []float64{q[0] - below/2, q[0] - 2, q[len(q)/4], q[len(q)/2], q[len(q)*3/4]} {
		for _, a := range []float64{0.003, 0.015, 0.06} {
			for _, r := range []float64{0.05, 0.2, 0.6} {
				s := settings{from, math.Log(a), math.Log(r), 3}
				if left := w.fit(t, s, w.all).left; left < best.left {
					best = found{s, left}
				}
			}
		}
	}
	return best.settings
}

// played returns the levels in the windows that count, sorted.
func (t *trial) played() []float64 {
	var q []float64
	for b, l := range t.levels {
		for k, counts := range t.counts[b] {
			if counts {
				q = append(q, l[(k+1)*hop])
			}
		}
	}
	slices.Sort(q)
	return q
}

// minimise sets the settings of a trial to those near others that leave least, by the method of Nelder
// and Mead. The first so many are
// free. size is that of the simplex to begin with; it ends where its settings leave the
// same within so many dB.
func (w *work) minimise(t *trial, from settings, free int, size, within float64, blocks []int) {
	low, high := bounds(t.played()[0])
	at := func(s settings) found {
		for i := range s {
			s[i] = math.Max(low[i], math.Min(high[i], s[i]))
		}
		return found{s, w.fit(t, s, blocks).left}
	}
	simplex := []found{at(from)}
	for i, d := range []float64{4, 0.5, 0.5, 4}[:free] {
		s := from
		if d *= size; s[i]+d > high[i] {
			d = -d
		}
		s[i] += d
		simplex = append(simplex, at(s))
	}
	n := free // of the simplex, the last one
	for range mostSteps {
		slices.SortStableFunc(simplex, func(a, b found) int { return cmp.Compare(a.left, b.left) })
		best, worst := simplex[0], simplex[n]
		if worst.left-best.left < within {
			break
		}
		beyond := func(far float64) found { // so many times as far from the others' middle as the worst
			s := best.settings
			for i := range free {
				middle := 0.0
				for _, v := range simplex[:n] {
					middle += v.settings[i] / float64(n)
				}
				s[i] = middle + far*(worst.settings[i]-middle)
			}
			return at(s)
		}
		next := beyond(-1)
		switch {
		case next.left < best.left:
			if further := beyond(-2); further.left < next.left {
				next = further
			}
		case next.left < simplex[n-1].left:
		default:
			far := 0.5
			if next.left < worst.left {
				far = -0.5
			}
			if next = beyond(far); next.left >= worst.left {
				for i, v := range simplex[1:] {
					for k := range v.settings {
						v.settings[k] = (v.settings[k] + best.settings[k]) / 2
					}
					simplex[i+1] = at(v.settings)
				}
				continue
			}
		}
		simplex[n] = next
	}
	t.found = slices.MinFunc(simplex, func(a, b found) int { return cmp.Compare(a.left, b.left) })
}
