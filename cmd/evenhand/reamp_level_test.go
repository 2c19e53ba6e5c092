package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode/utf8"

	"github.com/rogpeppe/go-internal/testscript"

	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// loopback makes a recording that returns later by 64 frames and louder by a
// number of dB, behind a first-order loss of treble where a corner in Hz is given.
// inverted: before the number turns it upside down.
func loopback() {
	err := func() error {
		if len(os.Args) != 4 && len(os.Args) != 5 {
			return errors.New("usage: loopback DRY.wav LOOP.wav DB [HZ]")
		}
		number, inverted := strings.CutPrefix(os.Args[3], "inverted:")
		db, err := strconv.ParseFloat(number, 64)
		if err != nil {
			return err
		}
		gain := unit.ToAmplitude(db)
		if inverted {
			gain = -gain
		}
		r, err := wavio.Open(os.Args[1])
		if err != nil {
			return err
		}
		defer r.Close()
		info := r.Info()
		x := make([]float64, info.Frames+64)
		if _, err := r.Read([][]float64{x[64:]}); err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		for i := range x {
			x[i] *= gain
		}
		if len(os.Args) == 5 {
			hz, err := strconv.ParseFloat(os.Args[4], 64)
			if err != nil {
				return err
			}
			// The pole where the impulse response is sampled; at 3 kHz the
			// magnitude is within 0.1 dB of the analogue one up to 5 kHz.
			pole, last := math.Exp(-2*math.Pi*hz/float64(info.SampleRate)), 0.0
			for i, v := range x {
				last += (1 - pole) * (v - last)
				x[i] = last
			}
		}
		return writeWAV(os.Args[2], info.SampleRate, x)
	}()
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(3)
	}
}

// shorten writes the first seconds of a recording.
func shorten(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: shorten FROM.wav TO.wav SECONDS")
	}
	seconds, err := strconv.ParseFloat(args[2], 64)
	ts.Check(err)
	r, err := wavio.Open(ts.MkAbs(args[0]))
	ts.Check(err)
	defer r.Close()
	rate := r.Info().SampleRate
	x := make([]float64, int(seconds*float64(rate)))
	n, err := r.Read([][]float64{x})
	if err != nil && !errors.Is(err, io.EOF) || n < len(x) {
		ts.Fatalf("%d of %d frames read: %v", n, len(x), err)
	}
	ts.Check(writeWAV(ts.MkAbs(args[1]), rate, x))
}

// TestCheckTable asks for lines that fit, the worst first, and every check told.
func TestCheckTable(t *testing.T) {
	res := &result.Result{
		Comparison: result.Comparison{Title: "T\x1b[31m" + strings.Repeat("long ", 40)},
		Checks: []result.Check{
			{ID: "a", Name: "First", Group: "sound", Outcome: result.Passed, Value: "1 dB", Limit: "at most 2 dB", LimitSource: "a standard"},
			{ID: "b", Name: "Second", Group: "sound", Outcome: result.Failed, Subject: "One", Value: "9 dB", Reason: strings.Repeat("because ", 30), Limit: "at most 2 dB", LimitSource: "a standard", Why: "it matters", Do: "turn it down"},
			{ID: "b", Name: "Second", Group: "sound", Outcome: result.Failed, Subject: "Two", Value: "9 dB", Reason: strings.Repeat("because ", 30), Limit: "at most 2 dB", LimitSource: "a standard", Why: "it matters", Do: "turn it down"},
			{ID: "b", Name: "Second", Group: "sound", Outcome: result.Passed, Subject: "Three", Value: "0 dB"},
			{ID: "c", Name: "Third", Group: "files", Outcome: result.NotMeasured, Reason: "no file"},
		},
		Exclusions: []result.Exclusion{{Accusation: "it was louder", Standing: "found", Because: "9 dB"}},
	}
	for _, all := range []bool{false, true} {
		var b bytes.Buffer
		if err := writeChecks(&b, res, 80, all); err != nil {
			t.Fatal(err)
		}
		text := b.String()
		for _, line := range strings.Split(text, "\n") {
			if utf8.RuneCountInString(line) > 80 {
				t.Errorf("%d columns: %s", utf8.RuneCountInString(line), line)
			}
		}
		if strings.Contains(text, "\x1b") {
			t.Error("a control character of the manifest reaches the terminal")
		}
		id, passed := "", []string{"✓ Sound: First, Second (1 of 3)"}
		if all {
			id, passed = " [b]", []string{"✓ First [a]: passed", "✓ Second [b]: passed", "Three: 0 dB", "it was louder?", "found: 9 dB"}
		}
		order := slices.Concat([]string{"Not fair: second of One and Two (9 dB).", "× Second" + id + ": failed", "One, Two: 9 dB", "→ turn it down", "why: it matters", "? Third", ": not measured", "Passed"},
			passed, []string{"5 checks: 2 failed, 0 cautions, 1 not measured, 2 passed"})
		at := 0
		for _, want := range order {
			k := strings.Index(text[at:], want)
			if k < 0 {
				t.Fatalf("no %q in its place in\n%s", want, text)
			}
			at += k
		}
		if strings.Count(text, "turn it down") != 1 {
			t.Errorf("the same advice more than once:\n%s", text)
		}
	}
}
