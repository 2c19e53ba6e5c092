package report

import (
	"fmt"
	"strings"
	"testing"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/settings/panel"
)

// TestSettingsOfManyTakes asks for a line for each take from twelve takes on, those of
// one device together, and for all settings in one column beside it.
func TestSettingsOfManyTakes(t *testing.T) {
	lines := func(tb table) string {
		var out []string
		for _, h := range [][]cell{tb.Over, tb.Head} {
			var words []string
			for _, c := range h {
				words = append(words, strings.TrimSpace(fmt.Sprintf("%s*%d", c.Text, c.Span)))
			}
			out = append(out, strings.ReplaceAll(strings.Join(words, "|"), "*0", ""))
		}
		for _, r := range tb.Rows {
			if r.Group != "" {
				out = append(out, "== "+r.Group)
			}
			var words []string
			for _, c := range r.Cells {
				words = append(words, c.Text)
			}
			out = append(out, strings.Join(words, "|"))
		}
		return strings.Join(out, "\n")
	}
	view := func(takes, devices int) panel.View {
		res := &result.Result{Comparison: result.Comparison{Slot: "fuzz"}}
		b := &builder{res: res}
		row := func(name string, differs, varied bool, of func(i int) string) result.SettingRow {
			r := result.SettingRow{Name: name, Differs: differs, Varied: varied, Control: name != "device"}
			for i := range takes {
				v := of(i)
				r.Values = append(r.Values, result.SettingValue{Written: v, Stated: v != "", Absent: v == "", Fraction: unit.Number(nan)})
			}
			return r
		}
		device := func(i int) string {
			if i == takes-1 {
				return "" // a bypass
			}
			return fmt.Sprintf("D%d", i%devices)
		}
		for i := range takes {
			b.labels = append(b.labels, label{Name: fmt.Sprintf("T%d", i)})
			res.Takes = append(res.Takes, result.Take{Device: device(i)})
		}
		unlessBypass := func(text string) func(int) string {
			return func(i int) string {
				if i == takes-1 {
					return ""
				}
				return strings.ReplaceAll(text, "#", fmt.Sprint(i))
			}
		}
		res.Settings.Slots = []result.SlotSettings{
			{Slot: "fuzz", Kind: "pedal", Rows: []result.SettingRow{row("device", true, true, device), row("gain", true, true, unlessBypass("g#")), row("level", false, true, unlessBypass("noon"))}},
			{Slot: "amp", Rows: []result.SettingRow{row("bass", true, false, func(i int) string { return fmt.Sprintf("b%d", i%2) }), row("treble", false, false, func(int) string { return "5" })}},
		}
		return b.settings()
	}
	v := view(13, 2)
	want := `|Not held equal, and not allowed to move: amp*1|Under test: fuzz*1
Take|bass|gain
== D0
T0|b0|g0
T2|b0|g2
T4|b0|g4
T6|b0|g6
T8|b0|g8
T10|b0|g10
== D1
T1|b1|g1
T3|b1|g3
T5|b1|g5
T7|b1|g7
T9|b1|g9
T11|b1|g11
== Without the fuzz
T12|b0|–`
	if got := lines(v.Differs); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	if c := v.Differs.Rows[0].Cells[1]; c.Class != "short void" {
		t.Errorf("what is not held equal has the class %q", c.Class)
	}
	want = `
Setting|All takes
== fuzz – pedal
device|differs: see the table of the takes
gain|differs: see the table of the takes
level|noon; none in T12
== amp
bass|differs: see the table of the takes
treble|5`
	if got := lines(v.All); got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
	// A device for each take needs no headings, and stands in a column.
	if got := lines(view(13, 12).Differs); strings.Contains(got, "==") || !strings.Contains(got, "\nTake|bass|device|gain\nT0|b0|D0|g0\n") {
		t.Error(got)
	}
	// With fewer takes each has a column.
	if got := lines(view(11, 2).Differs); !strings.Contains(got, "\nSetting|T0|T1|") || !strings.Contains(got, "\n== Under test\nfuzz device|D0|D1|") {
		t.Error(got)
	}
}
