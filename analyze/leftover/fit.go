package leftover

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"evenhand/analyze/unit"
)

// MostTaps is how long a filter that is fitted to be heard may be: half a window of
// 16,384, which is 0.17 s at 48 kHz.
const MostTaps = 8192

// Reader gives the frames of a take in order, channel-major, full scale ±1: how many it
// filled, and io.EOF after the last.
type Reader interface {
	Read(dst [][]float64) (frames int, err error)
}

// Linear is a filter: of each channel, its impulse response.
type Linear struct {
	Before int // taps before time 0
	Taps   [][]float32
}

// Heard is what a filter does to all of the music.
type Heard struct {
	// K and Unweighted are what it leaves, from 20 Hz to 20 kHz, K-weighted and not, of
	// all channels together.
	K, Unweighted unit.DB
	// Peak is the highest sample of the filtered take and of what is left.
	Peak unit.DBFS
}

// Fit returns the filter that leads from one take to another, each channel for itself,
// fitted on all of the music, and what it leaves of that music: a filter is judged on what
// it was fitted to here, which Compare does not do. The filter has at most MostTaps taps
// and is estimated a second time where the first leaves little, see the package. open
// starts the two takes from the beginning; it is called two or three times. What lies
// outside them counts as silence. NaN is what is left of silence.
//
// Errors: those of open and of the readers, ctx's, and takes of different lengths.
func Fit(ctx context.Context, rate, channels int, open func() (x, y Reader, stop func() error, err error)) (Linear, Heard, error) {
	w := newTools(rate, min(Length(rate), 2*MostTaps))
	filter := make([][]complex128, channels) // none yet
	var given []sums
	for passes := 1; passes > 0; passes-- {
		found := make([]sums, channels)
		for c := range found {
			found[c] = newSums(w.h + 1)
		}
		_, err := w.pass(ctx, filter, open, func(c int, x, e []float64) {
			w.pair.Pair(w.spec, w.spec2, w.tapered(0, x), w.tapered(1, e))
			found[c].count(w.spec, w.spec2)
		})
		if err != nil {
			return Linear{}, Heard{}, err
		}
		if given == nil {
			given = found
			if slices.ContainsFunc(given, func(s sums) bool { return w.unweighted(s) < secondFrom }) {
				passes++
			}
		}
		for c, s := range found {
			more := w.filter(s.xx, s.xy)
			if filter[c] == nil {
				filter[c] = make([]complex128, len(more))
			}
			for k, v := range more {
				filter[c][k] += v
			}
		}
	}
	// What is judged is the filter as it is stored.
	l := Linear{Before: w.pre}
	for c, f := range filter {
		t := w.fft.Inverse(w.time, f)
		taps := make([]float32, w.h)
		at := func(i int) int { return (i - w.pre + w.Length) % w.Length }
		for i := range taps {
			taps[i] = float32(t[at(i)])
		}
		clear(t)
		for i, v := range taps {
			t[at(i)] = float64(v)
		}
		filter[c] = w.fft.Forward(f, t)
		l.Taps = append(l.Taps, taps)
	}
	left := make([]float64, w.h+1) // power of all channels
	peak, err := w.pass(ctx, filter, open, func(_ int, _, e []float64) {
		for k, v := range w.fft.Forward(w.spec, w.tapered(1, e)) {
			left[k] += abs2(v)
		}
	})
	if err != nil {
		return Linear{}, Heard{}, err
	}
	var all, rest, allK, restK float64
	for k := w.lo; k < w.hi; k++ {
		y := 0.0
		for _, s := range given {
			y += s.yy[k]
		}
		all, rest, allK, restK = all+y, rest+left[k], allK+w.k[k]*y, restK+w.k[k]*left[k]
	}
	return l, Heard{K: unit.DB(unit.FromPower(restK / allK)), Unweighted: unit.DB(unit.FromPower(rest / all)), Peak: unit.DBFS(unit.FromAmplitude(peak))}, nil
}

// pass reads two takes from beginning to end. It calls each with every window of each
// channel, of x and of what a filter leaves of y, all of it without a filter, and returns the
// highest sample of the filtered x and of what is left.
func (w *work) pass(ctx context.Context, filter [][]complex128, open func() (x, y Reader, stop func() error, err error), each func(channel int, x, e []float64)) (peak float64, err error) {
	rx, ry, stop, err := open()
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, stop()) }()
	x, y := newFeed(rx, len(filter), w.h, w.pre), newFeed(ry, len(filter), w.h, 0)
	if err := errors.Join(x.start(), y.start()); err != nil {
		return 0, err
	}
	left := make([][]float64, len(filter)) // of this step and the one before
	for c := range left {
		left[c] = make([]float64, w.Length)
	}
	post := w.h - w.pre
	// After the last frame one step of silence follows: each frame is in two windows.
	for more := true; more; {
		if err := ctx.Err(); err != nil {
			return 0, err
		}
		before := y.frames
		if err := errors.Join(x.next(), y.next()); err != nil {
			return 0, err
		}
		more = y.frames > before
		for c, f := range filter {
			e := left[c]
			copy(e, e[w.h:])
			copy(e[w.h:], y.kept[c][w.h:])
			if f != nil {
				w.fft.Forward(w.spec, x.kept[c][w.h-post:][:w.Length])
				for k := range w.spec {
					w.spec[k] *= f[k]
				}
				for i, v := range w.fft.Inverse(w.time, w.spec)[post:][:y.frames-before] {
					e[w.h+i] -= v
					peak = max(peak, math.Abs(v), math.Abs(e[w.h+i]))
				}
			}
			each(c, x.kept[c][:w.Length], e)
		}
	}
	if x.frames != y.frames {
		return 0, fmt.Errorf("leftover: takes of %d and %d frames or more; they must be equally long", x.frames, y.frames)
	}
	return peak, nil
}

// feed keeps of each channel of a take the step before this one, this one, and what is
// read ahead of it.
type feed struct {
	from        Reader
	step, ahead int
	kept, part  [][]float64
	frames      int64 // read
}

func newFeed(from Reader, channels, step, ahead int) *feed {
	f := &feed{from: from, step: step, ahead: ahead, part: make([][]float64, channels)}
	for range channels {
		f.kept = append(f.kept, make([]float64, 2*step+ahead))
	}
	return f
}

// start reads ahead of the first step.
func (f *feed) start() error { return f.read(f.ahead) }

// next goes on by a step.
func (f *feed) next() error {
	for _, x := range f.kept {
		copy(x, x[f.step:])
	}
	return f.read(f.step)
}

// read fills the last n frames, with silence after the end.
func (f *feed) read(n int) error {
	from := 2*f.step + f.ahead - n
	for n > 0 {
		for c, x := range f.kept {
			f.part[c] = x[from:][:n]
		}
		got, err := f.from.Read(f.part)
		f.frames += int64(got)
		from, n = from+got, n-got
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			return err // the reader names the file and the place
		}
	}
	for _, x := range f.kept {
		clear(x[from:])
	}
	return nil
}
