package flacio

import "io"

// source reads a file for the library, which asks for nearly every byte on its
// own: this takes half the time of a bufio.Reader for that. Where keep is set it
// keeps what was read since the last mark, which for a broken file may be all.
type source struct {
	file io.Reader
	keep bool
	buf  []byte
	from int // the mark
	at   int // next byte
	end  int // of what was read from the file
}

const sourceBytes = 1 << 16 // read at a time

func newSource(file io.Reader) *source { return &source{file: file, buf: make([]byte, 2*sourceBytes)} }

// mark begins what marked returns.
func (s *source) mark() { s.from = s.at }

// marked is what was read since the mark; it holds until the next Read.
func (s *source) marked() []byte { return s.buf[s.from:s.at] }

func (s *source) Read(p []byte) (int, error) {
	if s.at == s.end {
		if err := s.fill(); err != nil {
			return 0, err
		}
	}
	if len(p) == 1 {
		p[0] = s.buf[s.at]
		s.at++
		return 1, nil
	}
	n := copy(p, s.buf[s.at:s.end])
	s.at += n
	return n, nil
}

// fill reads on behind what was read since the mark.
func (s *source) fill() error {
	if !s.keep {
		s.from = s.end
	}
	kept := copy(s.buf, s.buf[s.from:s.end])
	s.from, s.at, s.end = 0, kept, kept
	if len(s.buf) < kept+sourceBytes {
		s.buf = append(s.buf, make([]byte, len(s.buf))...)
	}
	for {
		n, err := s.file.Read(s.buf[s.end:][:sourceBytes])
		if s.end += n; n > 0 {
			return nil // an error comes again
		}
		if err != nil {
			return err
		}
	}
}
