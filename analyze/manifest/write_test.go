package manifest

import (
	"fmt"
	"math/rand/v2"
	"strings"
	"testing"
)

// TestScalar: any text that a manifest can hold comes back through YAML.
func TestScalar(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	letters := []rune(`aZ0 9.:,-+%@=#'"\[]{}&*!|>?~/` + "äß中🎸\u200d\u2028\u00a0\ufeff\n\t")
	texts := []string{"null", "Null", "~", "yes", "off", ".inf", "1e5", "0x10", "1_000", "2026-03-14", "1:30", "- a", "? a", "<<", "a: b", "a #b", "%x", "`x`", "@x", "", "’", "010", "+5 dB", "−4 dB"}
	for range 2000 {
		var s []rune
		for range 1 + r.IntN(6) {
			s = append(s, letters[r.IntN(len(letters))])
		}
		texts = append(texts, string(s))
	}
	src := "title: t\nvaries: a\nchain: [{slot: a}]\ntakes:\n"
	for i, s := range texts {
		texts[i] = strings.TrimSpace(s) // as the manifest language does
	}
	for from := 0; from < len(texts); from += 400 {
		part := texts[from:min(from+400, len(texts))]
		doc := src
		for i, s := range part {
			doc += fmt.Sprintf("  - name: t%d\n    file: x%d.wav\n", i, i)
			if s != "" {
				doc += "    notes: " + Scalar(s) + "\n"
			}
		}
		c, err := Parse("m.yaml", []byte(doc))
		if err != nil {
			t.Fatal(err)
		}
		for i, s := range part {
			if got := c.Takes[i].Notes; got != s {
				t.Errorf("%q came back as %q from %s", s, got, Scalar(s))
			}
		}
	}
}
