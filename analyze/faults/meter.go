package faults

import (
	"errors"
	"fmt"
	"math"

	"evenhand/analyze/unit"
)

// ErrBlock is wrapped by the errors of Write.
var ErrBlock = errors.New("faults: unusable block")

// Params are the rules. Zero values mean the defaults, which are all common
// practice, no source.
type Params struct {
	// ClickRatio is how many times a click's residual must stand above what
	// is usual around it; default 10.
	ClickRatio float64
	// LeastClick is the smallest click that is reported; default −70 dBFS.
	LeastClick unit.DBFS
	// StepRatio and LeastStep are the same for what is neither a single wrong sample
	// nor up to three in a row: a step, a splice; defaults 20 and −70 dBFS.
	StepRatio float64
	LeastStep unit.DBFS
	// OnsetRatio stands for ClickRatio where the sound becomes louder to
	// stay, as at each note, and nothing but a single wrong sample counts
	// there; default 80.
	OnsetRatio float64
	// Hold is the shortest run of one value that is a dropout, in frames at
	// 48 kHz (more at higher rates, as many at lower ones); default 16.
	Hold unit.Frames
	// Repeat is the shortest stretch played twice that is a dropout, in
	// frames; default 64. Within is how long ago it may have been played
	// first; default 0.2 s.
	Repeat unit.Frames
	Within unit.Seconds
	// Sounding is the peak-to-peak amplitude that the quarter of a millisecond
	// on each side of a dropout must have; default −50 dBFS.
	Sounding unit.DBFS
	// ClipRun is the least number of samples at full scale in a row that
	// counts as clipping; default 3.
	ClipRun int
	// FlatTops is how many flat tops of one level make a finding; default 3.
	FlatTops int
	// Offset is the mean from which on a channel has an offset; default −60 dBFS.
	Offset unit.DBFS
	// CutLevel is the rms level of the first or last 5 ms from which on a file
	// may begin or end cut off, if it stands CutContrast above the quietest
	// 50 ms of the file; defaults −50 dBFS and 20 dB.
	CutLevel    unit.DBFS
	CutContrast unit.DB
	// Silent is the peak below which a channel carries nothing; default −80 dBFS.
	Silent unit.DBFS
	// Copy is the level of what remains of a channel less the best scaled copy
	// of the first, from which on down it is a copy; default −80 dB.
	Copy unit.DB
	// Near is the rms level from which on down what remains is a converter's or a
	// dither's noise, so that a channel is a copy too, if it lies NearBelow beneath
	// the channel; defaults −90 dBFS and 50 dB.
	Near      unit.DBFS
	NearBelow unit.DB
	// Opposed is the correlation of two channels from which on down their
	// polarities are opposed; default −0.5.
	Opposed float64
}

func or[T float64 | int | unit.DBFS | unit.DB | unit.Seconds | unit.Frames](v *T, d T) {
	if *v == 0 {
		*v = d
	}
}

// WithDefaults returns p with the defaults in place of zero values.
func (p Params) WithDefaults() Params {
	or(&p.ClickRatio, 10)
	or(&p.LeastClick, -70)
	or(&p.StepRatio, 20)
	or(&p.OnsetRatio, 80)
	or(&p.LeastStep, -70)
	or(&p.Hold, 16)
	or(&p.Repeat, 64)
	or(&p.Within, 0.2)
	or(&p.Sounding, -50)
	or(&p.ClipRun, 3)
	or(&p.FlatTops, 3)
	or(&p.Offset, -60)
	or(&p.CutLevel, -50)
	or(&p.CutContrast, 20)
	or(&p.Silent, -80)
	or(&p.Copy, -80)
	or(&p.Near, -90)
	or(&p.NearBelow, 50)
	or(&p.Opposed, -0.5)
	return p
}

// MaxListed is how many findings of a kind are kept one by one; all are counted.
const MaxListed = 100

// Click is a step or an impulse that the samples around it do not explain.
type Click struct {
	Frame   int64
	Channel int
	// Level is the size of the deviation from what the samples on both sides
	// lead to expect: for a single wrong sample its error.
	Level unit.DBFS
	// AtClip: a sample at full scale is within half a millisecond, so that the
	// edge of a clipped crest is what deviates.
	AtClip bool
	// AtSilence: there is next to no sound on one side, below −80 dBFS and 20 dB
	// below the other side.
	AtSilence bool
}

// Kinds of dropouts.
const (
	Zeros  = "zeros"         // digital silence within sound
	Held   = "held value"    // one value held
	Repeat = "repeated part" // a stretch played twice
)

// Dropout is a stretch without sound of its own.
type Dropout struct {
	Frame   int64 // first
	Frames  int64
	Channel int
	Kind    string
	Lag     int64 // of Repeat: how many frames earlier the same was played
}

// Floor tells what could not have been found in a stretch.
type Floor struct {
	From, To int64 // frames
	// Typical is the smallest click that would have been found, averaged in
	// decibels over the stretch and channels; Worst is where it is largest.
	Typical, Worst unit.DBFS
}

// Channel holds what is told of one channel.
type Channel struct {
	Peak unit.DBFS // greatest absolute sample; −Inf when there is none
	RMS  unit.DBFS // a full-scale sine: −3.01
	// Mean is the average sample as a fraction of full scale, Offset its level.
	Mean   unit.Number
	Offset unit.DBFS
	HasDC  bool // Offset reaches Params.Offset
	Silent bool

	// Clipped counts runs at full scale, ClippedFrames their samples, and
	// FirstClip is the first one's frame, −1 for none.
	Clipped, ClippedFrames int64
	FirstClip              int64
	// FlatTops counts crests cut off flat at TopLevel, below full scale, where
	// there are enough of one level; FirstTop is −1 for none.
	FlatTops int64
	FirstTop int64
	TopLevel unit.DBFS
	// Over counts samples above ±1, FirstOver is −1 for none.
	Over      int64
	FirstOver int64

	// Depth is the least number of bits whose steps all samples lie on, full scale
	// ±1; 0 for digital silence, 24 for 24 and more.
	Depth int
	// FadeIn and FadeOut: the level comes up from nothing, or goes to it, for a quarter
	// of a second at least.
	FadeIn, FadeOut bool
	// Head and Tail are the rms levels of the first and last 5 ms.
	Head, Tail       unit.DBFS
	CutHead, CutTail bool

	// Against the first channel; zero for the first itself. Correlation is
	// NaN where one of the two is silent.
	Correlation unit.Number
	Same        bool    // sample for sample
	Copy        bool    // a scaled copy, perhaps inverted; Same is one too
	Gain        unit.DB // of the copy over the first
	// Within is the rms level of what remains of a copy less the first channel, and
	// at its Gain where that is no less than 0.005 dB or it is inverted; −Inf for
	// Same, NaN where it is no copy.
	Within   unit.DBFS
	Inverted bool // of a copy
	Opposed  bool // not a copy, but of opposed polarity for the most part
}

// Result is what one pass over a file found.
type Result struct {
	Rate     int
	Frames   int64
	Channels []Channel

	ClickCount   int64
	Clicks       []Click // the first MaxListed, in order of time; never nil
	DropoutCount int64
	Dropouts     []Dropout // the first MaxListed, in order of their ends; never nil
	// Stepped counts runs of equal samples and repeated parts that are steps of the
	// sound around them, which is rounded to few bits or held sample by sample. A
	// dropout would look the same there.
	Stepped int64
	Floors  []Floor // stretches of at least a second, at most 512; never nil
	// Drops is by how much the spectrum falls at steps of 125 Hz from 15.75 to
	// 22.25 kHz, as far as the sampling rate reaches; nil where the file holds nothing
	// there.
	Drops []Drop
	// Floor is the smallest click that would have been found everywhere but
	// in a tenth of the stretches of Floors, by their Typical values.
	Floor unit.DBFS
}

// Meter takes a recording in blocks. It must not be used by two goroutines at
// once.
type Meter struct {
	p        Params
	rate     int
	ch       []*channel
	frames   int64 // processed
	filled   int   // frames in the running chunk
	floors   floors
	clicks   []Click
	nClicks  int64
	drops    []Dropout
	nDrops   int64
	quietest float64 // mean square of the quietest 50 ms over all channels
	loudest  float64
	starts   float64            // the quietest of the first endBlocks
	ends     [endBlocks]float64 // the last ones, a ring
	blocks   int
	quietSum float64
	quietN   int
	edges    edges
	err      error
}

// chunk is how many frames are looked at together, whatever the blocks are.
const chunk = 1024

// NewMeter returns a meter for a sample rate in Hz from 4000 to 2^20 and at
// least one channel; Write reports other values.
func NewMeter(rate, channels int, p Params) *Meter {
	m := &Meter{p: p.WithDefaults(), rate: rate, quietest: math.Inf(1), starts: math.Inf(1)}
	switch {
	case rate < 4000 || rate > 1<<20:
		m.err = fmt.Errorf("faults: sample rate %d Hz, allowed 4000 to %d Hz", rate, 1<<20)
	case channels < 1 || channels > 256:
		m.err = fmt.Errorf("faults: %d channels, allowed 1 to 256", channels)
	default:
		for i := range channels {
			m.ch = append(m.ch, newChannel(m, i))
		}
		m.floors.every = int64(rate)
		m.edges = newEdges(rate, channels)
	}
	return m
}

// Write takes the next block, [channel][frame], which is not kept. It returns
// an error wrapping ErrBlock for another number of channels, channels of
// different lengths and values that are no finite number; the meter is
// unusable afterwards.
func (m *Meter) Write(block [][]float64) error {
	if m.err != nil {
		return m.err
	}
	if len(block) != len(m.ch) {
		m.err = fmt.Errorf("%w: %d channels, expected %d", ErrBlock, len(block), len(m.ch))
		return m.err
	}
	n := len(block[0])
	for c, x := range block {
		if len(x) != n {
			m.err = fmt.Errorf("%w: channel %d has %d frames, channel 1 has %d", ErrBlock, c+1, len(x), n)
			return m.err
		}
	}
	for at := 0; at < n; {
		k := min(chunk-m.filled, n-at)
		for c, x := range block {
			copy(m.ch[c].fresh()[m.filled:], x[at:at+k])
		}
		m.filled += k
		at += k
		if m.filled == chunk {
			if err := m.process(); err != nil {
				return err
			}
		}
	}
	return nil
}

// process looks at the running chunk.
func (m *Meter) process() error {
	n := m.filled
	first := m.ch[0].fresh()[:n]
	for c, s := range m.ch {
		x := s.fresh()[:n]
		if i := s.levels(x, first, m.frames); i >= 0 {
			m.err = fmt.Errorf("%w: channel %d, frame %d: %v is not a finite number", ErrBlock, c+1, m.frames+int64(i), x[i])
			return m.err
		}
		s.runs(x)
	}
	m.edges.write(m.ch, n)
	m.quiet(n)
	for _, s := range m.ch {
		s.residual(n)
	}
	m.frames += int64(n)
	m.filled = 0
	return nil
}

// endBlocks of 50 ms at each end tell the floor there from a sound that is cut.
const endBlocks = 30

// quiet follows the quietest 50 ms, in chunks.
func (m *Meter) quiet(n int) {
	for _, s := range m.ch {
		m.quietSum += s.chunkPower
	}
	m.quietN += n
	if float64(m.quietN) >= 0.05*float64(m.rate) {
		p := m.quietSum / float64(m.quietN*len(m.ch))
		m.quietest, m.loudest = min(m.quietest, p), max(m.loudest, p)
		if m.ends[m.blocks%endBlocks] = p; m.blocks < endBlocks {
			m.starts = min(m.starts, p)
		}
		m.blocks++
		m.quietSum, m.quietN = 0, 0
	}
}

// Finish returns what was found; the meter must not be used afterwards. For a
// meter that returned an error the result is of what came before it.
func (m *Meter) Finish() Result {
	r := Result{Rate: m.rate, Clicks: []Click{}, Dropouts: []Dropout{}, Floors: []Floor{}, Floor: unit.DBFS(math.NaN())}
	if m.err == nil && m.filled > 0 {
		_ = m.process() // the error, if any, ends the recording here
	}
	r.Frames = m.frames
	for _, s := range m.ch {
		s.endRuns()
		s.endResidual()
		s.endDoubts()
		r.Stepped += s.r.stepped
		r.Channels = append(r.Channels, s.finish(m.ch[0], m.frames))
	}
	sortClicks(m.clicks)
	r.ClickCount, r.DropoutCount = m.nClicks, m.nDrops
	r.Clicks = append(r.Clicks, m.clicks...)
	r.Dropouts = append(r.Dropouts, m.drops...)
	r.Drops = m.edges.drops()
	r.Floors, r.Floor = m.floors.finish(m.frames)
	return r
}

func (m *Meter) click(c Click) {
	m.nClicks++
	if len(m.clicks) < MaxListed {
		m.clicks = append(m.clicks, c)
	}
}

func (m *Meter) dropout(d Dropout) {
	m.nDrops++
	if len(m.drops) < MaxListed {
		m.drops = append(m.drops, d)
	}
}
