// Package templates holds the files of the report page: HTML templates, the
// style sheet and, where there is any, script. It has no logic.
package templates

import "embed"

//go:embed *.html *.css *.js
var files embed.FS

// Files returns the template files.
func Files() embed.FS { return files }
