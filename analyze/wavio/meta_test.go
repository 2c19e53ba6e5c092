package wavio

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/unit"
)

func TestCues(t *testing.T) {
	le := binary.LittleEndian
	raw, _ := ramp16(500)
	f, data := format(tagInteger, 1, 48000, 16, 2), chunk("data", raw)
	cue := le.AppendUint32(nil, 3)
	for _, p := range [][2]uint32{{7, 300}, {2, 100}, {9, 200}} { // out of order
		cue = le.AppendUint32(cue, p[0])
		cue = le.AppendUint32(cue, p[1])
		cue = append(cue, "data\x00\x00\x00\x00\x00\x00\x00\x00"...)
		cue = le.AppendUint32(cue, p[1])
	}
	adtl := []byte("adtl")
	adtl = appendChunk(adtl, "note", []byte("\x07\x00\x00\x00a note\x00"))
	adtl = appendChunk(adtl, "labl", []byte("\x02\x00\x00\x00Low riff\x00")) // odd size, padded
	adtl = appendChunk(adtl, "note", []byte("\x02\x00\x00\x00not this\x00"))
	adtl = appendChunk(adtl, "labl", []byte("\x09\x00\x00\x00\xC9cho\x00")) // Latin-1
	adtl = appendChunk(adtl, "ltxt", append(le.AppendUint32([]byte{2, 0, 0, 0}, 50), "rgn \x00\x00\x00\x00\x00\x00\x00\x00"...))
	want := []Cue{{2, 100, "Low riff", 50}, {9, 200, "Écho", 0}, {7, 300, "a note", 0}}
	c, l := chunk("cue ", cue), chunk("LIST", adtl)
	info := chunk("LIST", []byte("INFOICRD\x05\x00\x00\x002026\x00\x00"))
	for i, chunks := range [][][]byte{{f, data, c, l}, {c, l, f, data}, {l, f, c, data}, {info, f, data, info, l, c}, {data, l, c, f}} {
		_, got := mustRead(t, wave("RIFF", chunks...))
		if !reflect.DeepEqual(got.Cues, want) || len(got.Warnings) != 0 {
			t.Errorf("order %d: %+v, %q", i, got.Cues, got.Warnings)
		}
	}
	_, got := mustRead(t, wave("RIFF", f, data, chunk("cue ", cue[:4+30])))
	if len(got.Cues) != 1 || len(got.Warnings) != 1 || !strings.Contains(got.Warnings[0], "2 cue points early") {
		t.Errorf("cut cue chunk: %+v, %q", got.Cues, got.Warnings)
	}
}

// TestBextLayout: fields at the offsets of EBU Tech 3285 version 2 (2011).
func TestBextLayout(t *testing.T) {
	b := make([]byte, 602)
	le := binary.LittleEndian
	copy(b, "Dry take")
	copy(b[256:], "0123456789abcdef0123456789ABCDEF") // full, no terminator
	copy(b[288:], "ref")
	copy(b[320:], "2026-03-14")
	copy(b[330:], "12:34:56")
	le.PutUint32(b[338:], 0x80000000)
	le.PutUint32(b[342:], 1)
	le.PutUint16(b[346:], 2)
	for i := range 64 {
		b[348+i] = byte(i)
	}
	loud := []int16{-2310, 750, -105, 0x7FFF, -1890}
	for i, v := range loud {
		le.PutUint16(b[412+2*i:], uint16(v))
	}
	b = append(b, "A=PCM,F=48000,W=24,M=mono\r\n"...)
	raw, _ := ramp16(10)
	_, info := mustRead(t, wave("RIFF", chunk("bext", b), format(tagInteger, 1, 48000, 16, 2), chunk("data", raw)))
	x := info.Bext
	if x == nil || x.Description != "Dry take" || x.Originator != "0123456789abcdef0123456789ABCDEF" || x.OriginatorReference != "ref" ||
		x.Date != "2026-03-14" || x.Time != "12:34:56" || x.TimeReference != 0x180000000 || x.Version != 2 || x.UMID[63] != 63 ||
		x.CodingHistory != "A=PCM,F=48000,W=24,M=mono\r\n" {
		t.Fatalf("%+v", x)
	}
	l := x.Loudness
	if l == nil || l.Integrated != -23.1 || l.Range != 7.5 || l.MaxTruePeak != -1.05 || !math.IsNaN(float64(l.MaxMomentary)) || l.MaxShortTerm != -18.9 {
		t.Errorf("loudness %+v", l)
	}
	for version := range 2 {
		le.PutUint16(b[346:], uint16(version))
		_, info = mustRead(t, wave("RIFF", chunk("bext", b), format(tagInteger, 1, 48000, 16, 2), chunk("data", raw)))
		if info.Bext.Loudness != nil || (info.Bext.UMID[63] != 0) != (version == 1) {
			t.Errorf("version %d: %+v", version, info.Bext)
		}
	}
	_, info = mustRead(t, wave("RIFF", chunk("bext", b[:500]), format(tagInteger, 1, 48000, 16, 2), chunk("data", raw)))
	if info.Bext != nil || len(info.Warnings) != 1 {
		t.Errorf("short bext: %+v, %q", info.Bext, info.Warnings)
	}
}

func TestMetaRoundTrip(t *testing.T) {
	s := Spec{SampleRate: 48000, Channels: 1, Bits: 24,
		Bext: &Bext{Description: "Splitting", Originator: "Fern Street Recording", OriginatorReference: "x1", Date: "2026-03-14", Time: "09:08:07",
			TimeReference: 1 << 40, Version: 2, UMID: [64]byte{1, 2, 3}, CodingHistory: "A=PCM\r\n",
			Loudness: &BextLoudness{Integrated: -23, Range: 5.25, MaxTruePeak: -1, MaxMomentary: -18.01, MaxShortTerm: -20}},
		Cues: []Cue{{1, 0, "Low riff", 40}, {5, 41, "", 0}, {3, 60, "Äther", 0}}}
	path := filepath.Join(t.TempDir(), "a.wav")
	write(t, path, s, steps(s, 101))
	info, err := Inspect(path)
	if err != nil {
		t.Fatal(err)
	}
	if !reflect.DeepEqual(info.Bext, s.Bext) || !reflect.DeepEqual(info.Cues, s.Cues) || len(info.Warnings) != 0 {
		t.Errorf("%+v\n%+v\n%q", info.Bext, info.Cues, info.Warnings)
	}
	// What does not fit is cut, what is not ASCII replaced, what is not known left open.
	x := parseBext(appendBext(nil, &Bext{Description: strings.Repeat("d", 300), Originator: "Bürglen",
		Loudness: &BextLoudness{Integrated: unit.LUFS(math.Inf(-1)), Range: unit.LU(math.NaN()), MaxTruePeak: 100, MaxMomentary: -99.99, MaxShortTerm: -1}}))
	if len(x.Description) != 256 || x.Originator != "B?rglen" || x.Version != 2 || x.Loudness.MaxMomentary != -99.99 ||
		!math.IsNaN(float64(x.Loudness.Integrated)+float64(x.Loudness.Range)) || !math.IsNaN(float64(x.Loudness.MaxTruePeak)) {
		t.Errorf("%+v %+v", x, x.Loudness)
	}
}

// TestWritesRF64 lowers the limit at which a file becomes RF64, for a file of
// each kind that has its own header.
func TestWritesRF64(t *testing.T) {
	for _, s := range []Spec{{SampleRate: 48000, Channels: 1, Bits: 16}, {SampleRate: 48000, Channels: 3, Bits: 24}, {SampleRate: 96000, Channels: 1, Bits: 32, Float: true}} {
		s.Bext = &Bext{Description: "long"}
		s.Cues = []Cue{{ID: 1, Frame: 5, Label: "x"}}
		f := &memory{}
		w, err := NewWriter(f, s)
		if err != nil {
			t.Fatal(err)
		}
		w.largest = 1500
		x := steps(s, 1001)
		if err := w.Write(x); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		got, info := mustRead(t, f.b)
		equal(t, got, x)
		if info.Container != "RF64" || len(info.Warnings) != 0 || len(info.Cues) != 1 || info.Bext == nil {
			t.Errorf("%s: %+v", name(s), info)
		}
		if string(f.b[12:16]) != "ds64" || binary.LittleEndian.Uint64(f.b[20:]) != uint64(len(f.b)-8) || binary.LittleEndian.Uint64(f.b[36:]) != 1001 {
			t.Errorf("%s: % X", name(s), f.b[:48])
		}
	}
}

// memory is a file in memory.
type memory struct {
	b   []byte
	pos int64
}

func (m *memory) Write(p []byte) (int, error) {
	if grow := m.pos + int64(len(p)) - int64(len(m.b)); grow > 0 {
		m.b = append(m.b, make([]byte, grow)...)
	}
	copy(m.b[m.pos:], p)
	m.pos += int64(len(p))
	return len(p), nil
}

func (m *memory) Seek(offset int64, whence int) (int64, error) {
	if whence != 0 {
		return 0, fmt.Errorf("not used")
	}
	m.pos = offset
	return offset, nil
}

// TestSameBytes: blocks of any size give the same file.
func TestSameBytes(t *testing.T) {
	s := Spec{SampleRate: 48000, Channels: 2, Bits: 24}
	x := steps(s, 40000)
	var first []byte
	for _, step := range []int{40000, 1, 4096} {
		f := &memory{}
		w, err := NewWriter(f, s)
		if err != nil {
			t.Fatal(err)
		}
		for at := 0; at < 40000; at += step {
			end := min(at+step, 40000)
			if err := w.Write([][]float64{x[0][at:end], x[1][at:end]}); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = f.b
		} else if !bytes.Equal(f.b, first) {
			t.Errorf("blocks of %d frames give other bytes", step)
		}
	}
}

// SetLoudness changes the five fields and no other byte, also of a file that
// another program wrote; without a place for them it says so and changes none.
func TestSetLoudness(t *testing.T) {
	raw, _ := ramp16(10)
	put := func(parts ...[]byte) string {
		path := filepath.Join(t.TempDir(), "a.wav")
		if err := os.WriteFile(path, wave("RIFF", parts...), 0o666); err != nil {
			t.Fatal(err)
		}
		return path
	}
	fmtChunk, data := format(tagInteger, 1, 48000, 16, 2), chunk("data", raw)
	bext := appendBext(nil, &Bext{Description: "d", CodingHistory: "A=PCM\r\n"})
	path := put(fmtChunk, data, chunk("odd!", []byte{1}), chunk("bext", bext))
	before, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	want := BextLoudness{Integrated: -19.237, Range: 7.004, MaxTruePeak: -1.02, MaxMomentary: unit.LUFS(math.Inf(-1)), MaxShortTerm: 99.996}
	if err := SetLoudness(path, &want); err != nil {
		t.Fatal(err)
	}
	after, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	at := bytes.Index(before, bext) + 412
	// −19.24, 7.00, −1.02 in hundredths, and twice 0x7FFF.
	fields := []byte{0x7C, 0xF8, 0xBC, 0x02, 0x9A, 0xFF, 0xFF, 0x7F, 0xFF, 0x7F}
	if !bytes.Equal(after[at:at+10], fields) {
		t.Errorf("fields % X, want % X", after[at:at+10], fields)
	}
	copy(after[at:], before[at:at+10])
	if !bytes.Equal(before, after) {
		t.Error("bytes outside the fields changed")
	}
	if err := SetLoudness(path, nil); err != nil {
		t.Fatal(err)
	}
	if back, err := os.ReadFile(path); err != nil || !bytes.Equal(back, before) {
		t.Errorf("not given again: other bytes than at first (%v)", err)
	}

	old := slices.Clone(bext)
	old[346] = 1
	for name, path := range map[string]string{
		"no chunk":    put(fmtChunk, data),
		"version 1":   put(chunk("bext", old), fmtChunk, data),
		"a short one": put(chunk("bext", bext[:500]), fmtChunk, data),
	} {
		before, _ := os.ReadFile(path)
		if err := SetLoudness(path, &want); !errors.Is(err, ErrUse) {
			t.Errorf("%s: %v", name, err)
		}
		if after, _ := os.ReadFile(path); !bytes.Equal(before, after) {
			t.Errorf("%s: the file changed", name)
		}
	}
	if err := SetLoudness(filepath.Join(t.TempDir(), "none.wav"), &want); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("no file: %v", err)
	}
}
