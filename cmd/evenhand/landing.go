package main

import (
	"os"
	"time"

	"evenhand/analyze/recording"
	"evenhand/analyze/unit"
)

// A recording has landed when its file has not changed for landedAfter and is whole. One
// that is still not whole after shortAfter is probably left as it is.
const (
	landedAfter = 2 * time.Second
	shortAfter  = 15 * time.Second
)

// landing follows the file of one recording until nothing writes to it any more.
type landing struct {
	path  string
	size  int64
	wrote time.Time // as the file says
	since time.Time // since when the file has been as it is
	told  landingState
}

type landingState int

// The states of a recording.
const (
	absent  landingState = iota
	coming               // it is being written to
	short                // nothing writes to it, and it is not whole
	landed               // nothing writes to it, and it is whole
	refused              // it was measured and is no recording that can be compared
)

// look returns the state of the file at a moment, how long it is and, if only time has
// to pass, when to look again. least is the shortest duration of a whole take.
func (l *landing) look(now time.Time, least unit.Seconds) (state landingState, long unit.Seconds, again time.Time) {
	info, err := os.Stat(l.path)
	if err != nil || !info.Mode().IsRegular() {
		*l = landing{path: l.path}
		return absent, 0, time.Time{}
	}
	if l.size != info.Size() || !l.wrote.Equal(info.ModTime()) || l.since.IsZero() {
		first := l.since.IsZero()
		*l = landing{path: l.path, size: info.Size(), wrote: info.ModTime(), since: now}
		if first && info.ModTime().Before(now) {
			l.since = info.ModTime() // it was there before, or was renamed into place
		}
	}
	if settled := l.since.Add(landedAfter); now.Before(settled) {
		return coming, 0, settled
	}
	if l.told == landed || l.told == refused {
		return l.told, 0, time.Time{}
	}
	heard, err := recording.Inspect(l.path)
	if err == nil && !heard.Unfinished && heard.Duration() >= least {
		return landed, heard.Duration(), time.Time{}
	}
	if late := l.since.Add(shortAfter); now.Before(late) {
		return coming, heard.Duration(), late
	}
	return short, heard.Duration(), time.Time{}
}
