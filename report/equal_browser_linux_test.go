package report

import (
	"fmt"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"slices"
	"testing"

	"evenhand/analyze/equalise"
	"evenhand/analyze/result"
	"evenhand/examples/campaign"
)

// Every engine makes the same of a published take and its filter, in each channel.
func TestEqualisedInEveryEngine(t *testing.T) {
	if testing.Short() || raced {
		t.Skip("needs browsers")
	}
	for _, channels := range []int{1, 2} {
		res, dir := playedReport(t)
		if channels > 1 {
			campaign.Long(t)
			dir = t.TempDir()
			res = makePlayed(t, dir, []playedTake{playedTakes[0], playedTakes[2]}, true)
		}
		s := httptest.NewServer(http.FileServer(http.Dir(dir)))
		t.Cleanup(s.Close)
		d := newPlayerData(res)
		e := res.EqualisedFrom("Quarry")
		of := slices.IndexFunc(res.Takes, func(t result.Take) bool { return t.Name == "Quarry" })
		filter, err := equalise.Read(dir, e.Path)
		must(t, err)
		take := samples(t, filepath.Join(dir, res.Takes[of].Published.Path))
		if len(take) != channels || len(filter.Taps) != channels {
			t.Fatalf("%d channels, filters for %d", len(take), len(filter.Taps))
		}
		button := fmt.Sprintf(`[data-equal^="%d "]:not([data-left])`, of)
		check := func(t *testing.T, text string) {
			t.Helper()
			for k, heard := range heardEqualised(t, text, channels) {
				worst := offDefinition(heard, take[k], filter.Taps[k], filter.Before, d)
				t.Logf("channel %d: off by up to %.2g", k, worst)
				if len(heard) != int(d.Frames()) || worst > mostOff {
					t.Errorf("channel %d: %d frames of %d, off by up to %g", k, len(heard), d.Frames(), worst)
				}
			}
		}
		t.Run(fmt.Sprintf("channels=%d", channels), func(t *testing.T) {
			if channels > 1 { // TestEqualised has the other
				t.Run("Chromium", func(t *testing.T) {
					ctx, bad := visitAt(t, s.URL+"/", 1000, "")
					click(t, ctx, button)
					until(t, ctx, `Evenhand.player.instead`)
					check(t, eval[string](t, ctx, allEqualised))
					quietBrowser(t, bad)
				})
			}
			inOtherBrowsers(t, func(t *testing.T, start func(*testing.T, []string) remote) {
				environment, _ := soundServer(t)
				r := start(t, environment)
				r.must(t, "Navigate", map[string]any{"url": s.URL + "/index.html"})
				value[bool](t, r, watchComplaints)
				r.click(t, button)
				r.waitFor(t, `Evenhand.player.instead`)
				check(t, value[string](t, r, allEqualised))
				if got := value[string](t, r, `JSON.stringify(complaints)`); got != "[]" {
					t.Errorf("complaints: %s", got)
				}
			})
		})
	}
}

// The dull anchor of the ratings is what it is called in the other engines too.
func TestAnchorInEveryEngine(t *testing.T) {
	campaign.Long(t)
	inOtherBrowsers(t, func(t *testing.T, start func(*testing.T, []string) remote) {
		_, dir := playedReport(t)
		s := httptest.NewServer(http.FileServer(http.Dir(dir)))
		defer s.Close()
		r := start(t, nil)
		r.must(t, "Navigate", map[string]any{"url": s.URL + "/index.html"})
		r.click(t, "#try")
		r.click(t, "#blind-trials > summary")
		r.waitFor(t, `Evenhand.blind && Evenhand.blind.anchor`)
		checkAnchor(t, value[[][2]float64](t, r, anchorTones))
	})
}
