package main

import (
	"errors"
	"io"
	"strconv"

	"github.com/rogpeppe/go-internal/testscript"

	"evenhand/analyze/flacio"
	"evenhand/analyze/unit"
)

// louder makes a published file louder by a number of dB.
func louder(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: louder FILE.flac DB")
	}
	db, err := strconv.ParseFloat(args[1], 64)
	ts.Check(err)
	ts.Check(makeLouder(ts.MkAbs(args[0]), unit.ToAmplitude(db)))
}

func makeLouder(name string, gain float64) error {
	d, err := flacio.Open(name)
	if err != nil {
		return err
	}
	info := d.Info()
	buf, all := make([][]float64, info.Channels), make([][]float64, info.Channels)
	for c := range buf {
		buf[c] = make([]float64, 1<<14)
	}
	for err == nil {
		var n int
		n, err = d.Read(buf)
		for c := range buf {
			for _, v := range buf[c][:n] {
				all[c] = append(all[c], gain*v)
			}
		}
	}
	if d.Close(); !errors.Is(err, io.EOF) {
		return err
	}
	e, err := flacio.Create(name, flacio.Spec{SampleRate: info.SampleRate, Channels: info.Channels, Bits: info.Bits})
	if err != nil {
		return err
	}
	ints := make([][]int32, len(all))
	for c, x := range all {
		ints[c] = make([]int32, len(x))
		flacio.NewQuantiser(info.Bits, false, 0).Quantise(ints[c], x)
	}
	return errors.Join(e.Write(ints), e.Close())
}
