package cut

import (
	"fmt"
	"math/big"
	"regexp"
	"strings"

	"evenhand/analyze/unit"
)

// Interval is the length between two wanted cuts, an exact fraction of
// seconds. Seconds are counted from the beginning of the edit; bars from the
// beginning of the first section, where there is one.
type Interval struct {
	Written string
	Bars    bool
	seconds *big.Rat
}

func (i Interval) zero() bool { return i.seconds == nil }

// Seconds returns the length.
func (i Interval) Seconds() unit.Seconds {
	f, _ := i.seconds.Float64()
	return unit.Seconds(f)
}

// at returns the frame that lies nearest to n intervals after frame from.
func (i Interval) at(n int64, from int64, rate int) int64 {
	t := new(big.Rat).Mul(i.seconds, new(big.Rat).SetInt64(n*int64(rate)))
	t.Add(t, big.NewRat(1, 2))
	return from + new(big.Int).Div(t.Num(), t.Denom()).Int64()
}

var everyPattern = regexp.MustCompile(`^\s*(\d{1,6}(?:\.\d{1,6})?)\s*(s|bars?)\s*$`)
var tempoPattern = regexp.MustCompile(`^\s*\d{1,3}(?:\.\d{1,6})?\s*$`)

// Limits of a tempo in beats a minute, and of beats in a bar.
const (
	minTempo, maxTempo = 20, 400
	maxBeats           = 32
)

// ParseEvery reads an interval: "4s" or "2.5s", or "2bars" with a tempo in
// beats a minute and a number of beats in a bar. tempo is "" and beats 0 when
// they are not stated; beats are then 4. With every "" the interval is zero.
// The error is an *OptionError.
func ParseEvery(every, tempo string, beats int) (Interval, error) {
	if every == "" {
		if tempo != "" {
			return Interval{}, bad("tempo", "it has no effect without --every in bars; add --every 2bars or remove --tempo")
		}
		if beats != 0 {
			return Interval{}, bad("beats", "it has no effect without --every in bars; add --every 2bars or remove --beats")
		}
		return Interval{}, nil
	}
	m := everyPattern.FindStringSubmatch(every)
	if m == nil {
		return Interval{}, bad("every", "%q is not a length; allowed: seconds such as 4s, or bars such as 2bars with --tempo", every)
	}
	n, _ := new(big.Rat).SetString(m[1]) // the pattern has seen to it
	i := Interval{Written: strings.TrimSpace(every), Bars: m[2] != "s", seconds: n}
	switch {
	case i.Bars:
		if !tempoPattern.MatchString(tempo) {
			found := fmt.Sprintf("found %q", tempo)
			if tempo == "" {
				found = "none is stated"
			}
			return Interval{}, bad("tempo", "bars need a tempo in beats per minute, %s; allowed: %d to %d", found, minTempo, maxTempo)
		}
		t, _ := new(big.Rat).SetString(strings.TrimSpace(tempo))
		if t.Cmp(big.NewRat(minTempo, 1)) < 0 || t.Cmp(big.NewRat(maxTempo, 1)) > 0 {
			return Interval{}, bad("tempo", "%s beats per minute; allowed: %d to %d", tempo, minTempo, maxTempo)
		}
		if beats == 0 {
			beats = 4
		}
		if beats < 1 || beats > maxBeats {
			return Interval{}, bad("beats", "%d beats per bar; allowed: 1 to %d", beats, maxBeats)
		}
		i.Written = fmt.Sprintf("%s %s at %s beats a minute, %d beats in a bar", m[1], m[2], strings.TrimSpace(tempo), beats)
		i.seconds = n.Mul(n, big.NewRat(60*int64(beats), 1))
		i.seconds.Quo(i.seconds, t)
	case tempo != "":
		return Interval{}, bad("tempo", "it has no effect without --every in bars, found --every %s", i.Written)
	case beats != 0:
		return Interval{}, bad("beats", "it has no effect without --every in bars, found --every %s", i.Written)
	}
	if i.Seconds() < minPart {
		return Interval{}, bad("every", "%s is %.3f s; allowed: %g s or longer", i.Written, float64(i.Seconds()), float64(minPart))
	}
	return i, nil
}
