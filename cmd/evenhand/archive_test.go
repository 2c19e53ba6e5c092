package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/rogpeppe/go-internal/testscript"

	"evenhand/report/folder"
	"evenhand/report/pack"
)

// archiveCommands are what scripts about archives need beside the program.
//
//	alter FILE OLD NEW   replaces the first OLD, which must be there
//	set FILE PLACE JSON  changes a value in a JSON file: takes.1.measures.2.rms_dbfs
//	flip FILE N          changes a bit of byte N, from the end when negative
//	sign DIR             lists a report's files anew, as after an honest build
//	rebag DIR OUT        puts the content of a bag's folder into a new bag
func archiveCommands() map[string]func(ts *testscript.TestScript, neg bool, args []string) {
	return map[string]func(ts *testscript.TestScript, neg bool, args []string){
		"alter": func(ts *testscript.TestScript, _ bool, args []string) {
			b := []byte(ts.ReadFile(args[0]))
			if !bytes.Contains(b, []byte(args[1])) {
				ts.Fatalf("%s holds no %q", args[0], args[1])
			}
			ts.Check(os.WriteFile(ts.MkAbs(args[0]), bytes.Replace(b, []byte(args[1]), []byte(args[2]), 1), 0o666))
		},
		"set": func(ts *testscript.TestScript, _ bool, args []string) {
			var tree any
			d := json.NewDecoder(strings.NewReader(ts.ReadFile(args[0])))
			d.UseNumber()
			ts.Check(d.Decode(&tree))
			at := tree
			steps := strings.Split(args[1], ".")
			for i, step := range steps {
				if list, ok := at.([]any); ok {
					k, err := strconv.Atoi(step)
					ts.Check(err)
					if i == len(steps)-1 {
						list[k] = json.RawMessage(args[2])
					}
					at = list[k]
					continue
				}
				object := at.(map[string]any)
				if _, ok := object[step]; !ok {
					ts.Fatalf("%s holds no %s", args[0], args[1])
				}
				if i == len(steps)-1 {
					object[step] = json.RawMessage(args[2])
				}
				at = object[step]
			}
			b, err := json.Marshal(tree)
			ts.Check(err)
			ts.Check(os.WriteFile(ts.MkAbs(args[0]), b, 0o666))
		},
		"flip": func(ts *testscript.TestScript, _ bool, args []string) {
			b := []byte(ts.ReadFile(args[0]))
			var at int
			_, err := fmt.Sscan(args[1], &at)
			ts.Check(err)
			if at < 0 {
				at += len(b)
			}
			b[at] ^= 4
			ts.Check(os.WriteFile(ts.MkAbs(args[0]), b, 0o666))
		},
		"sign": func(ts *testscript.TestScript, _ bool, args []string) { ts.Check(sign(ts.MkAbs(args[0]))) },
		"rebag": func(ts *testscript.TestScript, _ bool, args []string) {
			dir := ts.MkAbs(args[0])
			ts.Check(sign(filepath.Join(dir, "data", "report")))
			c := pack.Content{Base: "again"}
			text := ts.ReadFile(filepath.Join(dir, "bag-info.txt"))
			for line := range strings.Lines(text) {
				label, value, _ := strings.Cut(strings.TrimSpace(line), ": ")
				switch label {
				case pack.LabelAgent:
					c.Agent = value
				case pack.LabelDate:
					c.Date = value
				case pack.LabelOxum, pack.LabelArchive:
				default:
					c.Info = append(c.Info, pack.Field{Label: label, Value: value})
				}
			}
			data := filepath.Join(dir, "data")
			ts.Check(filepath.WalkDir(data, func(path string, e fs.DirEntry, err error) error {
				if err != nil || e.IsDir() {
					return err
				}
				rel, err := filepath.Rel(data, path)
				c.Items = append(c.Items, pack.Item{Name: filepath.ToSlash(rel), Source: path})
				return err
			}))
			ts.Check(pack.Write(context.Background(), ts.MkAbs(args[1]), c, nil))
		},
	}
}

func sign(dir string) error {
	sums, err := folder.ReadSums(dir)
	if err != nil {
		return err
	}
	var b strings.Builder
	for _, s := range sums {
		text, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(s.Path)))
		if err != nil {
			return err
		}
		fmt.Fprintf(&b, "%x  %s\n", sha256.Sum256(text), s.Path)
	}
	return os.WriteFile(filepath.Join(dir, folder.Sums), []byte(b.String()), 0o666)
}
