package wavio

import (
	"encoding/binary"
	"fmt"
	"io"
	"math"
)

// Bounds on the work that a hostile header can cause.
const (
	maxChunks   = 10000   // looked at
	maxMetaPart = 1 << 20 // bytes read of one cue, LIST or bext chunk
	maxMeta     = 4 << 20 // bytes read of all of them
	maxProbe    = 4 << 20 // bytes looked at to see where samples lie in their slots
)

// span is a piece of the file.
type span struct {
	id    string
	start int64
	size  int64 // really present
}

// scanner walks the chunks of one file.
type scanner struct {
	src      io.ReaderAt
	size     int64
	path     string
	warnings []string

	wide     bool // RF64 or BW64: sizes may stand in ds64
	sizes64  map[string]uint64
	format   *span
	bits     int // size of a sample as the fmt chunk gives it
	data     *span
	declared uint64 // size of data as written
	streamed bool   // that size was never filled in
	meta     []span
	overrun  string // a chunk that ends outside the file, for the message when something is missing
}

func (s *scanner) warn(format string, args ...any) {
	s.warnings = append(s.warnings, fmt.Sprintf(format, args...))
}

func (s *scanner) fail(offset int64, kind error, format string, args ...any) *Error {
	return fail(s.path, offset, kind, format, args...)
}

// read returns n bytes at offset; the caller has bounded n.
func (s *scanner) read(offset, n int64) ([]byte, error) {
	b := make([]byte, n)
	if got, err := s.src.ReadAt(b, offset); got < len(b) {
		if err == io.EOF {
			return nil, s.fail(offset+int64(got), ErrCorrupt, "the file ends here although its size is %d bytes; is it still being written?", s.size)
		}
		return nil, failSystem(s.path, offset, "cannot read", err)
	}
	return b, nil
}

// scan finds and checks the parts of a file of size bytes.
func scan(src io.ReaderAt, size int64, path string) (Info, layout, error) {
	s := &scanner{src: src, size: size, path: path}
	info := Info{Path: path}
	container, err := s.container()
	if err != nil {
		return Info{}, layout{}, err
	}
	info.Container = container
	s.wide = container != "RIFF"
	if err := s.walk(); err != nil {
		return Info{}, layout{}, err
	}
	hint := ""
	if s.overrun != "" {
		hint = "; " + s.overrun
	}
	if s.format == nil {
		return Info{}, layout{}, s.fail(size, ErrCorrupt, "no fmt chunk found up to here%s; the file cannot be decoded without it; export it again", hint)
	}
	if s.data == nil {
		return Info{}, layout{}, s.fail(size, ErrCorrupt, "no data chunk found up to here%s; the file holds no audio; export it again", hint)
	}
	lay, err := s.parseFormat(&info)
	if err != nil {
		return Info{}, layout{}, err
	}
	lay.dataStart = s.data.start
	if err := s.measure(&info, &lay); err != nil {
		return Info{}, layout{}, err
	}
	if err := s.parseMeta(&info); err != nil {
		return Info{}, layout{}, err
	}
	info.Warnings = s.warnings
	return info, lay, nil
}

// container checks the first bytes and names the kind of container.
func (s *scanner) container() (string, error) {
	if s.size <= 0 {
		return "", s.fail(-1, ErrEmpty, "empty file (0 bytes); export or copy it again")
	}
	head, err := s.read(0, min(s.size, 64))
	if err != nil {
		return "", err
	}
	if name, do, kind := recognise(head); name != "" {
		return "", s.fail(0, kind, "found %s; expected a WAVE file (RIFF, RF64 or BW64) or a FLAC file; %s", name, do)
	}
	if len(head) < 12 {
		return "", s.fail(0, ErrNotWAV, "found %d bytes; a WAVE file has at least 44; export or copy it again", len(head))
	}
	return string(head[:4]), nil
}

// plausible reports whether b looks like the name of a chunk: four printable
// ASCII characters, the first of them not a space.
func plausible(b []byte) bool {
	for _, c := range b[:4] {
		if c < ' ' || c > '~' {
			return false
		}
	}
	return b[0] != ' '
}

// walk goes from chunk to chunk. The RIFF size is not looked at: it is wrong
// in streamed and in edited files, and the size of the file is not.
func (s *scanner) walk() error {
	pos := int64(12)
	for n := 0; pos+8 <= s.size; n++ {
		if n == maxChunks {
			s.warn("more than %d chunks; those from byte %d on are ignored", maxChunks, pos)
			return nil
		}
		head, err := s.read(pos, 8)
		if err != nil {
			return err
		}
		if !plausible(head) {
			s.warn("%d bytes from byte %d on are no chunk and are ignored", s.size-pos, pos)
			return nil
		}
		id, declared := string(head[:4]), uint64(binary.LittleEndian.Uint32(head[4:]))
		if size, ok := s.sizes64[id]; ok && declared == math.MaxUint32 {
			declared = size
		}
		c := span{id: id, start: pos + 8, size: s.size - (pos + 8)}
		if declared <= uint64(c.size) {
			c.size = int64(declared)
		} else if s.overrun == "" {
			s.overrun = fmt.Sprintf("the %q chunk at byte %d declares %d bytes, the file holds %d", id, pos, declared, c.size)
			if id != "data" {
				s.warn("%s", s.overrun)
			}
		}
		if err := s.chunk(c, declared); err != nil {
			return err
		}
		if s.streamed {
			return nil // everything up to the end of the file is audio
		}
		pos = c.start + c.size
		if c.size%2 == 1 && pos < s.size {
			if pos, err = s.skipPad(pos); err != nil {
				return err
			}
		}
	}
	if pos < s.size {
		s.warn("%d bytes from byte %d on are no chunk and are ignored", s.size-pos, pos)
	}
	return nil
}

// skipPad steps over the byte that pads an odd chunk, unless its writer forgot
// it and the next chunk's name stands there.
func (s *scanner) skipPad(pos int64) (int64, error) {
	if pos+8 > s.size {
		return pos + 1, nil
	}
	b, err := s.read(pos, min(9, s.size-pos))
	if err != nil {
		return 0, err
	}
	if b[0] != 0 && plausible(b) && (len(b) < 9 || !plausible(b[1:])) {
		s.warn("the padding byte at byte %d is missing", pos)
		return pos, nil
	}
	return pos + 1, nil
}

// chunk notes one chunk.
func (s *scanner) chunk(c span, declared uint64) error {
	switch c.id {
	case "ds64":
		if s.wide && s.sizes64 == nil {
			return s.parseDS64(c)
		}
	case "fmt ":
		if s.format != nil {
			s.warn("a second fmt chunk at byte %d is ignored", c.start-8)
			return nil
		}
		if declared < 16 || declared > 64 {
			return s.fail(c.start-8, ErrCorrupt, "the fmt chunk declares %d bytes; allowed: 16 to 64; export the file again", declared)
		}
		if uint64(c.size) < declared {
			return s.fail(c.start-8, ErrCorrupt, "the fmt chunk declares %d bytes, the file holds %d; copy or export it again", declared, c.size)
		}
		s.format = &c
	case "data":
		if s.data != nil {
			s.warn("a second data chunk at byte %d (%d bytes) is ignored", c.start-8, c.size)
			return nil
		}
		return s.audio(c, declared)
	case "bext", "cue ", "LIST":
		s.meta = append(s.meta, c)
	}
	return nil
}

// audio notes the data chunk and finds out whether its size was ever written.
func (s *scanner) audio(c span, declared uint64) error {
	rest := s.size - c.start
	switch declared {
	case 0:
		if rest == 0 {
			break
		}
		// Either there is no audio, and chunks follow, or the size was never filled in.
		follows, err := s.chunksFollow(c.start)
		if err != nil {
			return err
		}
		s.streamed = !follows
	case 0x7FFFF000, 0x7FFFFFFF, 0x80000000, 0xFFFFF000, math.MaxUint32, math.MaxInt64, math.MaxUint64:
		// What programs write that cannot go back to the header (common practice, no source).
		s.streamed = declared > uint64(rest)
	}
	if s.streamed {
		c.size = rest
	}
	s.data, s.declared = &c, declared
	return nil
}

// chunksFollow reports whether the bytes from pos to the end of the file are a
// gapless row of chunks.
func (s *scanner) chunksFollow(pos int64) (bool, error) {
	for range 64 {
		if pos+8 > s.size {
			return pos >= s.size, nil
		}
		head, err := s.read(pos, 8)
		if err != nil {
			return false, err
		}
		size := int64(binary.LittleEndian.Uint32(head[4:]))
		if !plausible(head) || size > s.size-pos-8 {
			return false, nil
		}
		pos += 8 + size + size%2
	}
	return true, nil
}

// parseDS64 reads the 64-bit sizes: of RIFF, data and the sample count, then a
// table. Source: EBU Tech 3306.
func (s *scanner) parseDS64(c span) error {
	if c.size < 28 {
		return s.fail(c.start-8, ErrCorrupt, "the ds64 chunk has %d bytes; at least 28 are needed; export the file again", c.size)
	}
	b, err := s.read(c.start, min(c.size, 28+12*16))
	if err != nil {
		return err
	}
	s.sizes64 = map[string]uint64{"data": binary.LittleEndian.Uint64(b[8:])}
	n := binary.LittleEndian.Uint32(b[24:])
	for e := b[28:]; len(e) >= 12 && n > 0; e, n = e[12:], n-1 {
		if id := string(e[:4]); id != "data" {
			s.sizes64[id] = binary.LittleEndian.Uint64(e[4:])
		}
	}
	return nil
}

// measure counts the whole frames that are really present.
func (s *scanner) measure(info *Info, lay *layout) error {
	frameBytes := int64(lay.frameBytes())
	info.Frames = s.data.size / frameBytes
	if info.Frames == 0 {
		return s.fail(s.data.start-8, ErrEmpty, "the data chunk holds %d bytes, less than one frame of %d bytes; record or export it again", s.data.size, frameBytes)
	}
	seconds := func(frames float64) float64 { return frames / float64(info.SampleRate) }
	present := seconds(float64(info.Frames))
	missing := uint64(s.data.size) < s.declared
	info.Unfinished = s.streamed || missing
	switch {
	case s.streamed:
		s.warn("the length was never written (streamed file): all %.1f s up to the end of the file are used", present)
	case missing:
		frames := s.declared / uint64(frameBytes)
		s.warn("truncated: %.1f s of %.1f s present (%d of %d frames)", present, seconds(float64(frames)), info.Frames, frames)
	case s.data.size%frameBytes != 0:
		s.warn("the last %d bytes of the audio are not a whole frame and are ignored", s.data.size%frameBytes)
	}
	if !lay.float && lay.slot == 4 && s.unclearSlots() {
		return s.probeSlots(lay, info.Frames*frameBytes)
	}
	return nil
}
