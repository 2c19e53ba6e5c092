package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"

	"evenhand/analyze/disk"
	"evenhand/report/folder"
	"evenhand/report/terminal"
)

// beginOutput is folder.Begin that says what it found at the destination.
func beginOutput(w io.Writer, dst string, kind folder.Kind, inputs ...string) (*folder.Draft, error) {
	d, err := folder.Begin(dst, kind, inputs...)
	if d != nil {
		sayFound(w, d.Found)
	}
	return d, err
}

// recoverOutput deals with what a killed run left at dst, before dst is read.
func recoverOutput(w io.Writer, dst string) error {
	found, err := folder.Recover(dst)
	sayFound(w, found)
	return err
}

func sayFound(w io.Writer, found []string) {
	for _, text := range found {
		fmt.Fprintf(w, "evenhand: note: %s\n", terminal.Clean(text))
	}
}

// sayLeft says what a committed draft could not clean up.
func sayLeft(w io.Writer, d *folder.Draft) {
	if d.Left != "" {
		fmt.Fprintf(w, "evenhand: warning: %s\n", terminal.Clean(d.Left))
	}
}

// noRoom says that a disk is full, in the place of an error that comes from it.
func noRoom(err error) string {
	path := ""
	if e, ok := errors.AsType[*fs.PathError](err); ok {
		path = e.Path
	} else if e, ok := errors.AsType[*os.LinkError](err); ok {
		path = e.New
	}
	text := "the disk is full"
	if path != "" {
		text = disk.Shown(path) + ": " + text
	}
	if disk.Shown(path) != path {
		text += ", and nothing was replaced"
	}
	return text + "; free some space or write to another disk, then repeat the command"
}
