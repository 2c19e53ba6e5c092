package sentences

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"go/types"
	"math"
	"path/filepath"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/result"
)

// source is what package fairness says, read from its code: the codes that a function
// gives to a check, by its name; the functions that a function calls with the answers; which
// function answers a question; and the codes of texts.
type source struct {
	codes, calls map[string][]string
	asks         map[string]string // by the name of the constant of the id
	ids          map[string]string
	texts        []string
	keys         map[string]bool // the names of what stands in texts
}

// literals are the texts in an expression.
func literals(e ast.Node) (out []string) {
	ast.Inspect(e, func(n ast.Node) bool {
		if _, called := n.(*ast.CallExpr); called && n != e {
			return false
		}
		if l, ok := n.(*ast.BasicLit); ok && l.Kind == token.STRING {
			s, _ := strconv.Unquote(l.Value)
			out = append(out, s)
		}
		return true
	})
	return out
}

func readFairness(t *testing.T) source {
	t.Helper()
	s := source{codes: map[string][]string{}, calls: map[string][]string{}, asks: map[string]string{}, ids: map[string]string{}, keys: map[string]bool{}}
	names, err := filepath.Glob("../../analyze/fairness/*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			switch n := n.(type) {
			case *ast.ValueSpec:
				if len(n.Values) == 1 && strings.HasPrefix(n.Names[0].Name, "ID") {
					s.ids[n.Names[0].Name] = literals(n.Values[0])[0]
				}
			case *ast.CompositeLit: // {IDLag, group, limit, (*Measured).askLag}
				if len(n.Elts) == 4 {
					id, _ := n.Elts[0].(*ast.Ident)
					ask, _ := n.Elts[3].(*ast.SelectorExpr)
					if id != nil && ask != nil {
						s.asks[id.Name] = ask.Sel.Name
					}
				}
			case *ast.FuncDecl:
				s.readFunc(n)
			}
			return true
		})
	}
	return s
}

// readMeasurements reads the texts that the other packages under analyze make.
func (s *source) readMeasurements(t *testing.T) {
	t.Helper()
	names, err := filepath.Glob("../../analyze/*/*.go")
	top, topErr := filepath.Glob("../../analyze/*.go")
	if err != nil || topErr != nil {
		t.Fatal(err, topErr)
	}
	for _, name := range append(names, top...) {
		if strings.HasSuffix(name, "_test.go") || strings.Contains(name, "/fairness/") {
			continue
		}
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		ast.Inspect(f, func(n ast.Node) bool {
			var said []ast.Expr
			code := -1 // its place
			switch n := n.(type) {
			case *ast.CompositeLit:
				if list, ok := n.Type.(*ast.ArrayType); ok && types.ExprString(list.Elt) == "any" {
					said = n.Elts
				}
			case *ast.CallExpr:
				said = n.Args
				switch name := types.ExprString(n.Fun); {
				case name == "say" || strings.HasSuffix(name, ".Say"):
					code = 0
				case name == "s.tell":
					code = 1
				case name != "append":
					said = nil
				}
			}
			for i, x := range said {
				for _, word := range literals(x) {
					s.keys[word] = true
					if i == code {
						s.texts = append(s.texts, word)
					}
				}
			}
			return true
		})
	}
}

// place is which argument of a function the code is.
var place = map[string]int{"pass": 1, "caution": 1, "fail": 1, "skip": 1, "add": 3, "judge": 3}

func (s *source) readFunc(f *ast.FuncDecl) {
	name := f.Name.Name
	ast.Inspect(f, func(n ast.Node) bool {
		switch n := n.(type) {
		case *ast.AssignStmt:
			for i, l := range n.Lhs {
				if id, ok := l.(*ast.Ident); ok && id.Name == "found" && len(n.Rhs) > i {
					s.codes[name] = append(s.codes[name], literals(n.Rhs[i])...)
				}
			}
		case *ast.CallExpr:
			to, ok := n.Fun.(*ast.SelectorExpr)
			if !ok {
				return true
			}
			arg, is := place[to.Sel.Name]
			if x, ok := to.X.(*ast.Ident); is && ok && x.Name == "a" && len(n.Args) > arg && name != to.Sel.Name {
				s.codes[name] = append(s.codes[name], literals(n.Args[arg])...)
			}
			if to.Sel.Name == "Say" {
				s.texts = append(s.texts, literals(n.Args[0])...)
			}
			s.calls[name] = append(s.calls[name], to.Sel.Name)
		case *ast.BasicLit:
			if n.Kind == token.STRING {
				key, _ := strconv.Unquote(n.Value)
				s.keys[key] = true
			}
		}
		return true
	})
}

// of are the codes of a function and of those that it calls.
func (s *source) of(name string, seen map[string]bool) []string {
	if seen[name] {
		return nil
	}
	seen[name] = true
	out := slices.Clone(s.codes[name])
	for _, c := range s.calls[name] {
		if c == "hidden" || c == "addParts" || c == "eachAmp" || c == "lacks" {
			out = append(out, s.of(c, seen)...)
		}
	}
	return out
}

// TestWords asks that everything that package fairness and the measurements can find has
// words, that no words are left over, and that all that stands in them is a name that is
// given.
func TestWords(t *testing.T) {
	s := readFairness(t)
	s.readMeasurements(t)
	if len(s.asks) < 40 || len(s.texts) < 40 {
		t.Fatalf("only %d questions and %d texts were read", len(s.asks), len(s.texts))
	}
	used := map[string]bool{}
	for _, q := range fairness.Topics() {
		found := topics[q.ID]
		if found.name == "" || found.why == "" || found.source == "" || (found.limit == "") != (q.Allowed != nil) {
			t.Errorf("%s: %+v", q.ID, found)
		}
		ask := ""
		for id, name := range s.ids {
			if name == q.ID {
				ask = s.asks[id]
			}
		}
		codes := s.of(ask, map[string]bool{})
		if len(codes) == 0 {
			t.Errorf("%s: no code was read from %q", q.ID, ask)
		}
		for _, code := range codes {
			w, ok := found.found[code]
			if !ok {
				w, ok = shared[code]
				used[code] = true
			}
			if !ok || w.value+w.reason == "" {
				t.Errorf("%s: no words for %q", q.ID, code)
			}
		}
		for code, w := range found.found {
			if !slices.Contains(codes, code) {
				t.Errorf("%s: nothing finds %q", q.ID, code)
			}
			for _, text := range []string{w.value, w.reason, w.do} {
				s.checkNames(t, q.ID+" "+code, text, q.Allowed != nil)
			}
		}
	}
	for code := range shared {
		if !used[code] {
			t.Errorf("no check shares %q", code)
		}
	}
	for _, code := range s.texts {
		if texts[code] == "" && code != "limit" && !strings.HasSuffix(code, ".") && !slices.Contains([]string{"checks"}, code) {
			t.Errorf("no words for the text %q", code)
		}
	}
	for code, text := range texts {
		if _, ok := s.keys[code]; !ok && !strings.HasPrefix(code, "part.") {
			t.Errorf("nothing says the text %q", code)
		}
		s.checkNames(t, code, text, false)
	}
	for id := range accusations {
		if !s.keys[id] {
			t.Errorf("nobody is accused of %q", id)
		}
	}
	for id := range consequences {
		if topics[id].name == "" {
			t.Errorf("%q is no check", id)
		}
	}
}

var placePattern = regexp.MustCompile(`\{([^}]*)\}`)

// checkNames asks of every place in words that its name is one that package fairness gives,
// and its form one that there is.
func (s *source) checkNames(t *testing.T, where, text string, limited bool) {
	for _, m := range placePattern.FindAllStringSubmatch(text, -1) {
		name, as, _ := strings.Cut(strings.TrimLeft(m[1], "?!"), ":")
		if !s.keys[name] && !slices.Contains([]string{"measured", "subject", "manifest", "markers", "pauses"}, name) {
			t.Errorf("%s: nothing goes by the name %q", where, name)
		}
		if !regexp.MustCompile(`^(\+?[0-9]|\+?limit|decimals|\^[0-9]|size|short|join|list|and|\*[a-z ]+|±[a-z_]+|)$`).MatchString(as) {
			t.Errorf("%s: %q is no form", where, m[1])
		}
		if strings.HasSuffix(as, "limit") && !limited {
			t.Errorf("%s: %q, but the check has no limit in figures", where, m[1])
		}
	}
	if strings.Count(text, "[") != strings.Count(text, "]") || strings.Count(text, "{") != strings.Count(text, "}") {
		t.Errorf("%s: brackets in %q", where, text)
	}
}

// TestSay says texts as they are made, and after they were stored and read back.
func TestSay(t *testing.T) {
	limit := &result.Limit{Kind: result.AtMost, Value: 2, Unit: "ms", Decimals: 2}
	for _, c := range []struct {
		check               result.Check
		value, reason, does string
	}{
		{result.Check{ID: fairness.IDSlips, Subject: "Two", Outcome: result.Failed, Text: result.Say("slips", "size_samples", 9600.0, "lost", true, "long_s", 0.2,
			"when", result.Say("slip.between", "from_s", 59.7, "to_s", 60.3), "lag_samples", -9600.0, "error_samples", 0.25, "source", "One", "places", 2)},
			"9600.0 samples (0.20 s) lost between 0:59.7 and 1:00.3", "the lag against the take One steps there, by −9600.0 ± 0.2 samples; 2 places in all", "record the take again with a larger buffer; if it was edited, export it unedited; if the device itself moves sound in time, as a pitch shifter or an auto-wah does, state its kind"},
		{result.Check{ID: fairness.IDLag, Outcome: result.Passed, Measured: 2.0004, Allowed: limit, Text: result.Say("late", "late_samples", 10.04, "decimals", 1, "early", true, "left_samples", 9.91)},
			"10.0 samples early, corrected", "compared with the dry recording (device delay included); at most 10.0 samples out of step with the others after that", ""},
		{result.Check{ID: fairness.IDMatch, Outcome: result.Failed, Measured: 2.0004, Allowed: limit, Text: result.Say("published", "published", 1, "withheld", 2, "target_lufs", -20.72)},
			"+2.0004 LU", "the worst of 1 published file and 2 withheld, decoded and measured again, compared with the target of −20.7 LUFS", "build again; if it stays, report it: the published audio does not have its computed loudness"},
		{result.Check{ID: fairness.IDDrift, Outcome: result.Caution, Measured: 4.26, Text: result.Say("repeat", "error_ppm", 0.51, "of", "inf")},
			"+4.3 ± 0.6 ppm", "how much slower its clock runs than that of inf, which it repeats, ± two standard errors", "play and record through one converter, or clock both from one source; do not convert a take afterwards"},
		{result.Check{ID: fairness.IDScales, Outcome: result.Caution, Text: result.Say("several", "scales", 2, "ways", []result.Text{result.Say("scale.clock"), result.Say("scale.number", "on", "0–10")})},
			"2 scales", "written as a clock position and a number on 0–10 on one device", "write it in one scale in all takes"},
		{result.Check{ID: fairness.IDOneChange, Outcome: result.Failed, Text: result.Say("differs", "groups", []result.Text{result.Say("setting", "value", "noon", "takes", []string{"A", "B", "C"}), result.Say("setting", "takes", []string{"D"})})},
			"differs", "noon in A, B and C; not stated in D", "record the takes again with one setting; if it had to differ, say so in may_differ"},
		{result.Check{ID: fairness.IDCut, Outcome: result.Passed, Text: result.Say("whole", "head_dbfs", math.Inf(-1), "tail_dbfs", -80)},
			"whole", "the first 5 ms are at −∞ dBFS, the last at −80.0 dBFS", ""},
		{result.Check{ID: fairness.IDReampTone, Outcome: result.Passed, Measured: -1.52, Allowed: &result.Limit{Kind: result.Within, Value: 1, Unit: "dB", Decimals: 1}, Text: result.Say("tone", "band", "63 Hz", "where",
			(&result.Loopback{LevelBands: "250 Hz to 1 kHz", Shape: result.Causes([]result.Text{result.Say("shape.second-order", "at_hz", 93.22), result.Say("shape.shelf", "treble", true, "by_db", -2.04, "at_hz", 3961)})}).Where())},
			"−1.5 dB", "the octave around 63 Hz compared with the level in the passband of a loop with a second-order loss of lows, −3 dB at 93 Hz, and a shelf of −2.0 dB above 4 kHz; the worst one measured from 63 Hz to 8 kHz", ""},
		{result.Check{ID: "x", Value: "as it was", Reason: "written"}, "as it was", "written", ""},
	} {
		b, err := json.Marshal(c.check)
		if err != nil {
			t.Fatal(err)
		}
		var back result.Check
		d := json.NewDecoder(strings.NewReader(string(b)))
		d.UseNumber()
		if err := d.Decode(&back); err != nil {
			t.Fatal(err)
		}
		back.Measured = c.check.Measured
		for _, k := range Checks([]result.Check{c.check, back}) {
			if k.Value != c.value || k.Reason != c.reason || k.Do != c.does {
				t.Errorf("%s\n%q\n%q\n%q\nwant\n%q\n%q\n%q", c.check.ID, k.Value, k.Reason, k.Do, c.value, c.reason, c.does)
			}
		}
		if c.check.Name != "" || !reflect.DeepEqual(c.check.Value, map[bool]string{true: c.value}[c.check.ID == "x"]) {
			t.Errorf("%s: what is said was changed", c.check.ID)
		}
	}
}

// TestNoLoopback asks that the advice without a loopback recording says how to get
// one: no command of the program records.
func TestNoLoopback(t *testing.T) {
	why := topics[fairness.IDReampLevel].found["none"].reason
	if !strings.Contains(why, "record the reamp output back through the DI box") || strings.Contains(why, "command") {
		t.Error(why)
	}
}

// TestCauses asks that every cause that results have gets its words, and that the results
// stay as they are; a cause in the words of an earlier version keeps them.
func TestCauses(t *testing.T) {
	res, causes := &result.Result{}, 0
	var each func(v reflect.Value, do func(*result.Cause))
	each = func(v reflect.Value, do func(*result.Cause)) {
		if c, ok := v.Addr().Interface().(*result.Cause); ok {
			do(c)
			return
		}
		switch v.Kind() {
		case reflect.Pointer:
			if v.IsNil() && v.Type().Elem().Kind() == reflect.Struct {
				v.Set(reflect.New(v.Type().Elem()))
			}
			if !v.IsNil() {
				each(v.Elem(), do)
			}
		case reflect.Slice:
			if v.Len() == 0 {
				v.Set(reflect.MakeSlice(v.Type(), 1, 1))
			}
			for i := range v.Len() {
				each(v.Index(i), do)
			}
		case reflect.Struct:
			for i := range v.NumField() {
				each(v.Field(i), do)
			}
		}
	}
	each(reflect.ValueOf(res).Elem(), func(c *result.Cause) {
		if causes++; causes%2 == 0 {
			c.Text = result.Say("pauses.cut", "pause", 3)
			return
		}
		if err := json.Unmarshal([]byte(`"as it was"`), c); err != nil {
			t.Error(err)
		}
	})
	for range 2 {
		said := 0
		each(reflect.ValueOf(Result(res)).Elem(), func(c *result.Cause) {
			if said++; c.Words != [2]string{"the recording ends within pause 3", "as it was"}[said%2] {
				t.Errorf("%+v", c)
			}
		})
		each(reflect.ValueOf(res).Elem(), func(c *result.Cause) {
			if c.Found != "" && c.Words != "" {
				t.Error("the results were changed")
			}
		})
		if said != causes || causes < 4 {
			t.Errorf("%d of %d causes", said, causes)
		}
	}
}

// TestConsequences asks what a consequence says, and that its advice is its cause's.
func TestConsequences(t *testing.T) {
	checks := Checks([]result.Check{
		{ID: fairness.IDSameFile, Subject: "One and Two", Outcome: result.Failed, Text: result.Say("same")},
		{ID: fairness.IDNearCopy, Subject: "One and Two", Outcome: result.Failed, ConsequenceOf: fairness.IDSameFile, Text: result.Say("copy")},
		{ID: fairness.IDClicks, Subject: "One", Outcome: result.Caution, Partly: &result.Partly{Of: fairness.IDGate, Explained: 2, All: 3}, Text: result.Say("clicks", "at_s", 1, "level_dbfs", -20)},
	})
	if c := checks[1]; c.Do != checks[0].Do || !strings.HasPrefix(c.Reason, "consequence of the same file named twice; aligned and matched") {
		t.Errorf("%+v", c)
	}
	if c := checks[2]; c.Reason != "2 of 3 are a consequence of the gate or mute, where it closes or opens; the first at 0:01.0, −20.0 dBFS" {
		t.Errorf("%+v", c)
	}
}

// TestAccusations asks what is said of an accusation: what speaks against it comes from
// the checks that it rests on, the worst first, at most three and in the order of names.
func TestAccusations(t *testing.T) {
	gated := func(subject string, o result.Outcome, found string) result.Check {
		return result.Check{ID: fairness.IDGate, Subject: subject, Outcome: o, Text: result.Say(found)}
	}
	res := Result(&result.Result{
		Checks: []result.Check{gated("D", result.Failed, "gated"), gated("B", result.Failed, "gated"), gated("A", result.Failed, "gated"), gated("C", result.Failed, "gated"), gated("E", result.Caution, "silent"),
			{ID: fairness.IDOneChange, Outcome: result.Caution, Text: result.Say("only", "varies", "fuzz")}},
		Exclusions: []result.Exclusion{
			{ID: "gate", Standing: result.Found, Checks: []string{fairness.IDGate}, Text: result.Say("checks")},
			{ID: "another-setting", Standing: result.AuthorsWord, Checks: []string{fairness.IDOneChange}, Text: result.Say("written", "varies", "fuzz")},
			{Accusation: "as it was", Because: "written"},
		},
		Resolution: result.Resolution{LeftOut: []result.Unsteady{{Text: result.Say("change.creeps", "band", "1 kHz", "size_db", 1.26, "from_s", 1, "to_s", 2)}, {Change: "as it was"}}},
	})
	for i, want := range [][2]string{
		{"a gate hid the noise of a take", "gate, A: gated; gate, B: gated; gate, C: gated; and 1 more"},
		{"a knob was moved, or something else was changed", "as the author wrote the positions down, nothing but fuzz differs; one change, only fuzz"},
		{"as it was", "written"},
	} {
		if e := res.Exclusions[i]; e.Accusation != want[0] || e.Because != want[1] {
			t.Errorf("%q, %q, want %q", e.Accusation, e.Because, want)
		}
	}
	if l := res.Resolution.LeftOut; l[0].Change != "the octave around 1 kHz creeps by +1.3 dB from 0:01.0 to 0:02.0" || l[1].Change != "as it was" {
		t.Errorf("%+v", l)
	}
}
