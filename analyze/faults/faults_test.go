package faults

import (
	"testing"
)

// complaints lists what a result finds.
func complaints(r Result) []string {
	var out []string
	say := func(ok bool, s string) {
		if ok {
			out = append(out, s)
		}
	}
	say(r.ClickCount > 0, "click")
	say(r.DropoutCount > 0, "dropout")
	for i, c := range r.Channels {
		say(c.FadeIn, "fade in")
		say(c.FadeOut, "fade out")
		say(c.HasDC, "offset")
		say(c.Silent, "silent")
		say(c.Clipped > 0, "clipped")
		say(c.FlatTops > 0, "flat tops")
		say(c.Over > 0, "over")
		say(c.CutHead, "cut head")
		say(c.CutTail, "cut tail")
		say(i > 0 && c.Copy, "copy")
		say(i > 0 && c.Opposed, "opposed")
	}
	return out
}

func TestCleanRaisesNothing(t *testing.T) {
	all := clean(t)
	for _, m := range all {
		r := measure(t, m.rate, Params{}, m.x)
		if c := complaints(r); len(c) > 0 {
			t.Errorf("%s: %v; %d clicks %v, %d dropouts %v, %+v", m.name, c, r.ClickCount, r.Clicks[:min(3, len(r.Clicks))], r.DropoutCount, r.Dropouts[:min(3, len(r.Dropouts))], r.Channels)
		}
		t.Logf("%-60s floor %.1f", m.name, float64(r.Floor))
	}
	t.Logf("%d variants", len(all))
}
