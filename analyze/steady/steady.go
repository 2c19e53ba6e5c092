// Package steady compares two recordings of one setting over time: whether the level
// of the one against the other, over all or in an octave, stays the same, or changes
// in a part of the performance, as by a fader, a turned knob or something that creeps.
// What both recordings share, the playing and how the gear answers to it, cancels.
//
// A Track holds the power of a recording in short windows. Between two tracks the
// level difference of every window in which both sound is a series over time; in it the
// stretch is looked for whose mean differs most, for its length, from the mean of the
// rest, and the straight line that fits best. The one that leaves less counts, and only
// if it is much greater than what it leaves scatters from one moment to the next. So
// gear that wavers by itself, such as a chorus or a vibrato with a clock of its own,
// hides small changes, and the answer says so: see Change.Hidden.
//
// Source: common practice; the search for the stretch is that of binary segmentation,
// A. B. Olshen and others, Biostatistics 5 (2004), 557–572 (from memory).
package steady

import (
	"math"
	"slices"

	"evenhand/analyze/align"
	"evenhand/analyze/internal/dsp"
	"evenhand/analyze/spectrum"
	"evenhand/analyze/unit"
)

// Limits of the search; common practice, no source.
const (
	windowSeconds = 0.17 // a window is the power of two from here
	maxWindows    = 2048 // longer recordings are looked at in windows spread evenly
	above         = 20.0 // dB above the floor, from which a window counts
	leastWindows  = 24   // with sound, about four seconds of playing
	leastStretch  = 8    // windows
	block         = 4    // windows whose mean is a moment
	longBlock     = 16   // the same for gear that wavers slowly
	leastBlocks   = 6    // of a kind, for their scatter to be known
	clearOf       = 5.0  // times the scatter of moments that a change must exceed
	likely        = 6.0  // standard errors that it must exceed
	leastPower    = 1e-12
	faint         = 30.0 // dB below the whole of its window, from which an octave does not count
)

// LeastOctave is the least change in one octave, in dB, that counts: less of it is
// heard than of a change of the whole level. Common practice, no source.
const LeastOctave = 1.0

// Bands returns the octaves that are looked at beside the whole.
func Bands() []spectrum.Band { return spectrum.Bands(1, 125, 8000) }

// Stretch is a part of the performance, in frames.
type Stretch struct{ First, Frames int64 }

// Track is the power of a recording over time. It does not change once made.
type Track struct {
	rate   int
	from   int64 // first frame of window 0
	hop    int64
	length int
	powers [][]float64 // by band, the whole first; then by window
}

// NewTrack reads windows of the frames frames of the performance from frame from on;
// the recording lies lag frames later. Windows do not overlap. Errors are those of
// reading.
func NewTrack(src align.Source, lag, from, frames int64) (*Track, error) {
	rate := src.Rate()
	n := dsp.NextPow2(int(windowSeconds * float64(rate)))
	t := &Track{rate: rate, from: from, hop: max(int64(n), (frames+maxWindows-1)/maxWindows), length: n}
	bands := Bands()
	t.powers = make([][]float64, 1+len(bands))
	fft, taper := dsp.NewComplex(n), dsp.Hann(n)
	x, power := make([]float64, n), make([]float64, n/2+1)
	for at := from; at+int64(n) <= from+frames; at += t.hop {
		if _, err := src.ReadAt(x, at+lag); err != nil {
			return nil, err
		}
		fft.PairPower(power, x, nil, taper)
		sums := make([]float64, 1+len(bands))
		for k := 1; k <= n/2; k++ {
			f := unit.Hertz(float64(k) * float64(rate) / float64(n))
			for b, band := range bands {
				if f >= band.Low && f < band.High {
					sums[1+b] += power[k]
					sums[0] += power[k]
				}
			}
		}
		for b, p := range sums {
			// Of full scale squared; Hann's mean square is 3/8.
			t.powers[b] = append(t.powers[b], p*2/(float64(n)*float64(n)*0.375))
		}
	}
	return t, nil
}

// Change is how the level of one recording against another changes.
type Change struct {
	// Band names the octave, "" for the whole.
	Band string
	// Size is the change in dB, of the stretch against the rest, or of a line from its
	// beginning to its end; positive where the first recording is louder. Where nothing
	// stands out of the scatter, it is that of the stretch that differs most.
	Size unit.DB
	// Found tells that the change is there; Creeps that it is a line, not a stretch.
	Found, Creeps bool
	// From and To bound the stretch, or the line, on the timeline; AtStart and AtEnd
	// tell that it reaches the beginning or the end of the playing.
	From, To       unit.Seconds
	AtStart, AtEnd bool
	// Hidden is the size, in dB, up to which a change of the whole level would not stand
	// out of how the two differ from moment to moment.
	Hidden unit.DB
}

// Compare returns the greatest change of a against b; both must be of the same
// stretch of one performance. pauses are where nothing is played. ok is false where
// the two sound together for less than about four seconds.
func Compare(a, b *Track, pauses []Stretch) (c Change, ok bool) {
	bands := Bands()
	quiet := make([]bool, len(a.powers[0]))
	for w := range quiet {
		first := a.from + int64(w)*a.hop
		quiet[w] = slices.ContainsFunc(pauses, func(p Stretch) bool {
			return first >= p.First && first+int64(a.length) <= p.First+p.Frames
		})
	}
	for i := range a.powers {
		x, places := difference(a, b, i, quiet)
		if len(x) < leastWindows {
			if i == 0 {
				return c, false
			}
			continue
		}
		own := search(x)
		own.place(a, places)
		if i > 0 {
			own.Band = bands[i-1].Label
		}
		switch {
		case i == 0:
			c = own.Change
		case own.Found && math.Abs(float64(own.Size)) > LeastOctave && (!c.Found || math.Abs(float64(own.Size)) > 1.5*math.Abs(float64(c.Size))):
			// The whole level is the plainer answer where an octave shows little more.
			own.Hidden = c.Hidden
			c = own.Change
		}
	}
	return c, true
}

// difference returns the level differences of a band in the windows in which both
// sound there, and which these are.
func difference(ta, tb *Track, band int, quiet []bool) (x []float64, places []int) {
	a, b := ta.powers[band], tb.powers[band]
	floor := func(p []float64) float64 {
		var still []float64
		for w, v := range p {
			if quiet[w] {
				still = append(still, v)
			}
		}
		if still == nil {
			return 0
		}
		slices.Sort(still)
		return still[len(still)/2]
	}
	least := func(t *Track, floor float64, w int) float64 {
		return max(leastPower, floor*unit.ToPower(above), t.powers[0][w]*unit.ToPower(-faint))
	}
	fa, fb := floor(a), floor(b)
	for w := range a {
		if !quiet[w] && a[w] > least(ta, fa, w) && b[w] > least(tb, fb, w) {
			x, places = append(x, unit.FromPower(a[w]/b[w])), append(places, w)
		}
	}
	return x, places
}

// place turns numbers of windows into times.
func (c *found) place(t *Track, places []int) {
	at := func(w int) unit.Seconds {
		return unit.Seconds(float64(t.from+int64(w)*t.hop) / float64(t.rate))
	}
	c.From = at(places[c.first])
	c.To = at(places[c.end-1]) + unit.Seconds(float64(t.length)/float64(t.rate))
	c.AtStart, c.AtEnd = c.first == 0, c.end == len(places)
}
