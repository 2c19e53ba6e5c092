package manifest

import (
	"fmt"
	"math"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/token"

	"evenhand/analyze/unit"
)

// number is a decimal number as people write it: +12, −4.5, .5; no exponents.
const number = `[+\-−]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)`

// anyScalar is what YAML readers may take an unquoted value for.
var anyScalar = schema{"type": []string{"string", "number", "boolean"}}

func textNode(s string) ast.Node {
	return &ast.StringNode{BaseNode: &ast.BaseNode{}, Token: token.String(s, s, &token.Position{Line: 1, Column: 1}), Value: s}
}

// parseNumber reads what the number pattern matches. It returns false when the
// number does not fit.
func parseNumber(s string) (float64, bool) {
	f, err := strconv.ParseFloat(strings.Replace(s, "−", "-", 1), 64)
	return f, err == nil && !math.IsInf(f, 0) && !math.IsNaN(f)
}

// text is a single value on any number of lines.
func (w *walker) text(v value, what string) (string, bool) {
	s, ok := v.scalar()
	if !ok {
		w.fault(v.place, "", "this must be %s, found %s", what, v.found())
		return "", false
	}
	if i := strings.IndexFunc(s, func(r rune) bool { return r != '\n' && r != '\t' && unicode.IsControl(r) }); i >= 0 {
		w.fault(v.place, "remove the escape", "there is a control character in %s", what)
		return "", false
	}
	return s, true
}

// line is a single value on one line.
func (w *walker) line(v value, what string) (string, bool) {
	s, ok := w.text(v, what)
	if ok && strings.ContainsAny(s, "\n\t") {
		w.fault(v.place, "write it on one line", "%s must be on one line", what)
		return "", false
	}
	return s, ok
}

func proseKind(what string) kind[string] {
	return kind[string]{func(w *walker, v value) (string, bool) { return w.text(v, what) }, anyScalar}
}

func lineKind(what string) kind[string] {
	return kind[string]{func(w *walker, v value) (string, bool) { return w.line(v, what) }, anyScalar}
}

var datePattern = regexp.MustCompile(`^[0-9]{4}-[0-9]{2}-[0-9]{2}$`)

// urlPattern takes http and https addresses with a host and a path. What a browser
// would read in another way than it is written (spaces, \) is not allowed.
var urlPattern = regexp.MustCompile(`^https?://[^\s/?#@\\]+(/[^\s?#\\]*)?$`)

// urlKind is the address of a report on the web: a folder or a page.
func urlKind() kind[string] {
	return kind[string]{func(w *walker, v value) (string, bool) {
		s, ok := w.line(v, "a web address")
		if !ok {
			return "", false
		}
		const hint = "write the whole address of the report: https://example.org/fuzzes/"
		if strings.ContainsAny(s, "?#") {
			w.fault(v.place, hint, "%s has a query or a fragment; only the address up to the first ? or # is allowed", quote(s))
			return "", false
		}
		if u, err := url.Parse(s); err != nil || !urlPattern.MatchString(s) || u.Hostname() == "" {
			w.fault(v.place, hint, "%s is not a web address; it must begin with https:// or http:// and a host, and must not have spaces or a user name", quote(s))
			return "", false
		}
		return s, true
	}, schema{"type": "string", "pattern": urlPattern.String()}}
}

func dateKind() kind[string] {
	return kind[string]{func(w *walker, v value) (string, bool) {
		s, ok := w.line(v, "a date")
		if !ok {
			return "", false
		}
		if !datePattern.MatchString(s) {
			w.fault(v.place, "write year-month-day: 2026-03-14", "%s is not a date of the form YYYY-MM-DD", quote(s))
			return "", false
		}
		if _, err := time.Parse(time.DateOnly, s); err != nil {
			w.fault(v.place, "", "%s is not a day of the calendar", quote(s))
			return "", false
		}
		return s, true
	}, schema{"type": "string", "pattern": datePattern.String()}}
}

var copiesPattern = regexp.MustCompile(`^(16|24)( ?bits?)?$`)

func copiesKind() kind[int] {
	return kind[int]{func(w *walker, v value) (int, bool) {
		s, ok := w.line(v, "a depth")
		if !ok {
			return 0, false
		}
		m := copiesPattern.FindStringSubmatch(s)
		if m == nil {
			w.fault(v.place, "", "%s is not a depth of published files; allowed: 16 bit, 24 bit", quote(s))
			return 0, false
		}
		n, err := strconv.Atoi(m[1])
		return n, err == nil
	}, schema{"anyOf": []any{schema{"enum": []any{16, 24}}, schema{"type": "string", "pattern": copiesPattern.String()}}}}
}

// CopiesText is how a manifest states the depth of the published files; "" for 0.
func CopiesText(bits int) string {
	if bits == 0 {
		return ""
	}
	return fmt.Sprintf("%d bit", bits)
}

var mainsPattern = regexp.MustCompile(`^(50|60)( ?Hz)?$`)

func mainsKind() kind[unit.Hertz] {
	return kind[unit.Hertz]{func(w *walker, v value) (unit.Hertz, bool) {
		s, ok := w.line(v, "a mains frequency")
		if !ok {
			return 0, false
		}
		m := mainsPattern.FindStringSubmatch(s)
		if m == nil {
			w.fault(v.place, "", "%s is not a mains frequency; allowed: 50 Hz, 60 Hz", quote(s))
			return 0, false
		}
		f, _ := parseNumber(m[1])
		return unit.Hertz(f), true
	}, schema{"anyOf": []any{schema{"enum": []any{50, 60}}, schema{"type": "string", "pattern": mainsPattern.String()}}}}
}

func yesNoKind() kind[bool] {
	yes, no := []string{"yes", "true"}, []string{"no", "false"}
	return kind[bool]{func(w *walker, v value) (bool, bool) {
		s, ok := w.line(v, "yes or no")
		if !ok {
			return false, false
		}
		if slices.Contains(yes, s) || slices.Contains(no, s) {
			return slices.Contains(yes, s), true
		}
		w.fault(v.place, "", "%s is neither yes nor no", quote(s))
		return false, false
	}, schema{"enum": []any{"yes", "no", true, false, "true", "false"}}}
}

// unitSet is a set of units with the spellings of each, the first of which is
// the one kept.
type unitSet [][]string

func (u unitSet) pattern() *regexp.Regexp {
	var all []string
	for _, spellings := range u {
		for _, s := range spellings {
			all = append(all, regexp.QuoteMeta(s))
		}
	}
	return regexp.MustCompile(`^(` + number + ")[ \u00a0]?(" + strings.Join(all, "|") + ")$")
}

func (u unitSet) names() []string {
	names := make([]string, len(u))
	for i, spellings := range u {
		names[i] = spellings[0]
	}
	return names
}

func (u unitSet) canonical(written string) string {
	for _, spellings := range u {
		if slices.Contains(spellings, written) {
			return spellings[0]
		}
	}
	return ""
}

// numberHead finds the number at the beginning of a text.
var numberHead = regexp.MustCompile(`^` + number)

// quantityKind is a number with one of some units. The check returns what is
// wrong with the number, "" for nothing.
func quantityKind(what, example string, units unitSet, check func(q Quantity) string) kind[Quantity] {
	pattern := units.pattern()
	return kind[Quantity]{func(w *walker, v value) (Quantity, bool) {
		s, ok := w.line(v, what)
		if !ok {
			return Quantity{}, false
		}
		names, hint := units.names(), "write it like "+example
		fault := func(hint, format string, args ...any) (Quantity, bool) {
			w.fault(v.place, hint, format, args...)
			return Quantity{}, false
		}
		m := pattern.FindStringSubmatch(s)
		if m == nil {
			head := numberHead.FindString(s)
			rest := strings.TrimSpace(s[len(head):])
			switch {
			case head == "":
				return fault(hint, "%s is not %s, a number with a unit (%s)", quote(s), what, strings.Join(names, ", "))
			case rest == "":
				return fault(hint, "%s has no unit; allowed for %s: %s", quote(s), what, strings.Join(names, ", "))
			case strings.HasPrefix(rest, ","):
				return fault("write decimals with a point", "%s has a comma in its number", quote(s))
			}
			if n := Nearest(rest, names); n != "" {
				hint = "did you mean " + quote(head+" "+n) + "?"
			}
			return fault(hint, "unknown unit %s for %s; allowed: %s", quote(rest), what, strings.Join(names, ", "))
		}
		n, ok := parseNumber(m[1])
		if !ok {
			return fault("", "%s is too large", quote(s))
		}
		q := Quantity{s, n, units.canonical(m[2])}
		if wrong := check(q); wrong != "" {
			return fault("", "%s is out of range for %s: %s", quote(s), what, wrong)
		}
		return q, true
	}, schema{"type": "string", "pattern": pattern.String()}}
}

var (
	degrees  = unitSet{{"°", "deg", "degree", "degrees"}}
	lengths  = unitSet{{"cm"}, {"mm"}, {"m"}, {"in", "inch", "inches"}}
	decibels = unitSet{{"dB"}}
)

// between checks a closed range; the limits are shown with the unit.
func between(low, high float64) func(Quantity) string {
	return func(q Quantity) string {
		if q.Number < low || q.Number > high {
			return fmt.Sprintf("allowed %s to %s %s", unit.Format(low, -1), unit.Format(high, -1), q.Unit)
		}
		return ""
	}
}

func positive(q Quantity) string {
	if q.Number <= 0 {
		return "it must be greater than 0"
	}
	return ""
}

// levelKind is a quantity of one unit kept as a number of type V.
func levelKind[V ~float64](what, example string, units unitSet, low, high float64) kind[V] {
	q := quantityKind(what, example, units, between(low, high))
	return kind[V]{func(w *walker, v value) (V, bool) {
		x, ok := q.read(w, v)
		return V(x.Number), ok
	}, q.schema}
}

var timePattern = regexp.MustCompile(`^(?:(?:([0-9]{1,2}):)?([0-9]{1,3}):)?([0-9]{1,6}(?:\.[0-9]+)?)( ?s)?$`)

// timeKind is a time on the timeline: 12, 12.5 s, 0:11.5, 1:02:03.5.
func timeKind() kind[unit.Seconds] {
	return kind[unit.Seconds]{func(w *walker, v value) (unit.Seconds, bool) {
		s, ok := w.line(v, "a time")
		if !ok {
			return 0, false
		}
		const forms = "seconds (12.5), minutes:seconds (0:12.5) or hours:minutes:seconds (1:02:03.5)"
		m := timePattern.FindStringSubmatch(s)
		if m == nil {
			hint := ""
			if strings.Contains(s, ",") {
				hint = "write decimals with a point"
			}
			w.fault(v.place, hint, "%s is not a time; allowed: %s", quote(s), forms)
			return 0, false
		}
		hours, _ := strconv.Atoi("0" + m[1])
		minutes, _ := strconv.Atoi("0" + m[2])
		seconds, _ := strconv.ParseFloat(m[3], 64)
		switch {
		case m[2] != "" && m[4] != "":
			w.fault(v.place, "", "%s is not a time; allowed: %s", quote(s), forms)
		case m[2] != "" && (seconds >= 60 || len(strings.Split(m[3], ".")[0]) != 2):
			w.fault(v.place, "", "%s is not a time: after a colon, seconds go from 00 to 59", quote(s))
		case m[1] != "" && (minutes > 59 || len(m[2]) != 2):
			w.fault(v.place, "", "%s is not a time: after a colon, minutes go from 00 to 59", quote(s))
		default:
			return unit.Seconds(float64(hours*3600+minutes*60) + seconds), true
		}
		return 0, false
	}, schema{"anyOf": []any{
		schema{"type": "number", "minimum": 0},
		schema{"type": "string", "pattern": timePattern.String()},
	}}}
}

// channelsKind is one or two channel numbers of a file.
func channelsKind() kind[[]int] {
	const most = 32
	one := kind[int]{func(w *walker, v value) (int, bool) {
		s, ok := w.line(v, "a channel number")
		if !ok {
			return 0, false
		}
		n, err := strconv.Atoi(s)
		if err != nil || n < 1 || n > most || strconv.Itoa(n) != s {
			w.fault(v.place, "the first channel of a file is 1", "%s is not a channel number, 1 to %d", quote(s), most)
			return 0, false
		}
		return n, true
	}, schema{"type": "integer", "minimum": 1, "maximum": most}}
	list := oneOrMore("channel numbers", one)
	return kind[[]int]{func(w *walker, v value) ([]int, bool) {
		before := len(w.problems)
		channels, ok := list.read(w, v)
		switch {
		case !ok || len(w.problems) > before:
			return nil, false
		case len(channels) < 1 || len(channels) > 2:
			w.fault(v.place, "", "%d channels; a take has one or two", len(channels))
			return nil, false
		case len(channels) == 2 && channels[0] == channels[1]:
			w.fault(v.place, "", "channel %d is listed twice", channels[0])
			return nil, false
		}
		return channels, true
	}, schema{"anyOf": []any{one.schema, schema{"type": "array", "items": one.schema, "minItems": 1, "maxItems": 2, "uniqueItems": true}}}}
}
