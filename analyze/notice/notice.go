// Package notice tells when something in a few folders may have changed. It says
// neither what nor whether: who is told looks again.
package notice

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/fsnotify/fsnotify"
)

// Folders that the system does not report on are looked at again as often as pollEvery.
// All others are too, as often as safetyEvery, because a system reports nothing about
// files that another computer changes in a shared folder.
const (
	pollEvery   = 250 * time.Millisecond
	safetyEvery = 2 * time.Second
)

// Watcher watches folders until it is closed.
type Watcher struct {
	// C receives after one or more changes, and now and then without any.
	C <-chan struct{}

	system *fsnotify.Watcher // nil where the system has none to give
	noted  string            // the folders of the last note
	polls  chan bool
	done   chan struct{}
}

// Open returns a Watcher that watches nothing yet.
func Open() *Watcher {
	system, err := fsnotify.NewWatcher()
	if err != nil {
		system = nil
	}
	return begin(system)
}

// Poll returns a Watcher that asks the system for nothing and polls all folders.
func Poll() *Watcher { return begin(nil) }

func begin(system *fsnotify.Watcher) *Watcher {
	c := make(chan struct{}, 1)
	w := &Watcher{C: c, system: system, polls: make(chan bool), done: make(chan struct{})}
	go w.run(c)
	return w
}

func (w *Watcher) run(c chan<- struct{}) {
	var events chan fsnotify.Event
	var errs chan error
	if w.system != nil {
		events, errs = w.system.Events, w.system.Errors
	}
	tick := time.NewTicker(safetyEvery)
	defer tick.Stop()
	for {
		select {
		case <-w.done:
			return
		case polls := <-w.polls:
			if polls {
				tick.Reset(pollEvery)
			} else {
				tick.Reset(safetyEvery)
			}
			continue
		case <-tick.C:
		case <-events:
		case <-errs: // events may have been lost
		}
		select {
		case c <- struct{}{}:
		default: // it is told already
		}
	}
}

// Folders sets which folders are watched. In the place of one that does not exist,
// the nearest folder above it is watched. Call it again after each change, since a
// folder may have come, or be another one by now. It returns those on which the system
// does not report, in order, which are polled.
func (w *Watcher) Folders(dirs []string) (polled []string) {
	var want []string
	for _, dir := range dirs {
		if a, err := filepath.Abs(dir); err == nil {
			dir = a
		}
		for {
			info, err := os.Stat(dir)
			if err == nil && info.IsDir() || filepath.Dir(dir) == dir {
				break
			}
			dir = filepath.Dir(dir)
		}
		want = append(want, dir)
	}
	slices.Sort(want)
	want = slices.Compact(want)
	if w.system == nil {
		polled = want
	} else {
		for _, dir := range w.system.WatchList() {
			if !slices.Contains(want, dir) {
				w.system.Remove(dir)
			}
		}
		for _, dir := range want {
			if err := w.system.Add(dir); err != nil {
				polled = append(polled, dir)
			}
		}
	}
	select {
	case w.polls <- polled != nil:
	case <-w.done:
	}
	return polled
}

// Watch is Folders, and returns a note on those that are polled; "" if there are none, or
// if that was the last note.
func (w *Watcher) Watch(dirs []string) (note string) {
	list := strings.Join(w.Folders(dirs), ", ")
	if list == w.noted || list == "" {
		return ""
	}
	w.noted = list
	return fmt.Sprintf("the system does not report changes in %s; evenhand checks there %d times a second", list, time.Second/pollEvery)
}

// Close ends the watch.
func (w *Watcher) Close() {
	close(w.done)
	if w.system != nil {
		w.system.Close()
	}
}
