package report_test

import (
	"encoding/json"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/sentences"
)

// reason is why something is not measured, in the words of its code.
type reason string

func (r *reason) UnmarshalJSON(b []byte) error {
	l := &result.Loopback{}
	err := json.Unmarshal(b, &l.Reason)
	*r = reason(sentences.Loopback(l).Reason.Words)
	return err
}

// leftoverFigures are what results.json says of a pair.
type leftoverFigures struct {
	A, B      string
	Reason    reason
	Equaliser figure `json:"equaliser_db"`
	Error     figure `json:"equaliser_error_db"`
	Filter    figure `json:"filter_db"`
	Resolved  bool
}

// equalisedFigures are what results.json says of what is heard equalised.
type equalisedFigures struct {
	Take, Of string
	Reason   reason
}

// leftoverOf returns that of a pair in either order.
func (r *results) leftoverOf(a, b string) leftoverFigures {
	for _, l := range r.Leftover {
		if l.A == a && l.B == b || l.A == b && l.B == a {
			return l
		}
	}
	return leftoverFigures{Reason: "no such pair"}
}

// likenessOf returns that of a pair in either order; ok is whether there is one.
func (r *results) likenessOf(a, b string) (spectral float64, resolved, ok bool) {
	for _, l := range r.Likeness {
		if l.A == a && l.B == b || l.A == b && l.B == a {
			return float64(l.Spectral), l.Resolved, true
		}
	}
	return math.NaN(), false, false
}

// gearForms are the sentences about what the gear does to the playing.
func gearForms() []form {
	pair := func(pattern string, so func(l leftoverFigures) bool) form {
		return sentence("gear", pattern, func(r *results, _ said, m []string) string {
			l := r.leftoverOf(m[1], m[2])
			return why(string(l.Reason), unless(so(l), "it is %+v", l),
				unless(len(m) < 4 || shows(m[3], -l.Equaliser), "an equaliser leaves %v", l.Equaliser),
				unless(len(m) < 5 || shows(m[4], -l.Filter), "a filter leaves %v", l.Filter))
		})
	}
	reaction := func(more, less string, of func(take) (figure, bool)) func(r *results, who, other, word, a, b string) string {
		return func(r *results, who, other, word, a, b string) string {
			x, ok := of(*r.take(who))
			y, also := of(*r.take(other))
			return why(unless(ok && also, "one of them is not measured"), unless(word == more && x > y || word == less && x < y, "it is %v and %v", x, y),
				unless(shows(a, x) && shows(b, y), "it is %v and %v", x, y))
		}
	}
	driven := reaction("more", "less", func(t take) (figure, bool) { return t.Drive.Drive, t.Drive.Measured })
	drive := func(r *results, who, other, word, a, b string) string {
		more := r.take(who)
		if word == "less" {
			more = r.take(other)
		}
		return why(unless(more.Drive.Drive > more.Drive.NotLinear/3, "gain within frames may be the drive of %s", more.Name), driven(r, who, other, word, a, b))
	}
	touch := reaction("livelier", "flatter", func(t take) (figure, bool) { return t.Touch.Slope, t.Touch.Measured })
	return []form{
		pair(`{name} and {name} differ by EQ alone: after the best equaliser, what is left is {value} dB down\.`, func(l leftoverFigures) bool {
			return l.Resolved && l.Equaliser-2*l.Error > -60 && l.Equaliser+2*l.Error <= -20
		}),
		sentence("gear", `{name} and {name} may differ by EQ alone: after the best equaliser, what is left is {value} dB down, give or take {value} dB\.`, func(r *results, _ said, m []string) string {
			l := r.leftoverOf(m[1], m[2])
			off, step := num(m[4])
			return why(string(l.Reason), unless(l.Resolved && l.Equaliser-2*l.Error <= -20 && l.Equaliser+2*l.Error > -20 && shows(m[3], -l.Equaliser), "it is %+v", l),
				unless(off >= float64(2*l.Error)-1e-9 && off < float64(2*l.Error)+2*step, "two errors are %v", 2*l.Error))
		}),
		pair(`{name} and {name} are too unlike for EQ: after the best equaliser, what is left is {value} dB down\.`, func(l leftoverFigures) bool { return l.Resolved && l.Equaliser-2*l.Error > -3 }),
		pair(`{name} and {name} differ by more than EQ: after the best equaliser, what is left is {value} dB down, after any filter {value} dB\.`, func(l leftoverFigures) bool {
			return l.Resolved && l.Equaliser-2*l.Error <= -3 && l.Equaliser-2*l.Error > -20
		}),
		pair(`{name} and {name}: after the best equaliser, nothing is left that can be measured\.`, func(l leftoverFigures) bool { return l.Equaliser-2*l.Error <= -60 }),
		pair(`{name} and {name}: after the best equaliser, no more is left than between a take and its repeat\.`, func(l leftoverFigures) bool { return !l.Resolved }),
		sentence("gear", `{name}: (more|less) drive than {name} \({value} % against {value} %\), (livelier|flatter) touch \({value} against {value} dB for each dB you play harder\)\.`, func(r *results, _ said, m []string) string {
			return why(drive(r, m[1], m[3], m[2], m[4], m[5]), touch(r, m[1], m[3], m[6], m[7], m[8]))
		}),
		sentence("gear", `{name}: (more|less) drive than {name} \({value} % against {value} %\)\.`, func(r *results, _ said, m []string) string { return drive(r, m[1], m[3], m[2], m[4], m[5]) }),
		sentence("gear", `{name}: (livelier|flatter) touch than {name} \({value} against {value} dB for each dB you play harder\)\.`, func(r *results, _ said, m []string) string {
			return touch(r, m[1], m[3], m[2], m[4], m[5])
		}),
		sentence("gear", `Compared with {name}, {name} has (?:(more|less) drive \({value} % against {value} %\))?(?: and )?(?:(livelier|flatter) touch \({value} against {value} dB for each dB you play harder\))?(?:; after the best equaliser, what is left is {value} dB down)?\.`, func(r *results, _ said, m []string) string {
			l := r.leftoverOf(m[1], m[2])
			return why(unless(r.take(m[1]).Role == "bypass" && r.take(m[2]).contestant(), "no bypass, or no contestant"), unless(m[3] != "" || m[6] != "", "no difference"),
				unless(m[3] == "" || drive(r, m[2], m[1], m[3], m[4], m[5]) == "", "drive is another"), unless(m[6] == "" || touch(r, m[2], m[1], m[6], m[7], m[8]) == "", "touch is another"),
				unless(m[9] == "" || l.Reason == "" && l.Resolved && l.Equaliser-2*l.Error > -60 && shows(m[9], -l.Equaliser), "it is %+v", l))
		}),
		sentence("gear", `Closest to {name} in tone (?:is {name} \({value} dB rms\), then {name} \({value} dB\)|are (.*) \((.*) dB rms\); this measurement cannot tell which)\.`, func(r *results, _ said, m []string) string {
			distance := func(a, b string) float64 { v, _, _ := r.likenessOf(a, b); return v }
			names, _ := list(m[6])
			figures, _ := list(m[7])
			if alone := m[2] != ""; alone {
				names, figures = []string{m[2], m[4]}, []string{m[3], m[5]}
			}
			least, all := 0.1, []float64{}
			for _, t := range r.Takes {
				if t.RepeatOf != "" {
					least = max(least, distance(t.Name, t.RepeatOf))
				}
				if d := distance(m[1], t.Name); t.contestant() && r.leftoverOf(m[1], t.Name).Reason == "" && !math.IsNaN(d) {
					all = append(all, d)
				}
			}
			slices.Sort(all)
			alike := 0 // with the closest
			for _, d := range all {
				if d <= all[0]+least {
					alike++
				}
			}
			wrong := []string{unless(r.take(m[1]).Role == "room", "it is no room"), unless(len(names) == len(figures), "%q have %q", names, figures),
				unless(m[2] == "" && alike == len(names) || m[2] != "" && alike == 1, "%d are as close within %v, of %v", alike, least, all)}
			for i, n := range names[:min(len(names), len(figures))] {
				d := distance(m[1], n)
				wrong = append(wrong, unless(r.take(n).contestant() && shows(figures[i], figure(d)) && d == all[i], "%s is at %v, in order %v", n, d, all))
			}
			return why(wrong...)
		}),
		sentence("gear", `In tone, (.*) cannot be told apart from {name} by this measurement\.`, func(r *results, _ said, m []string) string {
			names, _ := list(m[1])
			for _, n := range names {
				if _, resolved, ok := r.likenessOf(n, m[2]); !ok || resolved || !r.take(n).contestant() {
					return n + " is resolved"
				}
			}
			return unless(r.take(m[2]).Role == "room", "it is no room")
		}),
		sentence("gear", `Which take is closest to {name} is not measured: (.*)\.`, func(r *results, _ said, m []string) string {
			reasons, each := []string{}, []string{}
			for _, t := range r.Takes {
				if l := r.leftoverOf(m[1], t.Name); t.contestant() && l.Reason == "" {
					return t.Name + " is measured"
				} else if t.contestant() {
					reasons, each = append(reasons, string(l.Reason)), append(each, t.Name+": "+string(l.Reason))
				}
			}
			words := strings.Join(each, "; ")
			if len(slices.Compact(reasons)) == 1 {
				words = reasons[0]
			}
			return why(unless(r.take(m[1]).Role == "room", "it is no room"), unless(m[2] == words, "the reasons are %q", each))
		}),
		sentence("gear", `Drive ranges from {value} % \({name}\) to {value} % \({name}\), touch from {value} \({name}\) to {value} \({name}\)\.`, func(r *results, _ said, m []string) string {
			of := func(who string, get func(take) (figure, bool)) figure { v, _ := get(*r.take(who)); return v }
			d := func(t take) (figure, bool) { return t.Drive.Drive, t.Drive.Measured }
			g := func(t take) (figure, bool) { return t.Touch.Slope, t.Touch.Measured }
			for _, t := range r.Takes {
				if t.contestant() && t.Drive.Measured && t.Touch.Measured && (t.Drive.Drive < of(m[2], d) || t.Drive.Drive > of(m[4], d) || t.Touch.Slope < of(m[6], g) || t.Touch.Slope > of(m[8], g)) {
					return t.Name + " is outside"
				}
			}
			return unless(shows(m[1], of(m[2], d)) && shows(m[3], of(m[4], d)) && shows(m[5], of(m[6], g)) && shows(m[7], of(m[8], g)), "another figure")
		}),
		sentence("gear", `{name}: compresses (more than )?{value}:1(?: to {value}:1)? (?:above {value}(?: to {value})? dBFS \((rms|peaks)\) going in|at every level played); attack (?:{value} ms|under 1 ms|(not measured)), release (?:{value} ms|(not measured))\.`, func(r *results, _ said, m []string) string {
			c := r.take(m[1]).Compressor
			if c == nil || !c.Measured || !r.take(m[1]).contestant() {
				return "no compressor was measured"
			}
			time := func(ms, none string, v figure) string {
				return unless(ms != "" && v >= 1 && shows(ms, v) || none != "" && math.IsNaN(float64(v)) || ms == "" && none == "" && v < 1, "a time is %v", v)
			}
			more, one, other := m[2] != "", m[3], m[4]
			return why(unless(more && other == "" && c.Low <= 0.05 && shows(one, min(20, 1/c.High)) || more && c.High <= 0.05 && one == "20" ||
				!more && c.Low > 0.05 && (other != "" && shows(one, 1/c.High) && shows(other, 1/c.Low) || other == "" && c.High <= 1.1*c.Low && shows(one, 1/c.Slope)), "the slope is %v, %v to %v", c.Slope, c.Low, c.High),
				unless(m[5] == "" && math.IsNaN(float64(c.Threshold)) || m[7] == c.Detector && (m[6] == "" && shows(m[5], c.Threshold) && c.ThresholdHigh-c.ThresholdLow <= 2 || m[6] != "" && shows(m[5], c.ThresholdLow) && shows(m[6], c.ThresholdHigh)), "the threshold is %v, %v to %v, %s", c.Threshold, c.ThresholdLow, c.ThresholdHigh, c.Detector),
				time(m[8], m[9], c.Attack), time(m[10], m[11], c.Release))
		}),
		sentence("gear", `Drive is the part of a take’s power that is new frequencies\.`, func(*results, said, []string) string { return "" }),
		sentence("gear", `Noise, gain changes slower than {value} s and what a measured compressor does to the gain do not count; faster gain changes do\.`, func(r *results, _ said, m []string) string {
			return unless(shows(m[1], r.Parameters.Gear.TouchFrame), "frames of %v s", r.Parameters.Gear.TouchFrame)
		}),
		sentence("gear", `Touch is how many dB come out for each dB you play harder: 1 is clean, 0 is flat\.`, func(*results, said, []string) string { return "" }),
		sentence("gear", `You hear the best filter of any kind, fitted on all of the music\.`, func(r *results, _ said, _ []string) string {
			return unless(slices.ContainsFunc(r.Equalised, func(e equalisedFigures) bool { return e.Reason == "" }), "nothing is heard equalised")
		}),
		sentence("gear", `What is left plays at its true level\.`, func(*results, said, []string) string { return "" }),
		sentence("gear", `That can be further down than the sentences say, which judge a filter on music that it was not fitted on\.`, func(*results, said, []string) string { return "" }),
		sentence("gear", `No take can be heard equalised to {name}: (.*)\.`, func(r *results, _ said, m []string) string {
			return unless(len(r.Equalised) > 1 && !slices.ContainsFunc(r.Equalised, func(e equalisedFigures) bool { return e.Of != m[1] || string(e.Reason) != m[2] }), "another reason: %+v", r.Equalised)
		}),
		sentence("gear", `{name}, equalised to {name}, cannot be heard: (.*)\.`, func(r *results, _ said, m []string) string {
			return unless(slices.Contains(r.Equalised, equalisedFigures{m[1], m[2], reason(m[3])}), "another reason: %+v", r.Equalised)
		}),
		sentence("gear", `Touch and drive of {name} are not measured: (.*)\.`, func(r *results, _ said, m []string) string {
			t := r.take(m[1])
			return unless(!t.Touch.Measured && !t.Drive.Measured && string(t.Touch.Reason) == m[2] && string(t.Drive.Reason) == m[2], "another reason, or it is measured")
		}),
		sentence("gear", `Touch and drive are not measured: (.*)\.`, func(r *results, _ said, m []string) string {
			reasons := []string{}
			for _, t := range r.Takes {
				if t.Touch.Measured || t.Drive.Measured {
					return t.Name + " is measured"
				}
				reasons = append(reasons, string(t.Touch.Reason), string(t.Drive.Reason))
			}
			slices.Sort(reasons)
			reasons = slices.Compact(reasons)
			if len(reasons) > 1 {
				return unless(m[1] == "the table says why for each take", "the reasons are %q", reasons)
			}
			return unless(m[1] == reasons[0], "the reason is %q", reasons[0])
		}),
	}
}

// gear invents what the gear does.
func (r random) gear(res *result.Result) {
	if r.one(2) {
		return
	}
	res.Parameters.Gear = &result.GearParameters{Blocks: 6, Block: 4, Window: 16384, TouchFrame: 0.05, LeastFilter: -60}
	none := unit.Number(math.NaN())
	dry := !r.one(4)
	for i := range res.Takes {
		t := &res.Takes[i]
		why := result.Cause{Text: result.Say("split.no-dry")}
		if r.one(6) {
			why.Text = result.Say("gear.moves")
		}
		t.Touch, t.Drive = &result.Touch{Reason: why, Slope: none, Low: none, High: none}, &result.Drive{Reason: why, Drive: none, Low: none, High: none, NotLinear: none}
		if r.one(4) {
			t.Drive.Reason.Text = result.Say("drive.no-pause")
		}
		if dry && !r.one(5) {
			s, d := unit.Number(r.between(-0.2, 1.1)), unit.Number(r.between(0, 60))
			t.Touch = &result.Touch{Measured: true, Slope: s, Low: s - 0.05, High: s + 0.05}
			t.Drive = &result.Drive{Measured: true, Drive: d, Low: d * 0.9, High: d * 1.1, NotLinear: d * unit.Number(r.between(1, 5))}
			if r.one(3) {
				t.Compressor = r.compressor()
			}
		}
		for k := range i {
			l := result.Leftover{A: res.Takes[k].Name, B: t.Name, Equaliser: unit.DB(r.between(-40, 0)), EqualiserError: unit.DB(r.between(0, 1)), Resolved: !r.one(4)}
			if r.one(8) {
				l.Equaliser = unit.DB(stored(-60 + r.between(0, 1)))
			}
			l.Filter = l.Equaliser - unit.DB(r.between(0, 4))
			l.Bound = l.Filter - 1
			if r.one(6) {
				l.Reason.Text = result.Say([]string{"gear.place-beside", "leftover.silent"}[r.IntN(2)])
			}
			res.Leftover = append(res.Leftover, l)
		}
	}
}

// compressor invents one, not always with every figure.
func (r random) compressor() *result.Compressor {
	figure := func(low, high float64) unit.Number {
		if r.one(6) {
			return unit.Number(math.NaN())
		}
		return unit.Number(stored(r.between(low, high)))
	}
	c := &result.Compressor{Measured: !r.one(4), Detector: "rms", Slope: unit.Number(stored(r.between(-0.02, 0.6))), Threshold: unit.DBFS(figure(-60, -10)), Attack: figure(0, 60), Release: figure(5, 900)}
	c.ThresholdLow, c.ThresholdHigh = c.Threshold-unit.DBFS(stored(r.between(0, 2))), c.Threshold+unit.DBFS(stored(r.between(0, 2)))
	c.Low, c.High = c.Slope-unit.Number(stored(r.between(0, 0.03))), c.Slope+unit.Number(stored(r.between(0, 0.03)))
	if !c.Measured {
		none := unit.Number(math.NaN())
		c.Slope, c.Low, c.High, c.Attack, c.Release = none, none, none, none, none
		c.Threshold, c.ThresholdLow, c.ThresholdHigh = unit.DBFS(none), unit.DBFS(none), unit.DBFS(none)
	}
	return c
}
