package pack

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/cases"
	"golang.org/x/text/unicode/norm"
)

// nameFault returns why a path cannot be unpacked to the same file on every
// system; "" when it can. Paths have forward slashes.
func nameFault(name string) string {
	switch {
	case name == "":
		return "an empty name"
	case len(name) > maxName:
		return fmt.Sprintf("a name of %d bytes, more than %d", len(name), maxName)
	case !utf8.ValidString(name):
		return "a name that is not UTF-8"
	case strings.Contains(name, `\`):
		return `a \ in the name, which is a folder on one system and a letter on another`
	case strings.HasPrefix(name, "/"):
		return "an absolute path"
	case len(name) > 1 && name[1] == ':' && unicode.IsLetter(rune(name[0])):
		return "a drive letter"
	}
	for _, r := range name {
		switch {
		case r < ' ' || r >= 0x7f && r < 0xa0:
			return fmt.Sprintf("a control character (U+%04X) in the name", r)
		case r == 0x2028 || r == 0x2029 || r >= 0x202a && r <= 0x202e || r >= 0x2066 && r <= 0x2069:
			return fmt.Sprintf("a character that changes how the name reads (U+%04X)", r)
		case strings.ContainsRune(`<>:"|?*`, r):
			return fmt.Sprintf("a %q in the name, which one common system does not allow", r)
		}
	}
	for _, part := range strings.Split(name, "/") {
		switch {
		case part == "":
			return "an empty folder name"
		case part == "." || part == "..":
			return "a path that leads out of the archive"
		case len(part) > maxElement:
			return fmt.Sprintf("a name of %d bytes, more than %d", len(part), maxElement)
		case strings.HasSuffix(part, ".") || strings.HasSuffix(part, " "):
			return "a name that ends with a dot or a space, which one common system drops"
		case reserved(part):
			return "a name that one common system keeps for a device"
		}
	}
	return ""
}

// reserved tells whether a system keeps a name, with any ending, for a device.
func reserved(part string) bool {
	stem, _, _ := strings.Cut(part, ".")
	stem = strings.ToLower(strings.TrimRight(stem, " "))
	switch stem {
	case "con", "prn", "aux", "nul", "conin$", "conout$":
		return true
	}
	runes := []rune(stem)
	return len(runes) == 4 && (strings.HasPrefix(stem, "com") || strings.HasPrefix(stem, "lpt")) &&
		strings.ContainsRune("0123456789¹²³", runes[3])
}

// names finds names that are one file on some systems and two on others.
type names struct {
	fold cases.Caser
	seen map[string]seenName
}

type seenName struct {
	written string
	folder  bool
}

func newNames() *names { return &names{cases.Fold(), map[string]seenName{}} }

// add takes a file's path and returns why it cannot stand beside the others;
// "" when it can.
func (n *names) add(name string, folder bool) string {
	if why := nameFault(name); why != "" {
		return why
	}
	for i := 0; i <= len(name); i++ {
		last := i == len(name)
		if !last && name[i] != '/' {
			continue
		}
		part := name[:i]
		isFolder := !last || folder
		key := norm.NFC.String(n.fold.String(norm.NFC.String(part)))
		old, had := n.seen[key]
		switch {
		case !had:
			n.seen[key] = seenName{part, isFolder}
		case old.written != part:
			return fmt.Sprintf("the name differs from %q only in letter case or in how characters are composed", old.written)
		case old.folder != isFolder:
			return fmt.Sprintf("%q is both a file and a folder", part)
		case !isFolder:
			return "the name occurs twice"
		}
	}
	return ""
}
