package manifest

import (
	"bytes"
	"strings"
	"testing"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

// plain makes of a YAML text what an editor hands to a schema: the values of
// YAML's core types.
func plain(t testing.TB, src string) any {
	t.Helper()
	f, err := parser.ParseBytes([]byte(src), 0)
	if err != nil {
		t.Fatalf("%v\n%s", err, src)
	}
	var convert func(n ast.Node) any
	convert = func(n ast.Node) any {
		switch x := n.(type) {
		case *ast.MappingNode:
			m := map[string]any{}
			for _, v := range x.Values {
				m[v.Key.GetToken().Value] = convert(v.Value)
			}
			return m
		case *ast.SequenceNode:
			list := []any{}
			for _, v := range x.Values {
				list = append(list, convert(v))
			}
			return list
		case *ast.NullNode:
			return nil
		case *ast.IntegerNode:
			switch i := x.Value.(type) {
			case int64:
				return float64(i)
			case uint64:
				return float64(i)
			}
		case *ast.FloatNode:
			return x.Value
		case *ast.BoolNode:
			return x.Value
		case *ast.StringNode:
			return x.Value
		case *ast.LiteralNode:
			return x.Value.Value
		}
		return n.GetToken().Value
	}
	return convert(f.Docs[0].Body)
}

func compiled(t testing.TB) *jsonschema.Schema {
	t.Helper()
	doc, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema()))
	if err != nil {
		t.Fatal(err)
	}
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	if err := c.AddResource("manifest.json", doc); err != nil {
		t.Fatal(err)
	}
	s, err := c.Compile("manifest.json")
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// TestSchemaGood: what the parser takes without a warning the schema takes.
func TestSchemaGood(t *testing.T) {
	s := compiled(t)
	good := append(docExamples(t), readFile(t, "testdata/other.yaml"), readFile(t, "testdata/chains.yaml"))
	for _, extra := range []string{"by:", "mains: 60", "mains: 50Hz", "date:", "may_differ: amp.g", "performance: {sections: [{name: 1, from: 0, to: 12.5}]}", "match: {target: \"−16 LUFS\"}",
		"full_scale_in: 4 V", "about: {file: a.md, redistribute: no}", "by: 12", "by: true", "url:", "url: http://localhost:8000", "url: https://xn--bcher-kva.example/f%C3%BCr/über/index.html", "url: http://[::1]/", "copies: 16 bit", "copies: 24", "copies: 24 bits"} {
		good = append(good, "title: x\nvaries: amp\nchain: [{slot: amp, controls: {g: 010, h: }}]\ntakes: [{name: 1, file: 2, amp: 3, channels: 2}]\n"+extra)
	}
	for _, src := range good {
		if _, err := Parse("m.yaml", []byte(src)); err != nil {
			t.Errorf("parser: %v\n%s", err, src)
		}
		if err := s.Validate(plain(t, src)); err != nil {
			t.Errorf("schema: %v\n%s", err, src)
		}
	}
}

// TestSchemaBad: what a schema can know it refuses, as the parser does.
func TestSchemaBad(t *testing.T) {
	s := compiled(t)
	const head = "title: x\nvaries: amp\n"
	const chain = "chain: [{slot: amp, device: A}]\n"
	const takes = "takes: [{name: One, file: one.wav}]\n"
	all := func(extra string) string { return head + chain + takes + extra }
	device := func(extra string) string { return head + "chain: [{slot: amp, " + extra + "}]\n" + takes }
	take := func(extra string) string {
		return head + chain + "takes: [{name: One, file: one.wav, " + extra + "}]\n"
	}
	for _, src := range []string{
		head, head + chain, head + takes, chain + takes, "title:\nvaries: amp\n" + chain + takes, "[]", "title",
		all("colour: red"), all("title2: y"), all("date: 14.03.2026"), all("date: [2026]"), all("url: ftp://example.org/"), all("url: example.org"), all("url: https://"), all("url: https://me@example.org/"), all("url: https://example.org/a b"), all("url: https://example.org/?a=b"), all("url: https://example.org/#a"), all("url: \"https:\\\\example.org\""), all("url: javascript:alert(1)"), all("url: [a]"), all("copies: 20 bit"), all("copies: 32"), all("copies: best"), all("copies: [16]"), all("mains: 55 Hz"), all("mains: 55"),
		all("match: -16 LUFS"), all("match: {target: -16}"), all("match: {target: -16 dB}"), all("match: {tarjet: -16 LUFS}"),
		all("full_scale_in: 12 dbu"), all("may_differ: [amp]"), all("may_differ: {a: b}"), all("about: [a]"), all("about: {file: }"),
		all("performance: []"), all("performance: {sections: makers}"), all("performance: {sections: [{name: a, from: 0}]}"),
		all("performance: {sections: [{name: a, from: 0, to: soon}]}"), all("performance: {sections: [{name: a, from: 0, to: -1}]}"),
		all("limits: [lag]"), all("limits: {lag: [1]}"),
		head + "chain: {amp: A}\n" + takes, head + "chain: [{device: A}]\n" + takes, head + "chain: [{slot: file}]\n" + takes,
		device("impedance: 8"), device("impedance: 8 W"), device("power: 8 ohm"), device("controls: [1]"), device("controls: {g: [1]}"), device("controls: {g: {vaule: 1}}"),
		device("controls: {g: {value: 1, travel: 270}}"), device("controls: {g: {value: 1, scale: 12}}"), device("controls: {g: {value: 1, steps: 3}}"),
		device("photo: a.jpg"), device("photo: {file: a.jpg}"), device("position: {distance: 5}"), device("position: 5 cm"), device("redistribute: nope"), device("file: {redistribute: no}"),
		head + chain + "takes: [{name: One}]\n", head + chain + "takes: [{file: a.wav}]\n", head + chain + "takes: {One: a.wav}\n", head + chain + "takes: [One]\n",
		take("role: refrence"), take("channels: 0"), take("channels: left"), take("channels: [1, 2, 3]"), take("channels: [1, 1]"), take("mics: some"),
		take("mics: {left: {name: a, blend: -4}, right: {name: b}}"), take("amp: [A]"), take("amp: {devise: A}"), take("name2: [A]"),
	} {
		if problems(src) == nil {
			t.Errorf("the parser takes:\n%s", src)
		}
		if s.Validate(plain(t, src)) == nil {
			t.Errorf("the schema takes:\n%s", src)
		}
	}
}

func TestSchemaIsStable(t *testing.T) {
	if !bytes.Equal(Schema(), Schema()) {
		t.Error("two schemas differ")
	}
	if !strings.Contains(string(Schema()), "https://json-schema.org/draft/2020-12/schema") {
		t.Error("the schema does not say its draft")
	}
}
