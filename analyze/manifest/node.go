package manifest

import (
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"
)

// walker goes over the tree of one manifest and collects what it finds.
type walker struct {
	path     string
	OnDisk   bool     // the files that are named can be looked for
	lines    []string // the file's lines without line ends
	problems []Problem
	warnings []Problem

	c            *Comparison
	slotsRead    bool    // the names of all slots are known
	controlsRead bool    // nothing was wrong in the chain and the takes: the names of all controls are known
	slotBase     *Device // the chain's device for the slot that is being read in a take
	mics         *Mics   // of all takes that state no others; nil for none
	files        []fileUse
	reference    place // of reference:
	drafts       []draft
}

// fileUse is a file that the manifest names, for the look at the disk.
type fileUse struct {
	path  string
	at    place
	audio bool // it must be a recording
}

// value is a node of the tree with its place. A nil node is an absent value.
type value struct {
	node ast.Node
	place
}

// entry is one key of a mapping with its value.
type entry struct {
	key  string
	at   place // of the key
	val  value
	bare bool // written in braces without a colon
}

// bareNode strips what the manifest language refuses (and what has been reported)
// from a node.
func bareNode(n ast.Node) ast.Node {
	for range maxDepth {
		switch v := n.(type) {
		case *ast.AnchorNode:
			n = v.Value
		case *ast.TagNode:
			n = v.Value
		case *ast.AliasNode:
			return nil
		default:
			return n
		}
	}
	return nil
}

func tokenPos(t *token.Token) Pos {
	if t == nil || t.Position == nil {
		return Pos{1, 1}
	}
	return Pos{t.Position.Line, t.Position.Column}
}

// newValue gives a node its place: that of its first character, or fallback
// for an absent value.
func newValue(n ast.Node, fallback Pos, field string) value {
	n = bareNode(n)
	v := value{n, place{fallback, field}}
	switch x := n.(type) {
	case nil:
	case *ast.NullNode:
		if x.Token.Type == token.ImplicitNullType {
			v.node = nil
		} else if t := x.Token.Value; t == "~" || t == "null" {
			v.pos, v.node = tokenPos(x.Token), nil
		} else {
			v.pos = tokenPos(x.Token)
		}
	case *ast.MappingNode:
		v.pos = tokenPos(x.Start)
		if !x.IsFlowStyle && len(x.Values) > 0 {
			v.pos = tokenPos(x.Values[0].Key.GetToken())
		}
	case *ast.MappingValueNode:
		v.pos = tokenPos(x.Key.GetToken())
	default:
		v.pos = tokenPos(n.GetToken())
	}
	return v
}

// found names the shape of a value for a message.
func (v value) found() string {
	switch v.node.(type) {
	case nil:
		return "nothing"
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a mapping"
	case *ast.SequenceNode:
		return "a list"
	}
	s, _ := v.scalar()
	return quote(s)
}

// scalar returns the text of a single value as its author wrote it, without
// the quotes and without space around it. It returns false for lists and
// mappings; an absent value is "".
func (v value) scalar() (string, bool) {
	switch n := v.node.(type) {
	case nil:
		return "", true
	case *ast.StringNode:
		return strings.TrimSpace(n.Value), true
	case *ast.LiteralNode:
		return strings.TrimSpace(n.Value.Value), true
	case *ast.NullNode, *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode, *ast.InfinityNode, *ast.NanNode:
		return strings.TrimSpace(n.GetToken().Value), true
	}
	return "", false
}

// empty tells whether the value is absent or an empty text.
func (v value) empty() bool {
	s, ok := v.scalar()
	return ok && s == ""
}

// join appends a field name to a path.
func join(path, name string) string {
	if path == "" {
		return name
	}
	return path + "." + name
}

// entries returns a mapping's keys in file order without duplicates, which are
// reported. It returns false, reported, when the value is no mapping.
func (w *walker) entries(v value, what, hint string) ([]entry, bool) {
	var nodes []*ast.MappingValueNode
	switch n := v.node.(type) {
	case *ast.MappingNode:
		nodes = n.Values
	case *ast.MappingValueNode:
		nodes = []*ast.MappingValueNode{n}
	default:
		w.fault(v.place, hint, "%s must be keys with values, found %s", what, v.found())
		return nil, false
	}
	if len(nodes) > maxItems {
		w.fault(v.place, "", "%d keys here; at most %d are allowed", len(nodes), maxItems)
		return nil, false
	}
	list := make([]entry, 0, len(nodes))
	first := map[string]Pos{}
	for _, n := range nodes {
		var name ast.Node = n.Key
		if explicit, ok := n.Key.(*ast.MappingKeyNode); ok {
			name = explicit.Value
		}
		key, ok := newValue(name, Pos{}, "").scalar()
		pos := tokenPos(n.Key.GetToken())
		at := place{pos, join(v.field, key)}
		if n.Key.Type() == ast.MergeKeyType {
			continue // reported among the tokens
		}
		if !ok {
			w.fault(at, "", "this key is not plain text")
			continue
		}
		if p, twice := first[key]; twice {
			w.fault(at, "keep one of them", "key %s is given twice, first at %d:%d", quote(key), p.Line, p.Column)
			continue
		}
		first[key] = pos
		bare := n.Start == nil || n.Start.Type != token.MappingValueType
		list = append(list, entry{key, at, newValue(n.Value, pos, at.field), bare})
	}
	return list, true
}

// items returns a list's items. It returns false, reported, when the value is
// no list.
func (w *walker) items(v value, what string) ([]value, bool) {
	n, ok := v.node.(*ast.SequenceNode)
	if !ok {
		w.fault(v.place, "begin each item with \"- \"", "this must be a list of %s, found %s", what, v.found())
		return nil, false
	}
	if len(n.Values) > maxItems {
		w.fault(v.place, "", "%d %s here; at most %d are allowed", len(n.Values), what, maxItems)
		return nil, false
	}
	list := make([]value, len(n.Values))
	for i, item := range n.Values {
		at := v.pos
		if i < len(n.Entries) && n.Entries[i].Start != nil {
			at = tokenPos(n.Entries[i].Start)
		}
		list[i] = newValue(item, at, v.field+"["+strconv.Itoa(i)+"]")
	}
	return list, true
}
