package spectrum

import (
	"errors"
	"fmt"
	"iter"
	"math"

	"evenhand/analyze/internal/dsp"
)

// Params are the parameters of the estimate, all of which belong beside its
// results. The window is always the periodic Hann window and nothing is
// detrended.
type Params struct {
	Length int `json:"length_frames"` // frames in a segment, a power of two
	Hop    int `json:"hop_frames"`    // frames from a segment to the next; half the length
}

// DefaultParams returns the parameters for a sample rate in Hz: the least power
// of two that is at least 0.65 s long (32768 frames at 44.1 and 48 kHz), and 50 %
// overlap. The window's noise bandwidth is then at most 2.3 Hz, so that all
// third octaves from 20 Hz on and all twelfth octaves from 54 Hz on are
// resolved, the low B of a baritone guitar at 61.7 Hz among them.
func DefaultParams(rate int) Params {
	n := dsp.NextPow2(int(math.Ceil(0.65 * float64(rate))))
	return Params{Length: n, Hop: n / 2}
}

// ParamError tells which parameter cannot be used.
type ParamError struct {
	Name    string // "length", "hop", "rate", "channels"
	Got     int
	Allowed string
}

func (e *ParamError) Error() string {
	return fmt.Sprintf("spectrum: %s is %d, allowed is %s", e.Name, e.Got, e.Allowed)
}

// Errors of a Welch estimate.
var (
	ErrLate  = errors.New("spectrum: spans must be tracked before the first block is written")
	ErrShape = errors.New("spectrum: block does not have the announced channels at equal lengths")
)

// NotFiniteError says that a sample was NaN or infinite.
type NotFiniteError struct {
	First, Frames int64 // the segment that holds it, in frames from the first one written
}

func (e *NotFiniteError) Error() string {
	return fmt.Sprintf("spectrum: a sample in frames %d to %d is not a finite number, allowed are finite values; export the file again", e.First, e.First+e.Frames-1)
}

// Range is a stretch of time in frames from the first one written.
type Range struct{ First, Frames int64 }

func (r Range) holds(first, frames int64) bool {
	return first >= r.First && first+frames <= r.First+r.Frames
}

// Welch averages spectra over a stream of blocks. Its memory is a few segments
// and, per span, two spectra; it does not grow with the stream. A value must not
// be used by two goroutines at once.
type Welch struct {
	rate, channels int
	p              Params
	spans          [][]Range
	window         []float64
	fft            *dsp.Complex
	held           [][]float64 // per channel, room for one segment
	filled         int
	next           int64 // first frame of the segment being filled
	started        bool
	power, pair    []float64 // of the segment, and of one pair of channels
	sums           []*sums   // per span
	current        *sums     // segments that belong to the same spans
	member, last   []bool    // which spans hold the segment, and held the ones before
}

// NewWelch returns an estimate for a stream of the given sample rate in Hz and
// number of channels. The error is a *ParamError. Until Track is called it has
// no span.
func NewWelch(rate, channels int, p Params) (*Welch, error) {
	switch {
	case rate < 1:
		return nil, &ParamError{"rate", rate, "1 Hz and above"}
	case channels < 1:
		return nil, &ParamError{"channels", channels, "1 and above"}
	case p.Length < 2*block || p.Length > 1<<24 || p.Length&(p.Length-1) != 0:
		return nil, &ParamError{"length", p.Length, "a power of two from 64 to 16777216"}
	case p.Hop*2 != p.Length:
		return nil, &ParamError{"hop", p.Hop, "half the length"}
	}
	w := &Welch{
		rate: rate, channels: channels, p: p,
		window: dsp.Hann(p.Length), fft: dsp.NewComplex(p.Length),
		held:  make([][]float64, channels),
		power: make([]float64, p.Length/2+1), pair: make([]float64, p.Length/2+1),
		current: newSums(p.Length),
	}
	for c := range w.held {
		w.held[c] = make([]float64, p.Length)
	}
	return w, nil
}

// Track adds one span for each range: the whole, the sections. Finish returns
// spectra in the order in which spans were added. The error is ErrLate.
func (w *Welch) Track(spans ...Range) error {
	for _, r := range spans {
		if err := w.TrackUnion(r); err != nil {
			return err
		}
	}
	return nil
}

// TrackUnion adds one span made of several ranges, such as all pauses: segments
// lie wholly inside one of them. Ranges are not retained; one that is shorter
// than a segment holds none. The error is ErrLate.
func (w *Welch) TrackUnion(ranges ...Range) error {
	if w.started {
		return ErrLate
	}
	w.spans = append(w.spans, append([]Range(nil), ranges...))
	w.sums = append(w.sums, nil) // made when its first segment comes
	w.member, w.last = append(w.member, false), append(w.last, false)
	return nil
}

// Write takes the next block, channel-major, full scale ±1, any length; it is
// not retained. Errors: ErrShape, *NotFiniteError.
func (w *Welch) Write(block [][]float64) error {
	w.started = true
	if len(block) != w.channels {
		return fmt.Errorf("%w: got %d channels, announced %d", ErrShape, len(block), w.channels)
	}
	n := len(block[0])
	for c := range block {
		if len(block[c]) != n {
			return fmt.Errorf("%w: channel 1 has %d frames, channel %d has %d", ErrShape, n, c+1, len(block[c]))
		}
	}
	for at := 0; at < n; {
		take := min(n-at, w.p.Length-w.filled)
		for c := range block {
			copy(w.held[c][w.filled:], block[c][at:at+take])
		}
		at += take
		if w.filled += take; w.filled == w.p.Length {
			if err := w.segment(); err != nil {
				return err
			}
			for c := range w.held {
				copy(w.held[c], w.held[c][w.p.Hop:])
			}
			w.filled -= w.p.Hop
			w.next += int64(w.p.Hop)
		}
	}
	return nil
}

// segment adds the full segment to the spans that hold it.
func (w *Welch) segment() error {
	any, same := false, true
	for i, ranges := range w.spans {
		in := false
		for _, r := range ranges {
			in = in || r.holds(w.next, int64(w.p.Length))
		}
		w.member[i] = in
		any = any || in
		same = same && in == w.last[i]
	}
	if !any {
		return nil
	}
	if !same {
		w.flush()
		copy(w.last, w.member)
	}
	for c := 0; c < w.channels; c += 2 {
		var second []float64
		if c+1 < w.channels {
			second = w.held[c+1]
		}
		if c == 0 {
			w.fft.PairPower(w.power, w.held[0], second, w.window)
			continue
		}
		w.fft.PairPower(w.pair, w.held[c], second, w.window)
		for k, v := range w.pair {
			w.power[k] += v
		}
	}
	// One bad sample spoils every bin.
	if s := w.power[0] + w.power[1]; math.IsNaN(s) || math.IsInf(s, 0) {
		return &NotFiniteError{w.next, int64(w.p.Length)}
	}
	w.current.add(w.power)
	return nil
}

// flush adds what was summed for one combination of spans to each of them.
func (w *Welch) flush() {
	if w.current.segments == 0 {
		return
	}
	for i, in := range w.last {
		if in {
			if w.sums[i] == nil {
				w.sums[i] = newSums(w.p.Length)
			}
			w.sums[i].merge(w.current)
		}
	}
	w.current.clear()
}

// Finish returns one spectrum per span, in the order of Track. A span that holds
// no segment has a Density of NaN, Segments 0 and a warning. The Welch must not
// be used afterwards.
func (w *Welch) Finish() []PSD {
	out := make([]PSD, 0, len(w.spans))
	for p := range w.Spectra() {
		out = append(out, p)
	}
	return out
}

// Spectra is Finish one spectrum at a time, for spans so many that their spectra
// together would take much memory.
func (w *Welch) Spectra() iter.Seq[PSD] {
	w.flush()
	return func(yield func(PSD) bool) {
		for i, s := range w.sums {
			w.sums[i] = nil
			if s == nil {
				s = &sums{}
			}
			if !yield(s.psd(w.rate, w.p)) {
				return
			}
		}
	}
}
