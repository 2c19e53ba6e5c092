package tables

import (
	"strconv"

	"evenhand/analyze/listening"
	"evenhand/analyze/result"
	"evenhand/report/csvtext"
)

// Names of the tables of what listeners answered, which are there only when
// answers were counted.
const (
	Preferences = "data/preferences.csv"
	Trials      = "data/told-apart.csv"
	Ratings     = "data/ratings.csv"
)

// Audience returns the names of the files that go when the answers go.
func Audience() []string { return []string{Preferences, Trials, Ratings} }

// audienceFiles returns the tables that the answers fill.
func audienceFiles(r *result.Result) []File {
	files := []File{}
	if r.Audience == nil {
		return files
	}
	x := aside(r)
	if len(r.Audience.Preferences.Pairs)+len(x.Preferences) > 0 {
		files = append(files, File{Preferences, "preferences of listeners, every pair", preferencesCSV})
	}
	if len(r.Audience.Discrimination.Pairs)+len(x.Trials) > 0 {
		files = append(files, File{Trials, "what listeners told apart, every pair", trialsCSV})
	}
	if len(r.Audience.Ratings.Differences)+len(x.Ratings) > 0 {
		files = append(files, File{Ratings, "ratings of listeners, every pair", ratingsCSV})
	}
	return files
}

// probability prints a probability with four significant digits.
func probability(p listening.P) string { return strconv.FormatFloat(float64(p), 'g', 4, 64) }

// ranked says in a table whether a pair is of contestants alone.
func ranked(yes bool) string { return map[bool]string{true: "yes", false: "no"}[yes] }

// aside are the pairs that are not ranked.
func aside(r *result.Result) listening.Aside {
	if r.Audience.Aside == nil {
		return listening.Aside{}
	}
	return *r.Audience.Aside
}

func preferencesCSV(r *result.Result) [][]string {
	out := [][]string{{"first take", "second take", "prefer the first", "prefer the second", "no preference", "share for the first", "low", "high", "p", "p, all pairs allowed for", "share for the first by the model", "ranked"}}
	for k, list := range [][]listening.PairVote{r.Audience.Preferences.Pairs, aside(r).Preferences} {
		for _, q := range list {
			out = append(out, []string{csvtext.Cell(q.A), csvtext.Cell(q.B), strconv.Itoa(q.ForA), strconv.Itoa(q.ForB), strconv.Itoa(q.Ties), num(q.Share.Value), num(q.Share.Low), num(q.Share.High), probability(q.P), probability(q.PHolm), num(q.Expected), ranked(k == 0)})
		}
	}
	return out
}

func trialsCSV(r *result.Result) [][]string {
	out := [][]string{{"first take", "second take", "readers", "unfinished", "answers", "right", "share right", "low", "high", "p", "p, all pairs allowed for", "readers below 5 % alone", "of them by chance", "ranked"}}
	for k, list := range [][]listening.PairTrials{r.Audience.Discrimination.Pairs, aside(r).Trials} {
		for _, q := range list {
			out = append(out, []string{csvtext.Cell(q.A), csvtext.Cell(q.B), strconv.Itoa(q.Readers), strconv.Itoa(q.Unfinished), strconv.Itoa(q.Trials), strconv.Itoa(q.Correct), num(q.Share.Value), num(q.Share.Low), num(q.Share.High), probability(q.P), probability(q.PHolm), strconv.Itoa(q.Passed), num(q.ByChance), ranked(k == 0)})
		}
	}
	return out
}

func ratingsCSV(r *result.Result) [][]string {
	out := [][]string{{"first take", "second take", "first above second", "second above first", "equal", "p", "p, all pairs allowed for", "ranked"}}
	for k, list := range [][]listening.RatedGap{r.Audience.Ratings.Differences, aside(r).Ratings} {
		for _, g := range list {
			out = append(out, []string{csvtext.Cell(g.A), csvtext.Cell(g.B), strconv.Itoa(g.AboveA), strconv.Itoa(g.AboveB), strconv.Itoa(g.Equal), probability(g.P), probability(g.PHolm), ranked(k == 0)})
		}
	}
	return out
}
