// Package csvtext makes texts safe as cells of CSV files.
package csvtext

import "strings"

// Cell gives a text that a spreadsheet would take for a formula a leading
// apostrophe: one that begins, after any space, with =, @, or with + or −
// (as a hyphen) and no number after it, or a number that goes on as a formula.
// Settings such as -4 dB and +12 dBu stay as they are written.
func Cell(s string) string {
	t := strings.TrimLeft(s, " \t\r\n")
	if t == "" {
		return s
	}
	switch t[0] {
	case '=', '@':
		return "'" + s
	case '+', '-':
		r := strings.TrimLeft(t[1:], " ")
		if r == "" || (r[0] < '0' || r[0] > '9') && r[0] != '.' || strings.ContainsAny(r, "=(!|") {
			return "'" + s
		}
	}
	return s
}
