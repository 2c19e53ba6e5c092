package wavio

import (
	"bytes"
	"encoding/binary"
	"fmt"
)

// Format tags. Source: Microsoft, mmreg.h (from memory).
const (
	tagInteger    = 1
	tagFloat      = 3
	tagExtensible = 0xFFFE
)

// subformatTail follows the format tag in the GUID of an extensible format.
const subformatTail = "\x00\x00\x00\x00\x10\x00\x80\x00\x00\xAA\x00\x38\x9B\x71"

// codecName names the codings that other tags stand for.
func codecName(tag uint16) string {
	name := map[uint16]string{
		0x0002: "Microsoft ADPCM", 0x0006: "A-law", 0x0007: "µ-law", 0x0011: "IMA ADPCM",
		0x0031: "GSM 6.10", 0x0050: "MPEG audio", 0x0055: "MP3", 0x0092: "AC-3", 0x00FF: "AAC",
		0x2000: "AC-3", 0xF1AC: "FLAC",
	}[tag]
	if name == "" {
		return fmt.Sprintf("coding 0x%04X", tag)
	}
	return fmt.Sprintf("%s (coding 0x%04X)", name, tag)
}

const exportHint = "export it as WAV, 16- or 24-bit integer or 32-bit float"

// parseFormat reads the fmt chunk into info and the layout of the audio.
func (s *scanner) parseFormat(info *Info) (layout, error) {
	at := s.format.start
	b, err := s.read(at, s.format.size)
	if err != nil {
		return layout{}, err
	}
	le := binary.LittleEndian
	tag := le.Uint16(b)
	channels, rate := int(le.Uint16(b[2:])), le.Uint32(b[4:])
	blockAlign, bits := int(le.Uint16(b[12:])), int(le.Uint16(b[14:]))
	valid := bits
	if tag == tagExtensible {
		if len(b) < 40 {
			return layout{}, s.fail(at, ErrCorrupt, "an extensible fmt chunk of %d bytes; 40 are needed; export the file again", len(b))
		}
		if tail := b[26:40]; string(tail) != subformatTail {
			return layout{}, s.fail(at+24, ErrUnsupported, "found the unknown subformat % X; allowed: integer or float samples; %s", b[24:40], exportHint)
		}
		tag = le.Uint16(b[24:])
		info.ChannelMask = le.Uint32(b[20:])
		if v := int(le.Uint16(b[18:])); v > bits {
			return layout{}, s.fail(at+18, ErrCorrupt, "%d valid bits in samples of %d bits; export the file again", v, bits)
		} else if v > 0 && tag == tagInteger {
			valid = v
		}
	}
	if tag != tagInteger && tag != tagFloat {
		return layout{}, s.fail(at, ErrUnsupported, "found %s; allowed: integer or float samples; %s", codecName(tag), exportHint)
	}
	switch {
	case channels == 0:
		return layout{}, s.fail(at+2, ErrCorrupt, "found 0 channels; allowed: 1 to %d; export the file again", MaxChannels)
	case channels > MaxChannels:
		return layout{}, s.fail(at+2, ErrUnsupported, "found %d channels; allowed: 1 to %d; export fewer channels", channels, MaxChannels)
	case rate < MinRate || rate > MaxRate:
		return layout{}, s.fail(at+4, ErrUnsupported, "found a sample rate of %d Hz; allowed: %d to %d Hz; export at the rate of the session", rate, MinRate, MaxRate)
	case blockAlign == 0 || blockAlign%channels != 0:
		return layout{}, s.fail(at+12, ErrCorrupt, "found frames of %d bytes for %d channels; they must divide evenly; export the file again", blockAlign, channels)
	}
	lay := layout{channels: channels, slot: blockAlign / channels, float: tag == tagFloat}
	switch {
	case lay.float && bits != 32 && bits != 64:
		return layout{}, s.fail(at+14, ErrUnsupported, "found %d-bit float samples; allowed: 32 or 64; export 32-bit float", bits)
	case !lay.float && (bits < 1 || bits > 32):
		return layout{}, s.fail(at+14, ErrUnsupported, "found %d-bit integer samples; allowed: 1 to 32; export 24-bit integer or 32-bit float", bits)
	case lay.slot != (bits+7)/8 && !(bits == 24 && lay.slot == 4):
		return layout{}, s.fail(at+12, ErrCorrupt, "found %d bytes per sample for %d-bit samples; expected %d; export the file again", lay.slot, bits, (bits+7)/8)
	}
	info.SampleRate, info.Channels = int(rate), channels
	info.Bits, info.Float = valid, lay.float
	info.Encoding = encodingName(valid, lay.float)
	s.bits = bits
	return lay, nil
}

func encodingName(bits int, float bool) string {
	if float {
		return fmt.Sprintf("%d-bit float", bits)
	}
	return fmt.Sprintf("%d-bit integer", bits)
}

// unclearSlots reports whether samples are smaller than their slots without
// the extensible header that would say on which side the rest is.
func (s *scanner) unclearSlots() bool { return s.bits == 24 }

// probeSlots finds out where 24-bit samples lie in slots of 4 bytes. The
// extensible format puts them high; some programs put them low with the sign
// extended, and the fields of a plain header cannot tell (common practice, no
// source). The samples can: the unused byte is 0 there or repeats the sign.
func (s *scanner) probeSlots(lay *layout, size int64) error {
	high, low := true, true
	for at := int64(0); at < min(size, maxProbe) && high && low; at += blockBytes {
		b, err := s.read(lay.dataStart+at, min(blockBytes, size-at)&^3)
		if err != nil {
			return err
		}
		for ; len(b) >= 4; b = b[4:] {
			high = high && b[0] == 0
			low = low && b[3] == byte(int8(b[2])>>7)
		}
	}
	switch {
	case !high && !low:
		return s.fail(s.format.start+12, ErrUnsupported, "found 24-bit samples in 4-byte slots that use all 4 bytes; allowed: 3-byte slots; %s", exportHint)
	case !high:
		lay.low = true
		s.warn("24-bit samples in 4-byte slots: taken from the low 3 bytes")
	default:
		s.warn("24-bit samples in 4-byte slots: taken from the high 3 bytes")
	}
	return nil
}

// recognise names what a file is that begins with head but is not WAVE; name
// is "" for WAVE and for what is too short to tell.
func recognise(head []byte) (name, do string, kind error) {
	const do1 = exportHint
	at := func(i int, magic string) bool {
		return len(head) >= i+len(magic) && string(head[i:i+len(magic)]) == magic
	}
	wave := at(8, "WAVE")
	switch {
	case (at(0, "RIFF") || at(0, "RF64") || at(0, "BW64")) && wave:
		return "", "", nil
	case at(0, "RIFX") && wave:
		return "a big-endian WAVE file (RIFX)", do1, ErrUnsupported
	case at(0, "RIFF") && len(head) >= 12:
		return fmt.Sprintf("a RIFF file of type %q", head[8:12]), do1, ErrNotWAV
	case at(0, "fLaC"):
		return "a FLAC file", "decode it to WAV first", ErrNotWAV
	case at(0, "FORM") && (at(8, "AIFF") || at(8, "AIFC")):
		return "an AIFF file", do1, ErrNotWAV
	case at(0, "ID3"), len(head) >= 3 && head[0] == 0xFF && head[1]&0xE0 == 0xE0 && head[1]&0x18 != 0x08 && head[1]&6 != 0 && head[2]&0xF0 != 0xF0:
		return "an MP3 file", "a lossy file cannot be measured as the recording; " + do1, ErrNotWAV
	case at(0, "OggS"):
		return "an Ogg file", do1, ErrNotWAV
	case at(4, "ftyp"):
		return "an MP4 or M4A file", do1, ErrNotWAV
	case at(0, "caff"):
		return "a CAF file", do1, ErrNotWAV
	case at(0, ".snd"):
		return "an AU file", do1, ErrNotWAV
	case at(0, "wvpk"):
		return "a WavPack file", "decode it to WAV first", ErrNotWAV
	case at(0, "riff\x2E\x91\xCF\x11"):
		return "a Wave64 file", do1, ErrNotWAV
	case at(0, "\x30\x26\xB2\x75"):
		return "an ASF file", do1, ErrNotWAV
	case at(0, "PK\x03\x04"):
		return "a ZIP archive", "unpack it first", ErrNotWAV
	case at(0, "version https://git-lfs"):
		return "a pointer to a large file that was not fetched", "fetch the file itself", ErrNotWAV
	case len(head) >= 12:
		return fmt.Sprintf("a file that begins with %q", bytes.TrimRight(head[:12], "\x00")), do1, ErrNotWAV
	}
	return "", "", nil
}
