package align

import (
	"math"
	"sync"

	"evenhand/analyze/internal/dsp"
)

const (
	blockSeconds   = float64(CoarseBlock) // a block of the coarse envelope
	contextSeconds = 12                   // a stretch of envelope
	maxContexts    = 16
	piecesTried    = 8 // places looked at for each stretch of a long recording
	windowSeconds  = 0.5
	fineSeconds    = 0.006 // range of the fine search, either way
	minSeconds     = 1.0   // shortest recording that is compared
	envelopeFloor  = 1e-4  // of the mean power, added before the logarithm
)

// plan says which stretches and windows of the timeline are compared. It is
// made from the timeline's recording and never changes.
type plan struct {
	opt      Options
	bound    bool // nothing beyond the largest lag is looked for
	rate     int
	block    int // frames of an envelope block
	margin   int // blocks of the largest lag
	fftLen   int // of an envelope stretch with its margins
	contexts []context
	windows  []window
	size     int // frames of a fine window, a power of two
	lo, hi   int // band of the fine search: bins lo ≤ k < hi
	taper    []float64
}

// context is a stretch of the timeline whose envelope is compared.
type context struct {
	first  int64 // frame
	blocks int
}

// window is a place of the fine search.
type window struct {
	first   int64 // frame on the timeline
	context int
}

// centre returns the middle of a window that begins at frame first, in seconds.
func (p *plan) centre(first int64) float64 {
	return (float64(first) + float64(p.size)/2) / float64(p.rate)
}

// Feature is what is kept of a recording, so that a recording compared with
// many others is read and transformed once: the log-energy envelope of at most
// sixteen stretches of 12 s and the spectra of the fine windows. About 4 MB at
// 48 kHz whatever the length. It does not change once made and may be shared
// by goroutines if its Source may.
type Feature struct {
	plan *plan
	src  Source

	silent bool
	short  bool

	// Of a timeline: spectra of the envelope's stretches and their energies;
	// the same with the widest range of lags, made when first asked for.
	envelope [][]complex128
	energy   []float64
	wide     func() (*Feature, error)

	offset  []int64 // per window: first frame read less the timeline's
	spectra [][]complex128

	// Of a follower: the estimate against the timeline.
	timeline *Feature
	estimate Estimate
}

// NewFeature prepares a recording as a timeline that others are compared
// along: it chooses the stretches and windows that are compared. A recording
// longer than 192 s is looked at in at most 128 pieces of 12 s, so that the
// time and memory taken do not grow with its length beyond that.
//
// It returns an error for options out of range and when reading fails. Silent
// or very short recordings are no error; what is compared with them is
// uncertain.
func NewFeature(src Source, opt Options) (*Feature, error) {
	if err := checkRate(src.Rate()); err != nil {
		return nil, err
	}
	bound := opt.MaxLag != 0
	opt, err := opt.withDefaults(src.Rate())
	if err != nil {
		return nil, err
	}
	rate := float64(src.Rate())
	p := &plan{opt: opt, bound: bound, rate: src.Rate(), block: max(1, int(math.Round(rate*blockSeconds)))}
	p.margin = int(math.Ceil(float64(opt.MaxLag) * rate / float64(p.block)))
	p.size = FineWindow(p.rate)
	p.lo = max(1, int(math.Ceil(float64(opt.Low)*float64(p.size)/rate)))
	p.hi = int(float64(opt.High)*float64(p.size)/rate) + 1
	p.taper = dsp.Hann(p.size)
	f := &Feature{plan: p, src: src}
	f.wide = sync.OnceValues(func() (*Feature, error) {
		wide := opt
		wide.MaxLag = wideSeconds
		return NewFeature(src, wide)
	})
	f.short = float64(src.Len()) < minSeconds*rate
	powers, err := p.choose(src)
	if err != nil {
		return nil, err
	}
	mean := 0.0
	for _, c := range powers {
		mean += dsp.MeanSquare(c) / float64(len(powers)) // of block powers: only to see silence
	}
	f.silent = mean == 0
	if f.short || f.silent {
		return f, nil
	}
	p.place(powers, src.Len())

	n := 0
	for _, c := range p.contexts {
		n = max(n, c.blocks)
	}
	p.fftLen = dsp.NextPow2(n + 2*p.margin)
	fft := dsp.NewFFT(p.fftLen)
	x := make([]float64, p.fftLen)
	level := meanOf(powers)
	for _, c := range powers {
		clear(x)
		flux(x[p.margin:], c, level)
		f.energy = append(f.energy, dsp.MeanSquare(x)*float64(len(x)))
		f.envelope = append(f.envelope, fft.Forward(nil, x))
	}
	f.offset = make([]int64, len(p.windows))
	f.spectra, err = p.transform(src, f.offset)
	return f, err
}

// meanOf returns the mean of all values.
func meanOf(x [][]float64) float64 {
	s, n := 0.0, 0
	for _, c := range x {
		for _, v := range c {
			s += v
		}
		n += len(c)
	}
	return s / float64(max(n, 1))
}

// choose places the stretches and returns their block powers. A recording that
// they cannot cover gives each of sixteen equal parts the most active of eight
// pieces.
func (p *plan) choose(src Source) ([][]float64, error) {
	total := int(src.Len() / int64(p.block))
	length := contextSeconds * p.rate / p.block
	n := min(maxContexts, max(1, (total+length-1)/length))
	whole := n*length >= total
	var powers [][]float64
	for k := range n {
		from, to := total*k/n, total*(k+1)/n
		if whole {
			c := context{int64(from) * int64(p.block), to - from}
			x := make([]float64, c.blocks)
			if err := p.blockPowers(x, src, c.first); err != nil {
				return nil, err
			}
			p.contexts, powers = append(p.contexts, c), append(powers, x)
			continue
		}
		pieces := min(piecesTried, max(1, (to-from)/length))
		var found [][]float64
		for i := range pieces {
			x := make([]float64, length)
			if err := p.blockPowers(x, src, p.piece(from, to, length, pieces, i)); err != nil {
				return nil, err
			}
			found = append(found, x)
		}
		mean, best, most := meanOf(found), 0, -1.0
		for i, x := range found {
			active := 0.0
			for _, e := range x {
				active += math.Log1p(e / (1e-3*mean + math.SmallestNonzeroFloat64))
			}
			if active > most {
				best, most = i, active
			}
		}
		p.contexts = append(p.contexts, context{p.piece(from, to, length, pieces, best), length})
		powers = append(powers, found[best])
	}
	return powers, nil
}

// piece returns the first frame of piece i of the blocks from … to.
func (p *plan) piece(from, to, length, pieces, i int) int64 {
	at := from
	if pieces > 1 {
		at += (to - from - length) * i / (pieces - 1)
	}
	return int64(at) * int64(p.block)
}

// place puts the fine windows where the timeline has energy: stretches that
// sound are divided into equal parts, and each part gets one window where the
// sum of the blocks' amplitudes is largest. Parts 40 dB below the loudest get
// none.
func (p *plan) place(powers [][]float64, length int64) {
	width := p.size / p.block
	best := make([]float64, len(powers))
	loudest := 0.0
	for k, x := range powers {
		_, best[k] = densest(x, 0, len(x), width)
		loudest = max(loudest, best[k])
	}
	active := 0
	for _, v := range best {
		if v > 0.01*loudest {
			active++
		}
	}
	for k, c := range p.contexts {
		if best[k] <= 0.01*loudest {
			continue
		}
		per := (p.opt.Windows + active - 1) / active
		per = max(1, min(per, 2*c.blocks/width))
		for j := range per {
			from, to := c.blocks*j/per, c.blocks*(j+1)/per
			if at, sum := densest(powers[k], from, to, width); sum > 0.01*loudest {
				first := min(c.first+int64(at)*int64(p.block), max(0, length-int64(p.size)))
				if n := len(p.windows); n == 0 || p.windows[n-1].first < first {
					p.windows = append(p.windows, window{first, k})
				}
			}
		}
	}
}

// densest returns where, from … to, width blocks begin whose amplitudes have
// the largest sum, and that sum. Blocks after the end count as silent.
func densest(powers []float64, from, to, width int) (best int, most float64) {
	at := func(i int) float64 {
		if i < len(powers) {
			return math.Sqrt(powers[i])
		}
		return 0
	}
	sum := 0.0
	for i := from; i < from+width; i++ {
		sum += at(i)
	}
	best, most = from, sum
	for i := from; i < to-width; i++ {
		if sum += at(i+width) - at(i); sum > most*(1+1e-9) {
			best, most = i+1, sum
		}
	}
	return best, most
}

// blockPowers fills out with the mean squares of the blocks from frame first on.
func (p *plan) blockPowers(out []float64, src Source, first int64) error {
	const chunk = 64
	n := len(out)
	buf := make([]float64, chunk*p.block)
	for i := 0; i < n; i += chunk {
		m := min(chunk, n-i)
		x := buf[:m*p.block]
		if _, err := src.ReadAt(x, first+int64(i)*int64(p.block)); err != nil {
			return err // the source names the file and the place
		}
		for j := range m {
			out[i+j] = dsp.MeanSquare(x[j*p.block : (j+1)*p.block])
		}
	}
	return nil
}

// flux writes the differences of the logarithm of the block powers to dst; a
// floor far below the level keeps silence and hiss from counting.
func flux(dst, powers []float64, level float64) {
	floor := envelopeFloor * level
	last := math.Log(powers[0] + floor)
	dst[0] = 0
	for i := 1; i < len(powers); i++ {
		l := math.Log(powers[i] + floor)
		dst[i], last = l-last, l
	}
}

// transform returns the tapered band spectra of the windows, each read offset
// frames after its place on the timeline: nil for a window of which more than
// the taper's outermost 64th lies outside the recording, since a cut end is an
// edge that only one of the recordings has.
func (p *plan) transform(src Source, offset []int64) ([][]complex128, error) {
	fft := dsp.NewComplex(p.size)
	x := [2][]float64{make([]float64, p.size), make([]float64, p.size)}
	var c [2][]complex128
	out := make([][]complex128, len(p.windows))
	inside := func(i int) bool {
		first := p.windows[i].first + offset[i]
		return first >= -int64(p.size/64) && first+int64(p.size) <= src.Len()+int64(p.size/64)
	}
	for i := 0; i < len(out); i += 2 { // two at a time: one transform does both
		for j := range x {
			if i+j == len(out) || !inside(i+j) {
				clear(x[j])
				continue
			}
			first := p.windows[i+j].first + offset[i+j]
			if _, err := src.ReadAt(x[j], first); err != nil {
				return nil, err // the source names the file and the place
			}
			for k, w := range p.taper {
				x[j][k] *= w
			}
		}
		c[0], c[1] = fft.Pair(c[0], c[1], x[0], x[1])
		for j := range x {
			if i+j < len(out) && inside(i+j) {
				out[i+j] = append([]complex128(nil), c[j][p.lo:p.hi]...)
			}
		}
	}
	return out, nil
}
