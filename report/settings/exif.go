package settings

import (
	"bytes"
	"encoding/binary"
)

// orientation returns the orientation that a JPEG or PNG file states, 1 to 8;
// 1, upright, when it states none or what it states cannot be read. Nothing
// else of the metadata is looked at.
func orientation(data []byte) int {
	switch {
	case bytes.HasPrefix(data, []byte{0xff, 0xd8}):
		return jpegOrientation(data)
	case bytes.HasPrefix(data, []byte("\x89PNG\r\n\x1a\n")):
		return pngOrientation(data)
	}
	return 1
}

// jpegOrientation looks through the segments before the first scan.
// Source: ITU-T T.81, Annex B; CIPA DC-008 (Exif 2.32), 4.7.2.
func jpegOrientation(data []byte) int {
	for at := 2; at+4 <= len(data) && data[at] == 0xff; {
		marker := data[at+1]
		if marker == 0xff { // a fill byte
			at++
			continue
		}
		if marker == 0xda || marker == 0xd9 { // the scan, or the end
			return 1
		}
		if marker == 0x01 || marker >= 0xd0 && marker <= 0xd8 { // no length
			at += 2
			continue
		}
		n := int(binary.BigEndian.Uint16(data[at+2:]))
		if n < 2 || at+2+n > len(data) {
			return 1
		}
		body := data[at+4 : at+2+n]
		if rest, ok := bytes.CutPrefix(body, []byte("Exif\x00\x00")); ok && marker == 0xe1 {
			return tiffOrientation(rest)
		}
		at += 2 + n
	}
	return 1
}

// pngOrientation looks through the chunks.
func pngOrientation(data []byte) int {
	for at := 8; at+12 <= len(data); {
		n := int64(binary.BigEndian.Uint32(data[at:]))
		if int64(at)+12+n > int64(len(data)) {
			return 1
		}
		if string(data[at+4:at+8]) == "eXIf" {
			return tiffOrientation(data[at+8 : at+8+int(n)])
		}
		at += 12 + int(n)
	}
	return 1
}

// tiffOrientation reads tag 0112 hex of the first directory.
// Source: TIFF 6.0, section 2.
func tiffOrientation(d []byte) int {
	const tag, short = 0x0112, 3
	if len(d) < 8 {
		return 1
	}
	var order binary.ByteOrder = binary.LittleEndian
	switch string(d[:4]) {
	case "II*\x00":
	case "MM\x00*":
		order = binary.BigEndian
	default:
		return 1
	}
	at := int64(order.Uint32(d[4:]))
	if at < 8 || at+2 > int64(len(d)) {
		return 1
	}
	entries := int64(order.Uint16(d[at:]))
	for i := range entries {
		e := at + 2 + 12*i
		if e+12 > int64(len(d)) {
			return 1
		}
		if order.Uint16(d[e:]) != tag {
			continue
		}
		if v := order.Uint16(d[e+8:]); order.Uint16(d[e+2:]) == short && v >= 1 && v <= 8 {
			return int(v)
		}
		return 1
	}
	return 1
}
