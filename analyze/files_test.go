package analyze

import (
	"slices"
	"testing"

	"evenhand/analyze/manifest"
)

// TestFilesOfMicrophones lists the impulse response of a microphone among the
// devices' files, once, and the picture of a take.
func TestFilesOfMicrophones(t *testing.T) {
	c, err := manifest.Parse("m.yaml", []byte(`title: x
varies: amp
mics:
  left: {name: a, file: {file: ir/a.wav, redistribute: no}}
  right: {name: b}
chain: [{slot: amp, device: A}]
takes:
  - {name: One, file: 1.wav}
  - {name: Two, file: 2.wav, photo: {file: two.png, alt: Its knobs}}
`))
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, u := range listFiles(c).all {
		if u.use != "take" && u.use != "manifest" {
			got = append(got, u.use+" "+u.path)
			if u.path == "ir/a.wav" && u.redistribute {
				t.Error("the impulse response is not withheld")
			}
		}
	}
	if want := []string{"device file ir/a.wav", "photo two.png"}; !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
