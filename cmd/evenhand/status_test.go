package main

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"evenhand/analyze/flacio"
	"evenhand/analyze/manifest"
	"evenhand/analyze/match"
	"evenhand/analyze/mistake"
	"evenhand/analyze/recording"
	"evenhand/analyze/wavio"
	"evenhand/report/folder"
	"evenhand/report/pack"
	"evenhand/report/settings"
)

// TestStatus runs commands on input and uses that are wrong: the status is 2,
// the message names what is wrong once.
func TestStatus(t *testing.T) {
	const rate = 48000
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	put := func(name, text string) {
		t.Helper()
		if err := os.WriteFile(at(name), []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	// A tone that comes and goes, 5 s.
	tone := make([]float64, 5*rate)
	for i := range tone {
		s := float64(i) / rate
		tone[i] = 0.3 * math.Sin(2*math.Pi*(200+40*s)*s) * max(0, math.Sin(2*math.Pi*s/1.7))
	}
	for name, x := range map[string][]float64{"tone.wav": tone, "other.wav": tone, "silent.wav": make([]float64, len(tone)), "one.wav": {0.5}} {
		if err := writeWAV(at(name), rate, x); err != nil {
			t.Fatal(err)
		}
	}
	w, err := wavio.Create(at("nan.wav"), wavio.Spec{SampleRate: rate, Channels: 1, Bits: 32, Float: true})
	if err := errors.Join(err, w.Write([][]float64{tone}), w.Close()); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(at("nan.wav"))
	if err != nil {
		t.Fatal(err)
	}
	binary.LittleEndian.PutUint32(b[len(b)-4*rate:], math.Float32bits(float32(math.NaN())))
	put("nan.wav", string(b))
	manifest := func(name string, files ...string) {
		text := "title: Statuses\nvaries: fuzz\nchain:\n  - slot: fuzz\ntakes:\n"
		for i, f := range files {
			text += fmt.Sprintf("  - {name: T%d, file: %s, fuzz: {device: T%[1]d}}\n", i+1, f)
		}
		put(name, text)
	}
	manifest("silent.yaml", "tone.wav", "silent.wav")
	manifest("one.yaml", "tone.wav", "one.wav")
	manifest("nan.yaml", "tone.wav", "nan.wav")
	manifest("missing.yaml", "tone.wav", "missing.yml")
	manifest("good.yaml", "tone.wav")
	for _, x := range []struct {
		args string
		want []string
	}{
		{"check .", []string{". is a folder, not a manifest (YAML)"}},
		{"check tone.wav", []string{"tone.wav is a recording, not a manifest (YAML)"}},
		{"check nope.yaml", []string{"manifest nope.yaml cannot be opened: no such file or directory"}},
		{"check one.yaml", []string{"one.wav: it has 1 sample"}},
		{"build silent.yaml -o out", []string{"(silent.wav) has nothing above the absolute gate"}},
		{"check nan.yaml", []string{"nan.wav: byte", "is NaN, infinite or beyond"}},
		{"check missing.yaml", []string{`there is no file "missing.yml"`, "the folder holds: nan.wav, one.wav, other.wav, silent.wav, tone.wav"}},
		{"reamp-level tone.wav silent.wav", []string{"silent.wav: every sample is 0"}},
		{"reamp-level one.wav tone.wav", []string{"one.wav: it has 0.00 s of audio"}},
		{"build good.yaml -o tone.wav", []string{"there is a file of this name"}},
		{"build good.yaml -o out --workers -3", []string{"--workers: -3; allowed: 0"}},
		{"check good.yaml --workers -1", []string{"--workers: -1"}},
		{"cut good.yaml -o out --workers -1", []string{"--workers: -1"}},
		{"pack good.yaml -o out.zip --report nope", []string{"--report: nope is not a report"}},
		{"demo out --scenario nope", []string{`--scenario: "nope"; allowed: four-fuzzes`}},
		{"new nope", []string{"evenhand: nope: no such file or directory"}},
		{"new . -o good.yaml", []string{"good.yaml: there is already a file or folder with this name"}},
		{"verify nope", []string{"evenhand: nope: no such file or directory"}},
		{"check good.yaml tone.wav", []string{"got 2 arguments"}},
		{"reamp-level tone.wav", []string{"got one argument"}},
		{"schema x", []string{"schema takes no arguments, got one argument, x; type: evenhand schema"}},
	} {
		t.Run(x.args, func(t *testing.T) {
			t.Chdir(dir)
			var stdout, stderr bytes.Buffer
			if got := run(context.Background(), strings.Fields(x.args), &stdout, &stderr); got != exitUsage {
				t.Errorf("status %d", got)
			}
			text := stderr.String()
			for _, want := range x.want {
				if strings.Count(text, want) != 1 {
					t.Errorf("%q is not there once", want)
				}
			}
			for _, twice := range []string{"nan.wav: nan.wav", "reading frame", "open nope", "stat nope"} {
				if strings.Contains(text, twice) {
					t.Errorf("%q is there", twice)
				}
			}
			if t.Failed() {
				t.Log(text)
			}
			if _, err := os.Stat("out"); err == nil {
				t.Error("something was written")
			}
		})
	}
}

// TestUsage: an error carries itself whose fault it is, however it is wrapped.
func TestUsage(t *testing.T) {
	for _, x := range []struct {
		err   error
		usage bool
	}{
		{mistake.Of(errors.New("x")), true},
		{&manifest.Errors{List: []manifest.Problem{{Message: "x"}}}, true},
		{mistake.Errorf("x"), true},
		{&match.CeilingError{}, true},
		{&recording.ChangedError{}, true},
		{&folder.NotOursError{}, true},
		{&wavio.Error{Kind: wavio.ErrNotWAV}, true},
		{&wavio.Error{Kind: wavio.ErrUnsupported}, true},
		{&wavio.Error{Kind: wavio.ErrEmpty}, true},
		{&wavio.Error{Kind: wavio.ErrNotFinite}, true},
		{settings.ErrNotRecord, true},
		{&pack.RefusedError{}, true},
		{pack.ErrNotBag, true},
		{fs.ErrNotExist, true},
		{fs.ErrPermission, true},
		{&wavio.Error{Kind: wavio.ErrUse}, false},
		{&flacio.Error{Kind: flacio.ErrUnsupported}, true},
		{&flacio.Error{Kind: flacio.ErrCorrupt}, true},
		{&flacio.Error{Kind: flacio.ErrUse}, false},
		{context.Canceled, false},
		{errors.New("x"), false},
	} {
		for _, err := range []error{x.err, fmt.Errorf("a: %w", x.err), errors.Join(errors.New("b"), x.err)} {
			if isUsage(err) != x.usage {
				t.Errorf("%T %q: %v", x.err, err, !x.usage)
			}
		}
	}
}

// TestWritingIsNotInput: a disk that is full is not the input's fault, and is
// told once.
func TestWritingIsNotInput(t *testing.T) {
	full := &wavio.Error{Path: "edit.wav", Offset: -1, Msg: "cannot write: no space left on device", Err: &fs.PathError{Op: "write", Path: "edit.wav", Err: syscall.ENOSPC}}
	if isUsage(full) || isUsage(fmt.Errorf("cut: %w", full)) {
		t.Error("a full disk is taken for wrong input")
	}
	if !isUsage(&wavio.Error{Path: "a.wav", Kind: wavio.ErrCorrupt}) {
		t.Error("a damaged recording is not taken for wrong input")
	}
	var out bytes.Buffer
	say(&out, errors.Join(full, full))
	if strings.Count(out.String(), "\n") != 1 {
		t.Errorf("told more than once:\n%s", out.String())
	}
}

// TestCheckWarns: what is doubtful about the input is said by check as by build.
func TestCheckWarns(t *testing.T) {
	if testing.Short() {
		t.Skip("plays a performance")
	}
	from, dir := t.TempDir(), t.TempDir()
	if err := recordTo(from); err != nil {
		t.Fatal(err)
	}
	t.Chdir(dir)
	for _, name := range []string{"dry.wav", "one.wav", "two.wav"} {
		b, err := os.ReadFile(filepath.Join(from, "long", name))
		if err != nil {
			t.Fatal(err)
		}
		if name == "two.wav" {
			b = b[:len(b)-2*48000] // one second
		}
		if err := os.WriteFile(name, b, 0o666); err != nil {
			t.Fatal(err)
		}
	}
	const text = `title: Doubtful
varies: fuzz
performance:
  dry: dry.wav
  sections:
    - {name: Long, from: 0.5, to: 4}
    - {name: Blink, from: 4, to: 4.2}
    - {name: Hanging, from: 5.7, to: 6.3}
    - {name: Beyond, from: 6.3, to: 6.9}
chain:
  - slot: fuzz
takes:
  - {name: One, file: one.wav, fuzz: {device: One}}
  - {name: Two, file: two.wav, fuzz: {device: Two}}
`
	if err := os.WriteFile("doubtful.yaml", []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	run(context.Background(), []string{"check", "doubtful.yaml"}, &stdout, &stderr)
	for _, want := range []string{
		"evenhand: warning: two.wav: truncated: ",
		`section "Blink" has 0.200 s and is not measured: loudness needs at least 0.4 s`,
		`section "Hanging" has only 0.1`,
		`section "Beyond" is outside the time that all takes share and is not measured`,
	} {
		if !strings.Contains(stderr.String(), want) {
			t.Errorf("%q is not said", want)
		}
	}
	if t.Failed() {
		t.Log(stderr.String(), stdout.String())
	}
}
