package manifest

import (
	"bytes"
	"errors"
	"strings"
	"unicode/utf8"

	yaml "github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// MaxSize is the greatest size of a manifest in bytes.
const MaxSize = 1 << 20

const (
	maxDepth   = 32 // of nested lists and mappings; the language needs 8
	maxItems   = 500
	maxRefused = 50    // features outside the language, or bad lines, before reading stops
	maxTokens  = 30000 // the YAML library takes time in the square of them
)

// clean checks the bytes of a manifest and returns its text with line ends as
// \n, without a byte order mark and with tabs behind the indentation as
// spaces. It sets w.lines. It returns false when the text cannot be read on.
func (w *walker) clean(src []byte) (string, bool) {
	if len(src) > MaxSize {
		w.fault(place{}, "notes belong in a Markdown file named by about:", "the file has more than %d KiB; a manifest may have %[1]d KiB at most", MaxSize>>10)
		return "", false
	}
	if bytes.HasPrefix(src, []byte{0xff, 0xfe}) || bytes.HasPrefix(src, []byte{0xfe, 0xff}) {
		w.fault(place{}, "save the file as UTF-8", "the file is UTF-16; a manifest must be UTF-8")
		return "", false
	}
	src = bytes.TrimPrefix(src, []byte("\xef\xbb\xbf"))
	text := strings.ReplaceAll(strings.ReplaceAll(string(src), "\r\n", "\n"), "\r", "\n")
	w.lines = strings.Split(strings.ToValidUTF8(text, "\uFFFD"), "\n")
	good := true
	var out strings.Builder
	for i, line := range strings.Split(text, "\n") {
		if i > 0 {
			out.WriteByte('\n')
		}
		if !w.cleanLine(i+1, line) {
			good = false
			if len(w.problems) >= maxRefused {
				return "", false
			}
		}
		if strings.TrimSpace(line) != "" {
			out.WriteString(strings.ReplaceAll(line, "\t", " "))
		}
	}
	return out.String(), good
}

// cleanLine reports the first character of a line that a manifest may not hold.
func (w *walker) cleanLine(number int, line string) bool {
	indent := true
	column := 0
	for i, r := range line {
		column++
		at := place{pos: Pos{number, column}}
		switch {
		case r == utf8.RuneError && !strings.HasPrefix(line[i:], "\uFFFD"):
			w.fault(at, "save the file as UTF-8", "byte 0x%02X is not UTF-8 text", line[i])
			return false
		case r == '\t' && indent && strings.TrimSpace(line) != "":
			w.fault(at, "indent with spaces", "there is a tab in the indentation; YAML allows only spaces there")
			return false
		case r < ' ' && r != '\t' || r == 0x7f:
			w.fault(at, "remove the character", "the text has the control character U+%04X", r)
			return false
		}
		indent = indent && (r == ' ' || r == '\t')
	}
	return true
}

// tree reads the text as one YAML document. It returns nil when there is
// nothing to walk; what was wrong is then among the problems.
func (w *walker) tree(text string) (root ast.Node) {
	// The library is given text from anybody; should it panic on some of it,
	// that text is refused like other text that is not YAML.
	defer func() {
		if recover() != nil {
			w.fault(place{pos: Pos{1, 1}}, "", "the file cannot be read as YAML")
			root = nil
		}
	}()
	tokens := lexer.Tokenize(text)
	if bad := tokens.InvalidToken(); bad != nil {
		w.syntax(bad.Error, bad)
		return nil
	}
	if !w.inLanguage(tokens) {
		return nil
	}
	file, err := parser.Parse(tokens, 0, parser.AllowDuplicateMapKey())
	var fault yaml.Error
	if errors.As(err, &fault) {
		w.syntax(fault.GetMessage(), fault.GetToken())
		return nil
	}
	if err != nil {
		w.fault(place{pos: Pos{1, 1}}, "", "the file cannot be read as YAML")
		return nil
	}
	for _, doc := range file.Docs {
		if doc.Body != nil && doc.Body.Type() != ast.DirectiveType {
			return doc.Body
		}
	}
	if len(w.problems) == 0 {
		w.fault(place{}, "begin it with title:; evenhand new FOLDER writes one for you to complete", "the manifest is empty")
	}
	return nil
}

// inLanguage reports tokens of YAML that the manifest language leaves out, and
// returns false when the tree should not be built.
func (w *walker) inLanguage(tokens token.Tokens) bool {
	if len(tokens) > maxTokens {
		t := tokens[maxTokens]
		w.fault(place{pos: tokenPos(t)}, "split it into several", "the manifest has more than %d words and marks, the most that is allowed", maxTokens)
		return false
	}
	content, ended, depth, line, dashes, directive := false, false, 0, 0, 0, 0
	var indents []int
	for _, t := range tokens {
		at := place{pos: Pos{t.Position.Line, t.Position.Column}}
		if t.Position.Line != line {
			line, dashes = t.Position.Line, 0
			for depth == 0 && len(indents) > 0 && indents[len(indents)-1] >= t.Position.Column {
				indents = indents[:len(indents)-1]
			}
			if depth == 0 {
				indents = append(indents, t.Position.Column)
			}
		}
		switch t.Type {
		case token.AnchorType:
			w.fault(at, "write the value out at each place; a value that begins with & needs quotes", "an anchor (&), which a manifest must not use")
		case token.AliasType:
			w.fault(at, "write the value out at each place; a value that begins with * needs quotes", "an alias (*), which a manifest must not use")
		case token.MergeKeyType:
			w.fault(at, "write the keys out at each place", "a merge key (<<), which a manifest must not use")
		case token.TagType:
			w.fault(at, "remove it; a value that begins with ! needs quotes", "a tag (!), which a manifest must not use")
		case token.DirectiveType:
			directive = t.Position.Line
			w.fault(at, "remove the line; a value that begins with % needs quotes", "a directive (%%), which a manifest must not use")
		case token.MappingKeyType:
			w.fault(at, "write key: value; a value that begins with ? needs quotes", "an explicit key (?), which a manifest must not use")
		case token.DocumentHeaderType:
			if content || ended {
				w.fault(at, "keep one comparison per file", "a second document begins here; a manifest must be one document")
				return false
			}
			ended = true
			continue
		case token.CommentType, token.DocumentEndType:
			ended = ended || t.Type == token.DocumentEndType
			continue
		case token.MappingStartType, token.SequenceStartType:
			depth++
		case token.MappingEndType, token.SequenceEndType:
			depth--
		case token.SequenceEntryType:
			dashes++
		}
		if len(w.problems) > maxRefused {
			return false
		}
		content = content || t.Position.Line != directive
		if depth > maxDepth || dashes > maxDepth || len(indents) > maxDepth {
			w.fault(at, "", "the levels are more than %d deep, the most that is allowed", maxDepth)
			return false
		}
	}
	return true
}

// syntax reports what the YAML library found wrong, in our words where the
// mistake is a common one.
func (w *walker) syntax(message string, t *token.Token) {
	at := place{pos: Pos{1, 1}}
	if t != nil && t.Position != nil {
		at.pos = Pos{t.Position.Line, t.Position.Column}
	}
	if strings.Contains(message, "mapping value is not allowed") && !w.colonBehind(at.pos) {
		w.fault(at, "give the keys of one mapping the same indentation, or put the value in quotes", "this value continues into a line with a key")
		return
	}
	for _, known := range []struct{ part, message, hint string }{
		{"mapping value is not allowed", "there is a second \": \" on the line", "put the value in quotes when it contains \": \""},
		{"could not find end character of double-quoted", "this double quote is not closed", "close it with \""},
		{"could not find end character of single-quoted", "this single quote is not closed", "close it with '; a text that begins with an apostrophe needs double quotes"},
		{"sequence end token ']' not found", "this [ is not closed", "close it with ]"},
		{"',' or ']' must be specified", "the list in brackets has an error here", "separate its items with commas and close it with ]"},
		{"could not find flow mapping end token", "this { is not closed", "close it with }"},
		{"could not find flow map content", "this { is not closed", "close it with }"},
		{"',' or '}' must be specified", "the text in braces has an error here", "separate its entries with commas and close it with }"},
		{"corresponding to ']'", "this ] has no [ before it", "put the value in quotes when it contains ]"},
		{"corresponding to '}'", "this } has no { before it", "put the value in quotes when it contains }"},
		{"reserved character", "a value must not begin with @ or `", "put the value in quotes"},
		{"unexpected directive", "a value must not begin with %", "put the value in quotes"},
		{"unexpected key name", "a key with its colon must come here", "write key: value, with the key on one line and a space after the colon"},
		{"block sequence entries are not allowed", "a list item must not follow a key on the same line", "begin the list on the next line, or put the value in quotes"},
		{"value is not allowed in this context", "this line does not match the lines before it", "give lines of one mapping or list the same indentation"},
		{"unexpected scalar value type", "this comma has no value before it", "remove the comma"},
		{"unknown escape character", "this backslash has no meaning", "in double quotes write \\\\ for a backslash, or use single quotes"},
		{"invalid header option", "there is text after | or >", "begin the text on the next line, indented"},
		{"found an invalid key", "a key must be text, not a list or a mapping", "write key: value"},
	} {
		if strings.Contains(message, known.part) {
			w.fault(at, known.hint, "%s", known.message)
			return
		}
	}
	w.fault(at, "", "not valid YAML: %s", strings.TrimSuffix(message, "."))
}

// colonBehind tells whether a key's colon stands on the line from pos on.
func (w *walker) colonBehind(pos Pos) bool {
	if pos.Line < 1 || pos.Line > len(w.lines) {
		return false
	}
	r := []rune(w.lines[pos.Line-1] + " ")
	return strings.Contains(string(r[max(0, min(pos.Column-1, len(r))):]), ": ")
}
