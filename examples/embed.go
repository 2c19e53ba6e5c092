// Package examples holds the manifests and notes of the example comparisons.
// Their audio is made by examples/studio.
package examples

import (
	"embed"
	"fmt"
	"io/fs"
	"path"
)

//go:embed four-fuzzes microphones
var files embed.FS

// Text is one file of an example: its name without a folder, and its bytes.
type Text struct {
	Name string
	Data []byte
}

// Texts returns the notes of an example and then, last, its manifest. It
// returns an error that matches fs.ErrNotExist for an unknown example.
func Texts(example string) ([]Text, error) {
	var texts []Text
	for _, name := range []string{"notes.md", ManifestName(example)} {
		data, err := fs.ReadFile(files, path.Join(example, name))
		if err != nil {
			return nil, fmt.Errorf("example %q: %w", example, err)
		}
		texts = append(texts, Text{name, data})
	}
	return texts, nil
}

// ManifestName is the file name of an example's manifest.
func ManifestName(example string) string { return example + ".yaml" }
