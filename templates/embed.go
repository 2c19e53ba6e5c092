// Package templates holds the files of the report page: HTML templates, the
// style sheets and the scripts of the player and the blind tests. It has no logic in
// Go.
package templates

import "embed"

//go:embed *.html *.css *.js
var files embed.FS

// Files returns the template files.
func Files() embed.FS { return files }
