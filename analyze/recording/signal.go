package recording

import (
	"context"
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"sync"

	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// signal is what is measured, matched and heard of one recording: its channels
// mixed to one or two.
type Signal struct {
	Path   string
	Input  Input
	SHA256 string // of the file, lower-case hexadecimal
	Info   wavio.Info
	Mix    [][]float64 // [out channel][in channel] gain
	Label  string      // as Take.Signal
}

// ditherSeed returns the seed of an output channel's dither. It comes from the
// recording alone, so that takes beside it do not change a take's file.
func (s *Signal) DitherSeed(channel int) uint64 {
	return s.Seed(fmt.Sprint(channel))
}

// seed is that of the dither of what is made of the recording.
func (s *Signal) Seed(what string) uint64 {
	sum := sha256.Sum256(fmt.Appendf(nil, "dither %s %s", s.SHA256, what))
	return binary.LittleEndian.Uint64(sum[:])
}

// The kinds of signal, as they stand in Take.Signal.
const (
	Mono      = "mono"
	Stereo    = "stereo"
	WideMono  = "mono as two equal channels"
	Blend     = "blend of two microphones"
	WideBlend = "blend of two microphones, as two equal channels"
)

// newSignal picks the channels of a file. channels is 1-based and may be nil
// for a file of one or two channels. blend are the gains in dB of two microphones that
// are heard as one, nil for channels that are heard as they are.
func NewSignal(path string, info wavio.Info, channels []int, blend []unit.DB) (*Signal, error) {
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
	s := &Signal{Path: path, Input: Input{Path: path}, Info: info}
	switch {
	case blend != nil:
		if len(channels) != 2 {
			return nil, fmt.Errorf("%s: two microphones are described, so two channels are needed, and the file has %d; give a two-channel file or name two with channels: [1, 2]", path, len(channels))
		}
		s.Label = Blend
		s.Mix = [][]float64{row(map[int]float64{
			channels[0]: unit.ToAmplitude(float64(blend[0])),
			channels[1]: unit.ToAmplitude(float64(blend[1])),
		})}
	case len(channels) == 1:
		s.Label = Mono
		s.Mix = [][]float64{row(map[int]float64{channels[0]: 1})}
	case len(channels) == 2:
		s.Label = Stereo
		s.Mix = [][]float64{row(map[int]float64{channels[0]: 1}), row(map[int]float64{channels[1]: 1})}
	default:
		return nil, fmt.Errorf("%s: %d channels are asked for; one or two can be compared", path, len(channels))
	}
	return s, nil
}

// widen turns a one-channel signal into two equal channels, as it is heard
// from two loudspeakers beside a stereo take. It reports whether it did.
func (s *Signal) Widen() bool {
	if len(s.Mix) != 1 {
		return false
	}
	s.Mix = [][]float64{s.Mix[0], s.Mix[0]}
	s.Label = map[string]string{Mono: WideMono, Blend: WideBlend}[s.Label]
	return true
}

func (s *Signal) Channels() int { return len(s.Mix) }

// plain reports whether the signal is the channels of its file as they are.
func (s *Signal) plain() bool {
	for o, gains := range s.Mix {
		for c, g := range gains {
			if o == c && g != 1 || o != c && g != 0 {
				return false
			}
		}
	}
	return len(s.Mix) == s.Info.Channels
}

// reader reads a signal block by block.
type Reader struct {
	*Signal
	wav  *wavio.Reader
	in   [][]float64 // the file's channels; nil for a plain signal
	pos  int64
	view [][]float64
	buf  [][]float64
	mu   sync.Mutex // held by ReadAt
}

func (s *Signal) Open() (*Reader, error) {
	w, err := s.Input.Open()
	if err != nil {
		return nil, err
	}
	r := &Reader{Signal: s, wav: w}
	if !s.plain() {
		for range s.Info.Channels {
			r.in = append(r.in, make([]float64, BlockFrames))
		}
	}
	r.view = make([][]float64, s.Info.Channels)
	return r, nil
}

func (r *Reader) Close() error { return r.wav.Close() }

// Read fills dst (channels() × capacity) and returns the frames read; io.EOF
// with 0 frames at the end.
func (r *Reader) Read(dst [][]float64) (int, error) {
	if r.in == nil {
		n, err := r.wav.Read(dst)
		r.pos += int64(n)
		return n, err
	}
	n := min(len(dst[0]), BlockFrames)
	for c := range r.in {
		r.view[c] = r.in[c][:n]
	}
	n, err := r.wav.Read(r.view)
	r.pos += int64(n)
	for o, gains := range r.Mix {
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
func (r *Reader) seek(frame int64) error {
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
func (r *Reader) Rate() int  { return r.Info.SampleRate }
func (r *Reader) Len() int64 { return r.Info.Frames }

// ReadAt fills dst with mono samples from frame first on and returns how many
// of them lie in the file; the rest reads as zero, which is no error. It may be
// called by several goroutines.
func (r *Reader) ReadAt(dst []float64, first int64) (int, error) {
	from, to := max(first, 0), min(first+int64(len(dst)), r.Info.Frames)
	if from >= to {
		clear(dst)
		return 0, nil
	}
	clear(dst[:from-first])
	clear(dst[to-first:])
	r.mu.Lock()
	defer r.mu.Unlock()
	at := 0
	err := r.Each(from, to-from, func(f int64, block [][]float64) error {
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

func (r *Reader) scratch(frames int) [][]float64 {
	b := make([][]float64, r.Channels())
	for c := range b {
		b[c] = make([]float64, frames)
	}
	return b
}

// each hands frames [first, first+frames) of the signal to f in blocks, each
// with the frame it begins at. Frames that lie outside the file are silence.
func (r *Reader) Each(first, frames int64, f func(at int64, block [][]float64) error) error {
	if r.buf == nil {
		r.buf = r.scratch(BlockFrames)
	}
	part := make([][]float64, len(r.buf))
	for at, end := first, first+frames; at < end; {
		n := min(int64(BlockFrames), end-at)
		outside := at < 0 || at >= r.Info.Frames
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
				return fmt.Errorf("%s: frame %d of %d cannot be read: %w", r.Path, at, r.Info.Frames, io.ErrUnexpectedEOF)
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

// silent tells whether every sample of a signal is 0.
func (s *Signal) Silent(ctx context.Context) (bool, error) {
	r, err := s.Open()
	if err != nil {
		return false, err
	}
	defer r.Close()
	sound := errors.New("sound")
	err = r.Each(0, s.Info.Frames, func(_ int64, block [][]float64) error {
		for _, x := range block {
			for _, v := range x {
				if v != 0 {
					return sound
				}
			}
		}
		return ctx.Err()
	})
	if errors.Is(err, sound) {
		return false, nil
	}
	return err == nil, err
}

// openBoth opens two signals; both are closed when there is an error.
func OpenBoth(a, b *Signal) (ra, rb *Reader, err error) {
	if ra, err = a.Open(); err != nil {
		return nil, nil, err
	}
	if rb, err = b.Open(); err != nil {
		ra.Close()
		return nil, nil, err
	}
	return ra, rb, nil
}

// heard is a signal as the stages of measuring are given it: what they make of it
// depends on nothing else of the signal.
type Heard struct {
	SHA256 string // of the file
	Mix    [][]float64
}

func (s *Signal) Heard() Heard { return Heard{s.SHA256, s.Mix} }

// stretch is a stretch of frames, in those of a file or of the timeline.
type Stretch struct{ First, Frames int64 }

// inFile puts a file's path in front of an error that does not name it yet.
func InFile(path string, err error) error {
	var audio *wavio.Error
	var changed *ChangedError
	var system *fs.PathError
	if errors.As(err, &audio) && audio.Path == path || errors.As(err, &changed) || errors.As(err, &system) && system.Path == path {
		return err
	}
	return fmt.Errorf("%s: %w", path, err)
}
