package listening

import (
	"bytes"
	"encoding/binary"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"testing/iotest"
	"unicode/utf16"
)

// comments writes a text with every code once among words, and returns it.
func comments(rng *rand.Rand, codes []string) string {
	words := strings.Fields("great video the second one has more low end than I'd expect, even on a phone! EVEN evn NH 100% Hände день 比較 \U0001F3B8 4k lol <3 & co; v1 http://host.example/?a=1&b=2")
	var s strings.Builder
	for _, c := range codes {
		for range rng.IntN(12) {
			s.WriteString(words[rng.IntN(len(words))])
			s.WriteByte(' ')
		}
		s.WriteString(c)
		s.WriteString("\n")
	}
	return s.String()
}

func find(t testing.TB, r io.Reader) (sound []Answer, damaged []Found) {
	t.Helper()
	for f, err := range Find(r) {
		if err != nil {
			t.Fatal(err)
		}
		if f.Err != nil {
			damaged = append(damaged, f)
			continue
		}
		if c := code(t, f.Answer); c != f.Code {
			t.Fatalf("found %s, whose answer is written %s", f.Code, c)
		}
		sound = append(sound, f.Answer)
	}
	return sound, damaged
}

func wide(s string, order binary.AppendByteOrder, mark bool) []byte {
	var b []byte
	if mark {
		b = order.AppendUint16(b, 0xFEFF)
	}
	for _, u := range utf16.Encode([]rune(s)) {
		b = order.AppendUint16(b, u)
	}
	return b
}

func TestFindInEveryExport(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	answers := randoms(rng, 3)
	var codes []string
	for _, a := range answers {
		codes = append(codes, code(t, a))
	}
	text := comments(rng, codes)
	lines := strings.Split(strings.TrimSuffix(text, "\n"), "\n")
	var table, tabs, escaped bytes.Buffer
	w := csv.NewWriter(&table)
	tw := csv.NewWriter(&tabs)
	tw.Comma = '\t'
	for i, l := range lines {
		row := []string{fmt.Sprint(i), "reader " + fmt.Sprint(i), "he said \"" + l + "\"", "2026-03-14"}
		for _, w := range []*csv.Writer{w, tw} {
			if err := w.Write(row); err != nil {
				t.Fatal(err)
			}
		}
		b, _ := json.Marshal(map[string]string{"text": "see:\n" + l})
		escaped.Write(b)
	}
	w.Flush()
	tw.Flush()
	latin := []byte(strings.ReplaceAll(text, "ä", "\x00"))
	latin = bytes.ReplaceAll(latin, []byte{0}, []byte{0xE4})
	for name, b := range map[string][]byte{
		"text":                      []byte(text),
		"UTF-8 with byte order":     append([]byte("\xef\xbb\xbf"), text...),
		"Latin-1":                   latin,
		"UTF-16 little, marked":     wide(text, binary.LittleEndian, true),
		"UTF-16 big, marked":        wide(text, binary.BigEndian, true),
		"UTF-16 little":             wide(text, binary.LittleEndian, false),
		"UTF-16 big":                wide(text, binary.BigEndian, false),
		"half a character at end":   append(wide(text, binary.LittleEndian, true), 'x'),
		"CSV":                       table.Bytes(),
		"tabs, UTF-16":              wide(tabs.String(), binary.LittleEndian, true),
		"JSON":                      escaped.Bytes(),
		"HTML":                      []byte("<ul><li>" + strings.Join(strings.Split(html.EscapeString(text), "\n"), "</li><li>") + "</li></ul>"),
		"Windows lines":             []byte(strings.ReplaceAll(text, "\n", "\r\n")),
		"codes without any between": []byte(strings.Join(codes, "")),
	} {
		for _, slow := range []bool{false, true} {
			var r io.Reader = bytes.NewReader(b)
			if slow {
				r = iotest.HalfReader(iotest.DataErrReader(r))
			}
			got, damaged := find(t, r)
			if len(damaged) > 0 {
				t.Errorf("%s: damaged %+v", name, damaged[0])
			}
			if !reflect.DeepEqual(got, answers) {
				t.Errorf("%s: %d codes found, want %d", name, len(got), len(answers))
			}
		}
	}
}

func TestFindCountsDamage(t *testing.T) {
	rng := rand.New(rand.NewPCG(8, 7))
	a, b := random(rng, KindPreference, 8), random(rng, KindTrials, 8)
	c, d := code(t, a), code(t, b)
	wrong := []byte(c)
	wrong[20] = alphabet[(value(wrong[20])+1)%32]
	for _, e := range []struct {
		text           string
		sound, damaged int
		line           int // of the first damaged one
	}{
		{"\n" + c[:30] + "\n" + d, 1, 1, 2},             // cut off, a sound one behind
		{c[:30], 0, 1, 1},                               // cut off at the end
		{c[:30] + c, 1, 1, 1},                           // cut off, glued to a sound one
		{c + "\n\n" + string(wrong) + " " + d, 2, 1, 3}, // one wrong character
		{"what is EVNH for? " + d, 1, 1, 1},             // the prefix in a sentence
		{"EVNH2" + c[5:] + " " + c, 1, 1, 1},            // a later version
		{"EVNHEVNH" + c, 1, 1, 1},                       // prefixes alone; the second is within a word
		{"xEVNH9" + c[5:] + " y" + c, 1, 0, 0},          // within words
		{"x" + string(wrong), 0, 1, 1},
		{"even hand, Evn H, ev-nh, e v n h", 0, 0, 0},        // nothing
		{c[:10] + strings.Repeat(" ", 17) + c[10:], 0, 1, 1}, // too far apart
		{c[:10] + strings.Repeat(" ", 16) + c[10:], 1, 0, 0},
		{"<" + c + ">&" + c + ";\\" + c + "\\u" + c, 4, 0, 0}, // looks like markup
	} {
		sound, damaged := find(t, strings.NewReader(e.text))
		if len(sound) != e.sound || len(damaged) != e.damaged {
			t.Errorf("%q: %d sound, %d damaged; want %d and %d", e.text, len(sound), len(damaged), e.sound, e.damaged)
			continue
		}
		if e.damaged > 0 && damaged[0].Line != e.line {
			t.Errorf("%q: damaged on line %d, want %d", e.text, damaged[0].Line, e.line)
		}
		for _, f := range damaged {
			if !errors.Is(f.Err, ErrDamaged) && !errors.Is(f.Err, ErrVersion) || !strings.HasPrefix(f.Code, prefix) {
				t.Errorf("%q: %+v", e.text, f)
			}
		}
	}
}

// 100 000 comment words hold no code, not even the beginning of one; and of
// half a million random texts that begin like a code of the right length none
// passes (expected: 5·10⁵/2³⁰ = 0.0005).
func TestNoFalseHits(t *testing.T) {
	rng := rand.New(rand.NewPCG(100, 1))
	const letters = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789"
	var s strings.Builder
	for range 100_000 {
		for range 1 + rng.IntN(12) {
			s.WriteByte(letters[rng.IntN(len(letters))])
		}
		s.WriteByte(" \n,.-"[rng.IntN(5)])
	}
	if sound, damaged := find(t, strings.NewReader(s.String())); len(sound)+len(damaged) > 0 {
		t.Errorf("random words: %d sound and %d damaged codes", len(sound), len(damaged))
	}
	values := make([]int8, 38)
	values[0], values[1], values[2] = 1, 1, 8
	tries := 500_000
	if testing.Short() || raced {
		tries = 100_000
	}
	for range tries {
		a, b, c := rng.Uint64(), rng.Uint64(), rng.Uint64()
		for i := 3; i < 38; i++ {
			values[i] = int8(a & 31)
			a = a>>5 | b<<59
			b = b>>5 | c<<59
			c >>= 5
		}
		if got, err := parse(values); err == nil {
			t.Fatalf("random text is the answer %+v", got)
		}
	}
}

func TestFindPassesOnReadErrors(t *testing.T) {
	broken := errors.New("broken")
	c := code(t, random(rand.New(rand.NewPCG(8, 8)), KindTrials, 4))
	found, got := 0, error(nil)
	for _, err := range Find(io.MultiReader(strings.NewReader(c+" and "), iotest.ErrReader(broken))) {
		if err != nil {
			got = err
		} else {
			found++
		}
	}
	if found != 1 || !errors.Is(got, broken) {
		t.Errorf("%d codes and error %v, want 1 and the reader's", found, got)
	}
	for range Find(strings.NewReader(c + c)) {
		break // stopping early is no fault
	}
}

// A text without end or structure does not grow the memory: 4 MB of prefixes
// and separators.
func TestFindIsBounded(t *testing.T) {
	r := io.LimitReader(&repeat{[]byte("EVNH1 &amp;amp;<b>\\u00ad")}, 4<<20)
	m := newMarks(r)
	most := 0
	for m.at(0).v != end {
		if n, ok := m.prefixed(); ok {
			m.read(n)
		}
		m.drop(1)
		most = max(most, cap(m.ahead))
	}
	if most > 16384 {
		t.Errorf("%d marks were held", most)
	}
}

type repeat struct{ b []byte }

func (r *repeat) Read(p []byte) (int, error) {
	n := 0
	for n < len(p) {
		n += copy(p[n:], r.b)
	}
	return n, nil
}

func FuzzDecode(f *testing.F) {
	for _, a := range randoms(rand.New(rand.NewPCG(3, 3)), 1) {
		f.Add(code(f, a))
	}
	f.Add("EVNH1")
	f.Add("&amp;#69;VNH\\u0031<br>")
	f.Fuzz(func(t *testing.T, s string) {
		a, err := decode(s)
		if err != nil {
			if !reflect.DeepEqual(a, Answer{}) {
				t.Errorf("%q: an answer and the error %v", s, err)
			}
			if !errors.Is(err, ErrDamaged) && !errors.Is(err, errNoCode) && !errors.Is(err, ErrVersion) {
				t.Errorf("%q: error %v of no known type", s, err)
			}
			return
		}
		again, err := decode(code(t, a))
		if err != nil || !reflect.DeepEqual(a, again) {
			t.Errorf("%q: %+v becomes %+v, %v", s, a, again, err)
		}
		if sound, _ := find(t, strings.NewReader(s)); len(sound) != 1 || !reflect.DeepEqual(sound[0], a) {
			// A text of which decode makes something begins like UTF-16 only by accident.
			t.Errorf("%q: Find gives %+v", s, sound)
		}
	})
}

func FuzzFind(f *testing.F) {
	c := code(f, random(rand.New(rand.NewPCG(3, 3)), KindPreference, 3))
	f.Add([]byte(c))
	f.Add(wide("ab"+c, binary.LittleEndian, true))
	f.Add([]byte("&amp;amp;amp;shy;<b><" + c))
	f.Fuzz(func(t *testing.T, b []byte) {
		collect := func(r io.Reader) []Found {
			all := []Found{}
			line := 1
			for f, err := range Find(r) {
				if err != nil {
					t.Fatal(err)
				}
				if f.Line < line {
					t.Errorf("line %d after line %d", f.Line, line)
				}
				line = f.Line
				if (f.Err == nil) != (f.Answer.Kind != "") || !strings.HasPrefix(f.Code, prefix) {
					t.Errorf("%+v", f)
				}
				if f.Err != nil {
					f.Err = errors.New(f.Err.Error())
				}
				all = append(all, f)
			}
			return all
		}
		whole := collect(bytes.NewReader(b))
		if split := collect(iotest.OneByteReader(bytes.NewReader(b))); !reflect.DeepEqual(whole, split) {
			t.Errorf("by single bytes %+v, at once %+v", split, whole)
		}
		// A sound code on a line of its own is found whatever stands on the
		// lines before it, unless that turns the text into UTF-16.
		longer := append(append([]byte{}, b...), "\n\n "+c...)
		if newText(bytes.NewReader(longer)).order != nil {
			return
		}
		got := collect(bytes.NewReader(longer))
		if len(got) == 0 || got[len(got)-1].Code != c || got[len(got)-1].Err != nil {
			t.Errorf("the code behind %q was not found: %+v", b, got)
		}
	})
}

func BenchmarkFind(b *testing.B) {
	rng := rand.New(rand.NewPCG(7, 7))
	var codes []string
	for range 100_000 {
		codes = append(codes, code(b, random(rng, KindPreference, 8)))
	}
	text := comments(rng, codes)
	takes := named("a", "b", "c", "d", "e", "f", "g", "h")
	for _, c := range []struct {
		name string
		b    []byte
	}{{"encoding=UTF-8", []byte(text)}, {"encoding=UTF-16", wide(text, binary.LittleEndian, true)}} {
		b.Run("codes=100000/"+c.name, func(b *testing.B) {
			b.SetBytes(int64(len(c.b)))
			for b.Loop() {
				n := 0
				for range Find(bytes.NewReader(c.b)) {
					n++
				}
				if n != len(codes) {
					b.Fatal(n)
				}
			}
			b.ReportMetric(float64(len(codes)*b.N)/b.Elapsed().Seconds(), "codes/s")
		})
	}
	b.Run("codes=100000/tally", func(b *testing.B) {
		for b.Loop() {
			r, err := Tally(Find(strings.NewReader(text)), takes, hash)
			if err != nil || r.Counted != len(codes) {
				b.Fatal(r.Counted, err)
			}
		}
		b.ReportMetric(float64(len(codes)*b.N)/b.Elapsed().Seconds(), "codes/s")
	})
}
