package analyze

import (
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"math/rand/v2"
	"slices"
	"strings"
	"sync"
	"testing"

	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/examples/campaign"
	"evenhand/examples/studio"
	"evenhand/report/sentences"
)

// shuffled are the takes whose order is tried: four circuits, a bypass, and a second
// recording of one circuit. Each is its entry in a manifest.
var shuffled = []struct{ name, entry string }{
	{"Alder", "fuzz: {device: Alder, controls: {gain: noon}}"},
	{"Birch", "fuzz: {device: Birch, kind: silicon fuzz, controls: {gain: 3, tone: 5}}"},
	{"Cedar", "fuzz: {device: Cedar, kind: germanium fuzz, controls: {level: noon}}"},
	{"Dogwood", "fuzz: {device: Birch, kind: silicon fuzz, controls: {gain: 3, tone: 5}}"},
	{"Birch again", "repeat_of: Birch"},
	{"Aside", "role: bypass"},
}

// shuffledAudio is the dry recording and, by name, the takes made from it.
var shuffledAudio = sync.OnceValues(func() (recordings, error) {
	dry, err := studio.Performance(sceneRate, 7, studio.Score{Length: 7, Parts: []studio.Part{
		{Name: "Riff", Start: 1.2, Tempo: 130, Step: 0.5, Notes: "60m 60m 63 60m 65 63 60m 62"},
		{Name: "Notes", Start: 4.3, Tempo: 120, Step: 0.5, Notes: "37 39b 29 27"}}})
	if err != nil {
		return nil, err
	}
	out := recordings{"dry": {dry}}
	open, _ := studio.Open("four-fuzzes")
	circuits := studio.Circuits()
	for i, device := range []int{0, 1, 2, 3, 1, -1} {
		c := open.Takes[0].Chain
		c.Mics, c.Circuit, c.Lag, c.Seed, c.Extra, c.Inverted = c.Mics[:1], nil, unit.Samples(40*i), uint64(50+i), 4000, i == 1 || i == 4
		if device >= 0 {
			circuit := circuits[device]
			c.Circuit = &circuit
		}
		take := studio.Render(dry, c)
		out[shuffled[i].name] = [][]float64{scaled(take[0], -7-unit.FromAmplitude(peakOf(take[0])))}
	}
	return out, nil
})

// order is one comparison in two orders of its takes.
type order struct {
	name     string
	files    recordings
	head     string
	in, then []int // the takes, places in shuffled
}

// orderOf makes case i: some of the takes in two orders, with or without a dry
// recording, a reference, a repeat and a bypass.
func orderOf(i int, audio recordings) order {
	rng := rand.New(rand.NewPCG(uint64(i), 99))
	o := order{files: recordings{}, head: "title: V\nvaries: fuzz\n"}
	o.in = append(o.in, rng.Perm(4)[:2+rng.IntN(3)]...)
	if rng.IntN(3) > 0 && slices.Contains(o.in, 1) {
		o.in = append(o.in, 4)
	}
	if rng.IntN(3) > 0 {
		o.in = append(o.in, 5)
	}
	if rng.IntN(2) == 0 {
		o.head += "reference: " + shuffled[o.in[rng.IntN(2)]].name + "\n"
	}
	if rng.IntN(4) > 0 {
		o.head += "performance: {dry: dry.wav}\n"
		o.files["dry"] = audio["dry"]
	}
	o.head += "chain:\n  - slot: fuzz\n  - {slot: amp, device: Kestrel, controls: {volume: noon}}\n"
	for _, k := range o.in {
		// Each begins at another time, and some end early.
		x := audio[shuffled[k].name][0]
		pad := make([]float64, rng.IntN(sceneRate/5))
		x = append(pad, x[:len(x)-rng.IntN(sceneRate/10)]...)
		o.files[fileOf(k)] = [][]float64{x}
	}
	for {
		o.then = slices.Clone(o.in)
		rng.Shuffle(len(o.in), func(a, b int) { o.in[a], o.in[b] = o.in[b], o.in[a] })
		rng.Shuffle(len(o.then), func(a, b int) { o.then[a], o.then[b] = o.then[b], o.then[a] })
		if !slices.Equal(o.in, o.then) {
			break
		}
	}
	o.name = fmt.Sprintf("%d: %v and %v, %s", i, o.in, o.then, strings.ReplaceAll(o.head, "\n", "; "))
	return o
}

func fileOf(k int) string { return manifest.Slug(shuffled[k].name) }

// result measures and publishes the comparison in one order, and returns its results
// with the hashes of the published files.
func (o order) result(t *testing.T, takes []int) (*result.Result, map[string]string) {
	t.Helper()
	text := o.head + "takes:\n"
	for _, k := range takes {
		text += fmt.Sprintf("  - name: %s\n    file: %s.wav\n    %s\n", shuffled[k].name, fileOf(k), shuffled[k].entry)
	}
	c, err := manifest.Load((&scene{files: o.files, manifest: text}).write(t), nil)
	if err != nil {
		t.Fatal(err)
	}
	s, err := Measure(context.Background(), c, Options{})
	if err != nil {
		t.Fatalf("%s: %v", o.name, err)
	}
	if err := s.Publish(context.Background(), t.TempDir(), PublishOptions{Pieces: true}); err != nil {
		t.Fatal(err)
	}
	s.Check()
	s.Result = sentences.Result(s.Result)
	sums := map[string]string{}
	for _, x := range s.Result.Takes {
		sums[x.Name] = x.Published.SHA256
		for k, p := range x.Published.Pieces {
			sums[fmt.Sprintf("%s, piece %d", x.Name, k)] = fmt.Sprint(p)
		}
	}
	return s.Result, sums
}

// orderless is a result in a form in which the order of the takes does not show:
// lists of objects and of texts sorted, values by take in the order of their names,
// and of each text its words.
func orderless(t *testing.T, res *result.Result) string {
	t.Helper()
	b, err := json.Marshal(res)
	if err != nil {
		t.Fatal(err)
	}
	var tree map[string]any
	if err := json.Unmarshal(b, &tree); err != nil {
		t.Fatal(err)
	}
	byTake := res.ByName()
	var sorted func(field string, v any) any
	sorted = func(field string, v any) any {
		switch x := v.(type) {
		case string:
			w := strings.FieldsFunc(x, func(r rune) bool { return strings.ContainsRune(" ,;:", r) })
			slices.Sort(w)
			return strings.Join(slices.DeleteFunc(w, func(s string) bool { return s == "and" }), " ")
		case map[string]any:
			for k := range x {
				x[k] = sorted(k, x[k])
			}
			if x["use"] == "manifest" {
				return map[string]any{} // whose bytes are in another order
			}
			if a, ok := x["a"].(string); ok && x["b"].(string) < a {
				x["a"], x["b"] = x["b"], x["a"]
			}
			return x
		case []any:
			if len(x) == 0 {
				return x
			}
			if field == "values" {
				out := []any{}
				for _, i := range byTake {
					out = append(out, sorted("", x[i]))
				}
				return out
			}
			text, list := make([]string, len(x)), false
			for i := range x {
				if _, is := x[i].(float64); is || x[i] == nil {
					list = true // of levels, in the order of their bands
				}
				x[i] = sorted("", x[i])
				b, _ := json.Marshal(x[i])
				text[i] = string(b)
			}
			if _, is := x[0].(bool); !list && !is {
				slices.Sort(text)
			}
			return text
		}
		return v
	}
	out, err := json.MarshalIndent(sorted("", tree), "", " ")
	if err != nil {
		t.Fatal(err)
	}
	return strings.ReplaceAll(string(out), `\"`, "")
}

// TestOrderOfTakes asks that another order of the takes in the manifest is another
// order of rows in the results and nothing else: no figure, no answer and no byte of
// published audio depends on which take is first.
func TestOrderOfTakes(t *testing.T) {
	if underRace {
		t.Skip("slow under the race detector; TestFair runs the same code with it")
	}
	audio, err := shuffledAudio()
	if err != nil {
		t.Fatal(err)
	}
	for _, i := range campaign.Share(t, 40, 2) {
		o := orderOf(i, audio)
		a, published := o.result(t, o.in)
		b, again := o.result(t, o.then)
		if !maps.Equal(published, again) {
			t.Errorf("%s: the published audio differs", o.name)
		}
		x, y := strings.Split(orderless(t, a), "\n"), strings.Split(orderless(t, b), "\n")
		if slices.Equal(x, y) {
			continue
		}
		t.Errorf("%s: the results differ", o.name)
		shown := 0
		for k := range min(len(x), len(y)) {
			if x[k] != y[k] && shown < 6 {
				shown++
				at := 0
				for at < min(len(x[k]), len(y[k])) && x[k][at] == y[k][at] {
					at++
				}
				at = max(0, at-60)
				t.Errorf("line %d: …%.160s\nand …%.160s", k, x[k][at:], y[k][min(at, len(y[k])):])
			}
		}
	}
}

// TestAnchor: which take the others are aligned to.
func TestAnchor(t *testing.T) {
	takes := []result.Take{{Name: "Wire", Role: string(manifest.RoleBypass)}, {Name: "Oak"}, {Name: "Ash"}, {Name: "Aspen", RepeatOf: "Oak"}}
	for _, c := range []struct{ name, reference, earlier, want string }{
		{"the reference", "Oak", "Ash", "Oak"},
		{"as in the report before", "", "Wire", "Wire"},
		{"the report before had another", "", "Elm", "Ash"},
		{"the first by name of those compared", "", "", "Ash"},
	} {
		s := &Session{Measured: fairness.Measured{Manifest: &manifest.Comparison{Reference: c.reference}, Result: &result.Result{Takes: takes}}}
		for _, x := range takes {
			s.takes = append(s.takes, &recording.Signal{SHA256: x.Name})
		}
		if got := takes[s.anchorOf(c.earlier)].Name; got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	// Results of versions that did not name it.
	old := &result.Result{Takes: []result.Take{{Name: "Wire", File: "w"}, {Name: "Oak", File: "o"}}, Files: []result.File{{Path: "w", Use: "take", SHA256: "1"}, {Path: "o", Use: "take", SHA256: "2"}}}
	if got := result.AnchorSum(old); got != "1" {
		t.Errorf("without a reference: %q", got)
	}
	old.Comparison.Reference = "Oak"
	if got := result.AnchorSum(old); got != "2" {
		t.Errorf("with a reference: %q", got)
	}
	old.Parameters.Alignment.Anchor = "Wire"
	if got := result.AnchorSum(old); got != "1" {
		t.Errorf("named: %q", got)
	}
}
