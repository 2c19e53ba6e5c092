package report

import (
	"testing"
)

// The player and the plots speak by events, each of which the player also follows.
func TestPlayerSpeaksToThePlots(t *testing.T) {
	if testing.Short() {
		t.Skip("needs a browser")
	}
	_, dir := playedReport(t)
	ctx, bad := visit(t, dir, true, 1000, "")
	eval[int](t, ctx, `globalThis.told = []; for (const k of ["take", "time"]) document.addEventListener("evenhand:" + k, e => told.push([k, e.detail])); 0`)
	click(t, ctx, `.pick[data-take="1"]`)
	until(t, ctx, `Evenhand.player.deck.playing`)
	until(t, ctx, `told.some(([k, v]) => k === "take" && v === "splitting") && told.some(([k, v]) => k === "time" && v > 0.2)`)
	eval[int](t, ctx, `document.dispatchEvent(new CustomEvent("evenhand:take", {detail: "quarry"})); 0`)
	until(t, ctx, `Evenhand.player.take === 2`)
	eval[int](t, ctx, `document.dispatchEvent(new CustomEvent("evenhand:seek", {detail: 14})); 0`)
	until(t, ctx, `told.at(-1)[1] >= 14 && told.at(-1)[1] < 16`)
	click(t, ctx, "#play")
	until(t, ctx, `!Evenhand.player.deck.playing`)
	eval[int](t, ctx, `document.dispatchEvent(new CustomEvent("evenhand:take", {detail: "no such take"})); document.dispatchEvent(new CustomEvent("evenhand:play")); 0`)
	until(t, ctx, `Evenhand.player.deck.playing && Evenhand.player.take === 2`)
	if n := eval[int](t, ctx, `told.filter(([k, v]) => k === "take" && v === "quarry").length`); n > 2 {
		t.Errorf("one choice was told %d times", n)
	}
	for _, s := range bad() {
		t.Error(s)
	}
}
