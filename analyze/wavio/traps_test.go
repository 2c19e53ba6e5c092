package wavio

import (
	"bytes"
	"encoding/binary"
	"errors"
	"io"
	"math"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"github.com/go-audio/audio"
	"github.com/go-audio/wav"
)

// ramp16 is n 16-bit samples 0, 1, 2 … 30010, 0 … and their values.
func ramp16(n int) (raw []byte, want []float64) {
	for i := range n {
		raw = binary.LittleEndian.AppendUint16(raw, uint16(i%30011))
		want = append(want, float64(i%30011)/32768)
	}
	return raw, want
}

// TestLibraryAgrees compares every plain depth with the ints that the
// go-audio/wav decoder makes itself.
func TestLibraryAgrees(t *testing.T) {
	for _, bits := range []int{8, 16, 24, 32} {
		raw := make([]byte, 2*bits/8*1000)
		for i := range raw {
			raw[i] = byte(i*i>>3 + i)
		}
		b := wave("RIFF", format(tagInteger, 2, 48000, bits, bits/8), chunk("data", raw))
		got, _ := mustRead(t, b)
		d := wav.NewDecoder(bytes.NewReader(b))
		buf := &audio.IntBuffer{Data: make([]int, 2000)}
		if n, err := d.PCMBuffer(buf); n != 2000 || err != nil {
			t.Fatal(n, err)
		}
		for i, v := range buf.Data {
			if bits == 8 {
				v -= 128
			}
			if want := math.Ldexp(float64(v), 1-bits); got[i%2][i/2] != want {
				t.Fatalf("%d bits, sample %d: %v, the library has %v", bits, i, got[i%2][i/2], want)
			}
		}
	}
}

// TestFloats: the library returns their bit patterns as integers.
func TestFloats(t *testing.T) {
	le := binary.LittleEndian
	want := []float64{0, 1, -1, 0.1, 3.5, -1e-30}
	var f32, f64 []byte
	short := make([]float64, len(want))
	for i, v := range want {
		f32 = le.AppendUint32(f32, math.Float32bits(float32(v)))
		f64 = le.AppendUint64(f64, math.Float64bits(v))
		short[i] = float64(float32(v))
	}
	for name, c := range map[string]struct {
		b    []byte
		want []float64
	}{
		"32":            {wave("RIFF", format(tagFloat, 1, 48000, 32, 4), chunk("data", f32)), short},
		"64":            {wave("RIFF", format(tagFloat, 1, 48000, 64, 8), chunk("data", f64)), want},
		"32 extensible": {wave("RIFF", extensible(tagFloat, 1, 48000, 32, 4, 32, 4), chunk("data", f32)), short},
		"64 extensible": {wave("RIFF", extensible(tagFloat, 1, 48000, 64, 8, 64, 4), chunk("data", f64)), want},
	} {
		x, info := mustRead(t, c.b)
		if !info.Float {
			t.Errorf("%s: not seen as float", name)
		}
		equal(t, x, [][]float64{c.want})
	}
}

// TestSlots: valid bits below the container, and containers below the slot.
func TestSlots(t *testing.T) {
	le := binary.LittleEndian
	var in16, in24, high, low, full []byte
	var want12, want20, want24 []float64
	for _, v := range []int32{0, 1, -1, 1000, -1000, 2047, -2048} {
		in16 = le.AppendUint16(in16, uint16(v<<4))
		want12 = append(want12, float64(v)/2048)
		in24 = append(in24, byte(v<<4), byte(v<<4>>8), byte(v<<4>>16))
		want20 = append(want20, float64(v)/(1<<19))
		high = le.AppendUint32(high, uint32(v<<8))
		low = le.AppendUint32(low, uint32(v))
		full = le.AppendUint32(full, uint32(v*7654321)|1)
		want24 = append(want24, float64(v)/(1<<23))
	}
	for name, c := range map[string]struct {
		b    []byte
		bits int
		want []float64
		warn string
	}{
		"12 plain":            {wave("RIFF", format(tagInteger, 1, 48000, 12, 2), chunk("data", in16)), 12, want12, ""},
		"12 extensible":       {wave("RIFF", extensible(tagInteger, 1, 48000, 16, 2, 12, 0), chunk("data", in16)), 12, want12, ""},
		"20 plain":            {wave("RIFF", format(tagInteger, 1, 48000, 20, 3), chunk("data", in24)), 20, want20, ""},
		"20 extensible":       {wave("RIFF", extensible(tagInteger, 1, 48000, 24, 3, 20, 0), chunk("data", in24)), 20, want20, ""},
		"24 in 32 extensible": {wave("RIFF", extensible(tagInteger, 1, 48000, 32, 4, 24, 0), chunk("data", high)), 24, want24, ""},
		"24 in 4 bytes high":  {wave("RIFF", format(tagInteger, 1, 48000, 24, 4), chunk("data", high)), 24, want24, "high 3 bytes"},
		"24 in 4 bytes low":   {wave("RIFF", format(tagInteger, 1, 48000, 24, 4), chunk("data", low)), 24, want24, "low 3 bytes"},
	} {
		x, info := mustRead(t, c.b)
		if info.Bits != c.bits || !strings.Contains(strings.Join(info.Warnings, "|"), c.warn) || (c.warn == "") != (len(info.Warnings) == 0) {
			t.Errorf("%s: %d bits, warnings %q", name, info.Bits, info.Warnings)
		}
		equal(t, x, [][]float64{c.want})
	}
	_, err := open(wave("RIFF", format(tagInteger, 1, 48000, 24, 4), chunk("data", full)))
	if !errors.Is(err, ErrUnsupported) {
		t.Errorf("24 bits in slots that use all 4 bytes: %v", err)
	}
}

// TestStreamed: programs that write to a pipe cannot fill in the size.
func TestStreamed(t *testing.T) {
	raw, want := ramp16(101)
	for _, size := range []uint32{0, math.MaxUint32, 0x7FFFF000} {
		for _, fmtChunk := range [][]byte{format(tagInteger, 1, 48000, 16, 2), extensible(tagInteger, 1, 48000, 16, 2, 16, 4)} {
			x, info := mustRead(t, wave("RIFF", fmtChunk, sized("data", size, raw)))
			equal(t, x, [][]float64{want})
			if len(info.Warnings) != 1 || !strings.HasPrefix(info.Warnings[0], "the length was never written") {
				t.Errorf("size %d: %q", size, info.Warnings)
			}
		}
	}
	// A size of 0 with proper chunks after it is an empty recording.
	_, err := open(wave("RIFF", format(tagInteger, 1, 48000, 16, 2), sized("data", 0, nil), chunk("LIST", []byte("INFOIART\x02\x00\x00\x00x\x00"))))
	if !errors.Is(err, ErrEmpty) {
		t.Errorf("empty data chunk: %v", err)
	}
}

// TestOddSizes: the padding byte is not audio.
func TestOddSizes(t *testing.T) {
	x, info := mustRead(t, wave("RIFF", format(tagInteger, 1, 48000, 8, 1), chunk("data", []byte{0, 128, 255}), chunk("note", []byte("xyz"))))
	equal(t, x, [][]float64{{-1, 0, 127.0 / 128}})
	if len(info.Warnings) != 0 {
		t.Errorf("%q", info.Warnings)
	}
	x, _ = mustRead(t, wave("RIFF", format(tagInteger, 1, 48000, 24, 3), chunk("data", []byte{0, 0, 64, 0, 0, 128, 1, 0, 0})))
	equal(t, x, [][]float64{{0.5, -1, 1.0 / (1 << 23)}})
	// Without the padding byte, at the end and before a chunk.
	for _, tail := range [][]byte{nil, chunk("junk", []byte("1234"))} {
		x, _ = mustRead(t, wave("RIFF", format(tagInteger, 1, 48000, 24, 3), sized("data", 9, []byte{0, 0, 64, 0, 0, 128, 1, 0, 0}), tail))
		equal(t, x, [][]float64{{0.5, -1, 1.0 / (1 << 23)}})
	}
}

func TestTruncated(t *testing.T) {
	raw, want := ramp16(2 * 48000)
	b := wave("RIFF", format(tagInteger, 1, 48000, 16, 2), chunk("data", raw))
	x, info := mustRead(t, b[:44+2*60000+1]) // in the middle of a frame
	equal(t, x, [][]float64{want[:60000]})
	if want := "truncated: 1.2 s of 2.0 s present (60000 of 96000 frames)"; len(info.Warnings) != 1 || info.Warnings[0] != want {
		t.Errorf("%q, want %q", info.Warnings, want)
	}
	_, info = mustRead(t, wave("RIFF", format(tagInteger, 2, 48000, 16, 2), chunk("data", raw[:4*50+2])))
	if info.Frames != 50 || len(info.Warnings) != 1 || !strings.Contains(info.Warnings[0], "last 2 bytes") {
		t.Errorf("half a frame: %d frames, %q", info.Frames, info.Warnings)
	}
}

// TestShrinks: a file that loses its end while it is read.
func TestShrinks(t *testing.T) {
	raw, _ := ramp16(1000)
	b := wave("RIFF", format(tagInteger, 1, 48000, 16, 2), chunk("data", raw))
	r, err := open(b)
	if err != nil {
		t.Fatal(err)
	}
	r.src = bytes.NewReader(b[:1000])
	if _, err := readAll(r, 5000); !errors.Is(err, ErrCorrupt) {
		t.Errorf("%v", err)
	}
}

func TestChunkOrder(t *testing.T) {
	raw, want := ramp16(33)
	f, data := format(tagInteger, 1, 48000, 16, 2), chunk("data", raw)
	odd, list := chunk("odd ", []byte("abc")), chunk("LIST", []byte("INFOISFT\x03\x00\x00\x00ab\x00\x00"))
	bext := chunk("bext", appendBext(nil, &Bext{Description: "d"}))
	smpl := chunk("smpl", make([]byte, 36))
	for name, c := range map[string][][]byte{
		"odd first":       {odd, f, data},
		"LIST first":      {list, f, odd, data, odd},
		"bext everywhere": {bext, f, smpl, data, bext},
		"data before fmt": {data, odd, f, bext},
		"fact":            {f, chunk("fact", []byte{33, 0, 0, 0}), data},
	} {
		x, info := mustRead(t, wave("RIFF", c...))
		equal(t, x, [][]float64{want})
		if len(info.Warnings) != 0 || float64(info.Duration()) != 33.0/48000 {
			t.Errorf("%s: %q, %v s", name, info.Warnings, float64(info.Duration()))
		}
	}
	for name, c := range map[string]struct {
		b    []byte
		warn string
	}{
		"two data chunks": {wave("RIFF", f, data, chunk("data", raw[:10])), "a second data chunk"},
		"two fmt chunks":  {wave("RIFF", f, format(tagInteger, 2, 44100, 24, 3), data), "a second fmt chunk"},
		"garbage":         {append(wave("RIFF", f, data), "\x01\x02\x03garbage\xFF"...), "are no chunk"},
		"few bytes":       {append(wave("RIFF", f, data), "tail"...), "4 bytes"},
		"long LIST":       {wave("RIFF", f, data, sized("LIST", 5000, []byte("INFO"))), "declares 5000 bytes"},
	} {
		x, info := mustRead(t, c.b)
		equal(t, x, [][]float64{want})
		if len(info.Warnings) != 1 || !strings.Contains(info.Warnings[0], c.warn) {
			t.Errorf("%s: %q", name, info.Warnings)
		}
	}
}

func TestRF64(t *testing.T) {
	le := binary.LittleEndian
	raw, want := ramp16(50)
	ds := le.AppendUint64(make([]byte, 8), 100)
	ds = le.AppendUint64(ds, 50)
	ds = le.AppendUint32(ds, 1)
	ds = le.AppendUint64(append(ds, "big "...), 6)
	for _, kind := range []string{"RF64", "BW64"} {
		b := wave(kind, chunk("ds64", ds), sized("big ", math.MaxUint32, []byte("abcdef")), format(tagInteger, 1, 48000, 16, 2), sized("data", math.MaxUint32, raw), chunk("tail", nil))
		x, info := mustRead(t, b)
		equal(t, x, [][]float64{want})
		if info.Container != kind || len(info.Warnings) != 0 {
			t.Errorf("%s: %+v", kind, info)
		}
	}
	_, err := open(wave("RF64", chunk("ds64", ds[:20]), format(tagInteger, 1, 48000, 16, 2), chunk("data", raw)))
	if !errors.Is(err, ErrCorrupt) {
		t.Errorf("short ds64: %v", err)
	}
}

// large stands for a file of 5 GiB: a header, then samples that are a
// function of their frame.
type large struct {
	head []byte
	size int64
}

func (l large) ReadAt(p []byte, at int64) (n int, err error) {
	for i := range p {
		switch pos := at + int64(i); {
		case pos >= l.size:
			return i, io.EOF
		case pos < int64(len(l.head)):
			p[i] = l.head[pos]
		default:
			k := pos - int64(len(l.head))
			p[i] = byte(k / 4 % 30011 >> (8 * (k % 2)))
		}
	}
	return len(p), nil
}

func TestBeyond4GiB(t *testing.T) {
	le := binary.LittleEndian
	const size = 5 << 30
	ds := le.AppendUint64(make([]byte, 8), size)
	head := wave("RF64", chunk("ds64", append(ds, make([]byte, 12)...)), format(tagInteger, 2, 48000, 16, 2), sized("data", math.MaxUint32, nil))
	r, err := NewReader(large{head, int64(len(head)) + size}, int64(len(head))+size, "large.wav")
	if err != nil {
		t.Fatal(err)
	}
	if r.Info().Frames != size/4 || len(r.Info().Warnings) != 0 {
		t.Fatalf("%+v", r.Info())
	}
	buf := [][]float64{make([]float64, 100), make([]float64, 100)}
	for _, at := range []int64{size/4 - 50, 1<<30 + 7, 3} {
		if err := r.Seek(at); err != nil {
			t.Fatal(err)
		}
		n, err := r.Read(buf)
		if want := int(min(100, size/4-at)); n != want || err != nil {
			t.Fatalf("at %d: %d, %v", at, n, err)
		}
		for i := range n {
			if want := float64((at+int64(i))%30011) / 32768; buf[0][i] != want || buf[1][i] != want {
				t.Fatalf("frame %d is %v, want %v", at+int64(i), buf[0][i], want)
			}
		}
	}
}

func TestRefused(t *testing.T) {
	raw, _ := ramp16(8)
	data := chunk("data", raw)
	plain := func(tag uint16, ch, rate, bits, slot int) []byte {
		return wave("RIFF", format(tag, ch, rate, bits, slot), data)
	}
	badGUID := extensible(tagInteger, 2, 48000, 16, 2, 16, 3)
	badGUID[40] ^= 1
	for name, c := range map[string]struct {
		b    []byte
		kind error
		want string
	}{
		"empty":           {nil, ErrEmpty, "empty file"},
		"three bytes":     {[]byte("RIF"), ErrNotWAV, "3 bytes"},
		"only a header":   {wave("RIFF"), ErrCorrupt, "no fmt chunk"},
		"no data":         {wave("RIFF", format(tagInteger, 1, 48000, 16, 2)), ErrCorrupt, "no data chunk"},
		"no fmt":          {wave("RIFF", data), ErrCorrupt, "no fmt chunk"},
		"no frame":        {wave("RIFF", format(tagInteger, 1, 48000, 16, 2), chunk("data", nil)), ErrEmpty, "less than one frame"},
		"A-law":           {plain(6, 1, 8000, 8, 1), ErrUnsupported, "A-law"},
		"MP3 in WAV":      {plain(0x55, 2, 44100, 16, 2), ErrUnsupported, "MP3"},
		"unknown codec":   {plain(0x1234, 2, 44100, 16, 2), ErrUnsupported, "0x1234"},
		"A-law extended":  {wave("RIFF", extensible(6, 1, 48000, 8, 1, 8, 0), data), ErrUnsupported, "A-law"},
		"GUID":            {wave("RIFF", badGUID, data), ErrUnsupported, "subformat"},
		"0 channels":      {plain(1, 0, 48000, 16, 2), ErrCorrupt, "0 channels"},
		"33 channels":     {plain(1, 33, 48000, 16, 2), ErrUnsupported, "1 to 32"},
		"65535 channels":  {plain(1, 65535, 48000, 8, 1), ErrUnsupported, "65535 channels"},
		"0 Hz":            {plain(1, 1, 0, 16, 2), ErrUnsupported, "0 Hz"},
		"7999 Hz":         {plain(1, 1, 7999, 16, 2), ErrUnsupported, "8000 to 384000"},
		"4 GHz":           {plain(1, 1, 4000000000, 16, 2), ErrUnsupported, "4000000000 Hz"},
		"0 bits":          {plain(1, 1, 48000, 0, 2), ErrUnsupported, "0-bit"},
		"64-bit integer":  {plain(1, 1, 48000, 64, 8), ErrUnsupported, "64-bit integer"},
		"16-bit float":    {plain(3, 1, 48000, 16, 2), ErrUnsupported, "16-bit float"},
		"block align":     {plain(1, 1, 48000, 16, 3), ErrCorrupt, "3 bytes per sample"},
		"no block align":  {plain(1, 2, 48000, 16, 0), ErrCorrupt, "0 bytes for 2 channels"},
		"valid bits":      {wave("RIFF", extensible(1, 1, 48000, 16, 2, 17, 0), data), ErrCorrupt, "17 valid bits"},
		"short fmt":       {wave("RIFF", sized("fmt ", 14, make([]byte, 14)), data), ErrCorrupt, "16 to 64"},
		"cut fmt":         {wave("RIFF", sized("fmt ", 16, make([]byte, 10))), ErrCorrupt, "declares 16 bytes"},
		"short extension": {wave("RIFF", format(tagExtensible, 1, 48000, 16, 2), data), ErrCorrupt, "40 are needed"},
		"RIFX":            {append([]byte("RIFX\x00\x00\x00\x00WAVE"), data...), ErrUnsupported, "big-endian"},
		"AVI":             {[]byte("RIFF\x00\x00\x00\x00AVI LIST"), ErrNotWAV, "AVI"},
		"MP3 with tag":    {[]byte("ID3\x03\x00\x00\x00\x00\x00\x00\x00\x00"), ErrNotWAV, "an MP3 file"},
		"MP3":             {[]byte("\xFF\xFB\x90\x64\x00\x00\x00\x00\x00\x00\x00\x00"), ErrNotWAV, "an MP3 file"},
		"FLAC":            {[]byte("fLaC\x00\x00\x00\x22\x10\x00\x10\x00"), ErrNotWAV, "a FLAC file"},
		"AIFF":            {[]byte("FORM\x00\x00\x00\x00AIFFCOMM"), ErrNotWAV, "an AIFF file"},
		"Ogg":             {[]byte("OggS\x00\x02\x00\x00\x00\x00\x00\x00"), ErrNotWAV, "an Ogg file"},
		"M4A":             {[]byte("\x00\x00\x00\x20ftypM4A "), ErrNotWAV, "M4A"},
		"pointer":         {[]byte("version https://git-lfs.github.com/spec/v1\n"), ErrNotWAV, "fetch the file itself"},
		"text":            {[]byte("title: Four fuzz circuits"), ErrNotWAV, "title: Four"},
		"fmt of 4 GiB":    {wave("RIFF", sized("fmt ", 0xFFFFFFF0, make([]byte, 30))), ErrCorrupt, "declares 4294967280 bytes"},
		"LIST of 4 GiB":   {wave("RIFF", format(1, 1, 48000, 16, 2), sized("LIST", 0xFFFFFFF0, make([]byte, 30)), data), ErrCorrupt, "declares 4294967280 bytes"},
	} {
		r, err := open(c.b)
		e, ok := errors.AsType[*Error](err)
		if r != nil || !ok || !errors.Is(err, c.kind) || !strings.Contains(err.Error(), c.want) || e.Path != "test.wav" {
			t.Errorf("%s: %v; want %q", name, err, c.want)
			continue
		}
		if e.Offset > int64(len(c.b)) || strings.HasSuffix(err.Error(), ".") {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// TestBombs: no header makes the reader allocate more than a few MiB.
func TestBombs(t *testing.T) {
	raw, _ := ramp16(8)
	f, data := format(1, 1, 48000, 16, 2), chunk("data", raw)
	huge := binary.LittleEndian.AppendUint32(nil, math.MaxUint32)
	ds := append(bytes.Repeat([]byte{0x7F}, 24), 0xFF, 0xFF, 0xFF, 0xFF)
	for name, b := range map[string][]byte{
		"fmt":         wave("RIFF", sized("fmt ", 0xFFFFFFFE, f[8:]), data),
		"data":        wave("RIFF", f, sized("data", 0xFFFFFFFE, raw)),
		"LIST":        wave("RIFF", f, data, sized("LIST", 0xFFFFFFFE, []byte("adtl"))),
		"labl":        wave("RIFF", f, data, chunk("LIST", append([]byte("adtl"), sized("labl", 0xFFFFFFFE, []byte("\x01\x00\x00\x00ab"))...))),
		"cue":         wave("RIFF", f, data, sized("cue ", 0xFFFFFFFE, huge)),
		"cue count":   wave("RIFF", f, data, chunk("cue ", append(huge, make([]byte, 24)...))),
		"bext":        wave("RIFF", f, data, sized("bext", 0xFFFFFFFE, make([]byte, 602))),
		"ds64":        wave("RF64", chunk("ds64", ds), f, sized("data", math.MaxUint32, raw)),
		"many chunks": wave("RIFF", f, data, bytes.Repeat(chunk("x   ", nil), 20000)),
		"big LISTs":   wave("RIFF", f, data, bytes.Repeat(chunk("LIST", make([]byte, 3<<20)), 5)),
	} {
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		if r, err := open(b); err == nil {
			if _, err := readAll(r, 100); err != nil {
				t.Errorf("%s: %v", name, err)
			}
		}
		runtime.ReadMemStats(&after)
		if used := after.TotalAlloc - before.TotalAlloc; used > 6<<20 {
			t.Errorf("%s: %d bytes allocated for a file of %d", name, used, len(b))
		}
	}
}

// TestGoAudioFiles reads what the library's own encoder writes.
func TestGoAudioFiles(t *testing.T) {
	for _, bits := range []int{8, 16, 24, 32} {
		path := filepath.Join(t.TempDir(), "a.wav")
		want := encodeWithLibrary(t, path, bits)
		r, err := Open(path)
		if err != nil {
			t.Fatal(err)
		}
		got, err := readAll(r, 64)
		if err != nil {
			t.Fatal(err)
		}
		equal(t, got, [][]float64{want})
		r.Close()
	}
}
