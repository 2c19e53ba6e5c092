// Package csvtext makes texts safe as cells of CSV files.
package csvtext

import (
	"regexp"
	"strings"
	"unicode"
)

// quantity is a number with a sign, and a unit or none.
var quantity = regexp.MustCompile(`^[+-] ?[0-9]*[.,]?[0-9]+( ?[A-Za-z%°µΩ]{1,8})?$`)

// Cell gives a text that a spreadsheet would take for a formula a leading
// apostrophe: one that begins, after anything that is not seen, with =, @, + or a
// hyphen, as such or in the full width of East Asian texts. Settings such as -4 dB
// and +12 dBu stay as they are written: no more than a number and a unit.
func Cell(s string) string {
	t := strings.TrimLeftFunc(s, func(r rune) bool { return !unicode.IsGraphic(r) || unicode.IsSpace(r) })
	if t != "" && strings.ContainsRune("=@+-＝＠＋－", []rune(t)[0]) && !quantity.MatchString(strings.TrimRightFunc(t, unicode.IsSpace)) {
		return "'" + s
	}
	return s
}
