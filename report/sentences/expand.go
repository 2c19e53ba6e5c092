package sentences

import (
	"cmp"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
)

// expander puts figures and names into words, which have
//
//	{name}        what goes by that name: names and texts as they are, a list as a sentence
//	              lists it, a figure as the unit that ends its name prints it
//	{x_db:1}      a figure with so many decimals and without its unit; {x_db:+1} with a sign
//	{x:^1}        the same rounded up; {x:size} a size in samples, rounded up
//	{x:limit}     with the decimals of the limit, or more where the two would look equal;
//	              {x:+limit} with a sign
//	{x:decimals}  with as many decimals as the figure of that name says
//	{x:±error}    with its range, which the figure of that name is
//	{x:*file}     a number of things: "1 file", "2 files"
//	{x_hz:short}  a frequency in two digits
//	{names:join}  a list with commas alone; texts are listed with semicolons, {texts:list} as
//	              a sentence lists them, {texts:and} with ", and" between all
//	{source}      "dry recording", or "take" and its name
//	{measured}    what the check measured; {subject} what it is about
//	[ … {x} … ]   only where x is there; with {?x} x itself is not said; [ … {!x} … ] only
//	              where it is not
type expander struct {
	with     result.With
	measured float64
	limit    *result.Limit
	subject  string
}

func (e expander) expand(words string) string {
	var out strings.Builder
	for words != "" {
		i := strings.IndexAny(words, "{[")
		if i < 0 {
			i = len(words)
		}
		out.WriteString(words[:i])
		if words = words[i:]; words == "" {
			break
		}
		if words[0] == '[' {
			inner, rest, _ := strings.Cut(words[1:], "]")
			if e.there(inner) {
				out.WriteString(e.expand(inner))
			}
			words = rest
			continue
		}
		name, rest, _ := strings.Cut(words[1:], "}")
		out.WriteString(e.placed(name))
		words = rest
	}
	return out.String()
}

// there reports whether all is there that a part of the words asks for.
func (e expander) there(words string) bool {
	for {
		_, rest, ok := strings.Cut(words, "{")
		if !ok {
			return true
		}
		name, after, _ := strings.Cut(rest, "}")
		name, _, _ = strings.Cut(name, ":")
		want := !strings.HasPrefix(name, "!")
		name = strings.TrimLeft(name, "?!")
		_, known := e.with[name]
		if name == "source" || name == "measured" || name == "subject" {
			known = true
		}
		if known != want {
			return false
		}
		words = after
	}
}

// placed is what is put into one place.
func (e expander) placed(place string) string {
	if strings.HasPrefix(place, "?") || strings.HasPrefix(place, "!") {
		return ""
	}
	name, as, _ := strings.Cut(place, ":")
	switch name {
	case "subject":
		return e.subject
	case "source":
		if take := e.name(name); take != "" {
			return "take " + take
		}
		return "dry recording"
	}
	if (as == "" || as == "join" || as == "list" || as == "and") && !isFigure(name) {
		if text, ok := spoken(e.with[name], as); ok {
			return text
		}
	}
	v := float64(e.figure(name))
	as, signed := strings.CutPrefix(as, "+")
	format := unit.Format
	if signed {
		format = unit.Signed
	}
	noun, counted := strings.CutPrefix(as, "*")
	spread, ranged := strings.CutPrefix(as, "±")
	up, upwards := strings.CutPrefix(as, "^")
	switch {
	case as == "":
		return printed(name, v)
	case as == "limit":
		return format(v, unit.DecimalsBeside(v, float64(e.limit.Value), e.limit.Decimals))
	case as == "decimals":
		return format(v, int(e.figure(as)))
	case as == "short":
		return short(v)
	case as == "size" && v >= 10:
		return format(math.Ceil(v), 0)
	case as == "size":
		return format(math.Ceil(10*v)/10, 1)
	case counted && v == 1:
		return "1 " + noun
	case counted:
		return unit.Format(v, 0) + " " + noun + "s"
	case ranged:
		return unit.Within(v, float64(e.figure(spread)))
	}
	decimals, _ := strconv.Atoi(up) // TestWords
	if upwards {
		p := math.Pow10(decimals)
		v = math.Ceil(v*p) / p
	}
	return format(v, decimals)
}

// isFigure reports whether a name is that of a figure: it ends in a unit.
func isFigure(name string) bool {
	i := strings.LastIndex(name, "_")
	return i > 0 && slices.Contains([]string{"s", "ms", "hz", "lufs", "lu", "dbfs", "dbtp", "db", "samples", "ppm", "cm"}, name[i+1:])
}

// printed prints a figure by the unit that ends its name; one without is a whole number.
func printed(name string, v float64) string {
	switch name[strings.LastIndex(name, "_")+1:] {
	case "s":
		return unit.Seconds(v).String()
	case "hz":
		return unit.Hertz(v).String()
	case "lufs":
		return unit.LUFS(v).String()
	case "dbfs":
		return unit.DBFS(v).String()
	case "dbtp":
		return unit.DBTP(v).String()
	}
	return unit.Format(v, 0)
}

// short prints a frequency in two digits.
func short(hz float64) string {
	step := math.Pow(10, math.Floor(math.Log10(hz))-1)
	hz = math.Round(hz/step) * step
	if hz >= 1000 {
		return fmt.Sprintf("%g kHz", math.Round(hz/100)/10)
	}
	return fmt.Sprintf("%g Hz", math.Round(hz*100)/100)
}

// figure returns a figure, NaN for none. One that was read back is a json.Number, or the
// text that stands for an infinite one.
func (e expander) figure(name string) unit.Number {
	if name == "measured" {
		return unit.Number(e.measured)
	}
	switch v := e.with[name].(type) {
	case unit.Number:
		return v
	case json.Number:
		f, _ := v.Float64()
		return unit.Number(f)
	case float64:
		return unit.Number(v)
	case string:
		f, err := strconv.ParseFloat(v, 64)
		if err == nil {
			return unit.Number(f)
		}
	}
	return unit.Number(math.NaN())
}

// name returns a name, "" for none.
func (e expander) name(name string) string {
	s, _ := e.with[name].(string)
	return s
}

// spoken says a name, a text, or a list of either, as it was made or read back; false for
// anything else.
func spoken(v any, as string) (string, bool) {
	switch v := v.(type) {
	case string:
		return v, true
	case result.Text:
		return say(v), true
	case map[string]any:
		found, _ := v["found"].(string)
		with, _ := v["with"].(map[string]any)
		return say(result.Text{Found: found, With: with}), true
	case []result.Text:
		out := make([]string, len(v))
		for i := range v {
			out[i] = say(v[i])
		}
		return listed(out, cmp.Or(as, "texts")), true
	case []result.Cause:
		out := make([]string, len(v))
		for i, c := range sayCauses(v) {
			out[i] = c.Words
		}
		return listed(out, cmp.Or(as, "texts")), true
	case []any:
		out := make([]string, len(v))
		for i, x := range v {
			out[i], _ = spoken(x, "")
			if _, text := x.(map[string]any); text {
				as = cmp.Or(as, "texts")
			}
		}
		return listed(out, as), true
	case []string:
		return listed(v, as), true
	}
	return "", false
}

func listed(names []string, as string) string {
	switch as {
	case "texts":
		return strings.Join(names, "; ")
	case "and":
		return strings.Join(names, ", and ")
	case "join":
		return manifest.Join(names)
	}
	return manifest.List(names)
}
