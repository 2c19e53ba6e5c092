package listening

import (
	"fmt"
	"io"
	"iter"
	"strings"
)

// Found is a code that was found in a text, sound or not.
type Found struct {
	Line   int    // where it begins, from 1
	Code   string // as [Encode] writes it; of a damaged one as far as it was read
	Answer Answer
	Err    error // nil, or wraps ErrDamaged or ErrVersion; Answer is then empty
}

// maxGap is the greatest number of separating characters between two
// characters of a code.
const maxGap = 16

// Find yields the codes in a text in their order: pasted comments, CSV, JSON
// or HTML, in UTF-8, UTF-16 with or without a byte order mark, or any single
// byte encoding that contains ASCII. It reads the text as a stream and keeps
// at most a few kilobytes of it. Every word that begins like a code counts as
// one, sound or damaged; within a word only what goes on like a code too, as
// long random words hold every four letters some time. After a damaged code the search goes on right
// behind its prefix, so that it cannot hide a sound one. When reading fails,
// that error is yielded as the last pair.
func Find(r io.Reader) iter.Seq2[Found, error] {
	return func(yield func(Found, error) bool) {
		marks := newMarks(r)
		within := false // a word
		for marks.at(0).v != end {
			n, ok := marks.prefixed()
			if !ok {
				v := marks.at(0).v
				within = v >= 0 || v == stop || within && v == soft
				marks.drop(1)
				continue
			}
			f := Found{Line: marks.at(0).line}
			var used int
			f.Answer, f.Code, used, f.Err = marks.read(n)
			overlook := within && f.Err != nil && len(f.Code) <= len(prefix)+3
			if f.Err != nil {
				used = n
			}
			within = true
			marks.drop(used)
			if overlook {
				continue
			}
			if !yield(f, nil) {
				return
			}
		}
		if err := marks.err(); err != nil {
			yield(Found{}, err)
		}
	}
}

// mark is what one character means for codes.
type mark struct {
	v    int8 // 0 to 31, or one of the constants
	line int
}

const (
	soft int8 = -1 - iota // invisible
	hard                  // neither a letter nor a digit
	stop                  // a letter or digit that is in no code
	end                   // of the text
)

// marks is the text with a view ahead.
type marks struct {
	text  *text
	ahead []mark
	head  int
}

func newMarks(r io.Reader) *marks { return &marks{text: newText(r)} }

func (m *marks) err() error { return m.text.err }

// at returns the i-th mark from here.
func (m *marks) at(i int) mark {
	for m.head+i >= len(m.ahead) {
		if m.head > 4096 {
			m.ahead = m.ahead[:copy(m.ahead, m.ahead[m.head:])]
			m.head = 0
		}
		m.ahead = append(m.ahead, m.text.next())
	}
	return m.ahead[m.head+i]
}

// drop goes n marks on.
func (m *marks) drop(n int) {
	m.at(n - 1)
	m.head += n
}

// prefixed returns the length of the prefix, if there is one here.
func (m *marks) prefixed() (int, bool) {
	i := 0
	for k := range len(prefix) {
		if k > 0 {
			for gap := 0; gap < maxGap && m.at(i).v == soft; gap++ {
				i++
			}
		}
		if m.at(i).v != value(prefix[k]) {
			return 0, false
		}
		i++
	}
	return i, true
}

// read reads the code whose prefix has n marks and returns how many marks it
// has as a whole.
func (m *marks) read(n int) (a Answer, code string, used int, err error) {
	values := make([]int8, 0, maxSymbols)
	want := 3
	i := n
	for len(values) < want && err == nil {
		for gap := 0; gap < maxGap && (m.at(i).v == soft || m.at(i).v == hard); gap++ {
			i++
		}
		v := m.at(i).v
		if v < 0 {
			err = fmt.Errorf("%w: it ends after %d characters", ErrDamaged, len(prefix)+len(values))
			break
		}
		values = append(values, v)
		i++
		if len(values) == 3 {
			want, err = length(values)
		}
	}
	if err == nil {
		a, err = parse(values)
	}
	var s strings.Builder
	s.WriteString(prefix)
	for _, v := range values {
		s.WriteByte(alphabet[v])
	}
	return a, s.String(), i, err
}
