package listening

import (
	"bufio"
	"bytes"
	"encoding/binary"
	"errors"
	"html"
	"io"
	"strconv"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"
)

// text reads a text as marks: encodings, entities, escapes and bare tags are
// resolved.
type text struct {
	in    *bufio.Reader
	order binary.ByteOrder // of UTF-16; nil for UTF-8 and single bytes
	ascii [utf8.RuneSelf]int8
	line  int
	err   error
}

func newText(r io.Reader) *text {
	t := &text{in: bufio.NewReaderSize(r, 64<<10), line: 1}
	for c := range t.ascii {
		switch {
		case value(byte(c)) >= 0:
			t.ascii[c] = value(byte(c))
		default:
			t.ascii[c] = hard
		}
	}
	head, _ := t.in.Peek(4)
	switch {
	case bytes.HasPrefix(head, []byte{0xFF, 0xFE}):
		t.order = binary.LittleEndian
	case bytes.HasPrefix(head, []byte{0xFE, 0xFF}):
		t.order = binary.BigEndian
	case len(head) == 4 && head[0] != 0 && head[1] == 0 && head[2] != 0 && head[3] == 0:
		t.order = binary.LittleEndian
	case len(head) == 4 && head[0] == 0 && head[1] != 0 && head[2] == 0 && head[3] != 0:
		t.order = binary.BigEndian
	}
	if t.order != nil {
		t.in = bufio.NewReaderSize(&utf8From16{in: t.in, order: t.order}, 64<<10)
	}
	return t
}

// next returns the next mark; end again and again after the last.
func (t *text) next() mark {
	c, err := t.in.ReadByte()
	if err != nil {
		if !errors.Is(err, io.EOF) {
			t.err = err
		}
		return mark{end, t.line}
	}
	m := mark{line: t.line}
	switch {
	case c == '&':
		m.v = t.entity()
	case c == '\\':
		m.v = t.escape()
	case c == '<':
		m.v = t.tag()
	case c < utf8.RuneSelf:
		m.v = t.ascii[c]
		if c == '\n' {
			t.line++
		}
	default:
		t.in.UnreadByte()
		r, _, _ := t.in.ReadRune() // an invalid byte is a replacement character
		m.v = t.classify(r)
	}
	return m
}

// classify returns the meaning of a character.
func (t *text) classify(r rune) int8 {
	switch {
	case r >= 0 && r < utf8.RuneSelf:
		return t.ascii[r]
	case unicode.In(r, unicode.Cf, unicode.Mn, unicode.Me):
		return soft
	case r == utf8.RuneError || unicode.IsLetter(r) || unicode.IsDigit(r):
		return stop
	}
	return hard
}

// entity reads the rest of an HTML entity after its &, also one that was
// escaped again (&amp;shy;); if it is none, the & alone was read.
func (t *text) entity() int8 {
	for {
		rest, _ := t.in.Peek(12)
		n := bytes.IndexByte(rest, ';')
		if n < 1 {
			return hard
		}
		name := string(rest[:n+1])
		s := html.UnescapeString("&" + name)
		r, size := utf8.DecodeRuneInString(s)
		if size != len(s) {
			return hard
		}
		t.in.Discard(n + 1)
		if r != '&' {
			return t.classify(r)
		}
	}
}

// escape reads the rest of a JSON escape after its backslash.
func (t *text) escape() int8 {
	rest, _ := t.in.Peek(5)
	switch {
	case len(rest) > 0 && bytes.IndexByte([]byte("nrtbf"), rest[0]) >= 0:
		t.in.Discard(1)
	case len(rest) == 5 && rest[0] == 'u':
		if r, err := strconv.ParseUint(string(rest[1:]), 16, 16); err == nil {
			t.in.Discard(5)
			return t.classify(rune(r))
		}
	}
	return hard
}

// tag reads the rest of an HTML tag without attributes after its <; if it is
// none, the < alone was read. No code is so short that it could be one.
func (t *text) tag() int8 {
	rest, _ := t.in.Peek(14)
	n := bytes.IndexByte(rest, '>')
	if n < 1 {
		return hard
	}
	name := bytes.TrimSpace(bytes.Trim(rest[:n], "/"))
	if len(name) == 0 || len(name) > 10 {
		return hard
	}
	for _, c := range name {
		if c|0x20 < 'a' || c|0x20 > 'z' {
			return hard
		}
	}
	t.in.Discard(n + 1)
	return soft
}

// utf8From16 turns UTF-16 into UTF-8.
type utf8From16 struct {
	in    *bufio.Reader
	order binary.ByteOrder
	held  []byte
	high  rune // a first surrogate that waits for its second
}

func (u *utf8From16) Read(p []byte) (int, error) {
	for len(u.held) == 0 {
		var unit [2]byte
		if _, err := io.ReadFull(u.in, unit[:]); err != nil {
			if errors.Is(err, io.ErrUnexpectedEOF) {
				err = io.EOF // half a character at the end
			}
			return 0, err
		}
		r := rune(u.order.Uint16(unit[:]))
		switch {
		case u.high != 0:
			r, u.high = utf16.DecodeRune(u.high, r), 0
		case utf16.IsSurrogate(r):
			u.high = r
			continue
		}
		u.held = utf8.AppendRune(u.held, r)
		for len(u.held) < len(p) && len(u.held) < 4096 && u.in.Buffered() >= 2 {
			two, _ := u.in.Peek(2)
			r := rune(u.order.Uint16(two))
			if utf16.IsSurrogate(r) {
				break
			}
			u.in.Discard(2)
			u.held = utf8.AppendRune(u.held, r)
		}
	}
	n := copy(p, u.held)
	u.held = u.held[n:]
	return n, nil
}
