package listening

import (
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"reflect"
	"regexp"
	"strings"
	"testing"
)

// Source: CRC-30/CDMA's published check value, from memory.
func TestCRC30(t *testing.T) {
	var b bits
	for _, c := range []byte("123456789") {
		b.put(uint64(c), 8)
	}
	if got := crc30(b); got != 0x04C34ABF {
		t.Errorf("crc30 = %08X, want 04C34ABF", got)
	}
}

const hash = "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"

// random returns a random answer that can be written.
func random(rng *rand.Rand, kind Kind, takes int) Answer {
	a := Answer{Kind: kind, Comparison: hash[:10], Nonce: fmt.Sprintf("%010x", rng.Uint64()>>24), Takes: takes}
	switch kind {
	case KindPreference:
		p := &Preference{Pairs: make([]Outcome, takes*(takes-1)/2), Same: Outcome(rng.IntN(4))}
		for i := range p.Pairs {
			p.Pairs[i] = Outcome(rng.IntN(4))
		}
		if p.Same != NotAsked {
			p.SameTake = rng.IntN(takes)
		}
		a.Preference = p
	case KindTrials:
		t := &Trials{A: rng.IntN(takes - 1), Planned: 1 + rng.IntN(MaxTrials)}
		t.B = t.A + 1 + rng.IntN(takes-t.A-1)
		t.Done = rng.IntN(t.Planned + 1)
		t.Correct = rng.IntN(t.Done + 1)
		a.Trials = t
	case KindRatings:
		r := &Ratings{Takes: make([]int, takes), Hidden: rng.IntN(102) - 1, Anchor: rng.IntN(102) - 1}
		for i := range r.Takes {
			r.Takes[i] = rng.IntN(102) - 1
		}
		a.Ratings = r
	}
	return a
}

func code(t testing.TB, a Answer) string {
	t.Helper()
	c, err := Encode(a)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func randoms(rng *rand.Rand, each int) []Answer {
	var all []Answer
	for _, kind := range kinds[1:] {
		for takes := MinTakes; takes <= MaxTakes; takes++ {
			for range each {
				all = append(all, random(rng, kind, takes))
			}
		}
	}
	return all
}

func TestRoundTrip(t *testing.T) {
	letters := regexp.MustCompile(`^EVNH[0-9A-HJKMNP-TV-Z]+$`)
	for _, a := range randoms(rand.New(rand.NewPCG(3, 4)), 40) {
		c := code(t, a)
		if !letters.MatchString(c) {
			t.Fatalf("%s has other characters than letters and digits", c)
		}
		got, err := decode(c)
		if err != nil || !reflect.DeepEqual(got, a) {
			t.Fatalf("%s of %+v gives %+v, %v", c, a, got, err)
		}
	}
}

func TestLengths(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	for _, c := range []struct {
		kind          Kind
		takes, length int
	}{{KindPreference, 8, 42}, {KindPreference, 2, 31}, {KindPreference, 16, 79}, {KindTrials, 8, 36}, {KindTrials, 16, 36}, {KindRatings, 8, 43}} {
		if got := len(code(t, random(rng, c.kind, c.takes))); got != c.length {
			t.Errorf("%s of %d takes: %d characters, want %d", c.kind, c.takes, got, c.length)
		}
	}
}

// The codes of this file must never change their meaning: readers keep them.
func TestFrozenCodes(t *testing.T) {
	f, err := os.ReadFile("testdata/codes.json")
	if err != nil {
		t.Fatal(err)
	}
	var frozen []struct {
		Code   string `json:"code"`
		Answer Answer `json:"answer"`
	}
	if err := json.Unmarshal(f, &frozen); err != nil {
		t.Fatal(err)
	}
	if len(frozen) < 4 {
		t.Fatalf("only %d codes", len(frozen))
	}
	for _, f := range frozen {
		if got, err := decode(f.Code); err != nil || !reflect.DeepEqual(got, f.Answer) {
			t.Errorf("%s gives %+v, %v", f.Code, got, err)
		}
		if got := code(t, f.Answer); got != f.Code {
			t.Errorf("%+v is written %s, was %s", f.Answer, got, f.Code)
		}
	}
}

// The example in the package's documentation, bit by bit by hand.
func TestDocumentedFormat(t *testing.T) {
	doc, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	example := regexp.MustCompile(`EVNH1\w+`).FindString(string(doc))
	a, err := decode(example)
	if err != nil {
		t.Fatalf("%q: %v", example, err)
	}
	if a.Kind != KindPreference || a.Takes != 8 || len(example) != 42 {
		t.Errorf("the example is %d long and says %+v", len(example), a)
	}
	// Trials: 1, kind 2, n 3, comparison ffff0000ff, nonce 0123456789, takes
	// 0 and 2, 16 planned and done, 12 right: the fields in binary, cut into
	// fives, then looked up.
	fields := "00001" + "00010" + "00011" +
		"1111111111111111000000000000000011111111" + "0000000100100011010001010110011110001001" +
		"0000" + "0010" + "00010000" + "00010000" + "00001100" + "000"
	want := "EVNH"
	for i := 0; i < len(fields); i += 5 {
		v := 0
		for _, c := range fields[i : i+5] {
			v = 2*v + int(c-'0')
		}
		want += "0123456789ABCDEFGHJKMNPQRSTVWXYZ"[v : v+1]
	}
	got := code(t, Answer{Kind: KindTrials, Comparison: "FFFF0000FF77", Nonce: "0123456789", Takes: 3, Trials: &Trials{A: 0, B: 2, Planned: 16, Done: 16, Correct: 12}})
	if got[:len(got)-6] != want {
		t.Errorf("code %s, by hand %s and the check", got, want)
	}
}

// Every single wrong character, every exchange of neighbours, every missing
// and every doubled character is noticed.
func TestDamageIsNoticed(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	for _, a := range []Answer{random(rng, KindPreference, 8), random(rng, KindTrials, 5), random(rng, KindRatings, 8)} {
		c := code(t, a)
		try := func(s string) {
			t.Helper()
			if got, err := decode(s); err == nil {
				t.Errorf("%s, damaged from %s, gives %+v", s, c, got)
			} else if !errors.Is(err, ErrDamaged) && !errors.Is(err, errNoCode) && !errors.Is(err, ErrVersion) {
				t.Errorf("%s: error %v of no known type", s, err)
			}
		}
		for i := range c {
			for _, r := range alphabet {
				if byte(r) != c[i] {
					try(c[:i] + string(r) + c[i+1:])
				}
			}
			if i > 0 && c[i] != c[i-1] {
				try(c[:i-1] + c[i:i+1] + c[i-1:i] + c[i+1:])
			}
			try(c[:i] + c[i+1:])
			try(c[:i] + c[i:i+1] + c[i:])
			try(c[:i] + "é" + c[i:])
		}
		for range 5000 {
			b := []byte(c)
			for i := range 2 + rng.IntN(20) {
				b[len(prefix)+1+(i*7+rng.IntN(5))%(len(b)-len(prefix)-1)] = alphabet[rng.IntN(32)]
			}
			if string(b) != c {
				try(string(b))
			}
		}
	}
}

func TestForgivingDecode(t *testing.T) {
	a := random(rand.New(rand.NewPCG(1, 9)), KindPreference, 8)
	c := code(t, a)
	look := strings.NewReplacer("0", "o", "1", "l", "V", "u")
	for name, s := range map[string]string{
		"lower case":       strings.ToLower(c),
		"look-alikes":      look.Replace(c),
		"capital look-a":   strings.NewReplacer("0", "O", "1", "I", "V", "U").Replace(c),
		"groups":           c[:4] + "-" + c[4:10] + " " + c[10:20] + "\r\n" + c[20:],
		"quotes":           "  “" + c + "”.",
		"soft hyphens":     strings.Join(strings.Split(c, ""), "\u00ad"),
		"zero width":       strings.Join(strings.Split(c, ""), "\u200b"),
		"bidi marks":       "\u202a" + c + "\u202c",
		"entities":         c[:9] + "&shy;" + c[9:14] + "&#8203;" + c[14:18] + "&#xAD;" + c[18:22] + "&amp;nbsp;" + c[22:] + "&quot;",
		"letter entity":    "&#69;" + c[1:],
		"tags":             "<b>" + c[:12] + "<wbr>" + c[12:20] + "<br />" + c[20:] + "</b>",
		"json":             c[:7] + `\u00ad` + c[7:12] + `\n` + c[12:],
		"line in a mail":   c[:20] + "=\r\n> " + c[20:],
		"non-breaking":     c[:20] + "\u00a0" + c[20:],
		"variation select": c[:20] + "\ufe0f" + c[20:],
	} {
		got, err := decode(s)
		if err != nil || !reflect.DeepEqual(got, a) {
			t.Errorf("%s: %q gives %+v, %v", name, s, got, err)
		}
	}
	for _, s := range []string{"", " ", "EVNH", "hello", c + "A", "x" + c, c + " " + c, c[:30] + strings.Repeat(" ", 17) + c[30:], "EV NH" + c[4:], "EVNH2" + c[5:], "\xff" + c} {
		if got, err := decode(s); err == nil {
			t.Errorf("%q gives %+v, want an error", s, got)
		}
	}
	if _, err := decode("EVNH2" + c[5:]); !errors.Is(err, ErrVersion) {
		t.Errorf("version 2: error %v", err)
	}
}

func TestEncodeErrors(t *testing.T) {
	good := func() Answer { return random(rand.New(rand.NewPCG(2, 2)), KindPreference, 3) }
	trials := func() Answer { return random(rand.New(rand.NewPCG(2, 2)), KindTrials, 3) }
	rate := func() Answer { return random(rand.New(rand.NewPCG(2, 2)), KindRatings, 3) }
	for name, c := range map[string]struct {
		a      Answer
		change func(*Answer)
		says   string
	}{
		"kind":            {good(), func(a *Answer) { a.Kind = "guess" }, `the kind is "guess"`},
		"no kind":         {good(), func(a *Answer) { a.Kind = "" }, "the kind is"},
		"takes":           {good(), func(a *Answer) { a.Takes = 17 }, "allowed are 2 to 16"},
		"other kind":      {good(), func(a *Answer) { a.Kind = KindTrials }, "not of the kind"},
		"two kinds":       {good(), func(a *Answer) { a.Trials = &Trials{} }, "exactly one"},
		"none":            {good(), func(a *Answer) { a.Preference = nil }, "exactly one"},
		"comparison":      {good(), func(a *Answer) { a.Comparison = "12345" }, "ten"},
		"not hexadecimal": {good(), func(a *Answer) { a.Comparison = "12345_6789" }, "not hexadecimal"},
		"nonce":           {good(), func(a *Answer) { a.Nonce += "0" }, "nonce"},
		"pairs":           {good(), func(a *Answer) { a.Preference.Pairs = a.Preference.Pairs[1:] }, "there must be 3"},
		"outcome":         {good(), func(a *Answer) { a.Preference.Pairs[1] = 4 }, "outcome of pair 2"},
		"same take":       {good(), func(a *Answer) { a.Preference.SameTake = 3 }, "identical pair"},
		"same":            {good(), func(a *Answer) { a.Preference.Same = -1 }, "identical pair"},
		"same not asked":  {good(), func(a *Answer) { a.Preference.SameTake, a.Preference.Same = 1, NotAsked }, "must be 0"},
		"first take":      {trials(), func(a *Answer) { a.Trials.A = 2 }, "first take"},
		"order":           {trials(), func(a *Answer) { a.Trials.A, a.Trials.B = 1, 1 }, "second take"},
		"planned":         {trials(), func(a *Answer) { a.Trials.Planned = 256 }, "planned"},
		"done":            {trials(), func(a *Answer) { a.Trials.Done = a.Trials.Planned + 1 }, "done"},
		"right":           {trials(), func(a *Answer) { a.Trials.Correct = a.Trials.Done + 1 }, "right answers"},
		"ratings":         {rate(), func(a *Answer) { a.Ratings.Takes = nil }, "0 ratings"},
		"rating":          {rate(), func(a *Answer) { a.Ratings.Takes[2] = 101 }, "rating of take 3"},
		"hidden":          {rate(), func(a *Answer) { a.Ratings.Hidden = -2 }, "hidden reference"},
		"anchor":          {rate(), func(a *Answer) { a.Ratings.Anchor = 127 }, "anchor"},
	} {
		c.change(&c.a)
		got, err := Encode(c.a)
		if got != "" || !errors.Is(err, ErrAnswer) || !strings.Contains(err.Error(), strings.ReplaceAll(c.says, "ten", "10 hex")) {
			t.Errorf("%s: %q, %v; want an error with %q", name, got, err, c.says)
		}
	}
}

// A code whose check is right but whose fields make no sense is damaged.
func TestForgedFields(t *testing.T) {
	for name, fields := range map[string][][2]int{
		"done over planned": {{0, 4}, {1, 4}, {10, 8}, {11, 8}, {5, 8}, {0, 3}},
		"takes exchanged":   {{1, 4}, {0, 4}, {10, 8}, {10, 8}, {5, 8}, {0, 3}},
		"filling bits":      {{0, 4}, {1, 4}, {10, 8}, {10, 8}, {5, 8}, {1, 3}},
		"right":             {{0, 4}, {1, 4}, {10, 8}, {10, 8}, {5, 8}, {0, 3}},
	} {
		var b bits
		b.put(version, 5)
		b.put(2, 5)
		b.put(3, 5)
		b.put(1<<39, 40)
		b.put(7, 40)
		for _, f := range fields {
			b.put(uint64(f[0]), f[1])
		}
		b.put(uint64(crc30(b)), 30)
		_, err := decode(spell(b))
		if name == "right" && err != nil || name != "right" && !errors.Is(err, ErrDamaged) {
			t.Errorf("%s: error %v", name, err)
		}
	}
}
