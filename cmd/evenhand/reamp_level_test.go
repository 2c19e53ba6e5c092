package main

import (
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"

	"evenhand/analyze/unit"
	"evenhand/analyze/wavio"
)

// makeLoopback makes a recording that returns later by 64 frames and louder by a
// number of dB, behind a first-order loss of treble where a corner in Hz is given.
// inverted: before the number turns it upside down.
func makeLoopback() {
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
