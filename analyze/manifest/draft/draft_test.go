package draft

import (
	"testing"

	"evenhand/analyze/wavio"
)

func TestGuessesFromNames(t *testing.T) {
	type file struct {
		name     string
		channels int
	}
	for _, c := range []struct {
		about     string
		files     []file
		dry, loop int
	}{
		{"a DI of one channel before a take whose device is called dry", []file{{"01 DI", 1}, {"Dry Well", 2}, {"Mossback", 2}}, 0, -1},
		{"the shorter name, at equal channels", []file{{"dry-well", 1}, {"dry", 1}}, 1, -1},
		{"two words", []file{{"amp", 1}, {"03 Clean DI", 1}}, 1, -1},
		{"part of a word does not count", []file{{"ridiculous", 1}, {"laundry", 1}, {"loophole", 1}}, -1, -1},
		{"the loopback apart from the DI", []file{{"reamp_loop", 1}, {"di", 1}, {"kiln", 1}}, 1, 0},
	} {
		var files []draftFile
		for _, f := range c.files {
			files = append(files, draftFile{name: f.name, info: wavio.Info{Channels: f.channels}})
		}
		if dry, loop := guesses(files); dry != c.dry || loop != c.loop {
			t.Errorf("%s: dry %d, loopback %d; want %d, %d", c.about, dry, loop, c.dry, c.loop)
		}
	}
}
