// Package wavio reads and writes WAVE files as blocks of float64 samples. To
// read, call Open and then Read until io.EOF; to write, call Create, Write and
// Close; Inspect reads a header only.
//
// It reads integers of 8 to 32 bits in slots of 1 to 4 bytes, floats of 32 and
// 64 bits, plain or extensible, in RIFF, RF64 and BW64 files with chunks in
// any order, at 8000 to 384000 Hz with 1 to 32 channels. Whatever a header
// says is checked against the bytes that are there: nothing is allocated from
// a declared size, and a file that holds less than it declares is read as far
// as it goes, with a warning.
//
// A scanner of our own finds and checks the parts of the file. Integer audio,
// plain or extensible, is then read through the go-audio/wav decoder, which is
// handed a freshly made plain header and exactly the bytes of the audio.
// Floats, which that decoder would return as integers without an error, are
// read directly.
//
// Source: Microsoft and IBM, Multimedia Programming Interface and Data
// Specifications 1.0 (1991); Microsoft, Multiple Channel Audio Data and WAVE
// Files (2001); EBU Tech 3306 (2009) and ITU-R BS.2088 for files beyond 4 GiB;
// EBU Tech 3285 version 2 (2011) for bext. Layouts from memory.
package wavio

import (
	"io"
	"os"

	"evenhand/analyze/unit"
)

// Limits on what is read and written.
const (
	MinRate     = 8000   // Hz
	MaxRate     = 384000 // Hz
	MaxChannels = 32
)

// Info describes a WAVE file.
type Info struct {
	Path        string
	Container   string // "RIFF", "RF64" or "BW64"
	Encoding    string // "16-bit integer", "24-bit integer", "32-bit float"
	Bits        int    // valid bits of a sample
	Float       bool
	SampleRate  int // Hz, MinRate to MaxRate
	Channels    int // 1 to MaxChannels
	Frames      int64
	Unfinished  bool   // the header states no length, or more than the file holds, as of a recording that goes on
	ChannelMask uint32 // speaker positions of an extensible file, 0 if none are given
	Cues        []Cue  // in time order
	Bext        *Bext  // nil if the file has none
	Warnings    []string
}

// Duration returns the length of the audio that is really present.
func (i Info) Duration() unit.Seconds {
	if i.SampleRate == 0 {
		return 0
	}
	return unit.Seconds(float64(i.Frames) / float64(i.SampleRate))
}

// Cue is a marker (Length 0) or a region.
type Cue struct {
	ID     uint32
	Frame  int64
	Label  string // UTF-8, "" if unnamed
	Length int64  // frames
}

// Reader reads the audio of one WAVE file. It is not safe for concurrent use.
type Reader struct {
	src    io.ReaderAt
	closer io.Closer
	file   os.FileInfo // nil for NewReader
	path   string
	info   Info
	layout layout
	unpack unpacker
	next   int64     // the frame that Read returns next
	body   io.Reader // continues at frame next; nil after Seek or an error
	end    int64     // first frame that body does not hold
	raw    []byte    // one block of undecoded bytes
	window int64     // maxWindow; smaller in tests
}

// blockBytes is the size of the read buffer: small enough to stay in a
// second-level cache, large enough to make system calls rare.
const blockBytes = 1 << 16

// Open opens the WAVE file at path. The error is an *Error; see the sentinels.
func Open(path string) (*Reader, error) {
	st, err := os.Stat(path) // first, because opening a named pipe would wait for its writer
	if err != nil {
		return nil, failSystem(path, -1, "cannot open", err)
	}
	switch mode := st.Mode(); {
	case mode.IsDir():
		return nil, fail(path, -1, ErrNotWAV, "found a folder; expected a WAVE or FLAC file; name a file inside it")
	case mode&os.ModeNamedPipe != 0:
		return nil, fail(path, -1, ErrNotWAV, "found a named pipe; a recording is read more than once, so it must be a regular file; save the stream to a file first")
	case !mode.IsRegular():
		return nil, fail(path, -1, ErrNotWAV, "found a device or socket; expected a WAVE or FLAC file")
	}
	f, err := os.Open(path)
	if err != nil {
		return nil, failSystem(path, -1, "cannot open", err)
	}
	if st, err = f.Stat(); err != nil {
		f.Close()
		return nil, failSystem(path, -1, "cannot open", err)
	}
	r, err := NewReader(f, st.Size(), path)
	if err != nil {
		f.Close()
		return nil, err
	}
	r.closer, r.file = f, st
	return r, nil
}

// NewReader reads a WAVE file of size bytes from r; name stands for the path
// in errors and in Info. r is not closed by Close.
func NewReader(r io.ReaderAt, size int64, name string) (*Reader, error) {
	info, lay, err := scan(r, size, name)
	if err != nil {
		return nil, err
	}
	return &Reader{src: r, path: name, info: info, layout: lay, unpack: lay.unpacker(), window: maxWindow}, nil
}

// Inspect returns what the header of the file at path says, without reading
// its audio.
func Inspect(path string) (Info, error) {
	r, err := Open(path)
	if err != nil {
		return Info{}, err
	}
	info := r.Info()
	return info, r.Close()
}

// Info describes the file. Its slices and Bext are shared: do not modify them.
func (r *Reader) Info() Info { return r.info }

// FileInfo returns what the system said of the file when it was opened: of the
// very file that is read, whatever its path leads to by now. nil for NewReader.
func (r *Reader) FileInfo() os.FileInfo { return r.file }

// FrameIndex counts frames from 0. It is int64 under a name of its own, so that
// Seek is not taken for an attempt at io.Seeker, which counts bytes.
type FrameIndex = int64

// Seek makes Read continue at the given frame, 0 to Info.Frames.
func (r *Reader) Seek(frame FrameIndex) error {
	if frame < 0 || frame > r.info.Frames {
		return fail(r.path, -1, ErrUse, "cannot seek to frame %d; allowed: 0 to %d", frame, r.info.Frames)
	}
	if frame != r.next {
		r.next, r.body = frame, nil
	}
	return nil
}

// Close closes the file that Open opened.
func (r *Reader) Close() error {
	if r.closer == nil {
		return nil
	}
	err := r.closer.Close()
	r.closer = nil
	if err != nil {
		return failSystem(r.path, -1, "cannot close", err)
	}
	return nil
}

// Read fills dst, one equally long slice per channel, with the next frames and
// returns how many it filled: fewer than fit only at the end, and 0 with
// io.EOF after it. Full scale is ±1: integers are divided by half their range,
// floats are passed on unchanged, above full scale too.
//
// A float sample that is NaN or infinite ends the reading with ErrNotFinite at
// its frame; the frames before it are filled and counted. A file that became
// shorter since it was opened gives ErrCorrupt.
func (r *Reader) Read(dst [][]float64) (frames int, err error) {
	if len(dst) != r.info.Channels {
		return 0, fail(r.path, -1, ErrUse, "block has %d channels; the file has %d", len(dst), r.info.Channels)
	}
	want := len(dst[0])
	for _, ch := range dst {
		if len(ch) != want {
			return 0, fail(r.path, -1, ErrUse, "the channels of a block have %d and %d frames; they must be equally long", want, len(ch))
		}
	}
	if r.next >= r.info.Frames {
		return 0, io.EOF
	}
	for frames < want && r.next < r.info.Frames {
		n, err := r.readSome(dst, frames, want-frames)
		frames += n
		if err != nil {
			return frames, err
		}
	}
	return frames, nil
}

// readSome decodes up to limit frames into dst[...][at:], at most one buffer.
func (r *Reader) readSome(dst [][]float64, at, limit int) (int, error) {
	if r.body == nil || r.next >= r.end {
		if err := r.start(); err != nil {
			return 0, err
		}
	}
	frameBytes := r.layout.frameBytes()
	if r.raw == nil {
		r.raw = make([]byte, blockBytes/frameBytes*frameBytes)
	}
	n := int(min(int64(limit), int64(len(r.raw)/frameBytes), r.end-r.next))
	raw := r.raw[:n*frameBytes]
	offset := r.layout.dataStart + r.next*int64(frameBytes)
	if got, err := io.ReadFull(r.body, raw); err != nil {
		r.body = nil
		if err == io.EOF || err == io.ErrUnexpectedEOF {
			return 0, fail(r.path, offset+int64(got), ErrCorrupt, "the file ended here although it was longer when it was opened; is it still being written?")
		}
		return 0, failSystem(r.path, offset, "cannot read", err)
	}
	if r.layout.stereo24() {
		unpackStereo24(dst[0][at:at+n], dst[1][at:at+n], raw)
		r.next += int64(n)
		return n, nil
	}
	faulty := -1 // the channel whose sample ends the reading at frame n
	for c, ch := range dst {
		if n == 0 {
			break
		}
		if bad := r.unpack(ch[at:at+n], raw[c*r.layout.slot:], frameBytes); bad >= 0 {
			n, faulty = bad, c
		}
	}
	r.next += int64(n)
	if faulty < 0 {
		return n, nil
	}
	r.body = nil
	err := fail(r.path, r.layout.dataStart+r.next*int64(frameBytes)+int64(faulty*r.layout.slot), ErrNotFinite,
		"frame %d of channel %d (%v) is NaN, infinite or beyond what 32-bit floats can hold; render the file again",
		r.next, faulty+1, unit.Seconds(float64(r.next)/float64(r.info.SampleRate)))
	err.Frame, err.Channel = r.next, faulty
	return n, err
}
