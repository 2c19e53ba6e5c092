package report

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"evenhand/analyze/listening"
)

// More takes than a code can hold: that is said before each test and no longer
// in its result, which can be saved; nobody is offered hundreds of pairs.
func TestBlindWithTooManyTakesForACode(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	const takes = 40
	ctx, bad := visitAt(t, longReport(t, takes, 5*playedRate, 1), 1000, "")
	before := fmt.Sprintf("a code for a comment holds at most %d takes, and there are %d here", listening.MaxTakes, takes)
	for _, id := range []string{"blind-preference", "blind-ratings", "blind-trials"} {
		opened(t, ctx, id)
		if got := eval[string](t, ctx, `document.querySelector('#`+id+` .test').textContent`); !strings.Contains(got, before) || !strings.Contains(got, "saved as a JSON file") {
			t.Errorf("%s: not said before the test: %s", id, got)
		}
	}
	plans := eval[[]string](t, ctx, `[...document.querySelectorAll('#blind-preference .row span:nth-child(2) option')].map(o => o.textContent)`)
	if got, want := strings.Join(plans, "; "), "40 pairs, each take 2 times, about 14 min; 20 pairs, each take once, about 7 min"; got != want {
		t.Errorf("plans are %q, want %q", got, want)
	}

	// Each take comes once, and the twenty pairs and the hidden one are asked.
	pairs := eval[[][]int](t, ctx, `Evenhand.blind.pairs(40, .5)`)
	times := map[int]int{}
	for _, p := range pairs {
		times[p[0]]++
		times[p[1]]++
	}
	if len(pairs) != 20 || len(times) != 40 {
		t.Errorf("%d pairs with %d takes: %v", len(pairs), len(times), pairs)
	}

	eval[bool](t, ctx, `(() => { const n = document.querySelector('#blind-trials input[type=number]'); n.value = 5; n.dispatchEvent(new Event('input')); return true })()`)
	click(t, ctx, "#blind-trials button.main")
	until(t, ctx, `document.querySelector('#blind-trials .big button:nth-child(4)')`)
	for range 5 {
		press(t, ctx, "x")
		press(t, ctx, "1")
	}
	until(t, ctx, `document.querySelector('#blind-trials .result')`)
	text := eval[string](t, ctx, `document.querySelector('#blind-trials .test').textContent`)
	for _, not := range []string{"too many takes", "copy this code", "Copy"} {
		if strings.Contains(text, not) {
			t.Errorf("%q stands in: %s", not, text)
		}
	}
	var saved []struct {
		Answer struct{ Trials listening.Trials }
		Code   string
	}
	if err := json.Unmarshal([]byte(eval[string](t, ctx, `localStorage.getItem(Object.keys(localStorage).find(k => k.endsWith(':answers')))`)), &saved); err != nil {
		t.Fatal(err)
	}
	if link := eval[string](t, ctx, `document.querySelector('#blind-trials a[download^=answers]').href`); !strings.HasPrefix(link, "blob:") {
		t.Errorf("the answers are saved from %s", link)
	}
	if len(saved) != 1 || saved[0].Answer.Trials.Done != 5 || saved[0].Code != "" {
		t.Errorf("saved %+v", saved)
	}
	quietBrowser(t, bad)
}

// Up to eleven takes all pairs are on offer; of more a fair part is.
func TestBlindPlans(t *testing.T) {
	t.Parallel()
	if testing.Short() {
		t.Skip("needs a browser")
	}
	ctx, bad := visitAt(t, longReport(t, 16, 20*playedRate, 1), 1000, "")
	opened(t, ctx, "blind-preference")
	plans := eval[[]string](t, ctx, `[...document.querySelectorAll('#blind-preference .row span:nth-child(2) option')].map(o => o.textContent)`)
	if got, want := strings.Join(plans, "; "), "16 pairs, each take 2 times, about 6 min; 32 pairs, each take 4 times, about 11 min"; got != want {
		t.Errorf("plans are %q, want %q", got, want)
	}
	if got := eval[string](t, ctx, `document.querySelector('#blind-preference .test').textContent`); strings.Contains(got, "a code for a comment holds") {
		t.Errorf("sixteen takes fit a code: %s", got)
	}
	quietBrowser(t, bad)
}
