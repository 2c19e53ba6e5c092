package foreign

import (
	"bytes"
	"encoding"
	"encoding/json"
	"io"
	"math"
	"reflect"
	"strings"
	"sync"

	"evenhand/analyze/mistake"
)

// maxNesting is how deep arrays and objects may lie in each other; results have
// less than 12 levels.
const maxNesting = 64

// Memory that a decoded value takes in a value of any type, in bytes, estimated
// from above: the interface and what it points to, and an entry of a map.
const (
	anyValue = 32
	// perValue is counted for every value, and so bounds the time as well.
	perValue = 16
	anyEntry = 96
)

// JSON decodes JSON into v, a pointer, like json.Unmarshal. Before that it adds up
// the memory that the decoded value will take, from the text and v's type: an
// array of empty objects is short as text and can be long in memory. The error
// matches mistake.Err when the text is no JSON for v, needs more than most bytes
// or is nested deeper than anything that this program writes. Numbers that go
// into a value of any type become json.Number.
func JSON(text []byte, v any, most int64) error {
	if longText(text) {
		return mistake.Errorf("a text in it has more than %d MiB, the most that is read", maxText>>20)
	}
	w := newWeigher(text, v, most)
	if err := w.value(w.t, 0); err != nil {
		return err
	}
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	if err := d.Decode(v); err != nil {
		return mistake.Errorf("it is not what is expected here: %v", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return mistake.Errorf("there is more behind its end")
	}
	return nil
}

// maxText is the longest text in a JSON file that is read: many times the longest
// notes. Its decoder needs room for a text several times over.
const maxText = 1 << 20

// longText reports whether there is a longer one.
func longText(b []byte) bool {
	for len(b) > 0 {
		start := bytes.IndexByte(b, '"')
		if start < 0 {
			return false
		}
		b = b[start+1:]
		end := 0
		for end < len(b) && b[end] != '"' {
			if b[end] == '\\' {
				end++
			}
			end++
		}
		if end > maxText {
			return true
		}
		b = b[min(end+1, len(b)):]
	}
	return false
}

// weigher adds up memory while it reads tokens.
type weigher struct {
	d            *json.Decoder
	t            reflect.Type // of what is decoded
	most, weight int64
}

func newWeigher(text []byte, v any, most int64) *weigher {
	t := reflect.TypeOf(v).Elem()
	w := &weigher{d: json.NewDecoder(bytes.NewReader(text)), t: t, most: most, weight: int64(t.Size())}
	w.d.UseNumber()
	return w
}

func (w *weigher) add(n int64) error {
	if w.weight += n; w.weight > w.most {
		return mistake.Errorf("what it holds would take more than %d MiB of memory, the most that is allowed for a file of this kind", w.most>>20)
	}
	return nil
}

func (w *weigher) token() (json.Token, error) {
	t, err := w.d.Token()
	if err != nil {
		return nil, mistake.Errorf("it is not JSON: %v, near byte %d", err, w.d.InputOffset())
	}
	return t, nil
}

var (
	anyType     = reflect.TypeFor[any]()
	ownJSON     = reflect.TypeFor[json.Unmarshaler]()
	ownText     = reflect.TypeFor[encoding.TextUnmarshaler]()
	fieldsCache sync.Map // of reflect.Type to map[string]reflect.Type
)

// value weighs the next value, which goes into a t; nil for a field that v does
// not have.
func (w *weigher) value(t reflect.Type, depth int) error {
	if depth > maxNesting {
		return mistake.Errorf("it is nested deeper than %d levels", maxNesting)
	}
	for t != nil && t.Kind() == reflect.Pointer {
		t = t.Elem()
		if err := w.add(int64(t.Size())); err != nil {
			return err
		}
	}
	if t != nil && t.Kind() != reflect.Interface && (reflect.PointerTo(t).Implements(ownJSON) || reflect.PointerTo(t).Implements(ownText)) {
		switch t.Kind() {
		case reflect.Struct, reflect.Slice, reflect.Map, reflect.String:
			t = anyType // who knows what it makes of it
		default:
			t = nil // a number, which has its place already
		}
	}
	token, err := w.token()
	if err == nil {
		err = w.add(perValue)
	}
	if err != nil {
		return err
	}
	loose := t != nil && t.Kind() == reflect.Interface
	switch x := token.(type) {
	case json.Delim:
		if loose {
			if err := w.add(2 * anyValue); err != nil {
				return err
			}
		}
		if x == '{' {
			return w.object(t, depth)
		}
		return w.array(t, depth)
	case string:
		if t != nil {
			err = w.add(textSize(len(x)))
		}
	case json.Number:
		if loose {
			err = w.add(textSize(len(x)))
		}
	}
	if err == nil && loose {
		err = w.add(anyValue)
	}
	return err
}

// textSize is the memory of a text: it is taken in steps of an eighth at most.
func textSize(n int) int64 { return int64(n) + int64(n)/8 + 8 }

func (w *weigher) array(t reflect.Type, depth int) error {
	var of reflect.Type
	each := int64(0)
	switch {
	case t == nil:
	case t.Kind() == reflect.Interface:
		of, each = anyType, 2*int64(anyType.Size())
	case t.Kind() == reflect.Slice:
		of, each = t.Elem(), 2*int64(t.Elem().Size()) // it grows by copying
	case t.Kind() == reflect.Array:
		of = t.Elem()
	}
	for w.d.More() {
		if err := w.add(each); err != nil {
			return err
		}
		if err := w.value(of, depth+1); err != nil {
			return err
		}
	}
	_, err := w.token()
	return err
}

func (w *weigher) object(t reflect.Type, depth int) error {
	var fields map[string]reflect.Type
	if t != nil && t.Kind() == reflect.Struct {
		fields = fieldsOf(t)
	}
	for w.d.More() {
		key, err := w.token()
		if err != nil {
			return err
		}
		name, _ := key.(string)
		var of reflect.Type
		switch {
		case fields != nil:
			of = fields[strings.ToLower(name)]
		case t == nil:
		case t.Kind() == reflect.Interface:
			of = anyType
			err = w.add(anyEntry + textSize(len(name)))
		case t.Kind() == reflect.Map:
			of = t.Elem()
			err = w.add(anyEntry + textSize(len(name)) + 2*int64(of.Size()))
		}
		if err == nil {
			err = w.value(of, depth+1)
		}
		if err != nil {
			return err
		}
	}
	_, err := w.token()
	return err
}

// fieldsOf returns the types of a struct's fields by their names in JSON, in
// small letters, as encoding/json finds them.
func fieldsOf(t reflect.Type) map[string]reflect.Type {
	if f, ok := fieldsCache.Load(t); ok {
		return f.(map[string]reflect.Type)
	}
	out := map[string]reflect.Type{}
	for _, f := range reflect.VisibleFields(t) {
		name, _, _ := strings.Cut(f.Tag.Get("json"), ",")
		if name == "" {
			name = f.Name
		}
		if f.IsExported() && (!f.Anonymous || f.Tag.Get("json") != "") {
			out[strings.ToLower(name)] = f.Type
		}
	}
	fieldsCache.Store(t, out)
	return out
}

// Weigh returns the memory that JSON estimates for a text that goes into v, a
// pointer; for tests and for those who set limits.
func Weigh(text []byte, v any) (int64, error) {
	w := newWeigher(text, v, math.MaxInt64)
	err := w.value(w.t, 0)
	return w.weight, err
}
