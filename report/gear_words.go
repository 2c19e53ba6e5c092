package report

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"

	"evenhand/analyze/manifest"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/chart"
	"evenhand/report/words"
)

const (
	// onlyEQ is what the best equaliser leaves at most, as level, of takes that are said
	// to differ by EQ alone: a hundredth of the power. Takes whose two standard errors
	// reach to either side of it may. A turned tone control leaves less
	// than −24 dB, another amplifier of one family −16 to −20 dB.
	onlyEQ = -20
	// notEQ is from when an equaliser does nothing: half of the power is left.
	notEQ = -3
	// mostSaid is how many takes but the reference have sentences of their own.
	mostSaid = 6
	// mayBeGain is the part of what is not linear up to which drive may be gain that changes
	// within a frame of touch, and no distortion: of compressors and limiters as they were
	// tried it is 0.04 to 0.28, of amplifiers and fuzzes 0.56 and more, but 0.2 of one that
	// hardly distorts.
	mayBeGain = 1.0 / 3
	// Digits after the point of drive, in %, and touch.
	driveDigits, touchDigits = 1, 2
)

// gearWords says what the gear does to the playing.
func (b *builder) gearWords() []gearLine {
	out := []gearLine{}
	add := func(text string) {
		if text != "" {
			out = append(out, gearLine{Text: text})
		}
	}
	res := b.res
	ranked := []*result.Take{}
	for i := range res.Takes {
		if t := &res.Takes[i]; t.Contestant() {
			ranked = append(ranked, t)
		}
	}
	each := len(ranked) <= mostSaid+1
	if with := b.index(b.against()); each && with >= 0 && res.Takes[with].Contestant() {
		own := &res.Takes[with]
		for _, t := range ranked {
			if t != own {
				if text := b.leftoverWords(t, own); text != "" {
					out = append(out, gearLine{Text: text, of: t.Name})
				}
				add(b.reactionWords(t, own))
			}
		}
	}
	for i := range res.Takes {
		switch t := &res.Takes[i]; {
		case t.Role == string(manifest.RoleRoom):
			add(b.roomWords(t, ranked))
		case t.Role == string(manifest.RoleBypass) && each && t.RepeatOf == "":
			for _, k := range ranked {
				add(b.addsWords(k, t))
			}
		}
	}
	if !each {
		add(b.reachWords())
	}
	for _, t := range ranked {
		if each {
			add(compressorWords(t))
		}
	}
	why := b.gearReason()
	for _, t := range ranked {
		if each && why == "" && t.Touch != nil && t.Drive != nil && !t.Touch.Measured && t.Touch.Reason.Words == t.Drive.Reason.Words {
			add(fmt.Sprintf("Touch and drive of %s are not measured: %s.", t.Name, t.Touch.Reason.Words))
		}
	}
	if why != "" {
		add("Touch and drive are not measured: " + why + ".")
	}
	return out
}

// reachWords says how far drive and touch of the contestants reach; "" for fewer than two
// that have both.
func (b *builder) reachWords() string {
	all := []*result.Take{}
	for i := range b.res.Takes {
		if t := &b.res.Takes[i]; t.Contestant() && t.Touch != nil && t.Drive != nil && t.Touch.Measured && t.Drive.Measured {
			all = append(all, t)
		}
	}
	if len(all) < 2 {
		return ""
	}
	ends := func(of func(*result.Take) unit.Number, digits int, after string) string {
		by := func(a, b *result.Take) int { return cmp.Compare(of(a), of(b)) }
		low, high := slices.MinFunc(all, by), slices.MaxFunc(all, by)
		return fmt.Sprintf("from %s%s (%s) to %s%s (%s)", unit.Format(float64(of(low)), digits), after, low.Name, unit.Format(float64(of(high)), digits), after, high.Name)
	}
	return "Drive ranges " + ends(func(t *result.Take) unit.Number { return t.Drive.Drive }, driveDigits, " %") +
		", touch " + ends(func(t *result.Take) unit.Number { return t.Touch.Slope }, touchDigits, "") + "."
}

// gearMeans says what the figures mean; %s is how long a frame of touch is.
const gearMeans = "Drive is the part of a take’s power that is new frequencies. Noise, gain changes slower than %s and what a measured compressor does to the gain do not count; faster gain changes do. Touch is how many dB come out for each dB you play harder: 1 is clean, 0 is flat."

// gearReason is why neither touch nor drive of any take was measured; "" where some were.
func (b *builder) gearReason() string {
	reasons := []string{}
	for _, t := range b.res.Takes {
		if t.Touch == nil || t.Drive == nil || t.Touch.Measured || t.Drive.Measured {
			return ""
		}
		reasons = append(reasons, t.Touch.Reason.Words, t.Drive.Reason.Words)
	}
	switch reasons = slices.Compact(reasons); len(reasons) {
	case 0:
		return ""
	case 1:
		return reasons[0]
	}
	return "the table says why for each take"
}

// leftoverWords says whether two takes differ by EQ alone; "" where that is not known.
func (b *builder) leftoverWords(t, other *result.Take) string {
	l := b.res.LeftoverOf(t.Name, other.Name)
	if l == nil || l.Reason.Words != "" {
		return ""
	}
	switch low, high := leftRange(l); {
	case b.leavesNothing(l):
		return fmt.Sprintf("%s and %s: after the best equaliser, nothing is left that can be measured.", t.Name, other.Name)
	case !l.Resolved:
		return fmt.Sprintf("%s and %s: after the best equaliser, no more is left than between a take and its repeat.", t.Name, other.Name)
	case high <= onlyEQ:
		return fmt.Sprintf("%s and %s differ by EQ alone: %s.", t.Name, other.Name, leftWords(l))
	case low <= onlyEQ:
		return fmt.Sprintf("%s and %s may differ by EQ alone: %s, give or take %s dB.", t.Name, other.Name, leftWords(l), words.RoundedUp((high-low)/2, 1))
	case low > notEQ:
		return fmt.Sprintf("%s and %s are too unlike for EQ: %s.", t.Name, other.Name, leftWords(l))
	}
	return fmt.Sprintf("%s and %s differ by more than EQ: %s, after any filter %s dB.", t.Name, other.Name, leftWords(l), unit.Format(-float64(l.Filter), 1))
}

// leftRange is two standard errors either way of what the best equaliser leaves, as level.
func leftRange(l *result.Leftover) (low, high float64) {
	return float64(l.Equaliser) - 2*float64(l.EqualiserError), float64(l.Equaliser) + 2*float64(l.EqualiserError)
}

// leavesNothing reports whether the best equaliser leaves no more than is resolved. Of
// what is not resolved else, a take's repeat leaves as much.
func (b *builder) leavesNothing(l *result.Leftover) bool {
	low, _ := leftRange(l)
	return low <= float64(b.res.Parameters.Gear.LeastFilter)
}

// leftWords says how much is left after the best equaliser.
func leftWords(l *result.Leftover) string {
	return "after the best equaliser, what is left is " + unit.Format(-float64(l.Equaliser), 1) + " dB down"
}

// reactionWords says how a take differs from another one in drive and touch; "" where it
// does not, or no more than its music's halves or a repeat do.
func (b *builder) reactionWords(t, other *result.Take) string {
	parts := []string{}
	than := " than " + other.Name
	for _, r := range b.reactions(t, other) {
		parts = append(parts, r.what+than+" ("+r.figures+")")
		than = ""
	}
	if len(parts) == 0 {
		return ""
	}
	return t.Name + ": " + strings.Join(parts, ", ") + "."
}

// addsWords says what a device adds to the bypass; "" where that was not measured.
func (b *builder) addsWords(t, bypass *result.Take) string {
	parts := []string{}
	for _, r := range b.reactions(t, bypass) {
		parts = append(parts, r.what+" ("+r.figures+")")
	}
	if len(parts) == 0 {
		return b.leftoverWords(t, bypass)
	}
	s := fmt.Sprintf("Compared with %s, %s has %s", bypass.Name, t.Name, strings.Join(parts, " and "))
	if l := b.res.LeftoverOf(t.Name, bypass.Name); l != nil && l.Reason.Words == "" && l.Resolved && !b.leavesNothing(l) {
		s += "; " + leftWords(l)
	}
	return s + "."
}

// roomWords says which take is closest to the cabinet in the room, in tone; "" without a
// take to be close.
func (b *builder) roomWords(room *result.Take, ranked []*result.Take) string {
	near, same := []result.Likeness{}, []string{}
	reasons, each, measured := []string{}, []string{}, false // of another performance, for one
	for _, t := range ranked {
		left := b.res.LeftoverOf(t.Name, room.Name)
		if left != nil && left.Reason.Words != "" {
			reasons, each = append(reasons, left.Reason.Words), append(each, t.Name+": "+left.Reason.Words)
		}
		measured = measured || left != nil && left.Reason.Words == ""
		for _, l := range b.res.Likeness {
			switch {
			case left == nil || left.Reason.Words != "" || !chart.Finite(float64(l.Spectral)):
			case l.A == room.Name && l.B == t.Name, l.B == room.Name && l.A == t.Name:
				l.A, l.B = room.Name, t.Name
				if near = append(near, l); !l.Resolved {
					same = append(same, t.Name)
				}
			}
		}
	}
	slices.SortStableFunc(near, func(x, y result.Likeness) int { return cmp.Compare(x.Spectral, y.Spectral) })
	if one := slices.Compact(slices.Clone(reasons)); len(one) == 1 {
		each = one
	}
	switch {
	case !measured && len(each) > 0:
		return fmt.Sprintf("Which take is closest to %s is not measured: %s.", room.Name, strings.Join(each, "; "))
	case len(near) < 2:
		return ""
	case len(same) > 0:
		return fmt.Sprintf("In tone, %s cannot be told apart from %s by this measurement.", manifest.List(same), room.Name)
	}
	first, second := near[0], near[1]
	names, figures := []string{}, []string{}
	for _, l := range near {
		if l.Spectral <= first.Spectral+b.repeatDistance() {
			names, figures = append(names, l.B), append(figures, unit.Format(float64(l.Spectral), 1))
		}
	}
	if len(names) > 1 {
		return fmt.Sprintf("Closest to %s in tone are %s (%s dB rms); this measurement cannot tell which.", room.Name, manifest.List(names), manifest.List(figures))
	}
	return fmt.Sprintf("Closest to %s in tone is %s (%s rms), then %s (%s).", room.Name, first.B, dB(float64(first.Spectral)), second.B, dB(float64(second.Spectral)))
}

// leastCloser is by how much two distances differ at least if one is called less: what is
// printed of them.
const leastCloser = unit.DB(0.1)

// repeatDistance is how far a take and its repeat are apart in tone at most.
func (b *builder) repeatDistance() unit.DB {
	most := leastCloser
	for _, l := range b.res.Likeness {
		i, j := b.index(l.A), b.index(l.B)
		if i >= 0 && j >= 0 && (b.res.Takes[i].RepeatOf == l.B || b.res.Takes[j].RepeatOf == l.A) && chart.Finite(float64(l.Spectral)) {
			most = max(most, l.Spectral)
		}
	}
	return most
}

// reaction is one way in which a take differs from another one.
type reaction struct{ what, figures string }

// reactions are those that are more than its music's halves or a repeat differ by.
func (b *builder) reactions(t, other *result.Take) []reaction {
	out := []reaction{}
	if x, y := t.Drive, other.Drive; x != nil && y != nil && x.Measured && y.Measured && b.apart(x.Low, x.High, y.Low, y.High, driveDigits, func(t *result.Take) (unit.Number, bool) {
		return t.Drive.Drive, t.Drive.Measured
	}) {
		what, more := "less drive", y
		if x.Drive > y.Drive {
			what, more = "more drive", x
		}
		if more.Drive > mayBeGain*more.NotLinear {
			out = append(out, reaction{what, fmt.Sprintf("%s %% against %s %%", unit.Format(float64(x.Drive), driveDigits), unit.Format(float64(y.Drive), driveDigits))})
		}
	}
	if x, y := t.Touch, other.Touch; x != nil && y != nil && x.Measured && y.Measured && b.apart(x.Low, x.High, y.Low, y.High, touchDigits, func(t *result.Take) (unit.Number, bool) {
		return t.Touch.Slope, t.Touch.Measured
	}) {
		what := "livelier touch"
		if x.Slope < y.Slope {
			what = "flatter touch"
		}
		out = append(out, reaction{what, fmt.Sprintf("%s against %s dB for each dB you play harder", unit.Format(float64(x.Slope), touchDigits), unit.Format(float64(y.Slope), touchDigits))})
	}
	return out
}

// apart reports whether two ranges are apart by a step of what is printed with so many
// digits, and by more than a figure is of any take and its repeat.
func (b *builder) apart(low, high, otherLow, otherHigh unit.Number, digits int, of func(*result.Take) (unit.Number, bool)) bool {
	gap := float64(max(low-otherHigh, otherLow-high))
	for i := range b.res.Takes {
		t := &b.res.Takes[i]
		k := b.index(t.RepeatOf)
		if t.RepeatOf == "" || k < 0 || t.Touch == nil || t.Drive == nil || b.res.Takes[k].Touch == nil || b.res.Takes[k].Drive == nil {
			continue
		}
		x, ok := of(t)
		y, also := of(&b.res.Takes[k])
		if ok && also && gap <= math.Abs(float64(x-y)) {
			return false
		}
	}
	return gap >= math.Pow10(-digits)
}
