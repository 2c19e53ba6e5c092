package verify

import (
	"fmt"
	"io"
	"slices"
	"strings"

	"evenhand/analyze/result"
	"evenhand/report/pack"
	"evenhand/report/terminal"
)

// Report is all that was found about an archive or a published report.
type Report struct {
	Path   string `json:"path"`
	Kind   string `json:"kind"` // "bag in a zip file", "bag in a folder", "published report"
	MadeBy string `json:"made_by"`
	Format int    `json:"results_format"`

	// Structure and hashes.
	Files      int      `json:"files"`
	Bytes      int64    `json:"bytes"`
	Algorithms []string `json:"algorithms"`
	Faults     []Fault  `json:"faults"`

	// Published audio, decoded and measured again, and everything that the
	// recordings give again.
	Published   int          `json:"published_measured"`
	Compared    int          `json:"values_compared"`
	Differences []Difference `json:"differences"`
	NotCompared []string     `json:"not_compared"`
	// EarlierRules count the values that were not compared because an earlier
	// rule gave them.
	EarlierRules []EarlierRule `json:"earlier_rules"`

	LeftOut    []LeftOut   `json:"left_out"`
	Notes      []string    `json:"notes"` // what could not be done, and why
	Tolerances []Tolerance `json:"tolerances"`
	// Those for values that the published audio alone gave again.
	PublishedTolerances []Tolerance `json:"published_tolerances"`
	Good                bool        `json:"good"`
}

// Fault is a file that is not as it was when the archive was made.
type Fault struct {
	File string `json:"file"`
	What string `json:"what"`
}

// EarlierRule says how many stored values are not by a rule of today.
type EarlierRule struct {
	Values int    `json:"values"`
	Rule   string `json:"rule"` // the rule of today
}

func (e EarlierRule) String() string {
	return fmt.Sprintf("%d values, computed by an earlier rule. The rule is now: %s", e.Values, e.Rule)
}

// LeftOut is a file that an archive does not hold.
type LeftOut struct {
	Path   string `json:"path"`
	Use    string `json:"use"`
	SHA256 string `json:"sha256"`
	Bytes  int64  `json:"bytes"`
	There  bool   `json:"there"` // somebody put it back
}

// New returns a report without findings. Its slices are not nil.
func New(path, kind string) *Report {
	return &Report{
		Path: path, Kind: kind, Algorithms: []string{}, Faults: []Fault{}, Differences: []Difference{},
		NotCompared: []string{}, EarlierRules: []EarlierRule{}, LeftOut: []LeftOut{}, Notes: []string{}, Tolerances: Tolerances(), PublishedTolerances: PublishedTolerances(),
	}
}

// AddFaults adds faults of files below prefix.
func (r *Report) AddFaults(prefix string, faults []pack.Fault) {
	for _, f := range faults {
		name := f.File
		if name == "" {
			name = "the archive"
		} else {
			name = prefix + name
		}
		r.Faults = append(r.Faults, Fault{name, f.What})
	}
}

// Add adds what a comparison of results found; rules are its Options.Rules.
func (r *Report) Add(c Comparison, rules []result.Rule) {
	r.Compared += c.Compared
	r.Differences = append(r.Differences, c.Differences...)
	r.NotCompared = append(r.NotCompared, c.NotCompared...)
	for i, n := range c.ByRule {
		k := slices.IndexFunc(r.EarlierRules, func(e EarlierRule) bool { return e.Rule == rules[i].Says })
		switch {
		case n == 0:
		case k >= 0:
			r.EarlierRules[k].Values += n
		default:
			r.EarlierRules = append(r.EarlierRules, EarlierRule{n, rules[i].Says})
		}
	}
}

// Note adds what could not be done.
func (r *Report) Note(format string, args ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, args...))
}

// Finish sets Good: no fault and no difference.
func (r *Report) Finish() { r.Good = len(r.Faults)+len(r.Differences) == 0 }

// shown is how many findings of a kind Write lists.
const shown = 40

// Write writes the report as lines of text. With all, every finding and every
// tolerance is listed.
func (r *Report) Write(w io.Writer, all bool) error {
	var b strings.Builder
	line := func(format string, args ...any) { b.WriteString(terminal.Clean(fmt.Sprintf(format, args...)) + "\n") }
	list := func(what string, items []string) {
		for i, s := range items {
			if i == shown && !all {
				line("%s: … and %d more; --all lists them", what, len(items)-shown)
				break
			}
			line("%s: %s", what, s)
		}
	}
	line("%s: a %s made by %s", r.Path, r.Kind, r.MadeBy)
	list("differs", each(r.Faults, func(f Fault) string { return f.File + ": " + f.What }))
	list("differs", each(r.Differences, Difference.String))
	list("withheld", each(r.LeftOut, func(f LeftOut) string {
		state := "missing here"
		if f.There {
			state = "put back"
		}
		return fmt.Sprintf("%s (%s, %d bytes, %s), SHA-256 %s", f.Path, f.Use, f.Bytes, state, f.SHA256)
	}))
	list("not compared", each(r.EarlierRules, EarlierRule.String))
	list("not compared", r.NotCompared)
	list("note", r.Notes)
	if all {
		tolerances := func(what string, list []Tolerance) {
			for _, t := range list {
				fields := "fields ending in " + t.Suffix
				if t.Suffix == "" {
					fields = "all other fields; whole numbers must be equal"
				}
				line("%s: %s: %s (%s)", what, t.Quantity, t, fields)
			}
		}
		tolerances("tolerance", r.Tolerances)
		tolerances("tolerance, measured from published audio", r.PublishedTolerances)
	}
	count := func(n int) string {
		if n == 0 {
			return "all as they were"
		}
		return fmt.Sprintf("%d differ", n)
	}
	line("structure and hashes (%s): %d files, %.1f MB: %s", strings.Join(r.Algorithms, ", "), r.Files, float64(r.Bytes)/1e6, count(len(r.Faults)))
	line("measured again: %d published files; %d values compared: %s", r.Published, r.Compared, count(len(r.Differences)))
	_, err := io.WriteString(w, b.String())
	return err
}

func each[T any](in []T, f func(T) string) []string {
	out := make([]string, len(in))
	for i, v := range in {
		out[i] = f(v)
	}
	return out
}
