package pack

import (
	"bytes"
	"compress/flate"
	"errors"
	"hash/crc32"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// raw is one file of a zip archive in which anything may be wrong. Zero values
// mean what is right.
type raw struct {
	name, localName string
	data            []byte // as it stands in the archive
	method, flags   uint16
	size, packed    uint32 // as declared, in both headers
	crc             uint32
	attributes      uint32
	localSize       uint32
	localExtra      []byte
	extra           []byte
	before          []byte // bytes before the local header
	at              *uint32
	descriptor      []byte
}

// craft writes a zip archive byte by byte.
func craft(files ...raw) []byte {
	var out, dir []byte
	for _, f := range files {
		if f.localName == "" {
			f.localName = f.name
		}
		if f.size == 0 {
			f.size = uint32(len(f.data))
		}
		if f.packed == 0 {
			f.packed = uint32(len(f.data))
		}
		if f.crc == 0 {
			f.crc = crc32.ChecksumIEEE(f.data)
		}
		if f.localSize == 0 {
			f.localSize = f.size
		}
		out = append(out, f.before...)
		at := uint32(len(out))
		if f.at != nil {
			at = *f.at
		}
		h := le.AppendUint32(nil, sigLocal)
		for _, v := range []uint16{20, f.flags, f.method, 0, 33} {
			h = le.AppendUint16(h, v)
		}
		if f.flags&flagDescr != 0 {
			h = append(h, make([]byte, 12)...)
		} else {
			for _, v := range []uint32{f.crc, f.packed, f.localSize} {
				h = le.AppendUint32(h, v)
			}
		}
		h = le.AppendUint16(h, uint16(len(f.localName)))
		h = le.AppendUint16(h, uint16(len(f.localExtra)))
		h = append(append(append(h, f.localName...), f.localExtra...), f.data...)
		out = append(append(out, h...), f.descriptor...)

		d := le.AppendUint32(nil, sigCentral)
		for _, v := range []uint16{3<<8 | 20, 20, f.flags, f.method, 0, 33} {
			d = le.AppendUint16(d, v)
		}
		for _, v := range []uint32{f.crc, f.packed, f.size} {
			d = le.AppendUint32(d, v)
		}
		for _, v := range []uint16{uint16(len(f.name)), uint16(len(f.extra)), 0, 0, 0} {
			d = le.AppendUint16(d, v)
		}
		d = le.AppendUint32(le.AppendUint32(d, f.attributes), at)
		dir = append(append(append(dir, d...), f.name...), f.extra...)
	}
	at := len(out)
	return append(append(out, dir...), endOfDirectory(len(files), uint64(len(dir)), uint64(at))...)
}

// bag returns the files of a small bag, and then more.
func bag(more ...raw) []raw {
	text := []byte("x")
	return append([]raw{
		{name: "bagit.txt", data: []byte(declaration)},
		{name: "manifest-sha256.txt", data: formatDigests([]digest{{"2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881", "data/a.txt"}})},
		{name: "data/a.txt", data: text},
	}, more...)
}

func deflated(b []byte) []byte {
	var out bytes.Buffer
	w, _ := flate.NewWriter(&out, flate.BestCompression)
	w.Write(b)
	w.Close()
	return out.Bytes()
}

func open(t *testing.T, archive []byte) (faults string, err error) {
	t.Helper()
	dir := t.TempDir()
	path := filepath.Join(dir, "in", "x.zip")
	if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, archive, 0o666); err != nil {
		t.Fatal(err)
	}
	defer func() {
		for folder, want := range map[string]int{dir: 1, filepath.Join(dir, "in"): 1} {
			if entries, _ := os.ReadDir(folder); len(entries) != want {
				t.Errorf("something was written: %v", entries)
			}
		}
	}()
	b, err := Open(path)
	if err != nil {
		return "", err
	}
	defer b.Close()
	res, err := b.Check(t.Context(), nil)
	if err != nil {
		return "", err
	}
	var said []string
	for _, f := range res.Faults {
		said = append(said, f.String())
	}
	return strings.Join(said, "\n"), nil
}

// TestCrafted: the archive that the hostile ones vary is read without a word,
// stored, deflated, with descriptors, with folders and inside one folder.
func TestCrafted(t *testing.T) {
	zeros := make([]byte, 100_000)
	folder := bag()
	for i := range folder {
		folder[i].name = "x/" + folder[i].name
	}
	described := bag()
	d := &described[2]
	d.flags = flagDescr
	d.descriptor = le.AppendUint32(le.AppendUint32(le.AppendUint32(le.AppendUint32(nil, sigDescr), crc32.ChecksumIEEE(d.data)), 1), 1)
	packed := bag()
	packed[2].crc, packed[2].size, packed[2].method, packed[2].data = crc32.ChecksumIEEE([]byte("x")), 1, 8, deflated([]byte("x"))
	for name, files := range map[string][]raw{
		"stored": bag(), "folder": folder, "descriptor": described, "deflated": packed,
		"folder entries": bag(raw{name: "data/"}),
		"empty file":     bag(raw{name: "notes.txt"}),
	} {
		if said, err := open(t, craft(files...)); said != "" || err != nil {
			t.Errorf("%s: %s %v", name, said, err)
		}
	}
	// A tag file that expands a lot, but not too much, is read.
	if said, err := open(t, craft(bag(raw{name: "z.txt", method: 8, data: deflated(zeros[:60_000]), size: 60_000, crc: crc32.ChecksumIEEE(zeros[:60_000])})...)); said != "" || err != nil {
		t.Errorf("expanding: %s %v", said, err)
	}
}

func TestHostile(t *testing.T) {
	link, pipe := uint32(0o120777)<<16, uint32(0o010644)<<16
	zero, one := uint32(0), uint32(1)
	zeros := make([]byte, 10<<20)
	bomb := deflated(zeros)
	other := append(le.AppendUint16(le.AppendUint16(nil, 0x7075), 5+4), "\x01crc!evil"...)
	x := []byte("x")
	for name, tt := range map[string]struct {
		archive []byte
		want    string
	}{
		"outside":              {craft(bag(raw{name: "data/../../evil"})...), "leads out of the archive"},
		"outside at once":      {craft(bag(raw{name: "../evil"})...), "leads out of the archive"},
		"here":                 {craft(bag(raw{name: "data/./evil"})...), "leads out of the archive"},
		"absolute":             {craft(bag(raw{name: "/etc/evil"})...), "an absolute path"},
		"drive":                {craft(bag(raw{name: "C:/evil"})...), "a drive letter"},
		"drive, relative":      {craft(bag(raw{name: "c:evil"})...), "a drive letter"},
		"backslash":            {craft(bag(raw{name: `data\..\evil`})...), `a \ in the name`},
		"stream":               {craft(bag(raw{name: "data/a.txt:evil"})...), "does not allow"},
		"empty folder name":    {craft(bag(raw{name: "data//evil"})...), "an empty folder name"},
		"empty name":           {craft(bag(raw{name: "", localName: "x"})...), "an empty name"},
		"control character":    {craft(bag(raw{name: "data/\x1b[2J"})...), "a control character"},
		"null":                 {craft(bag(raw{name: "data/a.txt\x00.zip"})...), "a control character"},
		"right to left":        {craft(bag(raw{name: "data/\u202Etxt.exe"})...), "changes how the name reads"},
		"not UTF-8":            {craft(bag(raw{name: "data/\xff"})...), "not UTF-8"},
		"long name":            {craft(bag(raw{name: "data/" + strings.Repeat("x", 256)})...), "a name of 256 bytes"},
		"deep":                 {craft(bag(raw{name: strings.Repeat("x/", 600)})...), "a name of 1199 bytes"},
		"device":               {craft(bag(raw{name: "data/NUL.txt"})...), "keeps for a device"},
		"device with a number": {craft(bag(raw{name: "data/com1"})...), "keeps for a device"},
		"final dot":            {craft(bag(raw{name: "data/evil."})...), "ends with a dot"},
		"final space":          {craft(bag(raw{name: "data /evil"})...), "ends with a dot or a space"},
		"link":                 {craft(bag(raw{name: "data/evil", data: []byte("/etc/passwd"), attributes: link})...), "a link"},
		"pipe":                 {craft(bag(raw{name: "data/evil", attributes: pipe})...), "neither a file nor a folder"},
		"folder with content":  {craft(bag(raw{name: "data/evil/", data: x})...), "a folder with content"},
		"folder by its mode":   {craft(bag(raw{name: "data/evil", attributes: 0o040755 << 16})...), "a folder by its name or its mode"},
		"twice":                {craft(bag(raw{name: "data/a.txt", data: x})...), "the name occurs twice"},
		"letter case":          {craft(bag(raw{name: "data/A.TXT", data: x})...), "only in letter case"},
		"letter case, folder":  {craft(bag(raw{name: "Data/b.txt", data: x})...), "only in letter case"},
		"sharp s":              {craft(bag(raw{name: "data/stra\u00DFe"}, raw{name: "data/STRASSE"})...), "only in letter case"},
		"composed":             {craft(bag(raw{name: "data/\u00E9"}, raw{name: "data/e\u0301"})...), "how characters are composed"},
		"file and folder":      {craft(bag(raw{name: "data/a.txt/b", data: x})...), "both a file and a folder"},
		"folder and file":      {craft(bag(raw{name: "data/b/c"}, raw{name: "data/b"})...), "both a file and a folder"},
		"other name before":    {craft(bag(raw{name: "data/b.txt", localName: "data/c.txt", data: x})...), "another name"},
		"longer name before":   {craft(bag(raw{name: "data/b.txt", localName: "data/b.txt.exe", data: x})...), "another name"},
		"name in extra field":  {craft(bag(raw{name: "data/b.txt", data: x, extra: other})...), "a second, different name"},
		"extra field too long": {craft(bag(raw{name: "data/b.txt", data: x, extra: []byte{1, 0, 9, 0}})...), "a damaged extra field"},
		"zip64 field empty":    {craft(bag(raw{name: "data/b.txt", data: x, size: math.MaxUint32, extra: []byte{1, 0, 0, 0}})...), "a damaged zip64 field"},
		"sizes contradict":     {craft(bag(raw{name: "data/b.txt", data: x, localSize: 2})...), "contradict each other"},
		"stored but longer":    {craft(bag(raw{name: "data/b.txt", data: x, size: 2})...), "declares 2 bytes and has 1"},
		"encrypted":            {craft(bag(raw{name: "data/b.txt", data: x, flags: 1})...), "encrypted"},
		"unknown method":       {craft(bag(raw{name: "data/b.txt", data: x, method: 14})...), "packed by method 14"},
		"bomb, declared":       {craft(bag(raw{name: "data/b", data: bomb, method: 8, size: uint32(len(zeros)), crc: 1})...), "more than 200 times as many"},
		"bomb, 4 GiB":          {craft(bag(raw{name: "data/b", data: bomb, method: 8, size: math.MaxUint32 - 1, crc: 1})...), "more than 200 times as many"},
		"overlapping":          {craft(bag(raw{name: "data/b.txt", data: x, at: &zero})...), "lies over another file"},
		"beside its header":    {craft(bag(raw{name: "data/b.txt", data: x, before: []byte("PK"), at: &one})...), "lies over another file"},
		"bytes between":        {craft(bag(raw{name: "data/b.txt", data: x, before: []byte("hidden")})...), "6 bytes before it"},
		"bytes before":         {craft(raw{name: "bagit.txt", data: []byte(declaration), before: []byte("MZ")}), "2 bytes before it"},
		"past the end":         {craft(bag(raw{name: "data/b.txt", data: x, packed: 1 << 20, size: 1 << 20})...), "outside the archive"},
		"into the directory":   {craft(bag(raw{name: "data/b.txt", data: x, packed: 9, size: 9})...), "runs into the directory"},
		"wrong descriptor":     {craft(bag(raw{name: "data/b.txt", data: x, flags: flagDescr, descriptor: make([]byte, 12)})...), "contradicts the directory"},
		"fetch":                {craft(bag(raw{name: "fetch.txt", data: []byte("http://example.org/ 1 data/b\n")})...), "from the network"},
		"beside the folder":    {craft(raw{name: "x/bagit.txt", data: []byte(declaration)}, raw{name: "evil"}), "beside the bag's folder"},
		"not a zip":            {[]byte("PK\x03\x04 and nothing more, but long enough for an end"), "no zip file"},
		"empty":                {nil, "not a zip file: 0 bytes"},
		"count":                {append(craft(bag()...)[:len(craft(bag()...))-lenEnd], endOfDirectory(2, 3*lenCentral+9+19+10, uint64(len(craft(bag()...))-lenEnd-3*lenCentral-9-19-10))...), "the directory has 3 entries and says 2"},
		"directory too long":   {append(craft(bag()...), endOfDirectory(3, math.MaxUint32-1, 0)...), "directory of files has"},
		"too many":             {append(craft(bag()...), endOfDirectory(60_000, 60, 0)...), "60000 files"},
	} {
		_, err := open(t, tt.archive)
		var refused *RefusedError
		if !errors.As(err, &refused) || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %q", name, err, tt.want)
		}
	}
}

// TestContent: what only reading shows. A nested archive is content like any
// other and is not opened.
func TestContent(t *testing.T) {
	zeros := make([]byte, 1<<20)
	for name, tt := range map[string]struct {
		files []raw
		want  string
	}{
		"wrong CRC":     {[]raw{{name: "data/a.txt", data: []byte("x"), crc: 7}}, "data/a.txt: the content does not have the length and CRC-32"},
		"longer":        {[]raw{{name: "data/a.txt", data: deflated(zeros), method: 8, size: 60_000, crc: crc32.ChecksumIEEE(zeros[:60_000])}}, "data/a.txt: the content does not have the length"},
		"shorter":       {[]raw{{name: "data/a.txt", data: deflated(zeros[:9]), method: 8, size: 10, crc: 1}}, "data/a.txt: the content does not have the length"},
		"not deflated":  {[]raw{{name: "data/a.txt", data: []byte("\xff\xff\xff"), method: 8, size: 10, crc: 1}}, "data/a.txt: the content does not have the length"},
		"other content": {[]raw{{name: "data/a.txt", data: []byte("y")}}, "data/a.txt: its content is not what was packed (sha256 differ"},
		"nested":        {[]raw{{name: "data/a.txt", data: craft(raw{name: "../evil"})}}, "data/a.txt: its content is not what was packed"},
	} {
		said, err := open(t, craft(append(bag()[:2], tt.files...)...))
		if err != nil || !strings.HasPrefix(said, tt.want) {
			t.Errorf("%s: %q, %v", name, said, err)
		}
	}
	wrong := bag()
	wrong[0].crc = 7
	if _, err := open(t, craft(wrong...)); err == nil || !strings.Contains(err.Error(), `"bagit.txt": the content does not have`) {
		t.Error(err)
	}
}

// TestLongInfo: a field of many lines is put together once.
func TestLongInfo(t *testing.T) {
	text := []byte("Label: a\n" + strings.Repeat(" x\n", 300_000) + "Other: b\n\tc\n")
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	info, err := parseInfo(text)
	runtime.ReadMemStats(&after)
	if err != nil || len(info) != 2 || info[0].Value != "a"+strings.Repeat(" x", 300_000) || info[1].Value != "b c" {
		t.Errorf("%d fields, %v", len(info), err)
	}
	if took := after.TotalAlloc - before.TotalAlloc; took > 100<<20 {
		t.Errorf("%d bytes took %d", len(text), took)
	}
}

// FuzzOpen: any bytes are read or refused; what is read can be checked.
func FuzzOpen(f *testing.F) {
	f.Add(craft(bag()...))
	f.Add(craft(bag(raw{name: "x/", attributes: 0o040755 << 16})...))
	f.Add(endOfDirectory(70_000, 10, 20))
	path := filepath.Join(f.TempDir(), "x.zip")
	f.Fuzz(func(t *testing.T, b []byte) {
		if err := os.WriteFile(path, b, 0o666); err != nil {
			t.Fatal(err)
		}
		bag, err := Open(path)
		if (bag == nil) == (err == nil) {
			t.Fatal("both or neither of a bag and an error")
		}
		if err != nil {
			return
		}
		defer bag.Close()
		if _, err := bag.Check(t.Context(), nil); err != nil {
			var refused *RefusedError
			if !errors.As(err, &refused) {
				t.Fatal(err)
			}
		}
	})
}
