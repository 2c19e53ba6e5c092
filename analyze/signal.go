package analyze

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"sync"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/recording"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// blockFrames is how many frames are measured or written at a time.
const blockFrames = recording.BlockFrames

// signal is what is measured, matched and heard of one recording: its channels
// mixed to one or two.
type signal struct {
	path   string
	input  input
	sha256 string // of the file, lower-case hexadecimal
	info   wavio.Info
	mix    [][]float64 // [out channel][in channel] gain
	label  string      // as Take.Signal
}

// recording returns the file of a signal.
func (s *signal) recording() fairness.Recording {
	return fairness.Recording{Path: s.path, SHA256: s.sha256, Info: s.info}
}

// ditherSeed returns the seed of an output channel's dither. It comes from the
// recording alone, so that takes beside it do not change a take's file.
func (s *signal) ditherSeed(channel int) uint64 {
	return s.seed(fmt.Sprint(channel))
}

// seed is that of the dither of what is made of the recording.
func (s *signal) seed(what string) uint64 {
	sum := sha256.Sum256(fmt.Appendf(nil, "dither %s %s", s.sha256, what))
	return binary.LittleEndian.Uint64(sum[:])
}

// The kinds of signal, as they stand in Take.Signal.
const (
	signalMono      = "mono"
	signalStereo    = "stereo"
	signalWideMono  = "mono as two equal channels"
	signalBlend     = "blend of two microphones"
	signalWideBlend = "blend of two microphones, as two equal channels"
)

// newSignal picks the channels of a file. channels is 1-based and may be nil
// for a file of one or two channels; mics may be nil.
func newSignal(path string, info wavio.Info, channels []int, mics *manifest.Mics) (*signal, error) {
	if channels == nil {
		if info.Channels > 2 {
			return nil, fmt.Errorf("%s: the file has %d channels; one or two can be compared: say which with channels: [1] or channels: [1, 2]", path, info.Channels)
		}
		for c := range info.Channels {
			channels = append(channels, c+1)
		}
	}
	for _, c := range channels {
		if c < 1 || c > info.Channels {
			return nil, fmt.Errorf("%s: channel %d is asked for, the file has channels 1 to %d", path, c, info.Channels)
		}
	}
	row := func(gains map[int]float64) []float64 {
		r := make([]float64, info.Channels)
		for c, g := range gains {
			r[c-1] = g
		}
		return r
	}
	s := &signal{path: path, input: input{path: path}, info: info}
	switch {
	case mics != nil:
		if len(channels) != 2 {
			return nil, fmt.Errorf("%s: two microphones are described, so two channels are needed, and the file has %d; give a two-channel file or name two with channels: [1, 2]", path, len(channels))
		}
		s.label = signalBlend
		s.mix = [][]float64{row(map[int]float64{
			channels[0]: unit.ToAmplitude(float64(mics.Left.Blend)),
			channels[1]: unit.ToAmplitude(float64(mics.Right.Blend)),
		})}
	case len(channels) == 1:
		s.label = signalMono
		s.mix = [][]float64{row(map[int]float64{channels[0]: 1})}
	case len(channels) == 2:
		s.label = signalStereo
		s.mix = [][]float64{row(map[int]float64{channels[0]: 1}), row(map[int]float64{channels[1]: 1})}
	default:
		return nil, fmt.Errorf("%s: %d channels are asked for; one or two can be compared", path, len(channels))
	}
	return s, nil
}

// widen turns a one-channel signal into two equal channels, as it is heard
// from two loudspeakers beside a stereo take. It reports whether it did.
func (s *signal) widen() bool {
	if len(s.mix) != 1 {
		return false
	}
	s.mix = [][]float64{s.mix[0], s.mix[0]}
	s.label = map[string]string{signalMono: signalWideMono, signalBlend: signalWideBlend}[s.label]
	return true
}

func (s *signal) channels() int { return len(s.mix) }

// plain reports whether the signal is the channels of its file as they are.
func (s *signal) plain() bool {
	for o, gains := range s.mix {
		for c, g := range gains {
			if o == c && g != 1 || o != c && g != 0 {
				return false
			}
		}
	}
	return len(s.mix) == s.info.Channels
}

// reader reads a signal block by block.
type reader struct {
	*signal
	wav  *wavio.Reader
	in   [][]float64 // the file's channels; nil for a plain signal
	pos  int64
	view [][]float64
	buf  [][]float64
	mu   sync.Mutex // held by ReadAt
}

func (s *signal) open() (*reader, error) {
	w, err := s.input.open()
	if err != nil {
		return nil, err
	}
	r := &reader{signal: s, wav: w}
	if !s.plain() {
		for range s.info.Channels {
			r.in = append(r.in, make([]float64, blockFrames))
		}
	}
	r.view = make([][]float64, s.info.Channels)
	return r, nil
}

func (r *reader) Close() error { return r.wav.Close() }

// Read fills dst (channels() × capacity) and returns the frames read; io.EOF
// with 0 frames at the end.
func (r *reader) Read(dst [][]float64) (int, error) {
	if r.in == nil {
		n, err := r.wav.Read(dst)
		r.pos += int64(n)
		return n, err
	}
	n := min(len(dst[0]), blockFrames)
	for c := range r.in {
		r.view[c] = r.in[c][:n]
	}
	n, err := r.wav.Read(r.view)
	r.pos += int64(n)
	for o, gains := range r.mix {
		out := dst[o][:n]
		first := true
		for c, g := range gains {
			in := r.in[c][:n]
			switch {
			case g == 0:
			case first && g == 1:
				copy(out, in)
				first = false
			case first:
				for i, v := range in {
					out[i] = g * v
				}
				first = false
			default:
				for i, v := range in {
					out[i] += g * v
				}
			}
		}
		if first {
			clear(out)
		}
	}
	return n, err
}

// seek moves to frame; positions outside the file are an error.
func (r *reader) seek(frame int64) error {
	if frame == r.pos {
		return nil
	}
	if err := r.wav.Seek(frame); err != nil {
		return err
	}
	r.pos = frame
	return nil
}

// Rate, Len and ReadAt make a reader the mono source that alignment reads: the
// mean of the signal's channels.
func (r *reader) Rate() int  { return r.info.SampleRate }
func (r *reader) Len() int64 { return r.info.Frames }

// ReadAt fills dst with mono samples from frame first on and returns how many
// of them lie in the file; the rest reads as zero, which is no error. It may be
// called by several goroutines.
func (r *reader) ReadAt(dst []float64, first int64) (int, error) {
	from, to := max(first, 0), min(first+int64(len(dst)), r.info.Frames)
	if from >= to {
		clear(dst)
		return 0, nil
	}
	clear(dst[:from-first])
	clear(dst[to-first:])
	r.mu.Lock()
	defer r.mu.Unlock()
	at := 0
	err := r.each(from, to-from, func(f int64, block [][]float64) error {
		out := dst[f-first:][:len(block[0])]
		if len(block) == 2 {
			other := block[1][:len(out)]
			for i, v := range block[0] {
				out[i] = (v + other[i]) * 0.5
			}
		} else {
			copy(out, block[0])
		}
		at += len(out)
		return nil
	})
	return at, err
}

func (r *reader) scratch(frames int) [][]float64 {
	b := make([][]float64, r.channels())
	for c := range b {
		b[c] = make([]float64, frames)
	}
	return b
}

// each hands frames [first, first+frames) of the signal to f in blocks, each
// with the frame it begins at. Frames that lie outside the file are silence.
func (r *reader) each(first, frames int64, f func(at int64, block [][]float64) error) error {
	if r.buf == nil {
		r.buf = r.scratch(blockFrames)
	}
	part := make([][]float64, len(r.buf))
	for at, end := first, first+frames; at < end; {
		n := min(int64(blockFrames), end-at)
		outside := at < 0 || at >= r.info.Frames
		if at < 0 {
			n = min(n, -at)
		}
		for c := range r.buf {
			part[c] = r.buf[c][:n]
		}
		if outside {
			for c := range part {
				clear(part[c])
			}
		} else {
			if err := r.seek(at); err != nil {
				return err
			}
			got, err := r.Read(part)
			if err != nil && !errors.Is(err, io.EOF) {
				return err
			}
			if got == 0 {
				return fmt.Errorf("%s: frame %d of %d cannot be read: %w", r.path, at, r.info.Frames, io.ErrUnexpectedEOF)
			}
			n = int64(got)
			for c := range part {
				part[c] = part[c][:n]
			}
		}
		if err := f(at, part); err != nil {
			return err
		}
		at += n
	}
	return nil
}
