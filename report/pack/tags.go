package pack

import (
	"bufio"
	"bytes"
	"encoding/hex"
	"fmt"
	"slices"
	"strings"
	"unicode/utf8"
)

// declaration is the whole of bagit.txt.
const declaration = "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"

// Labels of bag-info.txt. The first group is reserved by RFC 8493, 2.2.2; the
// second is this program's own.
const (
	LabelAgent       = "Bag-Software-Agent"
	LabelDate        = "Bagging-Date"
	LabelDescription = "External-Description"
	LabelOxum        = "Payload-Oxum"
	LabelSource      = "Source-Organization"

	LabelArchive  = "Evenhand-Archive"  // "zip" in a zip file as Write makes it
	LabelLeftOut  = "Evenhand-Left-Out" // SHA-256, bytes and path of a file that is not in the bag
	LabelManifest = "Evenhand-Manifest" // path of the comparison's manifest
	LabelReport   = "Evenhand-Report"   // path of the report's folder
)

// Field is a line of bag-info.txt.
type Field struct{ Label, Value string }

// get returns the value of a label; "" for none.
func get(fields []Field, label string) string {
	for _, f := range fields {
		if f.Label == label {
			return f.Value
		}
	}
	return ""
}

// formatInfo writes bag-info.txt. A line end in a value would begin another
// field, so it becomes a space.
func formatInfo(fields []Field) []byte {
	var b bytes.Buffer
	for _, f := range fields {
		value := strings.Join(strings.FieldsFunc(f.Value, func(r rune) bool { return r == '\n' || r == '\r' }), " ")
		fmt.Fprintf(&b, "%s: %s\n", f.Label, strings.TrimSpace(value))
	}
	return b.Bytes()
}

// parseInfo reads bag-info.txt; a line that begins with white space goes on
// with the one before.
func parseInfo(b []byte) ([]Field, error) {
	var out []Field
	var parts []string // of the last value
	end := func() {
		if len(parts) > 1 {
			out[len(out)-1].Value = strings.Join(parts, " ")
		}
	}
	defer end()
	for n, line := range lines(b) {
		if strings.TrimSpace(line) == "" {
			continue
		}
		if line[0] == ' ' || line[0] == '\t' {
			if len(out) == 0 {
				return nil, fmt.Errorf("line %d goes on with a line before it, and there is none", n+1)
			}
			parts = append(parts, strings.TrimSpace(line))
			continue
		}
		end()
		label, value, ok := strings.Cut(line, ":")
		if !ok {
			return nil, fmt.Errorf("line %d is not a label, a colon and a value", n+1)
		}
		out = append(out, Field{strings.TrimSpace(label), strings.TrimSpace(value)})
		parts = []string{strings.TrimSpace(value)}
	}
	return out, nil
}

// lines splits text at LF, CR LF or CR, without an empty last line.
func lines(b []byte) []string {
	s := strings.ReplaceAll(strings.ReplaceAll(string(b), "\r\n", "\n"), "\r", "\n")
	if s == "" {
		return nil
	}
	return strings.Split(strings.TrimSuffix(s, "\n"), "\n")
}

// checkDeclaration reads bagit.txt. Version 0.97 differs in nothing that
// matters here.
func checkDeclaration(b []byte) error {
	l := lines(b)
	switch {
	case bytes.HasPrefix(b, []byte("\xef\xbb\xbf")):
		return fmt.Errorf("it begins with a byte order mark, which RFC 8493 forbids")
	case len(l) != 2 || !strings.HasPrefix(l[0], "BagIt-Version: ") || !strings.HasPrefix(l[1], "Tag-File-Character-Encoding: "):
		return fmt.Errorf("it is not the two lines of BagIt-Version and Tag-File-Character-Encoding")
	}
	if v := strings.TrimPrefix(l[0], "BagIt-Version: "); v != "1.0" && v != "0.97" {
		return fmt.Errorf("version %.20q; 1.0 and 0.97 are read", v)
	}
	if v := strings.TrimPrefix(l[1], "Tag-File-Character-Encoding: "); !strings.EqualFold(v, "UTF-8") {
		return fmt.Errorf("character encoding %.20q; UTF-8 is read", v)
	}
	return nil
}

// digest is a line of a manifest.
type digest struct{ sum, path string }

// encodePath writes a path for a manifest: only %, LF and CR are encoded.
//
// Source: RFC 8493, 2.1.3.
var encodePath = strings.NewReplacer("%", "%25", "\n", "%0A", "\r", "%0D").Replace

var decodePath = strings.NewReplacer("%25", "%", "%0A", "\n", "%0a", "\n", "%0D", "\r", "%0d", "\r").Replace

// formatDigests writes a manifest in the order of the paths.
func formatDigests(d []digest) []byte {
	d = slices.Clone(d)
	slices.SortFunc(d, func(a, b digest) int { return strings.Compare(a.path, b.path) })
	var b bytes.Buffer
	w := bufio.NewWriter(&b)
	for _, x := range d {
		fmt.Fprintf(w, "%s  %s\n", x.sum, encodePath(x.path))
	}
	w.Flush()
	return b.Bytes()
}

// parseDigests reads a manifest of digests of size bytes.
func parseDigests(b []byte, size int) ([]digest, error) {
	if !utf8.Valid(b) {
		return nil, fmt.Errorf("it is not UTF-8")
	}
	var out []digest
	seen := map[string]bool{}
	for n, line := range lines(b) {
		if strings.TrimSpace(line) == "" {
			continue
		}
		end := strings.IndexAny(line, " \t")
		if end < 0 {
			return nil, fmt.Errorf("line %d is not a digest, white space and a path", n+1)
		}
		sum := strings.ToLower(line[:end])
		// Checksum programs mark a binary file with an asterisk.
		path := decodePath(strings.TrimPrefix(strings.TrimLeft(line[end:], " \t"), "*"))
		path = strings.TrimPrefix(path, "./")
		if raw, err := hex.DecodeString(sum); err != nil || len(raw) != size {
			return nil, fmt.Errorf("line %d does not begin with %d hexadecimal digits", n+1, 2*size)
		}
		if why := nameFault(path); why != "" {
			return nil, fmt.Errorf("line %d: %s", n+1, why)
		}
		if seen[path] {
			return nil, fmt.Errorf("line %d lists %q a second time", n+1, path)
		}
		seen[path] = true
		out = append(out, digest{sum, path})
	}
	return out, nil
}
