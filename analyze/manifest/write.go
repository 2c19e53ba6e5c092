package manifest

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"
)

var (
	plainText   = regexp.MustCompile(`^\p{L}[\p{L}\p{Nd} _./'’°-]*$`)
	plainNumber = regexp.MustCompile(`^[0-9]{1,15}(?:\.[0-9]+)?(?: ?[\p{L}%°]+)?$`)
)

// Scalar writes a text so that a manifest holds that text: plain where the
// language reads it as it stands, else in double quotes on one line. "" gives ""
// in quotes.
func Scalar(s string) string {
	if (plainText.MatchString(s) || plainNumber.MatchString(s)) && strings.TrimSpace(s) == s && !strings.EqualFold(s, "null") {
		return s
	}
	return doubleQuoted(s)
}

// doubleQuoted writes a text in double quotes with the escapes that YAML 1.2
// knows. Source: YAML 1.2.2, chapter 5.7.
func doubleQuoted(s string) string {
	var b strings.Builder
	b.WriteByte('"')
	for _, r := range s {
		switch {
		case r == '"' || r == '\\':
			b.WriteByte('\\')
			b.WriteRune(r)
		case r == '\n':
			b.WriteString(`\n`)
		case r == '\t':
			b.WriteString(`\t`)
		case r < 0x20 || r == 0x7f:
			fmt.Fprintf(&b, `\x%02x`, r)
		case !strconv.IsPrint(r) && r <= 0xffff && r != 0x200d:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			b.WriteRune(r)
		}
	}
	b.WriteByte('"')
	return b.String()
}
