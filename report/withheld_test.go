package report

import (
	"slices"
	"strings"
	"testing"

	"evenhand/analyze/publish"
	"evenhand/analyze/result"
)

// A take that is withheld is left out of the player, whose takes are numbered
// anew; its place on the page says why, and its numbers stay.
func TestWithheldTake(t *testing.T) {
	full, _ := playedReport(t)
	res := *full
	res.Takes = slices.Clone(full.Takes)
	if len(res.Takes) < 3 {
		t.Fatalf("%d takes: the test wants three", len(res.Takes))
	}
	res.Comparison.Reference = res.Takes[2].Name
	before := res.AudioID()
	gone := &res.Takes[1]
	p := gone.Published
	gone.Published = nil
	gone.Withheld = &result.Withheld{Reason: publish.WithheldReason, Integrated: p.Integrated, TruePeak: p.TruePeak, SamplePeak: p.SamplePeak, Deviation: p.Deviation}

	if id := res.AudioID(); id == "" || id == before {
		t.Errorf("audio id %q, with the take it was %q", id, before)
	}
	d := newPlayerData(&res)
	if d == nil {
		t.Fatal("no player for the takes that are left")
	}
	if len(d.Takes) != len(res.Takes)-1 || d.Takes[0].Name != res.Takes[0].Name || d.Takes[1].Name != res.Takes[2].Name || d.Reference != 1 {
		t.Errorf("the player has %d takes, the second is %q, the reference number %d", len(d.Takes), d.Takes[1].Name, d.Reference)
	}
	if n := len(newPlayerMore(&res)); n != len(d.Takes) {
		t.Errorf("%d entries beside %d takes", n, len(d.Takes))
	}
	b, err := newBuilder(&res, Options{})
	if err != nil {
		t.Fatal(err)
	}
	page, err := b.indexPage()
	if err != nil {
		t.Fatal(err)
	}
	html := string(page)
	at := func(name, what string) bool {
		_, rest, _ := strings.Cut(html, `<li id="take-`+name+`"`)
		item, _, _ := strings.Cut(rest, "</li>")
		return strings.Contains(item, what)
	}
	if !at(gone.Slug, "Not published") || at(gone.Slug, "<audio") || at(gone.Slug, " download") {
		t.Error("the take's place on the page does not say that it is not published, or offers its audio")
	}
	if at(res.Takes[2].Slug, "Not published") || !at(res.Takes[2].Slug, "<audio") {
		t.Error("another take is not published either")
	}
	if got := strings.Count(html, `class="pick `); got != len(d.Takes) {
		t.Errorf("%d takes to pick, want %d", got, len(d.Takes))
	}
	_, picks, _ := strings.Cut(html, `class="live picks"`)
	picks, _, _ = strings.Cut(picks, "</div>")
	if !strings.Contains(picks, `data-take="1"`) || strings.Contains(picks, `data-take="3"`) || strings.Contains(picks, gone.Name) {
		t.Errorf("the takes to pick are not numbered as the player does: %s", picks)
	}
	if !strings.Contains(html, "The audio of "+gone.Name+" is not published") || !strings.Contains(html, ">not published<") {
		t.Error("the summary or the table of the match does not say it")
	}
}
