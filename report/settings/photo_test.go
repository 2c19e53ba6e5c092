package settings

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"image"
	"image/color"
	"image/gif"
	"image/jpeg"
	"image/png"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/mistake"
)

// corners is a picture of wide × high pixels whose corners are red, green,
// blue and yellow, clockwise from the top left.
func corners(wide, high int) *image.RGBA {
	m := image.NewRGBA(image.Rect(0, 0, wide, high))
	for y := range high {
		for x := range wide {
			c := color.RGBA{255, 0, 0, 255}
			switch {
			case x >= wide/2 && y < high/2:
				c = color.RGBA{0, 255, 0, 255}
			case x >= wide/2:
				c = color.RGBA{0, 0, 255, 255}
			case y >= high/2:
				c = color.RGBA{255, 255, 0, 255}
			}
			m.SetRGBA(x, y, c)
		}
	}
	return m
}

// named tells which of the four colours stands at the four corners, clockwise
// from the top left.
func named(m image.Image) string {
	b := m.Bounds()
	w, h := b.Dx(), b.Dy()
	out := ""
	for _, p := range [][2]int{{w / 8, h / 8}, {w - 1 - w/8, h / 8}, {w - 1 - w/8, h - 1 - h/8}, {w / 8, h - 1 - h/8}} {
		r, g, bl, _ := m.At(b.Min.X+p[0], b.Min.Y+p[1]).RGBA()
		switch {
		case r > 0x8000 && g > 0x8000:
			out += "Y"
		case r > 0x8000:
			out += "R"
		case g > 0x8000:
			out += "G"
		case bl > 0x8000:
			out += "B"
		}
	}
	return out
}

// exif is a block of metadata with an orientation, a place on Earth and a
// maker's name, in either byte order.
func exif(order binary.ByteOrder, orientation uint16) []byte {
	var b bytes.Buffer
	b.WriteString("Exif\x00\x00")
	if order == binary.BigEndian {
		b.WriteString("MM\x00*")
	} else {
		b.WriteString("II*\x00")
	}
	put := func(v any) { _ = binary.Write(&b, order, v) }
	put(uint32(8))
	put(uint16(3))
	entry := func(tag, kind uint16, n, v uint32) { put(tag); put(kind); put(n); put(v) }
	entry(0x010f, 2, 8, 50) // maker, as text
	put(uint16(0x0112))
	put(uint16(3))
	put(uint32(1))
	put(orientation)
	put(uint16(0))
	entry(0x8825, 4, 1, 58) // where the GPS directory is
	put(uint32(0))
	b.WriteString("Secretx\x00GPSLatitude 52N GPSLongitude 13E")
	return b.Bytes()
}

// withExif puts metadata, a comment and an XMP packet behind the beginning of a
// JPEG file.
func withExif(t *testing.T, m image.Image, meta []byte) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := jpeg.Encode(&b, m, &jpeg.Options{Quality: 95}); err != nil {
		t.Fatal(err)
	}
	out := []byte{0xff, 0xd8}
	add := func(marker byte, body []byte) {
		out = append(out, 0xff, marker)
		out = binary.BigEndian.AppendUint16(out, uint16(len(body)+2))
		out = append(out, body...)
	}
	add(0xe1, append([]byte("http://ns.adobe.com/xap/1.0/\x00"), "GPSLatitude 52"...))
	add(0xe1, meta)
	add(0xfe, []byte("Secretx"))
	return append(out, b.Bytes()[2:]...)
}

// segments lists the markers of a JPEG file up to its scan.
func segments(t *testing.T, data []byte) []byte {
	t.Helper()
	var out []byte
	for at := 2; ; {
		if at+4 > len(data) || data[at] != 0xff {
			t.Fatal("the file is not made of segments")
		}
		out = append(out, data[at+1])
		if data[at+1] == 0xda {
			return out
		}
		at += 2 + int(binary.BigEndian.Uint16(data[at+2:]))
	}
}

// chunks lists the kinds of chunks of a PNG file.
func chunks(data []byte) []string {
	var out []string
	for at := 8; at+12 <= len(data); {
		out = append(out, string(data[at+4:at+8]))
		at += 12 + int(binary.BigEndian.Uint32(data[at:]))
	}
	return out
}

// upright is what the corners RGBY look like when the orientation has been
// applied. Source: CIPA DC-008 (Exif 2.32), 4.6.5.1.6, tag 0112 hex: which side
// of the seen picture the 0th row and the 0th column of the stored one are.
func upright() map[uint16]string {
	return map[uint16]string{
		1: "RGBY", // row 0 top, column 0 left
		2: "GRYB", // top, right
		3: "BYRG", // bottom, right
		4: "YBGR", // bottom, left
		5: "RYBG", // left, top
		6: "YRGB", // right, top
		7: "BGRY", // right, bottom
		8: "GBYR", // left, bottom
		0: "RGBY", // no such value
		9: "RGBY",
	}
}

func TestOrientationAndMetadata(t *testing.T) {
	for _, order := range []binary.ByteOrder{binary.LittleEndian, binary.BigEndian} {
		for o, want := range upright() {
			meta := exif(order, o)
			src := withExif(t, corners(240, 160), meta)
			p, err := Shrink("a.jpg", bytes.NewReader(src))
			if err != nil {
				t.Fatal(err)
			}
			m, format, err := image.Decode(bytes.NewReader(p.Data))
			if err != nil || format != "jpeg" {
				t.Fatal(format, err)
			}
			if got := named(m); got != want {
				t.Errorf("%v, orientation %d: corners %s, want %s", order, o, got, want)
			}
			size := image.Pt(240, 160)
			if o >= 5 && o <= 8 {
				size = image.Pt(160, 240)
			}
			if m.Bounds().Size() != size || p.Width != size.X || p.Height != size.Y {
				t.Errorf("orientation %d: %v, said to be %d × %d, want %v", o, m.Bounds(), p.Width, p.Height, size)
			}
			for _, s := range []string{"Exif", "GPS", "Secret", "adobe", "MM\x00*", "II*\x00"} {
				if bytes.Contains(p.Data, []byte(s)) {
					t.Errorf("the published picture holds %q", s)
				}
			}
			for _, marker := range segments(t, p.Data) {
				if marker >= 0xe0 && marker <= 0xef || marker == 0xfe {
					t.Errorf("the published picture has a segment FF%02X, metadata", marker)
				}
			}
		}
	}
	// PNG: chunk eXIf, and text beside it.
	var b bytes.Buffer
	if err := png.Encode(&b, corners(60, 40)); err != nil {
		t.Fatal(err)
	}
	chunk := func(kind string, body []byte) []byte {
		c := binary.BigEndian.AppendUint32(nil, uint32(len(body)))
		c = append(append(c, kind...), body...)
		return binary.BigEndian.AppendUint32(c, crc32.ChecksumIEEE(c[4:]))
	}
	src := slices.Concat(b.Bytes()[:33], chunk("eXIf", exif(binary.BigEndian, 6)[6:]), chunk("tEXt", []byte("Comment\x00Secretx")), b.Bytes()[33:])
	p, err := Shrink("a.png", bytes.NewReader(src))
	if err != nil {
		t.Fatal(err)
	}
	m, _, err := image.Decode(bytes.NewReader(p.Data))
	if err != nil {
		t.Fatal(err)
	}
	if got := named(m); got != "YRGB" || m.Bounds().Dx() != 40 {
		t.Errorf("PNG turned: corners %s of %v", got, m.Bounds())
	}
	if bytes.Contains(p.Data, []byte("Secret")) {
		t.Error("the PNG's text was kept")
	}
	if p.Extension == ".png" {
		for _, k := range chunks(p.Data) {
			if k != "IHDR" && k != "PLTE" && k != "tRNS" && k != "IDAT" && k != "IEND" {
				t.Errorf("the PNG has a chunk %s", k)
			}
		}
	}
}

// Broken metadata is no metadata, and never a crash.
func TestBrokenMetadata(t *testing.T) {
	meta := exif(binary.BigEndian, 6)
	for n := range len(meta) {
		if o := tiffOrientation(meta[6:max(6, n)]); o != 1 && o != 6 {
			t.Errorf("cut at %d: orientation %d", n, o)
		}
		for _, v := range []byte{0, 0xff, 0x80} {
			bad := slices.Clone(meta)
			bad[n] = v
			if o := tiffOrientation(bad[6:]); o < 1 || o > 8 {
				t.Errorf("byte %d as %02X: orientation %d", n, v, o)
			}
		}
	}
	whole := withExif(t, corners(24, 16), meta)
	for n := range len(whole) {
		if o := orientation(whole[:n]); o != 1 && o != 6 {
			t.Errorf("file cut at %d: orientation %d", n, o)
		}
	}
}

func TestShrinkSizes(t *testing.T) {
	for _, x := range []struct{ w, h, wantW, wantH int }{
		{1200, 900, 1200, 900}, {2400, 1800, 1200, 900}, {1801, 2402, 900, 1200}, {1300, 3, 1200, 3}, {5000, 1, 1200, 1}, {1, 2500, 1, 1200}, {1, 1, 1, 1}, {1201, 1201, 1200, 1200},
	} {
		m := shrink(corners(x.w, x.h), MaxSide)
		if m.Rect.Dx() != x.wantW || m.Rect.Dy() != x.wantH {
			t.Errorf("%d × %d became %v, want %d × %d", x.w, x.h, m.Rect.Size(), x.wantW, x.wantH)
		}
	}
	// The average over areas: halves of thirds.
	row := image.NewGray(image.Rect(0, 0, 3, 1))
	copy(row.Pix, []uint8{0, 90, 240})
	m := shrink(row, 2)
	if a, b := m.Pix[0], m.Pix[4]; a != 30 || b != 190 { // (0 + 90/2)/1.5 and (90/2 + 240)/1.5
		t.Errorf("three pixels became %d and %d, want 30 and 190", a, b)
	}
	// One grey stays that grey, whatever the sizes.
	flat := image.NewGray(image.Rect(0, 0, 1777, 1234))
	for i := range flat.Pix {
		flat.Pix[i] = 77
	}
	for i, v := range shrink(flat, 997).Pix {
		if v != 77 && i%4 < 3 || v != 255 && i%4 == 3 {
			t.Fatalf("a grey of 77 became %d at %d", v, i)
		}
	}
}

func TestShrinkKeepsWhatSuits(t *testing.T) {
	clear := image.NewNRGBA(image.Rect(0, 0, 50, 50))
	var b bytes.Buffer
	if err := png.Encode(&b, clear); err != nil {
		t.Fatal(err)
	}
	p, err := Shrink("a.png", &b)
	if err != nil || p.Extension != ".png" {
		t.Fatalf("a picture that one can see through became %s, %v", p.Extension, err)
	}
	var g bytes.Buffer
	pal := image.NewPaletted(image.Rect(0, 0, 1500, 700), color.Palette{color.Black, color.White})
	if err := gif.Encode(&g, pal, nil); err != nil {
		t.Fatal(err)
	}
	p, err = Shrink("a.gif", &g)
	if err != nil || p.Width != 1200 || p.Height != 560 {
		t.Errorf("GIF: %d × %d, %v", p.Width, p.Height, err)
	}
}

func TestShrinkRefuses(t *testing.T) {
	// A PNG that says it is w × h and holds next to nothing.
	bomb := func(w, h uint32) string {
		head := binary.BigEndian.AppendUint32(nil, 13)
		head = append(head, "IHDR"...)
		head = binary.BigEndian.AppendUint32(head, w)
		head = binary.BigEndian.AppendUint32(head, h)
		head = append(head, 8, 2, 0, 0, 0)
		head = binary.BigEndian.AppendUint32(head, crc32.ChecksumIEEE(head[4:]))
		return "\x89PNG\r\n\x1a\n" + string(head)
	}
	var whole bytes.Buffer
	if err := jpeg.Encode(&whole, corners(300, 300), nil); err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string]struct{ data, want string }{
		"WebP":       {"RIFF\x00\x00\x00\x00WEBPVP8 ", "a WebP picture; allowed: JPEG, PNG, GIF"},
		"HEIC":       {"\x00\x00\x00\x18ftypheic", "a HEIC picture; allowed: JPEG, PNG, GIF"},
		"TIFF":       {"II*\x00xxxxxx", "a TIFF picture or a camera's raw file; allowed"},
		"text":       {"hello", "not a picture; allowed: JPEG, PNG, GIF"},
		"empty":      {"", "an empty file; allowed"},
		"too large":  {bomb(20000, 6000) + strings.Repeat("x", 20000), "a picture of 20000 × 6000 pixels, which takes 457 MiB to read; at most 200 are allowed"},
		"long strip": {bomb(70000, 1) + strings.Repeat("x", 20000), "a picture of 70000 × 1 pixels"},
		"huge":       {bomb(0x7fffffff, 0x7fffffff), "dimension overflow"},
		"hollow":     {bomb(9000, 9000), "the file says 9000 × 9000 pixels, which 33 bytes cannot hold"},
		"cut short":  {whole.String()[:whole.Len()/2], "cannot be read"},
		"head alone": {bomb(10, 10), "cannot be read"},
	} {
		_, err := Shrink("p.x", strings.NewReader(x.data))
		if !errors.Is(err, mistake.Err) || !strings.Contains(err.Error(), x.want) || !strings.HasPrefix(err.Error(), "p.x: ") {
			t.Errorf("%s: error %v, want one with %q", name, err, x.want)
		}
	}
}

// FuzzShrink: any bytes are a picture or are refused, and a picture is small.
func FuzzShrink(f *testing.F) {
	var asJPEG, asPNG, asGIF bytes.Buffer
	if err := errors.Join(jpeg.Encode(&asJPEG, corners(9, 5), nil), png.Encode(&asPNG, corners(9, 5)), gif.Encode(&asGIF, corners(9, 5), nil)); err != nil {
		f.Fatal(err)
	}
	for _, b := range []*bytes.Buffer{&asJPEG, &asPNG, &asGIF} {
		f.Add(b.Bytes())
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if c, ok := codecOf(b); ok {
			if config, err := c.config(bytes.NewReader(b)); err == nil && config.Width*config.Height > 1<<16 {
				t.Skip("it takes long")
			}
		}
		p, err := Shrink("p.x", bytes.NewReader(b))
		if err != nil && !errors.Is(err, mistake.Err) || err == nil && (p.Width < 1 || p.Height < 1 || max(p.Width, p.Height) > MaxSide || len(p.Data) == 0) {
			t.Fatalf("%d × %d, %d bytes, %v", p.Width, p.Height, len(p.Data), err)
		}
	})
}

func BenchmarkShrink(b *testing.B) {
	for _, side := range []int{1000, 4000} {
		b.Run(fmt.Sprintf("pixels=%d", side*side), func(b *testing.B) {
			var src bytes.Buffer
			if err := jpeg.Encode(&src, corners(side, side), nil); err != nil {
				b.Fatal(err)
			}
			b.ReportAllocs()
			for b.Loop() {
				if _, err := Shrink("a.jpg", bytes.NewReader(src.Bytes())); err != nil {
					b.Fatal(err)
				}
			}
			b.ReportMetric(float64(side*side)*float64(b.N)/1e6/b.Elapsed().Seconds(), "Mpixel/s")
		})
	}
}
