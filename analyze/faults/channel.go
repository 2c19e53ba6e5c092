package faults

import (
	"math"
	"slices"

	"evenhand/analyze/unit"
)

// channel is what is kept of one channel.
type channel struct {
	m     *Meter
	index int

	// x holds the last chunk behind enough history for the filter: the running
	// chunk begins at 2·order.
	x []float64

	peak, sum, square, chunkPower float64
	head, headN                   float64
	last                          []float64 // squares of the last 5 ms, a ring
	lastAt                        int
	batch, batchN                 float64 // sum over a batch of sixteen chunks, and its chunks
	means, means2, batches        float64 // of the batches' means
	over, firstOver               int64
	clipRun, clips, clipFrames    int64
	firstClip                     int64
	lastClips                     [lastClips][2]int64 // first frame and end of the last runs, a ring
	full                          int64               // runs of one sample and more at full scale
	withFirst, apart              float64             // sums of products and of squared differences
	differs                       bool

	depth int     // bits that hold every sample so far; see Channel.Depth
	step  float64 // 2^(depth−1)
	f     fade
	r     runs
	c     clicks
}

func newChannel(m *Meter, index int) *channel {
	s := &channel{m: m, index: index, x: make([]float64, 2*order+chunk), firstOver: -1, firstClip: -1,
		last: make([]float64, max(1, m.rate/200)), step: 1, f: newFade(m.rate)}
	s.r.init(m)
	s.c.init(m)
	return s
}

// fresh is the room of the running chunk.
func (s *channel) fresh() []float64 { return s.x[2*order:] }

// fullScale is the largest positive sample of 16 bits, less half a step:
// positive full scale of every depth lies above, and −1 does.
const fullScale = 1 - 1.5/32768

// levels gathers the sums; it returns the index of the first value that is no
// finite number, or −1.
func (s *channel) levels(x, first []float64, at int64) int {
	sum, cross := sums(x, first[:len(x)])
	low, high, square := extent(x)
	peak := max(high, -low)
	if !(square <= math.MaxFloat64) { // also NaN
		for i, v := range x {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return i
			}
		}
	}
	if s.index > 0 {
		if !s.differs {
			s.differs = !slices.Equal(x, first[:len(x)])
		}
		if s.differs {
			s.apart += distance(x, first[:len(x)])
		}
	}
	if peak >= fullScale || s.clipRun > 0 {
		s.clipping(x, at)
	}
	s.sum += sum
	if s.batch += sum; len(x) == chunk {
		if s.batchN++; s.batchN == 16 {
			mean := s.batch / (16 * chunk)
			s.means += mean
			s.means2 += mean * mean
			s.batches++
			s.batch, s.batchN = 0, 0
		}
	}
	s.deepen(x)
	s.f.write(x)
	s.square += square
	s.chunkPower = square
	s.withFirst += cross
	s.peak = max(s.peak, peak)
	s.r.low, s.r.high = min(s.r.low, low), max(s.r.high, high)
	n := len(s.last)
	for i := 0; at+int64(i) < int64(n) && i < len(x); i++ {
		s.head += x[i] * x[i]
		s.headN++
	}
	for i := max(0, len(x)-n); i < len(x); i++ {
		s.last[s.lastAt] = x[i] * x[i]
		s.lastAt = (s.lastAt + 1) % n
	}
	return -1
}

// mostDepth is counted up to: more bits make no difference that is heard.
const mostDepth = 24

// deepen counts the bits that the samples need.
func (s *channel) deepen(x []float64) {
	if s.depth == mostDepth {
		return
	}
	for _, v := range x {
		if v == 0 {
			continue
		}
		for u := v * s.step; s.depth == 0 || u != math.Trunc(u); u = v * s.step {
			if s.depth++; s.depth == mostDepth {
				return
			}
			s.step = math.Ldexp(1, s.depth-1)
		}
	}
}

// sums returns the sum of x and that of its products with y, of the same length.
// Additions wait for each other, so they are few in a row.
func sums(x, y []float64) (sum, cross float64) {
	y = y[:len(x)]
	whole := len(x) &^ 3
	for i := 0; i < whole; i += 4 {
		u, v := x[i:i+4:i+4], y[i:i+4:i+4]
		sum += u[0] + u[1] + (u[2] + u[3])
		cross += u[0]*v[0] + u[1]*v[1] + (u[2]*v[2] + u[3]*v[3])
	}
	for i, v := range x[whole:] {
		sum += v
		cross += v * y[whole+i]
	}
	return sum, cross
}

// distance returns the sum of the squared differences of x and y, of the same length.
func distance(x, y []float64) float64 {
	var a, b float64
	y = y[:len(x)]
	whole := len(x) &^ 1
	for i := 0; i < whole; i += 2 {
		d, e := x[i]-y[i], x[i+1]-y[i+1]
		a += d * d
		b += e * e
	}
	for i := whole; i < len(x); i++ {
		d := x[i] - y[i]
		a += d * d
	}
	return a + b
}

func (s *channel) clipping(x []float64, at int64) {
	for i, v := range x {
		a := math.Abs(v)
		if a > 1 {
			if s.over == 0 {
				s.firstOver = at + int64(i)
			}
			s.over++
		}
		if a >= fullScale && a <= 1 {
			s.clipRun++
			continue
		}
		s.endClip(at + int64(i))
	}
}

// lastClips is how many runs at full scale are remembered for the clicks at their
// edges, which are judged 0.1 s later: as many as that holds.
const lastClips = 256

// atClip reports whether a frame is within half a millisecond of a remembered run
// at full scale.
func (s *channel) atClip(frame int64) bool {
	near := int64(s.m.rate / 2000)
	for _, c := range s.lastClips[:min(s.full, lastClips)] {
		if frame >= c[0]-near && frame < c[1]+near {
			return true
		}
	}
	return false
}

func (s *channel) endClip(at int64) {
	if s.clipRun > 0 {
		s.lastClips[s.full%lastClips] = [2]int64{at - s.clipRun, at}
		s.full++
	}
	if s.clipRun >= int64(s.m.p.ClipRun) {
		if s.clips == 0 {
			s.firstClip = at - s.clipRun
		}
		s.clips++
		s.clipFrames += s.clipRun
	}
	s.clipRun = 0
}

// sounds reports whether a level at an end of the file is a sound and not the
// floor there, which may be higher than elsewhere: after the end of what is
// played to it, a device of much gain has less to amplify. A floor keeps its
// level, far below the loudest.
func (m *Meter) sounds(level unit.DBFS, quietest float64) bool {
	return float64(level) >= unit.FromPower(quietest)+floorSteady || float64(level) >= unit.FromPower(m.loudest)-floorBelow
}

const (
	floorSteady = 6  // dB above the quietest 50 ms in the 1.5 s beside
	floorBelow  = 15 // dB below the loudest 50 ms
)

// ending is the quietest of the last blocks.
func (m *Meter) ending() float64 {
	least := math.Inf(1)
	for i := range min(m.blocks, endBlocks) {
		least = min(least, m.ends[i])
	}
	return least
}

func (s *channel) finish(first *channel, frames int64) Channel {
	p := s.m.p
	s.endClip(frames)
	n := float64(max(frames, 1))
	c := Channel{
		Peak: unit.DBFS(unit.FromAmplitude(s.peak)), RMS: unit.DBFS(unit.FromPower(s.square / n)),
		Mean: unit.Number(s.sum / n), Offset: unit.DBFS(unit.FromAmplitude(s.sum / n)),
		Clipped: s.clips, ClippedFrames: s.clipFrames, FirstClip: s.firstClip,
		Over: s.over, FirstOver: s.firstOver, FirstTop: -1, TopLevel: unit.DBFS(math.NaN()),
	}
	// A rumble has a mean of its own that differs from batch to batch.
	stray := 0.0
	if b := s.batches; b >= 4 {
		stray = math.Sqrt(max(0, s.means2/b-s.means*s.means/(b*b)) / (b - 1))
	}
	c.HasDC = c.Offset >= p.Offset && math.Abs(float64(c.Mean)) >= 4*stray
	c.Depth = s.depth
	c.FadeIn, c.FadeOut = s.f.found()
	c.Silent = c.Peak < p.Silent
	c.FlatTops, c.FirstTop, c.TopLevel = s.r.tops(p.FlatTops)
	tail := 0.0
	for _, v := range s.last {
		tail += v
	}
	c.Head = unit.DBFS(unit.FromPower(s.head / max(s.headN, 1)))
	c.Tail = unit.DBFS(unit.FromPower(tail / min(n, float64(len(s.last)))))
	// A file of less than 50 ms has no quietest part to compare with.
	limit := max(p.CutLevel, unit.DBFS(unit.FromPower(s.m.quietest))+unit.DBFS(p.CutContrast))
	c.CutHead, c.CutTail = c.Head >= limit && s.m.sounds(c.Head, s.m.starts), c.Tail >= limit && s.m.sounds(c.Tail, s.m.ending())
	if s.index == 0 {
		return c
	}
	c.Correlation = unit.Number(math.NaN())
	c.Gain, c.Within = unit.DB(math.NaN()), unit.DBFS(math.NaN())
	if s.square == 0 || first.square == 0 {
		return c
	}
	rho := s.withFirst / math.Sqrt(s.square*first.square)
	c.Correlation = unit.Number(rho)
	c.Same = !s.differs
	// What the best scaled copy leaves, and what the channels differ by as they are.
	left := max(0, 1-rho*rho)
	rest, apart := unit.DBFS(unit.FromPower(left*s.square/n)), unit.DBFS(unit.FromPower(s.apart/n))
	c.Copy = c.Same || left <= unit.ToPower(float64(p.Copy)) || rest <= p.Near && left <= unit.ToPower(-float64(p.NearBelow))
	if c.Copy {
		c.Gain = unit.DB(unit.FromPower(s.square / first.square))
		c.Inverted = rho < 0
		if c.Within = rest; !c.Inverted && math.Abs(float64(c.Gain)) < 0.005 {
			c.Within = apart
		}
	}
	c.Opposed = !c.Copy && rho <= p.Opposed
	return c
}
