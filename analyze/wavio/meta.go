package wavio

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"math"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"evenhand/analyze/unit"
)

// Bext is the broadcast extension of a file. Source: EBU Tech 3285 version 2.
type Bext struct {
	Description         string // up to 256 ASCII characters
	Originator          string // up to 32
	OriginatorReference string // up to 32
	Date                string // yyyy-mm-dd
	Time                string // hh:mm:ss
	TimeReference       uint64 // first frame, counted from midnight
	Version             int    // 0 to 2 as read; written is always 2
	UMID                [64]byte
	Loudness            *BextLoudness // nil if the file gives none
	CodingHistory       string        // lines ending CR LF
}

// BextLoudness are the loudness fields, stored in hundredths; a value that the
// file does not give is NaN.
type BextLoudness struct {
	Integrated   unit.LUFS
	Range        unit.LU
	MaxTruePeak  unit.DBTP
	MaxMomentary unit.LUFS
	MaxShortTerm unit.LUFS
}

// Layout of the fixed part of bext.
const (
	bextFixed   = 602
	bextUMID    = 348
	bextLoud    = 412
	bextNoValue = 0x7FFF // from memory
)

// parseMeta reads cue points, their labels and bext, as far as they are there.
func (s *scanner) parseMeta(info *Info) error {
	budget := int64(maxMeta)
	cues := map[uint32]*Cue{}
	var order []uint32
	labels, notes, lengths := map[uint32]string{}, map[uint32]string{}, map[uint32]int64{}
	for _, c := range s.meta {
		size := min(c.size, maxMetaPart, budget)
		if size < c.size {
			s.warn("the %q chunk at byte %d has %d bytes; only %d are read", c.id, c.start-8, c.size, size)
		}
		if size == 0 {
			continue
		}
		b, err := s.read(c.start, size)
		if err != nil {
			return err
		}
		budget -= size
		switch c.id {
		case "bext":
			if len(b) < bextFixed {
				s.warn("the bext chunk at byte %d has %d bytes instead of at least %d and is ignored", c.start-8, c.size, bextFixed)
			} else if info.Bext == nil {
				info.Bext = parseBext(b)
			}
		case "cue ":
			if len(b) < 4 {
				continue
			}
			count := binary.LittleEndian.Uint32(b)
			for p := b[4:]; count > 0 && len(p) >= 24; p, count = p[24:], count-1 {
				id := binary.LittleEndian.Uint32(p)
				if cues[id] == nil {
					cues[id] = &Cue{ID: id, Frame: int64(binary.LittleEndian.Uint32(p[20:]))}
					order = append(order, id)
				}
			}
			if count > 0 {
				s.warn("the cue chunk at byte %d ends %d cue points early", c.start-8, count)
			}
		case "LIST":
			if len(b) >= 4 && string(b[:4]) == "adtl" {
				parseLabels(b[4:], labels, notes, lengths)
			}
		}
	}
	for _, id := range order {
		c := cues[id]
		c.Label, c.Length = cmp.Or(labels[id], notes[id]), lengths[id]
		if c.Frame > info.Frames {
			s.warn("cue point %d is at frame %d, after the end of the audio", id, c.Frame)
		}
		info.Cues = append(info.Cues, *c)
	}
	slices.SortStableFunc(info.Cues, func(a, b Cue) int {
		return cmp.Or(cmp.Compare(a.Frame, b.Frame), cmp.Compare(a.ID, b.ID))
	})
	return nil
}

// parseLabels reads the parts of a LIST of type adtl; the first entry for a
// cue point counts.
func parseLabels(b []byte, labels, notes map[uint32]string, lengths map[uint32]int64) {
	for len(b) >= 12 {
		id, size := string(b[:4]), int64(binary.LittleEndian.Uint32(b[4:]))
		body := b[8:]
		body = body[:min(size, int64(len(body)))]
		if len(body) >= 4 {
			cue := binary.LittleEndian.Uint32(body)
			put := labels
			switch id {
			case "note":
				put = notes
				fallthrough
			case "labl":
				if put[cue] == "" {
					put[cue] = text(body[4:])
				}
			case "ltxt":
				if len(body) >= 8 && lengths[cue] == 0 {
					lengths[cue] = int64(binary.LittleEndian.Uint32(body[4:]))
				}
			}
		}
		b = b[min(8+size+size%2, int64(len(b))):]
	}
}

// text turns a padded field into UTF-8: up to the first zero byte, bytes above
// ASCII that are not UTF-8 as Latin-1, control characters dropped.
func text(b []byte) string {
	if i := bytes.IndexByte(b, 0); i >= 0 {
		b = b[:i]
	}
	s := string(b)
	if !utf8.Valid(b) {
		runes := make([]rune, len(b))
		for i, c := range b {
			runes[i] = rune(c)
		}
		s = string(runes)
	}
	s = strings.Map(func(r rune) rune {
		if unicode.IsControl(r) && r != '\n' && r != '\r' {
			return -1
		}
		return r
	}, s)
	return strings.TrimRight(s, " ")
}

func parseBext(b []byte) *Bext {
	le := binary.LittleEndian
	x := &Bext{
		Description:         text(b[:256]),
		Originator:          text(b[256:288]),
		OriginatorReference: text(b[288:320]),
		Date:                text(b[320:330]),
		Time:                text(b[330:338]),
		TimeReference:       le.Uint64(b[338:]),
		Version:             int(le.Uint16(b[346:])),
		CodingHistory:       text(b[bextFixed:]),
	}
	if x.Version >= 1 {
		copy(x.UMID[:], b[bextUMID:])
	}
	// Five zeros are a version 2 chunk whose writer did not measure: no audio
	// has a loudness and a true peak of 0 at a range of 0.
	if raw := b[bextLoud : bextLoud+10]; x.Version >= 2 && !bytes.Equal(raw, make([]byte, 10)) {
		var v [5]float64
		given := false
		for i := range v {
			v[i] = math.NaN()
			if n := int16(le.Uint16(raw[2*i:])); n != bextNoValue {
				v[i], given = float64(n)/100, true
			}
		}
		if given {
			x.Loudness = &BextLoudness{unit.LUFS(v[0]), unit.LU(v[1]), unit.DBTP(v[2]), unit.LUFS(v[3]), unit.LUFS(v[4])}
		}
	}
	return x
}

// appendBext appends the body of a version 2 chunk. Text is cut to its field;
// characters beyond ASCII become question marks, as the standard allows none.
func appendBext(out []byte, x *Bext) []byte {
	le := binary.LittleEndian
	b := make([]byte, bextFixed)
	copy(b[:256], ascii(x.Description))
	copy(b[256:288], ascii(x.Originator))
	copy(b[288:320], ascii(x.OriginatorReference))
	copy(b[320:330], ascii(x.Date))
	copy(b[330:338], ascii(x.Time))
	le.PutUint64(b[338:], x.TimeReference)
	le.PutUint16(b[346:], 2)
	copy(b[bextUMID:], x.UMID[:])
	copy(b[bextLoud:], appendLoudness(nil, x.Loudness))
	return append(append(out, b...), ascii(x.CodingHistory)...)
}

// appendLoudness appends the five loudness fields.
func appendLoudness(out []byte, l *BextLoudness) []byte {
	v := [5]float64{math.NaN(), math.NaN(), math.NaN(), math.NaN(), math.NaN()}
	if l != nil {
		v = [5]float64{float64(l.Integrated), float64(l.Range), float64(l.MaxTruePeak), float64(l.MaxMomentary), float64(l.MaxShortTerm)}
	}
	for _, f := range v {
		n := int16(bextNoValue)
		if math.Abs(f) < 99.995 { // the fields are defined from -99.99 to 99.99; false for NaN
			n = int16(math.Round(f * 100))
		}
		out = binary.LittleEndian.AppendUint16(out, uint16(n))
	}
	return out
}

func ascii(s string) string {
	return strings.Map(func(r rune) rune {
		if r == 0 || r > unicode.MaxASCII {
			return '?'
		}
		return r
	}, s)
}

// appendCues appends a cue chunk and a LIST chunk with labels and lengths.
func appendCues(out []byte, cues []Cue) []byte {
	if len(cues) == 0 {
		return out
	}
	le := binary.LittleEndian
	cue := le.AppendUint32(nil, uint32(len(cues)))
	list := []byte("adtl")
	for _, c := range cues {
		cue = le.AppendUint32(cue, c.ID)
		cue = le.AppendUint32(cue, uint32(c.Frame))
		cue = append(cue, "data\x00\x00\x00\x00\x00\x00\x00\x00"...)
		cue = le.AppendUint32(cue, uint32(c.Frame))
		id := le.AppendUint32(nil, c.ID)
		if c.Label != "" {
			list = appendChunk(list, "labl", append(append(id, strings.ReplaceAll(c.Label, "\x00", "")...), 0))
		}
		if c.Length > 0 {
			body := le.AppendUint32(id, uint32(c.Length))
			list = appendChunk(list, "ltxt", append(body, "rgn \x00\x00\x00\x00\x00\x00\x00\x00"...))
		}
	}
	out = appendChunk(out, "cue ", cue)
	if len(list) > 4 {
		out = appendChunk(out, "LIST", list)
	}
	return out
}

// appendChunk appends a chunk with its padding byte.
func appendChunk(out []byte, id string, body []byte) []byte {
	out = append(out, id...)
	out = binary.LittleEndian.AppendUint32(out, uint32(len(body)))
	out = append(out, body...)
	if len(body)%2 == 1 {
		out = append(out, 0)
	}
	return out
}
