// Package timecode turns positions in audio into the timecode of a camera and
// back, in whole numbers only, so that nothing drifts over a day.
//
// A frame rate is a fraction: 24000/1001 frames a second at "23.976", and so
// on. A label hh:mm:ss:ff counts frames at the nominal whole rate (24 at
// 23.976). Drop-frame labels leave out the first two numbers of each minute (at
// 59.94 the first four), except in minutes 0, 10, 20, 30, 40 and 50, so that
// they stay within a few frames of the clock; no frame is left out. They are
// written with a semicolon before the frames.
//
// Source: SMPTE ST 12-1, time and control code (from memory).
package timecode

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
)

// Errors.
var (
	ErrRate  = errors.New("unknown frame rate")
	ErrLabel = errors.New("not a timecode")
)

// Rate is a frame rate and its way of counting. The zero Rate is none; get one
// from Parse.
type Rate struct {
	name     string
	num, den int64 // frames a second
	nominal  int64 // frames counted to a second
	drop     int64 // numbers left out of a minute; 0 for none
}

func rates() []Rate {
	return []Rate{
		{"23.976", 24000, 1001, 24, 0},
		{"24", 24, 1, 24, 0},
		{"25", 25, 1, 25, 0},
		{"29.97", 30000, 1001, 30, 0},
		{"29.97df", 30000, 1001, 30, 2},
		{"30", 30, 1, 30, 0},
		{"50", 50, 1, 50, 0},
		{"59.94", 60000, 1001, 60, 0},
		{"59.94df", 60000, 1001, 60, 4},
		{"60", 60, 1, 60, 0},
	}
}

// Names lists the rates that Parse knows, slowest first; df means drop frame.
func Names() []string {
	var out []string
	for _, r := range rates() {
		out = append(out, r.name)
	}
	return out
}

// Parse returns the rate of a name from Names, or of what editors write for one:
// 23.98 for 23.976, "29.97 DF" and "29.97 NDF" for drop frame and not, and a fraction
// such as 30000/1001. The error is ErrRate.
func Parse(name string) (Rate, error) {
	label := strings.ToLower(strings.Join(strings.Fields(name), ""))
	if rest, ok := strings.CutPrefix(label, "23.98"); ok {
		label = "23.976" + rest
	}
	if rest, ok := strings.CutSuffix(label, "ndf"); ok {
		label = rest
	}
	for _, r := range rates() {
		if label == r.name || r.drop == 0 && label == r.Fraction() {
			return r, nil
		}
	}
	return Rate{}, fmt.Errorf("%w: %q; allowed: %s", ErrRate, name, strings.Join(Names(), ", "))
}

func (r Rate) String() string { return r.name }

// Fraction returns the frames per second as an exact fraction: "30000/1001", "25/1".
func (r Rate) Fraction() string { return fmt.Sprintf("%d/%d", r.num, r.den) }

// PerSecond returns the frames per second as a fraction.
func (r Rate) PerSecond() (num, den int64) { return r.num, r.den }

// tenMinutes and minute are how many frames ten minutes, and a minute with
// numbers left out, have labels for.
func (r Rate) tenMinutes() int64 { return 600*r.nominal - 9*r.drop }
func (r Rate) minute() int64     { return 60*r.nominal - r.drop }

// Day returns how many frames have different labels: those of 24 hours.
func (r Rate) Day() int64 { return 144 * r.tenMinutes() }

// Label returns the label of a frame counted from 00:00:00:00. After 24 hours,
// and before 0, labels begin anew.
func (r Rate) Label(frame int64) string {
	n := frame % r.Day()
	if n < 0 {
		n += r.Day()
	}
	if r.drop > 0 {
		tens, rest := n/r.tenMinutes(), n%r.tenMinutes()
		n += tens * 9 * r.drop
		if full := 60 * r.nominal; rest >= full {
			n += r.drop * (1 + (rest-full)/r.minute())
		}
	}
	sep := ":"
	if r.drop > 0 {
		sep = ";"
	}
	s := n / r.nominal
	return fmt.Sprintf("%02d:%02d:%02d%s%02d", s/3600, s/60%60, s%60, sep, n%r.nominal)
}

// Frame returns the frame, counted from 00:00:00:00, that has a label. The
// last separator may be a colon, semicolon or point. The error is ErrLabel,
// also for a label that drop-frame counting leaves out.
func (r Rate) Frame(label string) (int64, error) {
	bad := func(format string, args ...any) (int64, error) {
		return 0, fmt.Errorf("%w: %q: %s", ErrLabel, label, fmt.Sprintf(format, args...))
	}
	parts := strings.FieldsFunc(strings.TrimSpace(label), func(c rune) bool { return c == ':' || c == ';' || c == '.' })
	if len(parts) != 4 || strings.Count(label, ":")+strings.Count(label, ";")+strings.Count(label, ".") != 3 {
		return bad("expected hh:mm:ss:ff, such as %s", r.Label(r.tenMinutes()*6))
	}
	limits := []int64{23, 59, 59, r.nominal - 1}
	var v [4]int64
	for i, p := range parts {
		n, err := strconv.ParseUint(p, 10, 16)
		if err != nil || int64(n) > limits[i] || len(p) > 2 {
			return bad("%s is %q; allowed: 0 to %d at %s frames per second", []string{"hours", "minutes", "seconds", "frames"}[i], p, limits[i], r.name)
		}
		v[i] = int64(n)
	}
	minutes := v[0]*60 + v[1]
	if v[2] == 0 && v[3] < r.drop && minutes%10 != 0 {
		return bad("drop-frame timecode skips this one; type %02d:%02d:00;%02d", v[0], v[1], r.drop)
	}
	return (minutes*60+v[2])*r.nominal + v[3] - r.drop*(minutes-minutes/10), nil
}

// Sample returns the sample of audio at a rate in Hz that lies nearest to the
// beginning of a frame, counted from the beginning of frame 0; halves round up.
// It is exact for any frame of a day.
func (r Rate) Sample(frame int64, sampleRate int) int64 {
	// sampleRate·den/num samples a frame. Below 2^53 for a day at 384 kHz.
	return floorDiv(2*frame*int64(sampleRate)*r.den+r.num, 2*r.num)
}

// FrameAt returns the last frame whose Sample is not after a sample.
func (r Rate) FrameAt(sample int64, sampleRate int) int64 {
	n := floorDiv(sample*r.num, int64(sampleRate)*r.den)
	// Rounding of Sample may put the next one's beginning here, or this one's
	// just after.
	for r.Sample(n, sampleRate) > sample {
		n--
	}
	for r.Sample(n+1, sampleRate) <= sample {
		n++
	}
	return n
}

func floorDiv(a, b int64) int64 {
	q := a / b
	if a%b < 0 {
		q--
	}
	return q
}
