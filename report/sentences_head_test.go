package report_test

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
)

// headForms are the sentences of the page's first paragraph.
func headForms() []form {
	outcomes := func(r *results) map[string]int {
		n := map[string]int{}
		for _, c := range r.Checks {
			n[c.Outcome]++
		}
		return n
	}
	// rows are the settings for which is is true, as "slot control".
	rows := func(r *results, is func(differs, varied, allowed bool) bool) []string {
		out := []string{}
		for _, s := range r.Settings.Slots {
			for _, x := range s.Rows {
				if is(x.Differs, x.Varied, x.Allowed) {
					out = append(out, s.Slot+" "+x.Name)
				}
			}
		}
		return out
	}
	return []form{
		sentence("head", `Not fair: (.+)\.`, func(r *results, _ said, m []string) string {
			return reserved(r, m[1], func(c answered) bool { return c.Outcome == "failed" }, 0)
		}),
		sentence("head", `Fair, with (one|[0-9]+) reservations?: (.+)\.`, func(r *results, _ said, m []string) string {
			n, err := strconv.Atoi(m[1])
			if err != nil {
				n = 1
			}
			return why(unless(outcomes(r)["failed"] == 0, "something failed"), reserved(r, m[2], reservation, n))
		}),
		sentence("head", `Fair\.`, func(r *results, _ said, _ []string) string {
			return unless(outcomes(r)["failed"] == 0 && !slices.ContainsFunc(r.Checks, reservation), "it is not")
		}),
		sentence("head", `Not checked: one take alone has nothing to be compared with\.`, func(r *results, _ said, _ []string) string {
			return unless(len(r.Takes) == 1 && outcomes(r)["failed"] == 0, "it has")
		}),
		sentence("head", `Not checked: nothing could be measured\.`, func(r *results, _ said, _ []string) string {
			return unless(outcomes(r)["not measured"] == len(r.Checks), "something was")
		}),
		sentence("head", `Not checked: no check was made\.`, func(r *results, _ said, _ []string) string {
			return unless(len(r.Checks) == 0, "%d were", len(r.Checks))
		}),
		sentence("head", `(One performance|One recording) (through each|at each setting of the) (.+?): (.+); (.+)\.`, func(r *results, _ said, m []string) string {
			source := "One performance"
			if slices.ContainsFunc(r.Files, func(f struct{ Use string }) bool { return f.Use == "dry" }) {
				source = "One recording"
			}
			way, what := "through each", r.Comparison.Slot
			if c := r.Comparison.Control; c != "" {
				way, what = "at each setting of the", r.Comparison.Slot+"’s "+c
			}
			moved := append(rows(r, func(differs, varied, allowed bool) bool { return differs && !allowed && !varied }),
				rows(r, func(differs, varied, allowed bool) bool { return differs && allowed && !varied })...)
			changed := ""
			switch names, ok := strings.CutSuffix(strings.TrimPrefix(m[4], "the "), " changed too"); {
			case ok:
				named, others := list(names)
				changed = unless(len(named)+others == len(moved) && len(moved) > 0 && slices.Equal(named, moved[:len(named)]), "%q changed", moved)
			case m[4] == "no other part of the chain is written down":
				for _, s := range r.Settings.Slots {
					changed = why(changed, unless(s.Slot == r.Comparison.Slot, "%s is", s.Slot))
				}
			case m[4] == "as written down, nothing else changed":
				changed = unless(len(moved) == 0, "%q changed", moved)
			default:
				changed = "unknown"
			}
			loud := ""
			for _, t := range r.Takes {
				written := t.Published
				if t.Withheld != nil {
					written = t.Withheld
				}
				if m[5] == "all equally loud" {
					loud = why(loud, unless(written != nil && math.Abs(float64(written.Integrated-r.Match.Target)) <= 0.05+1e-9, "%s does not", t.Name))
				}
				if m[5] == "levels were not matched" {
					loud = why(loud, unless(written == nil, "%s was", t.Name))
				}
			}
			return why(unless(m[1] == source, "it is %s", source), unless(m[2] == way && m[3] == what, "it is %s %s", way, what), changed, loud)
		}),
		sentence("head", `(One performance|One recording) in one take, with nothing to compare it with\.`, func(r *results, _ said, m []string) string {
			return unless(len(r.Takes) == 1, "there are %d", len(r.Takes))
		}),
		sentence("head", `Held equal, as written down: (.+)\.`, func(r *results, _ said, m []string) string {
			held := 0
			for _, p := range regexp.MustCompile(`(\w[\w ]*?)(?: \(([^)]*)\))?(?:, | and |$)`).FindAllStringSubmatch(m[1], -1) {
				ok := false
				for _, s := range r.Settings.Slots {
					if s.Slot != p[1] || s.Slot == r.Comparison.Slot {
						continue
					}
					ok = true
					for _, x := range s.Rows {
						if x.Differs {
							return fmt.Sprintf("%s %s differs", s.Slot, x.Name)
						}
						for i, v := range x.Values {
							if x.Name == "device" && p[2] != "" && v.Written != p[2] && r.Takes[i].Role != "room" {
								return fmt.Sprintf("%s is %s in %s", s.Slot, v.Written, r.Takes[i].Name)
							}
						}
					}
				}
				if !ok {
					return "no such slot: " + p[1]
				}
				held++
			}
			same := 0
			for _, s := range r.Settings.Slots {
				if s.Slot != r.Comparison.Slot && !slices.ContainsFunc(s.Rows, func(x struct {
					Name            string
					Differs, Varied bool
					Allowed         bool `json:"may_differ"`
					Values          []struct{ Written string }
				}) bool {
					return x.Differs
				}) {
					same++
				}
			}
			return unless(held == same, "%d are, %d are named", same, held)
		}),
		sentence("head", `Nothing is written down as held equal\.`, func(r *results, _ said, _ []string) string {
			for _, s := range r.Settings.Slots {
				differs := false
				for _, x := range s.Rows {
					differs = differs || x.Differs
				}
				if s.Slot != r.Comparison.Slot && !differs {
					return s.Slot + " is"
				}
			}
			return ""
		}),
		sentence("head", `The manifest names no other part of the chain\.`, func(r *results, _ said, _ []string) string {
			for _, s := range r.Settings.Slots {
				if s.Slot != r.Comparison.Slot {
					return s.Slot
				}
			}
			return ""
		}),
		sentence("head", `Allowed to move: (.+)\.`, func(r *results, _ said, m []string) string {
			named, _ := list(m[1])
			want := rows(r, func(differs, varied, allowed bool) bool { return differs && allowed && !varied })
			return unless(slices.Equal(named, want), "they are %q", want)
		}),
		sentence("head", `Not held equal, although nothing allows it: (.+)\.`, func(r *results, _ said, m []string) string {
			named, _ := list(m[1])
			want := rows(r, func(differs, varied, allowed bool) bool { return differs && !allowed && !varied })
			return unless(slices.Equal(named, want), "they are %q", want)
		}),
		sentence("head", `([0-9]+) checks: ([0-9]+) failed, ([0-9]+) cautions?, ([0-9]+) not measured, ([0-9]+) passed\.`, func(r *results, _ said, m []string) string {
			n := outcomes(r)
			got := []int{len(r.Checks), n["failed"], n["caution"], n["not measured"], n["passed"]}
			for i, want := range got {
				if m[1+i] != strconv.Itoa(want) {
					return fmt.Sprintf("they are %v", got)
				}
			}
			return ""
		}),
		sentence("head", `All were matched to {value} LUFS integrated loudness over the same music(?: \(([^)]*)\))?(?:, the highest level at which no true peak exceeds {value} dBTP; {name} sets that limit)?\.`, func(r *results, _ said, m []string) string {
			if !shows(m[1], r.Match.Target) {
				return fmt.Sprintf("the target is %v", r.Match.Target)
			}
			if m[2] != "" && !strings.HasPrefix(r.Parameters.Loudness.Standard, m[2]) {
				return "by another standard"
			}
			for _, t := range r.Takes {
				// What was written counts: gain moves more over the absolute gate.
				written := t.Published
				if t.Withheld != nil {
					written = t.Withheld
				}
				if written == nil || math.Abs(float64(written.Integrated-r.Match.Target)) > 0.05 {
					return t.Name + " is not"
				}
			}
			if m[4] == "" {
				return unless(r.Match.LimitedBy == "", "%s sets a limit", r.Match.LimitedBy)
			}
			// A tenth of an LU more would take the named take over the ceiling, and
			// nothing is over it.
			for _, t := range r.Takes {
				p := float64(t.Measures[0].TruePeak + t.Gain - r.Parameters.Match.Ceiling)
				if p > 1e-3 || t.Name == m[4] && p < -0.1-1e-3 {
					return fmt.Sprintf("%s peaks %v dB from the ceiling", t.Name, p)
				}
			}
			return unless(shows(m[3], r.Parameters.Match.Ceiling), "the ceiling is %v", r.Parameters.Match.Ceiling)
		}),
		sentence("head", `Measured again from the files on this page, all are within {value} LU of it\.`, func(r *results, _ said, m []string) string {
			within, _ := num(m[1])
			for _, t := range r.Takes {
				if p := t.Published; p != nil && math.Abs(float64(p.Integrated-r.Match.Target)) > within+1e-9 {
					return fmt.Sprintf("%s is at %v", t.Name, p.Integrated)
				}
			}
			return ""
		}),
		sentence("head", `The audio of (.+) is not published, since (?:its recording|their recordings) may not be passed on; only (?:its|their) numbers are here\.`, func(r *results, _ said, m []string) string {
			return everyTake(r, m[1], func(t take) bool { return t.Withheld != nil })
		}),
	}
}

// reservation reports whether an answer takes something from the verdict by itself.
func reservation(c answered) bool {
	return c.ConsequenceOf == "" && (c.Outcome == "caution" || c.Outcome == "not measured" && slices.Contains([]string{"same-performance", "match", "one-change"}, c.ID))
}

// reserved compares the causes that a verdict lists, the most severe first, with the
// answers that count, and their number with n, unless n is 0.
func reserved(r *results, text string, counts func(answered) bool, n int) string {
	listed := strings.Split(text, "; ")
	causes := map[string]bool{} // by question and outcome
	severe := []string{"failed", "caution", "not measured"}
	checks := slices.Clone(r.Checks)
	slices.SortStableFunc(checks, func(a, b answered) int {
		return cmp.Compare(slices.Index(severe, a.Outcome), slices.Index(severe, b.Outcome))
	})
	for _, c := range checks {
		if !counts(c) || c.ConsequenceOf != "" {
			continue
		}
		key := c.ID + c.Outcome
		if causes[key] {
			continue
		}
		causes[key] = true
		if len(causes) <= 5 && !slices.ContainsFunc(listed, func(l string) bool { return strings.HasPrefix(strings.ToLower(l), strings.ToLower(c.Name)) }) {
			return fmt.Sprintf("%s is missing", c.Name)
		}
	}
	if more := len(causes) - 5; more > 0 {
		if listed[len(listed)-1] != fmt.Sprintf("and %d more", more) {
			return fmt.Sprintf("%d are not named", more)
		}
		listed = listed[:len(listed)-1]
	}
	for _, l := range listed {
		m := regexp.MustCompile(`^(.+?)(?: of (.+?))?(?: \((.+)\))?$`).FindStringSubmatch(l)
		if !slices.ContainsFunc(r.Checks, func(c answered) bool {
			return counts(c) && strings.EqualFold(c.Name, m[1]) && (m[3] == "" || m[3] == c.Value || m[3] == c.Outcome) && (m[2] == "" || strings.Contains(m[2], c.Subject))
		}) {
			return l + " is not so"
		}
	}
	return why(unless(len(listed) == min(len(causes), 5), "%d causes, %d listed", len(causes), len(listed)), unless(n == 0 || n == len(causes), "they are %d", len(causes)))
}
