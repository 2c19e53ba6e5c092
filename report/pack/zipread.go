package pack

import (
	"bytes"
	"compress/flate"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"math"
	"os"
	"slices"
	"strings"
)

// zipFile is a zip file whose structure was found sound.
type zipFile struct {
	f       *os.File
	size    int64
	dirAt   uint64 // where the directory begins
	entries []zipEntry
}

type zipEntry struct {
	stored
	packed uint64 // bytes in the archive
	method uint16
	flags  uint16
	local  int64 // bytes of the local header
	folder bool
}

func (e zipEntry) dataAt() int64 { return int64(e.offset) + e.local }

// structureError is a reason to refuse a zip file.
type structureError struct{ file, reason string }

func (e structureError) Error() string { return e.reason }

func refuse(file, format string, args ...any) error {
	return structureError{file, fmt.Sprintf(format, args...)}
}

// readZip reads a zip file's directory and every local header and compares
// them. Every byte of the file then belongs to exactly one header, one file's
// data, or the directory.
func readZip(f *os.File) (*zipFile, error) {
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	z := &zipFile{f: f, size: info.Size()}
	count, dirSize, dirEnd, err := z.readEnd()
	if err != nil {
		return nil, err
	}
	if dirSize > maxDirectory {
		return nil, refuse("", "the directory of files has %d bytes, more than %d", dirSize, maxDirectory)
	}
	if count > MaxFiles {
		return nil, refuse("", "%d files, more than %d", count, MaxFiles)
	}
	if dirSize > dirEnd || z.dirAt != dirEnd-dirSize {
		return nil, refuse("", "the directory of files is said to begin at byte %d and to have %d bytes, which does not end at byte %d", z.dirAt, dirSize, dirEnd)
	}
	dir := make([]byte, dirSize) // lies in the file
	if _, err := f.ReadAt(dir, int64(z.dirAt)); err != nil {
		return nil, err
	}
	if err := z.readDirectory(dir, count); err != nil {
		return nil, err
	}
	return z, z.checkLayout()
}

// readEnd reads the end of the directory, which must be the file's last bytes.
func (z *zipFile) readEnd() (count, dirSize, dirEnd uint64, err error) {
	if z.size < lenEnd {
		return 0, 0, 0, refuse("", "not a zip file: %d bytes", z.size)
	}
	b := make([]byte, lenEnd)
	endAt := z.size - lenEnd
	if _, err := z.f.ReadAt(b, endAt); err != nil {
		return 0, 0, 0, err
	}
	if le.Uint32(b) != sigEnd || le.Uint16(b[20:]) != 0 {
		return 0, 0, 0, refuse("", "the last %d bytes are not the end of a zip file (without a comment): it is cut short, damaged, or no zip file; name an archive that pack wrote, or fetch it again", lenEnd)
	}
	if le.Uint32(b[4:]) != 0 || le.Uint16(b[8:]) != le.Uint16(b[10:]) {
		return 0, 0, 0, refuse("", "a part of an archive in several parts")
	}
	count, dirSize, z.dirAt = uint64(le.Uint16(b[10:])), uint64(le.Uint32(b[12:])), uint64(le.Uint32(b[16:]))
	dirEnd = uint64(endAt)
	if endAt < lenLocator64+lenEnd64 {
		return count, dirSize, dirEnd, nil
	}
	l := make([]byte, lenLocator64)
	if _, err := z.f.ReadAt(l, endAt-lenLocator64); err != nil {
		return 0, 0, 0, err
	}
	if le.Uint32(l) != sigLocator64 {
		return count, dirSize, dirEnd, nil
	}
	e := make([]byte, lenEnd64)
	end64 := endAt - lenLocator64 - lenEnd64
	if _, err := z.f.ReadAt(e, end64); err != nil {
		return 0, 0, 0, err
	}
	if le.Uint32(e) != sigEnd64 || le.Uint64(e[4:]) != lenEnd64-12 || le.Uint64(l[8:]) != uint64(end64) ||
		le.Uint32(l[4:]) != 0 || le.Uint32(l[16:]) != 1 || le.Uint64(e[16:]) != 0 || le.Uint64(e[24:]) != le.Uint64(e[32:]) {
		return 0, 0, 0, refuse("", "the two ends of the directory contradict each other at byte %d", end64)
	}
	big := []struct {
		short uint64
		none  uint64
		long  uint64
	}{{count, math.MaxUint16, le.Uint64(e[32:])}, {dirSize, math.MaxUint32, le.Uint64(e[40:])}, {z.dirAt, math.MaxUint32, le.Uint64(e[48:])}}
	for _, v := range big {
		if v.short != v.none && v.short != v.long {
			return 0, 0, 0, refuse("", "the two ends of the directory contradict each other at byte %d", end64)
		}
	}
	count, dirSize, z.dirAt = big[0].long, big[1].long, big[2].long
	return count, dirSize, uint64(end64), nil
}

func (z *zipFile) readDirectory(dir []byte, count uint64) error {
	seen := newNames()
	var total uint64
	for at := 0; len(dir) > at; {
		b := dir[at:]
		where := z.dirAt + uint64(at)
		if len(b) < lenCentral || le.Uint32(b) != sigCentral {
			return refuse("", "no entry of the directory at byte %d, where one belongs", where)
		}
		nameLen, extraLen, commentLen := int(le.Uint16(b[28:])), int(le.Uint16(b[30:])), int(le.Uint16(b[32:]))
		length := lenCentral + nameLen + extraLen + commentLen
		if length > len(b) {
			return refuse("", "the entry of the directory at byte %d is longer than the directory", where)
		}
		e := zipEntry{
			stored: stored{
				name: string(b[lenCentral : lenCentral+nameLen]), crc: le.Uint32(b[16:]),
				size: uint64(le.Uint32(b[24:])), offset: uint64(le.Uint32(b[42:])),
			},
			packed: uint64(le.Uint32(b[20:])), method: le.Uint16(b[10:]), flags: le.Uint16(b[8:]),
		}
		extra := b[lenCentral+nameLen : lenCentral+nameLen+extraLen]
		if err := wide(e.name, extra, &e.size, &e.packed, &e.offset); err != nil {
			return err
		}
		if err := z.checkEntry(&e, le.Uint32(b[38:]), le.Uint16(b[34:])); err != nil {
			return err
		}
		if why := seen.add(strings.TrimSuffix(e.name, "/"), e.folder); why != "" {
			return refuse(e.name, "%s", why)
		}
		if total += e.size; e.size > maxTotal || total > maxTotal {
			return refuse(e.name, "the files have more than %d bytes in all", uint64(maxTotal))
		}
		z.entries = append(z.entries, e)
		if len(z.entries) > MaxFiles {
			return refuse("", "more than %d files", MaxFiles)
		}
		at += length
	}
	if uint64(len(z.entries)) != count {
		return refuse("", "the directory has %d entries and says %d", len(z.entries), count)
	}
	return nil
}

// wide replaces values that did not fit into 32 bits by those of the zip64
// extra field, in the order given, and refuses a second name for the file.
func wide(name string, extra []byte, values ...*uint64) error {
	for len(extra) > 0 {
		if len(extra) < 4 || len(extra) < 4+int(le.Uint16(extra[2:])) {
			return refuse(name, "a damaged extra field")
		}
		id, body := le.Uint16(extra), extra[4:4+int(le.Uint16(extra[2:]))]
		extra = extra[4+len(body):]
		switch id {
		case 0x7075: // another name for programs that know the field
			if len(body) < 5 || string(body[5:]) != name {
				return refuse(name, "a second, different name for the same file")
			}
		case 1:
			for _, v := range values {
				if *v != math.MaxUint32 {
					continue
				}
				if len(body) < 8 {
					return refuse(name, "a damaged zip64 field")
				}
				*v, body = le.Uint64(body), body[8:]
			}
		}
	}
	for _, v := range values {
		if *v > math.MaxInt64 {
			return refuse(name, "a size or place of %d bytes", *v)
		}
	}
	return nil
}

// checkEntry refuses what is not a plain file or folder of a believable size.
func (z *zipFile) checkEntry(e *zipEntry, attributes uint32, disk uint16) error {
	e.folder = strings.HasSuffix(e.name, "/")
	const kind, link, file, dir = 0o170000, 0o120000, 0o100000, 0o040000
	switch k := attributes >> 16 & kind; {
	case k == link:
		return refuse(e.name, "a link")
	case k != 0 && k != file && k != dir:
		return refuse(e.name, "neither a file nor a folder")
	case k == dir && !e.folder, k == file && e.folder:
		return refuse(e.name, "a folder by its name or its mode, and not by the other")
	}
	switch {
	case disk != 0:
		return refuse(e.name, "it is in another part of the archive")
	case e.flags&^(flagUTF8|flagDescr|0x6) != 0:
		return refuse(e.name, "it is encrypted or packed in a way that is not read (flags %04x)", e.flags)
	case e.method == 0 && e.size != e.packed:
		return refuse(e.name, "it declares %d bytes and has %d", e.size, e.packed)
	case e.method != 0 && e.method != 8:
		return refuse(e.name, "packed by method %d; only stored and deflated files are read", e.method)
	case e.folder && e.size != 0:
		return refuse(e.name, "a folder with content")
	case e.method == 8 && e.size > ratioFloor && e.size/maxRatio > e.packed:
		return refuse(e.name, "%d bytes that declare to become %d, more than %d times as many", e.packed, e.size, maxRatio)
	case e.packed > uint64(z.size) || e.offset > uint64(z.size):
		return refuse(e.name, "it is said to lie outside the archive")
	}
	return nil
}

// checkLayout reads the local headers and compares them with the directory and
// with each other's places.
func (z *zipFile) checkLayout() error {
	order := make([]*zipEntry, len(z.entries))
	for i := range z.entries {
		order[i] = &z.entries[i]
	}
	slices.SortStableFunc(order, func(a, b *zipEntry) int {
		switch {
		case a.offset < b.offset:
			return -1
		case a.offset > b.offset:
			return 1
		}
		return 0
	})
	at := uint64(0)
	for _, e := range order {
		if e.offset < at {
			return refuse(e.name, "it lies over another file at byte %d", e.offset)
		}
		if e.offset > at {
			return refuse(e.name, "%d bytes before it, from byte %d, belong to no file", e.offset-at, at)
		}
		if err := z.checkLocal(e); err != nil {
			return err
		}
		at = e.offset + uint64(e.local) + e.packed
		if e.flags&flagDescr != 0 {
			n, err := z.checkDescriptor(e, int64(at))
			if err != nil {
				return err
			}
			at += n
		}
		if at > z.dirAt {
			return refuse(e.name, "it runs into the directory at byte %d", z.dirAt)
		}
	}
	if at != z.dirAt {
		return refuse("", "%d bytes before the directory, from byte %d, belong to no file", z.dirAt-at, at)
	}
	return nil
}

func (z *zipFile) checkLocal(e *zipEntry) error {
	b := make([]byte, lenLocal+len(e.name))
	if int64(e.offset)+int64(len(b)) > z.size {
		return refuse(e.name, "it is said to lie outside the archive")
	}
	if _, err := z.f.ReadAt(b, int64(e.offset)); err != nil {
		return err
	}
	extraLen := int64(le.Uint16(b[28:]))
	e.local = int64(len(b)) + extraLen
	if le.Uint32(b) != sigLocal {
		return refuse(e.name, "no file begins at byte %d, where the directory says", e.offset)
	}
	if int(le.Uint16(b[26:])) != len(e.name) || string(b[lenLocal:]) != e.name {
		return refuse(e.name, "it has another name at byte %d, before its data", e.offset)
	}
	extra := make([]byte, extraLen)
	if int64(e.offset)+e.local > z.size {
		return refuse(e.name, "it is said to lie outside the archive")
	}
	if _, err := z.f.ReadAt(extra, int64(e.offset)+int64(len(b))); err != nil {
		return err
	}
	crc, packed, size := le.Uint32(b[14:]), uint64(le.Uint32(b[18:])), uint64(le.Uint32(b[22:]))
	if err := wide(e.name, extra, &size, &packed); err != nil {
		return err
	}
	if le.Uint16(b[6:]) != e.flags || le.Uint16(b[8:]) != e.method {
		return refuse(e.name, "the directory and the header at byte %d contradict each other", e.offset)
	}
	// With a descriptor the three may be left open before the data.
	open := e.flags&flagDescr != 0 && crc == 0 && size == 0 && packed == 0
	if !open && (crc != e.crc || packed != e.packed || size != e.size) {
		return refuse(e.name, "the directory and the header at byte %d contradict each other", e.offset)
	}
	return nil
}

// checkDescriptor returns the length of the descriptor behind a file's data.
func (z *zipFile) checkDescriptor(e *zipEntry, at int64) (uint64, error) {
	b := make([]byte, min(24, max(0, z.size-at)))
	if _, err := z.f.ReadAt(b, at); err != nil && !errors.Is(err, io.EOF) {
		return 0, err
	}
	for _, form := range []struct {
		signed bool
		wide   bool
	}{{true, false}, {true, true}, {false, false}, {false, true}} {
		var want []byte
		if form.signed {
			want = le.AppendUint32(want, sigDescr)
		}
		want = le.AppendUint32(want, e.crc)
		if form.wide {
			want = le.AppendUint64(le.AppendUint64(want, e.packed), e.size)
		} else {
			want = le.AppendUint32(le.AppendUint32(want, uint32(e.packed)), uint32(e.size))
		}
		if bytes.HasPrefix(b, want) {
			return uint64(len(want)), nil
		}
	}
	return 0, refuse(e.name, "what stands behind its data, at byte %d, contradicts the directory", at)
}

// open returns a file's content. Its Read returns errContent when the content
// is not what the directory declares: shorter, longer, or of another CRC-32.
func (z *zipFile) open(e zipEntry) io.ReadCloser {
	raw := io.NewSectionReader(z.f, e.dataAt(), int64(e.packed))
	c := &content{left: e.size, want: e.crc, sum: crc32.NewIEEE()}
	if e.method == 8 {
		c.r = flate.NewReader(raw)
	} else {
		c.r = io.NopCloser(raw)
	}
	return c
}

// errContent says that a file's content contradicts the archive's directory.
var errContent = errors.New("the content does not have the length and CRC-32 that the archive states")

type content struct {
	r    io.ReadCloser
	left uint64
	want uint32
	sum  interface {
		io.Writer
		Sum32() uint32
	}
}

func (c *content) Read(p []byte) (int, error) {
	if uint64(len(p)) > c.left+1 {
		p = p[:c.left+1] // one more than declared, to see it
	}
	n, err := c.r.Read(p)
	if uint64(n) > c.left {
		return 0, errContent
	}
	c.left -= uint64(n)
	c.sum.Write(p[:n])
	if err == io.EOF && (c.left != 0 || c.sum.Sum32() != c.want) {
		return 0, errContent
	}
	if err != nil && err != io.EOF {
		return 0, errors.Join(errContent, err)
	}
	return n, err
}

func (c *content) Close() error { return c.r.Close() }

// framing compares everything in the file that is not a file's data with what
// this package writes for the same files, and returns where it differs. length
// tells whether the file has the length it would have.
func (z *zipFile) framing(date string) (faults []Fault, length bool, err error) {
	files := make([]stored, len(z.entries))
	at := uint64(0)
	for i, e := range z.entries {
		files[i] = e.stored
		files[i].offset = at
		at += uint64(len(localHeader(files[i], date))) + e.size
	}
	tail := directory(files, date, at)
	if int64(at)+int64(len(tail)) != z.size {
		return nil, false, nil
	}
	compare := func(file string, want []byte, at uint64) error {
		got := make([]byte, len(want))
		if _, err := z.f.ReadAt(got, int64(at)); err != nil {
			return err
		}
		for i := range want {
			if got[i] != want[i] {
				faults = append(faults, Fault{file, fmt.Sprintf("byte %d of the archive, outside the files' content, is %02x and was written as %02x", at+uint64(i), got[i], want[i])})
				return nil
			}
		}
		return nil
	}
	for _, s := range files {
		if err := compare(s.name, localHeader(s, date), s.offset); err != nil {
			return nil, true, err
		}
	}
	for _, s := range files {
		want := centralHeader(s, date)
		if err := compare(s.name, want, at); err != nil {
			return nil, true, err
		}
		at += uint64(len(want))
	}
	return faults, true, compare("", tail[len(tail)-int(uint64(z.size)-at):], at)
}
