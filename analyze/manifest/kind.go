package manifest

import (
	"slices"
	"strings"
)

// schema is a JSON Schema object.
type schema = map[string]any

// kind is a sort of value: how it is read and what editors are told of it.
// Reading reports what is wrong and then returns false.
type kind[V any] struct {
	read   func(w *walker, v value) (V, bool)
	schema schema
}

// key is one key of a mapping that fills in a T.
type key[T any] struct {
	name, doc string
	required  bool
	schema    schema
	read      func(w *walker, v value, t *T)
}

// object is a mapping with known keys that fills in a T. The parser walks by
// it and the schema for editors is written from it.
type object[T any] struct {
	what string // "a take"
	keys []key[T]
	pos  func(*T) *Pos // where the mapping's place is kept; nil for nowhere
	more *more[T]      // keys that the author names; nil when there are none
}

// more reads the keys that are not in an object's list.
type more[T any] struct {
	schema schema
	names  func(w *walker) []string
	read   func(w *walker, e entry, t *T)
}

// field is a key whose value is of kind k and is kept where at says.
func field[T, V any](name, doc string, k kind[V], at func(*T) *V) key[T] {
	return key[T]{name: name, doc: doc, schema: k.schema, read: func(w *walker, v value, t *T) {
		if x, ok := k.read(w, v); ok {
			*at(t) = x
		}
	}}
}

// optional is a field that is a pointer, nil when the key is absent.
func optional[T, V any](name, doc string, k kind[V], at func(*T) **V) key[T] {
	return field(name, doc, kind[*V]{func(w *walker, v value) (*V, bool) {
		x, ok := k.read(w, v)
		return &x, ok
	}, k.schema}, at)
}

// must marks a key as required.
func must[T any](k key[T]) key[T] {
	k.required = true
	return k
}

func (o object[T]) names() []string {
	names := make([]string, len(o.keys))
	for i, k := range o.keys {
		names[i] = k.name
	}
	return names
}

// read fills in t from a mapping. Keys are read in the order of the table, so
// that later keys can build on earlier ones. It returns false when the value
// is no mapping; single bad keys are reported and left out.
func (o object[T]) read(w *walker, v value, t *T) bool {
	list, ok := w.entries(v, o.what, "its keys: "+strings.Join(o.names(), ", "))
	if !ok {
		return false
	}
	if o.pos != nil {
		*o.pos(t) = v.pos
	}
	names := o.names()
	list = w.rejoin(list, names)
	for _, k := range o.keys {
		i := slices.IndexFunc(list, func(e entry) bool { return e.key == k.name })
		switch {
		case i < 0 && k.required:
			// A misspelt key is reported as such and not also as missing.
			if !slices.ContainsFunc(list, func(e entry) bool { return !slices.Contains(names, e.key) && Nearest(e.key, names) == k.name }) {
				w.fault(v.place, k.name+": "+k.doc, "%s is missing in %s", k.name+":", o.what)
			}
		case i < 0:
		case list[i].val.empty() && k.required:
			w.fault(list[i].at, "", "%s has no value", k.name+":")
		case list[i].val.empty(): // the same as an absent key
		default:
			k.read(w, list[i].val, t)
		}
	}
	for _, e := range list {
		if slices.Contains(names, e.key) {
			continue
		}
		known := names
		if o.more != nil {
			own := o.more.names(w)
			if slices.Contains(own, e.key) {
				o.more.read(w, e, t)
				continue
			}
			known = slices.Concat(names, own)
		}
		w.fault(e.at, suggest(e.key, "known keys", known), "unknown key %s in %s", quote(e.key), o.what)
	}
	return true
}

// rejoin puts together values that a comma cut in two. Inside braces a comma
// ends a value, so that {name: Dynamic, cap edge} has a key "cap edge" without
// a colon; as that is no key, it is taken for the rest of the name, with a
// warning.
func (w *walker) rejoin(list []entry, names []string) []entry {
	var out []entry
	for _, e := range list {
		if e.bare && !slices.Contains(names, e.key) && len(out) > 0 {
			last := &out[len(out)-1]
			if s, ok := last.val.scalar(); ok && s != "" && slices.Contains(names, last.key) && Nearest(e.key, names) == "" {
				last.val.node = textNode(s + ", " + e.key)
				w.warn(last.val.place, "put the text in quotes: "+last.key+`: "`+s+", "+e.key+`"`,
					"a comma inside braces ends a value; read as %s", quote(s+", "+e.key))
				continue
			}
		}
		out = append(out, e)
	}
	return out
}

// asKind makes a mapping usable as a value of a field.
func (o object[T]) asKind() kind[T] {
	return kind[T]{func(w *walker, v value) (T, bool) {
		var t T
		ok := o.read(w, v, &t)
		return t, ok
	}, o.schema()}
}

// schema is the JSON Schema of the mapping.
func (o object[T]) schema() schema {
	properties, required := schema{}, []string{}
	for _, k := range o.keys {
		s := schema{"description": k.doc}
		if k.required {
			required = append(required, k.name)
			s["allOf"] = []any{k.schema, schema{"not": schema{"enum": []any{nil, ""}}}}
		} else {
			s["anyOf"] = []any{k.schema, schema{"enum": []any{nil, ""}}}
		}
		properties[k.name] = s
	}
	s := schema{"type": "object", "properties": properties, "additionalProperties": false}
	if len(required) > 0 {
		s["required"] = required
	}
	if o.more != nil {
		s["additionalProperties"] = o.more.schema
	}
	return s
}

// listOf is a list of values of one kind; items that cannot be read are left
// out.
func listOf[V any](what string, k kind[V]) kind[[]V] {
	return kind[[]V]{func(w *walker, v value) ([]V, bool) {
		items, ok := w.items(v, what)
		if !ok {
			return nil, false
		}
		list := make([]V, 0, len(items))
		for _, item := range items {
			if x, ok := k.read(w, item); ok {
				list = append(list, x)
			}
		}
		return list, true
	}, schema{"type": "array", "items": k.schema}}
}

// whole is a kind whose values are left out when anything in them was wrong.
func whole[V any](k kind[V]) kind[V] {
	return kind[V]{func(w *walker, v value) (V, bool) {
		before := len(w.problems)
		x, ok := k.read(w, v)
		return x, ok && len(w.problems) == before
	}, k.schema}
}

// oneOrMore is a list that may be written without its dash when it has a
// single item.
func oneOrMore[V any](what string, k kind[V]) kind[[]V] {
	list := listOf(what, k)
	return kind[[]V]{func(w *walker, v value) ([]V, bool) {
		if _, single := v.scalar(); !single {
			return list.read(w, v)
		}
		x, ok := k.read(w, v)
		return []V{x}, ok
	}, schema{"anyOf": []any{k.schema, list.schema}}}
}

// oneOf is one of a few words.
func oneOf(what string, words ...string) kind[string] {
	return kind[string]{func(w *walker, v value) (string, bool) {
		s, ok := w.line(v, what)
		if !ok || slices.Contains(words, s) {
			return s, ok
		}
		w.fault(v.place, didYouMean(s, words), "%s is not %s; allowed: %s", quote(s), what, strings.Join(words, ", "))
		return "", false
	}, schema{"enum": words}}
}
