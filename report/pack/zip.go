package pack

import (
	"encoding/binary"
	"io"
	"math"
	"time"
)

// Signatures and sizes of a zip file's parts.
const (
	sigLocal     = 0x04034b50
	sigCentral   = 0x02014b50
	sigEnd       = 0x06054b50
	sigEnd64     = 0x06064b50
	sigLocator64 = 0x07064b50
	sigDescr     = 0x08074b50

	lenLocal     = 30
	lenCentral   = 46
	lenEnd       = 22
	lenEnd64     = 56
	lenLocator64 = 20

	versionPlain = 20
	versionZip64 = 45
	flagUTF8     = 0x0800
	flagDescr    = 0x0008
	// Made on Unix, by version 4.5 of the specification.
	madeBy = 3<<8 | versionZip64
	// A regular file that everybody may read.
	modeFile = 0o100644 << 16
)

// stored is a file of a zip archive as this package writes it: not compressed.
type stored struct {
	name   string
	size   uint64
	crc    uint32
	offset uint64 // of its local header
}

func (s stored) big() bool     { return s.size >= math.MaxUint32 }
func (s stored) farAway() bool { return s.offset >= math.MaxUint32 }

// dosTime is the archive's one time in the form that zip files have: the day
// of a date YYYY-MM-DD at midnight, or the first that the form knows.
func dosTime(date string) (t, d uint16) {
	day, err := time.Parse(time.DateOnly, date)
	if err != nil || day.Year() < 1980 || day.Year() > 2107 {
		day = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return 0, uint16((day.Year()-1980)<<9 | int(day.Month())<<5 | day.Day())
}

var le = binary.LittleEndian

// localHeader is what stands before a file's bytes.
func localHeader(s stored, date string) []byte {
	t, d := dosTime(date)
	version, size, extra := uint16(versionPlain), uint32(s.size), []byte(nil)
	if s.big() {
		version, size = versionZip64, math.MaxUint32
		extra = le.AppendUint16(le.AppendUint16(extra, 1), 16)
		extra = le.AppendUint64(le.AppendUint64(extra, s.size), s.size)
	}
	b := le.AppendUint32(nil, sigLocal)
	for _, v := range []uint16{version, flagUTF8, 0, t, d} {
		b = le.AppendUint16(b, v)
	}
	for _, v := range []uint32{s.crc, size, size} {
		b = le.AppendUint32(b, v)
	}
	b = le.AppendUint16(b, uint16(len(s.name)))
	b = le.AppendUint16(b, uint16(len(extra)))
	b = append(b, s.name...)
	return append(b, extra...)
}

// centralHeader is a file's entry in the directory at the end.
func centralHeader(s stored, date string) []byte {
	t, d := dosTime(date)
	version, size, offset := uint16(versionPlain), uint32(s.size), uint32(s.offset)
	var values []byte
	if s.big() {
		size = math.MaxUint32
		values = le.AppendUint64(le.AppendUint64(values, s.size), s.size)
	}
	if s.farAway() {
		offset = math.MaxUint32
		values = le.AppendUint64(values, s.offset)
	}
	var extra []byte
	if values != nil {
		version = versionZip64
		extra = le.AppendUint16(le.AppendUint16(nil, 1), uint16(len(values)))
		extra = append(extra, values...)
	}
	b := le.AppendUint32(nil, sigCentral)
	for _, v := range []uint16{madeBy, version, flagUTF8, 0, t, d} {
		b = le.AppendUint16(b, v)
	}
	for _, v := range []uint32{s.crc, size, size} {
		b = le.AppendUint32(b, v)
	}
	for _, v := range []uint16{uint16(len(s.name)), uint16(len(extra)), 0, 0, 0} {
		b = le.AppendUint16(b, v)
	}
	b = le.AppendUint32(b, modeFile)
	b = le.AppendUint32(b, offset)
	b = append(b, s.name...)
	return append(b, extra...)
}

// endOfDirectory closes an archive of count files whose directory has size
// bytes and begins at offset.
func endOfDirectory(count int, size, offset uint64) []byte {
	var b []byte
	n, s, o := uint16(min(count, math.MaxUint16)), uint32(min(size, math.MaxUint32)), uint32(min(offset, math.MaxUint32))
	if count >= math.MaxUint16 || size >= math.MaxUint32 || offset >= math.MaxUint32 {
		b = le.AppendUint32(b, sigEnd64)
		b = le.AppendUint64(b, lenEnd64-12)
		b = le.AppendUint16(b, madeBy)
		b = le.AppendUint16(b, versionZip64)
		b = le.AppendUint64(b, 0) // this disk, the directory's disk
		for _, v := range []uint64{uint64(count), uint64(count), size, offset} {
			b = le.AppendUint64(b, v)
		}
		b = le.AppendUint32(b, sigLocator64)
		b = le.AppendUint32(b, 0)
		b = le.AppendUint64(b, offset+size)
		b = le.AppendUint32(b, 1)
	}
	b = le.AppendUint32(b, sigEnd)
	b = le.AppendUint32(b, 0)
	b = le.AppendUint16(b, n)
	b = le.AppendUint16(b, n)
	b = le.AppendUint32(b, s)
	b = le.AppendUint32(b, o)
	return le.AppendUint16(b, 0)
}

// archive writes a zip file.
type archive struct {
	w     io.Writer
	date  string
	at    uint64
	files []stored
}

func (a *archive) write(b []byte) error {
	n, err := a.w.Write(b)
	a.at += uint64(n)
	return err
}

// add writes a file of size bytes and CRC-32 crc, which copy writes.
func (a *archive) add(name string, size uint64, crc uint32, copy func(io.Writer) error) error {
	s := stored{name: name, size: size, crc: crc, offset: a.at}
	if err := a.write(localHeader(s, a.date)); err != nil {
		return err
	}
	if err := copy(a.w); err != nil {
		return err
	}
	a.at += size
	a.files = append(a.files, s)
	return nil
}

// directory is what stands behind the files.
func directory(files []stored, date string, at uint64) []byte {
	var b []byte
	for _, s := range files {
		b = append(b, centralHeader(s, date)...)
	}
	return append(b, endOfDirectory(len(files), uint64(len(b)), at)...)
}

func (a *archive) close() error { return a.write(directory(a.files, a.date, a.at)) }
