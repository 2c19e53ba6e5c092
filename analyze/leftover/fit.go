package leftover

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"

	"evenhand/analyze/internal/dsp"
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
// starts the two takes from the beginning; it is called two or three times. What lies outside them counts as silence. NaN is what is left
// of silence.
//
// Errors: those of open and of the readers, ctx's, and takes of different lengths.
func Fit(ctx context.Context, rate, channels int, open func() (x, y Reader, stop func() error, err error)) (Linear, Heard, error) {
	w := newTools(rate, min(Length(rate), 2*MostTaps))
	filter := make([][]complex128, channels) // none yet
	var given []sums
	for passes := 1; passes > 0; passes-- {
		found, _, err := w.pass(ctx, filter, open)
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
	found, peak, err := w.pass(ctx, filter, open)
	if err != nil {
		return Linear{}, Heard{}, err
	}
	var whole, left, wholeK, leftK float64
	for c := range found {
		for k := w.lo; k < w.hi; k++ {
			y, e := given[c].yy[k], found[c].yy[k]
			whole, left, wholeK, leftK = whole+y, left+e, wholeK+w.k[k]*y, leftK+w.k[k]*e
		}
	}
	return l, Heard{K: unit.DB(unit.FromPower(leftK / wholeK)), Unweighted: unit.DB(unit.FromPower(left / whole)), Peak: unit.DBFS(unit.FromAmplitude(peak))}, nil
}

// pass reads two takes from beginning to end. It returns, of each channel, the spectra of
// x and of what a filter leaves of y, all of it without a filter, and the highest sample
// of the filtered x and of what is left.
func (w *work) pass(ctx context.Context, filter [][]complex128, open func() (x, y Reader, stop func() error, err error)) (found []sums, peak float64, err error) {
	rx, ry, stop, err := open()
	if err != nil {
		return nil, 0, err
	}
	defer func() { err = errors.Join(err, stop()) }()
	x, y := newFeed(rx, len(filter), w.h, w.pre), newFeed(ry, len(filter), w.h, 0)
	if err := errors.Join(x.start(), y.start()); err != nil {
		return nil, 0, err
	}
	pair := dsp.NewComplex(w.Length)
	cx, ce := make([]complex128, w.h+1), make([]complex128, w.h+1)
	left := make([][]float64, len(filter)) // of this step and the one before
	for c := range filter {
		found, left[c] = append(found, newSums(w.h+1)), make([]float64, w.Length)
	}
	post := w.h - w.pre
	// After the last frame one step of silence follows: each frame is in two windows.
	for more := true; more; {
		if err := ctx.Err(); err != nil {
			return nil, 0, err
		}
		before := y.frames
		if err := errors.Join(x.next(), y.next()); err != nil {
			return nil, 0, err
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
			pair.Pair(cx, ce, x.kept[c][:w.Length], e)
			hann(cx)
			hann(ce)
			s := found[c]
			for k, a := range cx {
				b := ce[k]
				s.xx[k] += abs2(a)
				s.yy[k] += abs2(b)
				s.xy[k] += complex(real(a)*real(b)+imag(a)*imag(b), real(a)*imag(b)-imag(a)*real(b))
			}
		}
	}
	if x.frames != y.frames {
		return nil, 0, fmt.Errorf("leftover: takes of %d and %d frames or more; they must be equally long", x.frames, y.frames)
	}
	return found, peak, nil
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
