package faults

import (
	"math"
	"slices"

	"evenhand/analyze/unit"
)

// FadeSpan is the length from which on fades at the ends are found, in s. Common
// practice, no source: what programs put at cuts is shorter.
const FadeSpan = 0.25

const (
	fadeLeast = -125 // dBFS of its inner part, at least
	muted     = 0.05 // s of digital silence, which a gate may make
)

// fade keeps both ends of a channel.
type fade struct {
	span  int
	head  []float64 // the first span of samples
	tail  []float64 // the last span, a ring
	seen  int64
	zeros int64 // of digital silence going on
	first int64 // of digital silence at the beginning
	mutes int   // stretches of digital silence within the sound
	least int64 // frames of a mute
}

func newFade(rate int) fade {
	n := int(FadeSpan * float64(rate))
	return fade{span: n, tail: make([]float64, n), least: int64(muted * float64(rate))}
}

func (f *fade) write(x []float64) {
	if n := f.span - len(f.head); n > 0 {
		f.head = append(f.head, x[:min(n, len(x))]...)
	}
	from := 0
	for from < len(x) && x[from] == 0 {
		from++
	}
	f.zeros += int64(from)
	if from < len(x) {
		switch {
		case f.zeros == f.seen+int64(from):
			f.first = f.zeros
		case f.zeros >= f.least:
			f.mutes++
		}
		f.zeros = 0
		for i := len(x) - 1; x[i] == 0; i-- {
			f.zeros++
		}
	}
	for len(x) > 0 {
		n := copy(f.tail[f.seen%int64(f.span):], x)
		f.seen += int64(n)
		x = x[n:]
	}
}

// found reports whether the recording fades in and out. Beside digital silence a gate
// may do the same, so nothing is said there.
func (f *fade) found() (in, out bool) {
	if f.seen < int64(f.span) || f.mutes > 0 {
		return false, false
	}
	at := f.seen % int64(f.span)
	tail := append(append([]float64(nil), f.tail[at:]...), f.tail[:at]...)
	slices.Reverse(tail)
	return f.first < f.least && fades(f.head), f.zeros < f.least && fades(tail)
}

// fades reports whether a sound that begins with x[0] comes up from nothing as a fade
// does, faster than a note or its end and at each scale of time alike. A straight fade
// rises from part to part by 7.5, 6.0 and 8.5 dB, and by 20 dB within the first.
func fades(x []float64) bool {
	level := func(from, to float64) float64 {
		part := x[int(from*float64(len(x))):int(to*float64(len(x)))]
		sum := 0.0
		for _, v := range part {
			sum += v * v
		}
		return unit.FromPower(sum / float64(len(part)))
	}
	inner, middle, outer, outermost := level(0.4, 1), level(0.2, 0.4), level(0.1, 0.2), level(0, 0.1)
	return inner >= fadeLeast && inner-middle >= 3 && middle-outer >= 3 && !(outermost > outer-5) &&
		(math.IsInf(outermost, -1) || outermost-level(0, 0.01) >= 14)
}
