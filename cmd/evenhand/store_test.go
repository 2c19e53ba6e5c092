package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"
)

// stored looks into a store from a script:
//
//	stored DIR         prints the name of every entry
//	stored -new DIR F  counts the facts and the audio that the names in F lack
//	stored -damage DIR damages every entry, each in another way
func stored(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) == 0 {
		ts.Fatalf("usage: stored [-new | -damage] DIR [FILE]")
	}
	mode := ""
	if strings.HasPrefix(args[0], "-") {
		mode, args = args[0], args[1:]
	}
	found, err := filepath.Glob(filepath.Join(ts.MkAbs(args[0]), "*", "*-entry"))
	ts.Check(err)
	if len(found) == 0 {
		ts.Fatalf("the store is empty")
	}
	known := ""
	if mode == "-new" {
		known = ts.ReadFile(args[1])
	}
	facts, audio := 0, 0
	for i, path := range found {
		name := filepath.Base(path)
		switch mode {
		case "":
			fmt.Fprintln(ts.Stdout(), name)
		case "-new":
			if strings.Contains(known, name) {
				continue
			}
			if strings.HasSuffix(name, ".fact-entry") {
				facts++
			} else {
				audio++
			}
		case "-damage":
			b, err := os.ReadFile(path)
			ts.Check(err)
			b = [][]byte{b[:len(b)-1], append(bytes.Clone(b), 0), nil, append(bytes.Clone(b[:len(b)-1]), b[len(b)-1]+1)}[i%4]
			ts.Check(os.WriteFile(path, b, 0o600))
		}
	}
	if mode == "-new" {
		fmt.Fprintf(ts.Stdout(), "facts %d\naudio %d\n", facts, audio)
	}
}
