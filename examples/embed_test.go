package examples_test

import (
	"errors"
	"io/fs"
	"math"
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/manifest"
	"evenhand/examples"
	"evenhand/examples/studio"
)

// TestManifestsFitTheSessions: what a manifest says of its takes and sections
// is what the studio records.
func TestManifestsFitTheSessions(t *testing.T) {
	for _, name := range studio.Scenarios() {
		t.Run(name, func(t *testing.T) {
			s, err := studio.Open(name)
			if err != nil {
				t.Fatal(err)
			}
			texts, err := examples.Texts(name)
			if err != nil {
				t.Fatal(err)
			}
			last := texts[len(texts)-1]
			if last.Name != examples.ManifestName(name) {
				t.Errorf("the manifest is called %s", last.Name)
			}
			c, err := manifest.Parse(last.Name, last.Data)
			if err != nil {
				t.Fatal(err)
			}
			if len(c.Takes) != len(s.Takes) {
				t.Fatalf("%d takes, the session has %d", len(c.Takes), len(s.Takes))
			}
			truths := s.Truths()
			for i, take := range c.Takes {
				want := s.Takes[i]
				if take.Name != want.Name || take.File.Path != want.File || take.RepeatOf != truths[i].RepeatOf {
					t.Errorf("take %d: %q in %s, repeat of %q; the session has %q in %s, repeat of %q",
						i, take.Name, take.File.Path, take.RepeatOf, want.Name, want.File, truths[i].RepeatOf)
				}
				if (take.Mics != nil) != (len(want.Chain.Mics) == 2) {
					t.Errorf("take %q has %d channels", take.Name, len(want.Chain.Mics))
				}
				if circuit := want.Chain.Circuit; circuit != nil && take.Slots[0].Device.Name != circuit.Name {
					t.Errorf("take %q goes through %s", take.Name, circuit.Name)
				}
			}
			if s.Markers {
				if c.Performance.SectionsFrom != "markers" {
					t.Errorf("sections from %q", c.Performance.SectionsFrom)
				}
				return
			}
			if len(c.Performance.Sections) != len(s.Score.Parts) {
				t.Fatalf("%d sections", len(c.Performance.Sections))
			}
			for i, section := range c.Performance.Sections {
				part := s.Score.Parts[i]
				from, to := part.Span()
				if section.Name != part.Name || math.Abs(float64(section.From)-from) > 0.1 || math.Abs(float64(section.To)-to) > 0.1 {
					t.Errorf("section %q from %g to %g s; played: %q from %.2f to %.2f s",
						section.Name, float64(section.From), float64(section.To), part.Name, from, to)
				}
			}
		})
	}
}

// TestNotesSayThatItIsSynthetic, so that nobody takes the figures for those of
// real devices.
func TestNotesSayThatItIsSynthetic(t *testing.T) {
	for _, name := range studio.Scenarios() {
		texts, err := examples.Texts(name)
		if err != nil {
			t.Fatal(err)
		}
		i := slices.IndexFunc(texts, func(x examples.Text) bool { return x.Name == "notes.md" })
		if i < 0 || !strings.Contains(string(texts[i].Data), "demonstration material") {
			t.Errorf("%s: the notes do not say so", name)
		}
	}
}

func TestUnknownExample(t *testing.T) {
	if _, err := examples.Texts("drums"); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("got %v", err)
	}
}
