package watch

import (
	"os"
	"time"

	"evenhand/analyze/recording"
	"evenhand/analyze/unit"
)

// A recording has landed when its file has not changed for landedAfter and is whole. One
// that is still not whole after shortAfter is probably left as it is. Most that are whole
// after earlyAfter stay as they are, so that what they are like is measured meanwhile.
const (
	earlyAfter  = 500 * time.Millisecond
	landedAfter = 2 * time.Second
	shortAfter  = 15 * time.Second
)

// landing follows the file of one recording until nothing writes to it any more.
type landing struct {
	path     string
	size     int64
	wrote    time.Time // as the file says
	since    time.Time // since when the file has been as it is
	told     state
	recorded bool // it was told that it has landed
	job      *job // what measures it as it is; nil for none
}

type state int

// The states of a recording.
const (
	absent  state = iota
	coming        // it is being written to
	whole         // nothing has written to it for a moment, and it is whole
	short         // nothing writes to it, and it is not whole
	landed        // nothing writes to it, and it is whole
	refused       // it was measured and is no recording that can be compared
)

// look returns the state of the file at a moment, how long it is and, if only time has
// to pass, when to look again. least is the shortest duration of a whole take.
func (l *landing) look(now time.Time, least unit.Seconds) (is state, long unit.Seconds, again time.Time) {
	info, err := os.Stat(l.path)
	if err != nil || !info.Mode().IsRegular() {
		l.forget()
		return absent, 0, time.Time{}
	}
	if l.size != info.Size() || !l.wrote.Equal(info.ModTime()) || l.since.IsZero() {
		since := now
		if l.since.IsZero() && info.ModTime().Before(now) {
			since = info.ModTime() // it was there before, or was renamed into place
		}
		l.forget()
		l.size, l.wrote, l.since = info.Size(), info.ModTime(), since
	}
	settled := !now.Before(l.since.Add(landedAfter))
	if early := l.since.Add(earlyAfter); now.Before(early) {
		return coming, 0, early
	}
	if settled && (l.told == landed || l.told == refused) {
		return l.told, 0, time.Time{}
	}
	heard, err := recording.Inspect(l.path)
	long = heard.Duration()
	late := l.since.Add(shortAfter)
	switch all := err == nil && !heard.Unfinished && long >= least; {
	case all && settled:
		return landed, long, time.Time{}
	case all:
		return whole, long, l.since.Add(landedAfter)
	case !settled:
		return coming, long, l.since.Add(landedAfter)
	case now.Before(late):
		return coming, long, late
	}
	return short, long, time.Time{}
}

// forget begins anew, as for a file that was not seen before.
func (l *landing) forget() {
	l.drop()
	*l = landing{path: l.path}
}

// drop ends what is measured of the file, and forgets it.
func (l *landing) drop() {
	if l.job != nil {
		l.job.stop()
		l.job = nil
	}
}
