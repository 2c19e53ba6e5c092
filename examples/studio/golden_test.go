package studio

import (
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"math"
	"runtime"
	"testing"
)

// TestGolden pins the audio of a few notes, rounded to 16 bits, so that a
// change of the demo's sound is made on purpose: other tests' expected results
// are measured on it. Where the compiler fuses multiply and add, last bits
// differ and a sample may round the other way, so the values hold for amd64.
func TestGolden(t *testing.T) {
	if runtime.GOARCH != "amd64" {
		t.Skip("the values are those of amd64")
	}
	want := map[string][]string{
		"four-fuzzes": {
			"b36aec5f50b0fafe", "3fe0100bb5832cf7", "d6c74213b1aedeb8",
			"e5c1d9c9875b434f", "3ac3b080c808f444", "dc69abf76589ba57",
			"82b1c8aa573e7028",
		},
		"microphones": {
			"86483ab66ca8afb4", "b9f7748e85f7b1c6", "ed86a4f6765c1817",
			"3c25c169a6598647", "1fe979c321404484",
		},
	}
	for _, scenario := range Scenarios() {
		s := short(t, scenario)
		dry, err := s.Dry()
		if err != nil {
			t.Fatal(err)
		}
		all := [][][]float64{{dry}}
		for _, take := range s.Takes {
			all = append(all, Render(dry, take.Chain))
		}
		for i, channels := range all {
			h := sha256.New()
			for _, x := range channels {
				var b [2]byte
				for _, v := range x {
					binary.LittleEndian.PutUint16(b[:], uint16(int16(math.RoundToEven(v*32767))))
					h.Write(b[:])
				}
			}
			got := fmt.Sprintf("%.8x", h.Sum(nil))
			if i >= len(want[scenario]) || got != want[scenario][i] {
				t.Errorf("%s: file %d (the dry recording, then the takes) has SHA-256 %s…", scenario, i, got)
			}
		}
	}
}
