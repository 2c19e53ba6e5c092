package settings

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/gif"
	"image/jpeg"
	"image/png"
	"io"

	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
)

const (
	// MaxSide is the longest side of a published picture in pixels.
	MaxSide = 1200
	// maxDecoded is the memory that a picture may take while it is decoded, found
	// before that: 130 million pixels of a camera's JPEG, 28 million where it is
	// progressive.
	maxDecoded = 200 << 20
	// maxPhotoBytes is how large its file may be.
	maxPhotoBytes = 64 << 20
	// pixelsPerByte is more than JPEG, PNG or GIF can pack into a byte of a
	// file (deflate packs 1032 to 1, and a byte holds 8 pixels of one bit):
	// what declares more is broken, or made to fill the memory.
	pixelsPerByte = 10000

	jpegQuality = 82
)

// Picture is a picture ready to publish.
type Picture struct {
	Data          []byte
	Extension     string // ".jpg" or ".png"
	Width, Height int    // pixels
}

// Shrink reads a JPEG, PNG or GIF picture and returns it upright and with at
// most MaxSide pixels on its longer side, encoded anew: only the pixels are
// kept, so that position, camera, time, preview and colour profile are gone.
// The orientation that the file states is applied first. Each new pixel is the
// average of the area that it covers, in whole numbers, so that the bytes are
// the same on every machine. name is for messages.
//
// The error matches mistake.Err when the file is no such picture, is broken, or
// takes more than 200 MiB to decode, or its file has more than 64 MiB; memory is
// not taken from a declared size that the file cannot hold.
//
// Source for the orientation: CIPA DC-008 (Exif 2.32), tag 0112 hex; PNG
// Specification, third edition, chunk eXIf.
func Shrink(name string, r io.Reader) (Picture, error) {
	src, err := decode(name, r)
	if err != nil {
		return Picture{}, err
	}
	small := turn(shrink(src.Image, MaxSide), src.orientation)
	return encode(small, src.photographs)
}

// decoded is a picture as its file holds it.
type decoded struct {
	image.Image
	orientation int
	photographs bool // as codec says
}

// decode reads a picture, as Shrink does.
func decode(name string, r io.Reader) (decoded, error) {
	fault := func(format string, args ...any) (decoded, error) {
		return decoded{}, mistake.Errorf("%s: %s", name, fmt.Sprintf(format, args...))
	}
	data, err := io.ReadAll(io.LimitReader(r, maxPhotoBytes+1))
	if err != nil {
		return decoded{}, fmt.Errorf("%s: %w", name, err)
	}
	if len(data) > maxPhotoBytes {
		return fault("the picture's file is larger than %d MiB; make it smaller", maxPhotoBytes>>20)
	}
	c, ok := codecOf(data)
	if !ok {
		return fault("%s; allowed: JPEG, PNG, GIF; save it as one of these", guessFormat(data))
	}
	config, err := c.config(bytes.NewReader(data))
	if err != nil {
		return fault("the picture cannot be read: %v; save it anew as JPEG, PNG or GIF", err)
	}
	pixels := int64(config.Width) * int64(config.Height)
	needs := int64(float64(pixels) * bytesPerPixel(c, config, data))
	switch {
	case config.Width < 1 || config.Height < 1:
		return fault("a picture of %d × %d pixels", config.Width, config.Height)
	case pixels > pixelsPerByte*int64(len(data)):
		return fault("the file says %d × %d pixels, which %d bytes cannot hold; it is damaged", config.Width, config.Height, len(data))
	case config.Width > maxEdge || config.Height > maxEdge || needs > maxDecoded:
		return fault("a picture of %d × %d pixels, which takes %d MiB to read; at most %d are allowed; make it smaller", config.Width, config.Height, needs>>20, maxDecoded>>20)
	}
	m, err := c.decode(bytes.NewReader(data))
	if err != nil {
		return fault("the picture cannot be read: %v; save it anew as JPEG, PNG or GIF", err)
	}
	return decoded{m, orientation(data), c.photographs}, nil
}

// maxEdge is the longest side of a picture that is read, in pixels: a strip of it
// is looked at whole.
const maxEdge = 1 << 16

// bytesPerPixel is the memory that decoding takes for each pixel, from above.
func bytesPerPixel(c codec, config image.Config, data []byte) float64 {
	if c.photographs {
		return jpegBytes(data)
	}
	per := 8.0
	switch config.ColorModel {
	case color.GrayModel:
		per = 1
	case color.Gray16Model:
		per = 2
	case color.RGBAModel, color.NRGBAModel:
		per = 4
	default:
		if _, ok := config.ColorModel.(color.Palette); ok {
			per = 1
		}
	}
	if bytes.HasPrefix(data, []byte(pngMagic)) && len(data) > 28 && data[28] != 0 {
		per *= 1.5 // each pass of an interlaced picture is a picture
	}
	return per
}

// jpegBytes is bytesPerPixel of a JPEG, of the largest kind where its frame header
// is not found: a byte for each sample, 4 more where it is progressive and all
// coefficients are kept, and 4 where there are four components to put together.
//
// Source: ITU-T T.81, B.2.2, frame header (from memory).
func jpegBytes(data []byte) float64 {
	const most = 4 * 9.0
	for at := 2; at+4 <= len(data); {
		if data[at] != 0xff {
			return most
		}
		marker := data[at+1]
		if marker == 0xff { // filling
			at++
			continue
		}
		length := int(data[at+2])<<8 | int(data[at+3])
		if marker < 0xc0 || marker > 0xc2 {
			at += 2 + length
			continue
		}
		if at+10 > len(data) || at+10+3*int(data[at+9]) > len(data) {
			return most
		}
		samples, h, v := 0, 1, 1
		n := int(data[at+9])
		for k := range n {
			factors := data[at+11+3*k]
			samples += int(factors>>4) * int(factors&15)
			h, v = max(h, int(factors>>4)), max(v, int(factors&15))
		}
		per := float64(samples) / float64(h*v)
		if marker == 0xc2 {
			per *= 5
		}
		if n == 4 {
			per += 4
		}
		return max(per, 1)
	}
	return most
}

const pngMagic = "\x89PNG\r\n\x1a\n"

// codec reads one of the allowed formats. The image package's own list of
// formats is not asked: what is on it depends on the rest of the program.
type codec struct {
	magic       string
	photographs bool
	config      func(io.Reader) (image.Config, error)
	decode      func(io.Reader) (image.Image, error)
}

func codecOf(data []byte) (codec, bool) {
	for _, c := range []codec{
		{"\xff\xd8\xff", true, jpeg.DecodeConfig, jpeg.Decode},
		{pngMagic, false, png.DecodeConfig, png.Decode},
		{"GIF87a", false, gif.DecodeConfig, gif.Decode}, // its first picture
		{"GIF89a", false, gif.DecodeConfig, gif.Decode},
	} {
		if bytes.HasPrefix(data, []byte(c.magic)) {
			return c, true
		}
	}
	return codec{}, false
}

// encode writes a photograph as JPEG and anything else as PNG, or as JPEG where
// that is smaller and nothing is transparent.
func encode(m *image.RGBA, photograph bool) (Picture, error) {
	p := Picture{Extension: ".jpg", Width: m.Rect.Dx(), Height: m.Rect.Dy()}
	var out bytes.Buffer
	if m.Opaque() {
		if err := jpeg.Encode(&out, m, &jpeg.Options{Quality: jpegQuality}); err != nil {
			return Picture{}, err
		}
		p.Data = out.Bytes()
	}
	if photograph {
		return p, nil
	}
	var alt bytes.Buffer
	if err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&alt, m); err != nil {
		return Picture{}, err
	}
	if p.Data == nil || alt.Len() <= len(p.Data) {
		p.Data, p.Extension = alt.Bytes(), ".png"
	}
	return p, nil
}

// guessFormat names what a file is that is none of the allowed formats.
func guessFormat(data []byte) string {
	is := func(at int, s string) bool { return len(data) >= at+len(s) && string(data[at:at+len(s)]) == s }
	switch {
	case is(0, "RIFF") && is(8, "WEBP"):
		return "a WebP picture"
	case is(4, "ftyphei"), is(4, "ftyphev"), is(4, "ftypmif1"):
		return "a HEIC picture"
	case is(4, "ftypavif"):
		return "an AVIF picture"
	case is(0, "II*\x00"), is(0, "MM\x00*"):
		return "a TIFF picture or a camera's raw file"
	case is(0, "BM"):
		return "a BMP picture"
	case len(data) == 0:
		return "an empty file"
	}
	return "not a picture"
}

// shrink returns m with at most side pixels on its longer side.
func shrink(m image.Image, side int) *image.RGBA {
	b := m.Bounds()
	sw, sh := b.Dx(), b.Dy()
	dw, dh := sw, sh
	switch {
	case sw >= sh && sw > side:
		dw, dh = side, max(1, (sh*side+sw/2)/sw)
	case sh > sw && sh > side:
		dw, dh = max(1, (sw*side+sh/2)/sh), side
	}
	out := image.NewRGBA(image.Rect(0, 0, dw, dh))
	// Lengths are counted in 1/dw of a source pixel across and 1/dh down, in
	// which a source pixel is dw wide and a new one sw.
	total := uint64(sw) * uint64(sh)
	line := make([]uint64, 4*dw)
	sum := make([]uint64, 4*dw)
	flush := func(y int) {
		pix := out.Pix[y*out.Stride:]
		for i, s := range sum {
			pix[i] = uint8((s + total/2) / total)
			sum[i] = 0
		}
	}
	const rows = 64
	strip := image.NewRGBA(image.Rect(0, 0, sw, min(rows, sh)))
	y, left := 0, sh // the new line being summed, and what it still lacks
	for top := 0; top < sh; top += rows {
		n := min(rows, sh-top)
		draw.Draw(strip, image.Rect(0, 0, sw, n), m, image.Pt(b.Min.X, b.Min.Y+top), draw.Src)
		for i := range n {
			across(line, strip.Pix[i*strip.Stride:i*strip.Stride+4*sw], sw, dw)
			for down := dh; down > 0; {
				part := min(down, left)
				for k, v := range line {
					sum[k] += uint64(part) * v
				}
				down -= part
				if left -= part; left == 0 {
					flush(y)
					y++
					left = sh
				}
			}
		}
	}
	return out
}

// across sums a line of sw source pixels into dw new ones, each weighted by the
// length that it covers.
func across(line []uint64, pix []uint8, sw, dw int) {
	clear(line)
	x, left := 0, sw
	for i := range sw {
		p := pix[4*i : 4*i+4]
		for wide := dw; wide > 0; {
			part := min(wide, left)
			for c := range 4 {
				line[4*x+c] += uint64(part) * uint64(p[c])
			}
			wide -= part
			if left -= part; left == 0 {
				x++
				left = sw
			}
		}
	}
}

// turn brings a picture upright that was stored as orientation o, 1 to 8, says.
func turn(m *image.RGBA, o int) *image.RGBA {
	if o < 2 || o > 8 {
		return m
	}
	w, h := m.Rect.Dx(), m.Rect.Dy()
	ow, oh := w, h
	if o >= 5 {
		ow, oh = h, w
	}
	out := image.NewRGBA(image.Rect(0, 0, ow, oh))
	for y := range oh {
		for x := range ow {
			var sx, sy int
			switch o {
			case 2:
				sx, sy = w-1-x, y
			case 3:
				sx, sy = w-1-x, h-1-y
			case 4:
				sx, sy = x, h-1-y
			case 5:
				sx, sy = y, x
			case 6:
				sx, sy = y, h-1-x
			case 7:
				sx, sy = w-1-y, h-1-x
			case 8:
				sx, sy = w-1-y, x
			}
			out.SetRGBA(x, y, color.RGBA(m.RGBAAt(sx, sy)))
		}
	}
	return out
}

// shrinkFile is Shrink of a file.
func shrinkFile(name, path string) (Picture, error) {
	f, err := foreign.Open(path)
	if err != nil {
		return Picture{}, err
	}
	defer f.Close()
	return Shrink(name, f)
}

// CheckPhotos reads every picture of a comparison that WriteTo would publish. It
// returns the errors of all that WriteTo would refuse, joined, or ctx's error when
// it is done. A file that cannot be opened is left to those who hash it.
func CheckPhotos(ctx context.Context, c *manifest.Comparison) error {
	r, err := New(ctx, c, "", nil)
	if err != nil {
		return err
	}
	withheld := r.withheld()
	var bad []error
	for _, p := range r.photos() {
		if withheld[p.File.Path] {
			continue
		}
		withheld[p.File.Path] = true // once is enough
		if err := ctx.Err(); err != nil {
			return err
		}
		f, err := foreign.Open(manifest.OnDisk(c.Dir, p.File.Path))
		if err != nil {
			continue
		}
		if _, err := decode(p.File.Path, f); err != nil {
			bad = append(bad, err)
		}
		f.Close()
	}
	return errors.Join(bad...)
}
