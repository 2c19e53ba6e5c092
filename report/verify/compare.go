// Package verify checks whether an archive or a published report is unchanged and its
// stored results are right: it has them computed again, and compares.
//
// Run has three ways to measure again, and its report says which one it used:
//
// With all recordings, the whole report is computed anew
// (analyze.MeasureAndPublish) and compared value by value within Tolerances.
//
// If some recordings are missing, the takes that are there are measured along the
// stored timeline (again.Present).
//
// Without recordings, the published audio is decoded, its gain is undone, and a
// session is built from it (again.FromPublished). Sections, spectra, noise,
// differences and likeness are compared within PublishedTolerances. Values that the
// file's rounding reaches, also by moving a window across a gate of the loudness, are
// not compared, and their number is given (TestFreshVerifies). The demo's 24-bit files
// give levels again to 0.0001 dB, the second scenario's dithered 16-bit files to
// 0.02 dB.
package verify

import (
	"encoding/json"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/foreign"
	"evenhand/analyze/result"
)

// Difference is one value that is not what it was.
type Difference struct {
	File       string `json:"file"`       // the file that holds the stored value
	Quantity   string `json:"quantity"`   // its place there, with takes and spans by name
	Stored     string `json:"stored"`     // as JSON
	Recomputed string `json:"recomputed"` // as JSON
	Tolerance  string `json:"tolerance"`  // "" when the values must be the same
}

func (d Difference) String() string {
	s := fmt.Sprintf("%s: %s: stored %s, recomputed %s", d.File, d.Quantity, short(d.Stored), short(d.Recomputed))
	if d.Tolerance != "" {
		s += ", tolerance " + d.Tolerance
	}
	return s
}

// short cuts long texts for a line.
func short(s string) string {
	r := []rune(s)
	if len(r) <= 120 {
		return s
	}
	return string(r[:117]) + "…"
}

// Options say how two results are compared.
type Options struct {
	// File is the name of the stored file, for Difference.File.
	File string
	// Part: the recomputed tree holds only a part of what is stored, and the
	// rest of the stored one is left alone.
	Part bool
	// OtherVersion: the stored results were made by another version of the
	// program. Values that only one of the two knows cannot be compared, and
	// sentences may be worded differently.
	OtherVersion bool
	// Null: a recomputed null stands for a value that could not be measured,
	// which is then not compared.
	Null bool
	// Tolerances are those to use; nil for Tolerances().
	Tolerances []Tolerance
	// Skip reports places that are not compared; nil for none. Places are
	// written as in Difference.Quantity.
	Skip func(place string) bool
	// Rules are those by which the stored results were not yet computed; the
	// figures that they govern are counted and not compared.
	Rules []result.Rule
}

// Comparison is what Compare found.
type Comparison struct {
	Compared    int          // values
	Differences []Difference // in the order of the stored file
	// NotCompared are places that only one of the two has, or that are text
	// worded by another version.
	NotCompared []string
	// ByRule counts the stored values that each of Options.Rules governs.
	ByRule []int
}

// Compare walks two results, as encoding/json decodes them with UseNumber, and
// compares every value: numbers within the tolerance of their quantity (see
// Tolerances), numbers within sentences within one unit of their last digit,
// anything else exactly. Lists of things that have names are compared name by
// name, so that an added or missing entry is one difference.
func Compare(stored, recomputed any, opts Options) Comparison {
	if opts.Tolerances == nil {
		opts.Tolerances = Tolerances()
	}
	c := &comparer{opts: opts}
	c.out.ByRule = make([]int, len(opts.Rules))
	c.value(place{}, "", stored, recomputed)
	return c.out
}

// maxTree is the memory that decoded results may take here, where each value is
// on its own: enough for results of 25 MiB.
const maxTree = 160 << 20

// Decode reads JSON for Compare. The error matches mistake.Err when it takes more
// memory than results do.
func Decode(b []byte) (any, error) {
	var v any
	if err := foreign.JSON(b, &v, maxTree); err != nil {
		return nil, err
	}
	return v, nil
}

// Tree turns a value into what Decode returns for its JSON.
func Tree(v any) (any, error) {
	b, err := json.Marshal(v)
	if err != nil {
		return nil, err
	}
	return Decode(b)
}

type comparer struct {
	opts Options
	out  Comparison
}

// place is where a value stands.
type place struct {
	name string // as in Difference.Quantity
	path string // as in analyze.Rule.Fields
}

// field is the place of a field below p.
func (p place) field(name string) place {
	if p.name == "" {
		return place{name, name}
	}
	return place{p.name + "." + name, p.path + "." + name}
}

// entry is the place of an entry of the list p.
func (p place) entry(name string, v any) place {
	q := place{p.name + "[" + name + "]", p.path}
	if m, ok := v.(map[string]any); ok {
		if id, ok := m["id"].(string); ok {
			q.path += "[" + id + "]"
		}
	}
	return q
}

// skips reports whether a place is not compared, and counts the stored values
// there when another rule is the reason.
func (c *comparer) skips(at place, stored any) bool {
	if at.name == "" {
		return false
	}
	if c.opts.Skip != nil && c.opts.Skip(at.name) {
		return true
	}
	for i, r := range c.opts.Rules {
		if r.Governs(at.path) {
			c.out.ByRule[i] += values(stored)
			return true
		}
	}
	return false
}

// values counts the numbers, texts and truths in a tree.
func values(v any) int {
	n := 0
	switch x := v.(type) {
	case map[string]any:
		for _, y := range x {
			n += values(y)
		}
	case []any:
		for _, y := range x {
			n += values(y)
		}
	default:
		if v != missing {
			n = 1
		}
	}
	return n
}

func (c *comparer) differ(at place, stored, recomputed any, tolerance string) {
	c.out.Differences = append(c.out.Differences, Difference{c.opts.File, at.name, text(stored), text(recomputed), tolerance})
}

func text(v any) string {
	if v == missing {
		return "nothing"
	}
	b, err := json.Marshal(v)
	if err != nil {
		return fmt.Sprint(v)
	}
	return string(b)
}

// missing stands for a value that one side does not have.
var missing any = absent{}

type absent struct{}

func (c *comparer) value(at place, field string, stored, recomputed any) {
	if c.skips(at, stored) {
		return
	}
	switch s := stored.(type) {
	case map[string]any:
		if r, ok := recomputed.(map[string]any); ok {
			c.object(at, s, r)
			return
		}
	case []any:
		if r, ok := recomputed.([]any); ok {
			c.list(at, field, s, r)
			return
		}
	default:
		_, words := stored.(string)
		if r, ok := recomputed.(map[string]any); ok && words && r["found"] != nil && c.opts.OtherVersion {
			return // a text, which was stored in words
		}
		if recomputed == nil && c.opts.Null {
			return
		}
		c.out.Compared++
		if same, tolerance := c.scalar(field, stored, recomputed); !same {
			c.differ(at, stored, recomputed, tolerance)
		}
		return
	}
	c.out.Compared++
	c.differ(at, stored, recomputed, "")
}

// lone deals with a value that one side does not have.
func (c *comparer) lone(at place, stored, recomputed any) {
	switch {
	case recomputed == missing && c.opts.Part:
	case c.skips(at, stored):
	case c.opts.OtherVersion && (result.Worded(at.path) || stored == ""): // a text, which may be worded otherwise
	case c.opts.OtherVersion:
		c.out.NotCompared = append(c.out.NotCompared, at.name)
	default:
		c.out.Compared++
		c.differ(at, stored, recomputed, "")
	}
}

func (c *comparer) object(at place, stored, recomputed map[string]any) {
	keys := make([]string, 0, len(stored))
	for k := range stored {
		keys = append(keys, k)
	}
	for k := range recomputed {
		if _, ok := stored[k]; !ok {
			keys = append(keys, k)
		}
	}
	slices.Sort(keys)
	for _, k := range keys {
		at := at.field(k)
		s, inStored := stored[k]
		r, inRecomputed := recomputed[k]
		switch {
		case !inStored:
			c.lone(at, missing, r)
		case !inRecomputed:
			c.lone(at, s, missing)
		default:
			c.value(at, k, s, r)
		}
	}
}

func (c *comparer) list(at place, field string, stored, recomputed []any) {
	if s, r := names(stored), names(recomputed); s != nil && r != nil {
		for i, name := range s {
			if k := slices.Index(r, name); k >= 0 {
				c.value(at.entry(name, stored[i]), field, stored[i], recomputed[k])
			} else {
				c.lone(at.entry(name, stored[i]), stored[i], missing)
			}
		}
		for k, name := range r {
			if !slices.Contains(s, name) {
				c.lone(at.entry(name, recomputed[k]), missing, recomputed[k])
			}
		}
		return
	}
	for i := range min(len(stored), len(recomputed)) {
		c.value(at.entry(strconv.Itoa(i), stored[i]), field, stored[i], recomputed[i])
	}
	if len(stored) != len(recomputed) {
		c.out.Compared++
		c.differ(at, fmt.Sprintf("%d entries", len(stored)), fmt.Sprintf("%d entries", len(recomputed)), "")
	}
}

// naming are the fields that tell entries of a list apart, in this order.
var naming = []string{"id", "subject", "use", "path", "slot", "name", "take", "of", "span", "a", "b", "label", "side", "accusation"}

// names returns a name for each entry of a list of objects; nil when the
// entries have no names or two have the same.
func names(list []any) []string {
	out := []string{}
	seen := map[string]bool{}
	for _, v := range list {
		m, ok := v.(map[string]any)
		if !ok {
			return nil
		}
		var parts []string
		for _, k := range naming {
			// The name of a check is its id's, and may be worded anew.
			if k == "name" && m["id"] != nil {
				continue
			}
			if s, ok := m[k].(string); ok && s != "" {
				parts = append(parts, s)
			}
		}
		name := strings.Join(parts, ", ")
		if name == "" || seen[name] {
			return nil
		}
		seen[name] = true
		out = append(out, name)
	}
	return out
}

// scalar compares two values that are neither lists nor objects.
func (c *comparer) scalar(field string, stored, recomputed any) (same bool, tolerance string) {
	t := toleranceOf(c.opts.Tolerances, field)
	a, aIs := level(stored)
	b, bIs := level(recomputed)
	if aIs && bIs {
		if t.counts(a, b) {
			return a == b, ""
		}
		return t.holds(a, b), t.String()
	}
	s, sIs := stored.(string)
	r, rIs := recomputed.(string)
	if !sIs || !rIs {
		return stored == recomputed, ""
	}
	if c.opts.OtherVersion {
		s = result.Renamed(field, s)
	}
	if s == r || !fact(field) && (c.opts.OtherVersion || sameSentence(s, r)) {
		return true, ""
	}
	return false, ""
}

// fact tells whether a text is a finding, a name or a hash, which no other
// wording can replace.
func fact(field string) bool {
	switch field {
	case "outcome", "standing", "found", "polarity", "polarity_to_reference", "signal", "sha256", "path", "file", "name", "id",
		"take", "title", "use", "limited_by", "against", "source", "encoding", "target_source", "mains_source", "sections_source", "written":
		return true
	}
	return false
}

// level reads a number, or the strings that stand for infinite levels.
func level(v any) (float64, bool) {
	switch x := v.(type) {
	case json.Number:
		f, err := x.Float64()
		return f, err == nil
	case string:
		switch x {
		case "-inf":
			return math.Inf(-1), true
		case "inf":
			return math.Inf(1), true
		}
	}
	return 0, false
}

var numberPattern = regexp.MustCompile(`[0-9]+(?:\.[0-9]+)?`)

// sameSentence compares two texts, with the numbers in them to within one unit
// of their last digit: a value that lies between two digits can be printed as
// either.
func sameSentence(a, b string) bool {
	if numberPattern.ReplaceAllString(a, "#") != numberPattern.ReplaceAllString(b, "#") {
		return false
	}
	x, y := numberPattern.FindAllString(a, -1), numberPattern.FindAllString(b, -1)
	for i := range x {
		_, dx, _ := strings.Cut(x[i], ".")
		_, dy, _ := strings.Cut(y[i], ".")
		if x[i] != y[i] && (len(dx) != len(dy) || len(dx) == 0) {
			return false // whole numbers are counts
		}
		p, errX := strconv.ParseFloat(x[i], 64)
		q, errY := strconv.ParseFloat(y[i], 64)
		if errX != nil || errY != nil || math.Abs(p-q) > 1.001*math.Pow(10, -float64(len(dx))) {
			return false
		}
	}
	return true
}
