// Package recording opens the recordings that a comparison is made from: WAVE
// files and FLAC files, told apart by their first bytes. Whatever the file is,
// it is described and read as a WAVE file. What only WAVE files state (markers,
// broadcast extension, speakers) a FLAC file does not state.
//
// A measurement reads a recording many times and from any place. The samples of
// a FLAC file are therefore unpacked once, into a WAVE file of the same depth,
// and every sample is checked on the way: block by block and by the MD5 sum.
//
// A Signal is what is measured and heard of a recording: its channels, mixed to one or
// two. It is read only from the file that was hashed (Input).
//
// Read are FLAC files of 16 or 24 bits with 1 to 8 channels, at the rates of WAVE
// files.
//
// Source: RFC 9639 for FLAC (from memory); package wavio for WAVE.
package recording

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"

	"evenhand/analyze/flacio"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// Container is what Info.Container is for a FLAC file.
const Container = "FLAC"

// A FLAC file of a few bytes can hold days of silence. Unpacked, a recording may
// have plainBytes, or mostTimes the size of its file if that is more: music takes
// a tenth to nine tenths, with silence for most of the time a fiftieth.
const (
	plainBytes = 1 << 30
	mostTimes  = 100
)

// BlockFrames is how many frames are read, measured or written at a time.
const BlockFrames = 1 << 14

// Inspect returns what the header of the recording at path says. Where a FLAC
// file's header leaves its length open, it is decoded to count its frames.
//
// Errors: those of wavio, those of flacio, and ErrUnsupported of wavio for a FLAC
// file that no recording can be.
func Inspect(path string) (wavio.Info, error) {
	if !isFLAC(path) {
		return wavio.Inspect(path)
	}
	d, info, err := open(path)
	if err != nil {
		return wavio.Info{}, err
	}
	defer d.Close()
	if info.Frames == 0 {
		info.Frames, err = readThrough(context.Background(), d, info, func([][]float64) error { return nil })
	}
	return info, err
}

// Open returns what is in the recording at path and which WAVE file its samples
// are read from: itself, or for a FLAC file the one that it makes, under the name
// that unpacked returns. That one stays the caller's to remove, also when there is
// an error.
//
// Errors: those of Inspect, of a FLAC file that is damaged anywhere, of writing,
// of unpacked, and ctx's.
func Open(ctx context.Context, path string, unpacked func() (string, error)) (info wavio.Info, samples string, err error) {
	if !isFLAC(path) {
		if info, err = wavio.Inspect(path); err != nil {
			return wavio.Info{}, "", err
		}
		return info, path, nil
	}
	d, info, err := open(path)
	if err != nil {
		return wavio.Info{}, "", err
	}
	defer d.Close()
	if samples, err = unpacked(); err != nil {
		return wavio.Info{}, "", err
	}
	w, err := wavio.Create(samples, wavio.Spec{SampleRate: info.SampleRate, Channels: info.Channels, Bits: info.Bits})
	if err != nil {
		return wavio.Info{}, "", err
	}
	info.Frames, err = readThrough(ctx, d, info, w.Write)
	if err = cmp.Or(err, w.Close()); err != nil {
		return wavio.Info{}, "", err
	}
	return info, samples, nil
}

// SameSamples tells whether two recordings have the same samples: as many frames and
// channels at one rate, and every sample equal, whatever the files are. It reads no
// further than to the first difference.
//
// Errors: those of Inspect, of a file that is damaged before the first difference, and ctx's.
func SameSamples(ctx context.Context, a, b string) (bool, error) {
	var in [2]BlockReader
	var info [2]wavio.Info
	for k, path := range []string{a, b} {
		r, x, err := stream(path)
		if err != nil {
			return false, err
		}
		defer r.Close()
		in[k], info[k] = r, x
	}
	if info[0].SampleRate != info[1].SampleRate || info[0].Channels != info[1].Channels {
		return false, nil
	}
	return same(ctx, in, info[0].Channels)
}

// same compares what two readers have from here to their ends.
func same(ctx context.Context, in [2]BlockReader, channels int) (bool, error) {
	var block [2][][]float64
	for k := range block {
		block[k] = make([][]float64, channels)
		for c := range block[k] {
			block[k][c] = make([]float64, BlockFrames)
		}
	}
	for {
		if err := ctx.Err(); err != nil {
			return false, err
		}
		var n [2]int // 0 at the end
		for k := range in {
			var err error
			if n[k], err = in[k].Read(block[k]); err != nil && !errors.Is(err, io.EOF) {
				return false, err
			}
		}
		if n[0] != n[1] || n[0] == 0 {
			return n[0] == n[1], nil
		}
		for c, x := range block[0] {
			if !slices.Equal(x[:n[0]], block[1][c][:n[0]]) {
				return false, nil
			}
		}
	}
}

// stream opens a recording to be read once from its beginning.
func stream(path string) (interface {
	BlockReader
	io.Closer
}, wavio.Info, error) {
	if isFLAC(path) {
		return open(path)
	}
	r, err := wavio.Open(path)
	if err != nil {
		return nil, wavio.Info{}, err
	}
	return r, r.Info(), nil
}

// isFLAC tells whether there is a file that begins as a FLAC file does. What is no
// regular file, and what cannot be read, is left to wavio, which says so.
func isFLAC(path string) bool {
	st, err := os.Stat(path) // first, because opening a named pipe would wait for its writer
	if err != nil || !st.Mode().IsRegular() {
		return false
	}
	f, err := os.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	var mark [4]byte
	_, err = io.ReadFull(f, mark[:])
	return err == nil && string(mark[:]) == "fLaC"
}

// limited reads a FLAC file until it is tooLong, which its header need not tell.
type limited struct {
	*flacio.Decoder
	info wavio.Info
	read int64 // frames
}

func (l *limited) Read(dst [][]float64) (frames int, err error) {
	frames, err = l.Decoder.Read(dst)
	l.read += int64(frames)
	if long := tooLong(l.info, l.read, l.Size()); long != nil {
		return 0, long
	}
	return frames, err
}

// open opens a FLAC file and checks what its header claims.
func open(path string) (*limited, wavio.Info, error) {
	d, err := flacio.Open(path)
	if err != nil {
		return nil, wavio.Info{}, err
	}
	x := d.Info()
	info := wavio.Info{
		Path: path, Container: Container, Encoding: fmt.Sprintf("%d-bit integer", x.Bits), Bits: x.Bits,
		SampleRate: x.SampleRate, Channels: x.Channels, Frames: x.Frames,
	}
	if x.SampleRate < wavio.MinRate || x.SampleRate > wavio.MaxRate {
		err = fail(path, wavio.ErrUnsupported, "found a sample rate of %d Hz; allowed: %d to %d Hz; export at the rate of the session", x.SampleRate, wavio.MinRate, wavio.MaxRate)
	} else {
		err = tooLong(info, x.Frames, d.Size())
	}
	if err != nil {
		d.Close()
		return nil, wavio.Info{}, err
	}
	return &limited{Decoder: d, info: info}, info, nil
}

// tooLong returns an error for a file of size bytes that has more frames than it
// may have.
func tooLong(info wavio.Info, frames, size int64) error {
	frameBytes := int64(info.Channels * info.Bits / 8)
	if frames <= max(plainBytes, mostTimes*size)/frameBytes {
		return nil
	}
	return fail(info.Path, wavio.ErrUnsupported, "%v of audio in %d bytes; allowed: %d times the size of the file, or %d MiB; save it as WAV",
		unit.Seconds(float64(frames)/float64(info.SampleRate)), size, mostTimes, plainBytes>>20)
}

// readThrough hands all blocks of a file to f and returns how many frames it has.
func readThrough(ctx context.Context, r BlockReader, info wavio.Info, f func(block [][]float64) error) (frames int64, err error) {
	err = EachBlock(ctx, r, info.Channels, func(block [][]float64) error {
		frames += int64(len(block[0]))
		return f(block)
	})
	if err == nil && frames == 0 {
		err = fail(info.Path, wavio.ErrEmpty, "the file holds no audio; export it again")
	}
	return frames, err
}

// BlockReader is a file that is decoded block by block: WAVE or FLAC. Read
// fills dst, channel-major, and returns the frames read, fewer than fit only at the end;
// then 0 and io.EOF.
type BlockReader interface {
	Read(dst [][]float64) (int, error)
}

// EachBlock reads a file to its end and hands it to f block by block, at most
// BlockFrames at a time; a block is valid until f returns. The errors are those of
// reading, f's, and ctx's.
func EachBlock(ctx context.Context, r BlockReader, channels int, f func(block [][]float64) error) error {
	buf, part := make([][]float64, channels), make([][]float64, channels)
	for c := range buf {
		buf[c] = make([]float64, BlockFrames)
	}
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		n, err := r.Read(buf)
		for c := range buf {
			part[c] = buf[c][:n]
		}
		if n > 0 {
			if err := f(part); err != nil {
				return err
			}
		}
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
	}
}

func fail(path string, kind error, format string, args ...any) error {
	return &wavio.Error{Path: path, Offset: -1, Kind: kind, Msg: fmt.Sprintf(format, args...)}
}
