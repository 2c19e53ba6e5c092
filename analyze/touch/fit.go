package touch

import "slices"

// passes is how often the filter of Through is fitted each time on what it leaves, and
// added: that removes the bias of the windows, in which a filter's tail is cut off.
const passes = 2

// Fit is what Measure found between a dry recording and a take: gains, and a filter that
// can be fitted anew to other ones. It is for one goroutine.
type Fit struct {
	// Gains are those in dB of each block and frame of FrameSeconds. A frame that does not
	// count has the gain of the last one before it that does, the first ones of a block that
	// of the first one in it. Of a block in which none does, all have the gain of the block
	// before, the first ones of all that of the first one that counts.
	Gains [][]float64
	w     *work
}

// Filter is one that Through found.
type Filter []complex128

// Rate returns the sample rate of the blocks in Hz.
func (f *Fit) Rate() float64 { return f.w.x.lower }

// Dry and Take return the blocks of the two recordings, which must not be changed.
func (f *Fit) Dry() [][]float64  { return f.w.x.blocks }
func (f *Fit) Take() [][]float64 { return f.w.y.blocks }

// Counts returns of each block and frame whether it is above the noise going in and coming
// out, and has a whole filter.
func (f *Fit) Counts() [][]bool { return f.w.counts }

// Filtered returns the blocks of the dry recording behind the filter that Measure found,
// without gains.
func (f *Fit) Filtered() [][]float64 { return f.w.filtered }

// Noise returns the mean square of the take in the pauses, 0 without one.
func (f *Fit) Noise() float64 { return f.w.y.noise }

// Over returns what Gains are for other blocks than those of Filtered: by how many dB the
// take is above them in each frame.
func (f *Fit) Over(x [][]float64) [][]float64 {
	out := make([][]float64, len(x))
	for i, b := range x {
		out[i] = levels(b, f.w.frame)
		for k, l := range out[i] {
			out[i][k] = f.w.out[i][k] - l
		}
	}
	f.w.fill(out)
	return out
}

// Through returns blocks, the dry recording with other gains, behind the filter that makes
// the take of them, and that filter. It goes on from another one, nil for none: of gains
// that change little it comes closer each time.
func (f *Fit) Through(x [][]float64, from Filter) ([][]float64, Filter) {
	w := f.w
	out, left := make([][]float64, len(x)), make([][]float64, len(x))
	spectra := make([][][]complex128, len(x))
	once := []float64{}
	add := func(h []complex128) {
		for i, b := range x {
			once = slices.Grow(once[:0], len(b))[:len(b)]
			w.apply(once, spectra[i], h)
			for k, v := range once {
				out[i][k] += v
				left[i][k] -= v
			}
		}
	}
	for i, b := range x {
		out[i], left[i], spectra[i] = make([]float64, len(b)), slices.Clone(w.y.blocks[i]), w.segments(b)
	}
	sum := make(Filter, len(w.spec))
	if from != nil {
		copy(sum, from)
		add(from)
	}
	for range passes {
		clear(w.xx)
		clear(w.xy)
		for i, b := range x {
			w.fit(i, b, left[i], make([]float64, len(w.counts[i])))
		}
		h := w.filter()
		for k, v := range h {
			sum[k] += v
		}
		add(h)
	}
	return out, sum
}
