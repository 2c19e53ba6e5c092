// Package watch checks takes as soon as they have been recorded, while everything is still
// connected.
//
// A take has landed when its file is whole and nothing has written to it for 2 s. It is
// measured while these 2 s pass, by all processors; what was found is told when it has
// landed, and thrown away if anything that it rests on has changed until then. So most
// takes are told about at the moment when they land.
//
// Stereo takes of 60 s with their dry recording and a reference need 1.6 to 2.3 s of
// processor time each, one that makes octaves 3.8 s (two busy virtual cores).
package watch

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"time"

	"evenhand/analyze"
	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/manifest/draft"
	"evenhand/analyze/mistake"
	"evenhand/analyze/notice"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/terminal"
)

// lastAfter is how long an end waits for a measurement, which may be in the middle of a
// long step.
const lastAfter = 200 * time.Millisecond

// Options say how takes are measured and where the lines about them go.
type Options struct {
	Measure analyze.Options // Version, Workers and Store count
	JSON    bool            // print a line of JSON for each take
	Bell    io.Writer       // is rung where a check of a take failed; nil: none
	Width   int             // of the lines, in characters
	Out     io.Writer       // what is said about takes
	Errs    io.Writer       // notes and mistakes
	// Mistake writes an error; required.
	Mistake func(io.Writer, error)
}

// watcher follows the recordings of a comparison.
type watcher struct {
	Options
	path    string
	folder  bool                // path is a folder of recordings rather than a manifest
	files   map[string]*landing // by path
	running *job                // nil for none
	said    string              // the last mistake of the manifest
}

// Run watches the recordings that a manifest names, or those in a folder, until ctx is
// done. The error is of reading path or of writing to Out; nil when ctx is done.
func Run(ctx context.Context, path string, o Options) error {
	news := notice.Open()
	defer news.Close()
	return run(ctx, path, o, news)
}

func run(ctx context.Context, path string, o Options, news *notice.Watcher) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	w := watcher{Options: o, path: path, folder: info.IsDir(), files: map[string]*landing{}}
	ctx, stop := context.WithCancel(ctx)
	defer func() {
		stop()
		if w.running != nil {
			select {
			case <-w.running.done:
			case <-time.After(lastAfter):
			}
		}
	}()
	fmt.Fprintf(w.Errs, "evenhand: watching %s; stop with Ctrl-C\n", w.path)
	for {
		c, plan, err := w.plan()
		var text bytes.Buffer
		if err != nil {
			w.Mistake(&text, err)
		}
		if text.String() != w.said {
			w.said = text.String()
			io.WriteString(w.Errs, w.said)
		}
		var again time.Time
		if c != nil {
			if again, err = w.look(ctx, c, plan); err != nil {
				return err
			}
		}
		if note := news.Watch(w.folders(c)); note != "" {
			fmt.Fprintf(w.Errs, "evenhand: note: %s\n", terminal.Clean(note))
		}
		var timer <-chan time.Time
		if !again.IsZero() {
			timer = time.After(time.Until(again))
		}
		var ended <-chan struct{}
		if w.running != nil {
			ended = w.running.done
		}
		select {
		case <-ctx.Done():
			return nil
		case <-timer:
		case <-ended:
			w.running = nil
		case <-news.C:
		}
	}
}

// plan returns the comparison as it is planned now, nil for a folder without a take, and
// what differs where takes have to be measured by another plan.
func (w *watcher) plan() (*manifest.Comparison, string, error) {
	if !w.folder {
		c, err := manifest.LoadPlan(w.path, fairness.CheckLimit)
		if err != nil {
			return nil, "", err
		}
		return c, c.SHA256, nil
	}
	text, _, err := draft.Manifest(w.path, w.path)
	if err != nil {
		return nil, "", nil // no take yet
	}
	c, err := manifest.Parse(filepath.Join(w.path, "manifest.yaml"), text)
	if err != nil {
		return nil, "", err
	}
	plan := ""
	for _, f := range []*manifest.File{c.Performance.Dry, c.Performance.Loopback} {
		if f != nil {
			plan += f.Path + "\n"
		}
	}
	return c, plan, nil
}

// folders are those in which something can change.
func (w *watcher) folders(c *manifest.Comparison) []string {
	if w.folder {
		return []string{w.path}
	}
	dirs := []string{filepath.Dir(w.path)}
	if c != nil {
		for _, f := range c.Inputs {
			dirs = append(dirs, filepath.Dir(f))
		}
	}
	return dirs
}

// look looks at every recording, says what there is to say about takes, has one measured,
// and returns when to look again; zero for not before something changes.
func (w *watcher) look(ctx context.Context, c *manifest.Comparison, plan string) (again time.Time, err error) {
	now := time.Now()
	states := map[*manifest.File]state{}
	follow := func(f *manifest.File, least unit.Seconds) (*landing, unit.Seconds) {
		path := manifest.OnDisk(c.Dir, f.Path)
		if w.files[path] == nil {
			w.files[path] = &landing{path: path}
		}
		l := w.files[path]
		is, long, next := l.look(now, least)
		if states[f] = is; !next.IsZero() && (again.IsZero() || next.Before(again)) {
			again = next
		}
		return l, long
	}
	least := unit.Seconds(0)
	if dry := c.Performance.Dry; dry != nil {
		if follow(dry, 0); states[dry] != landed {
			return again, nil // no take can be compared with it yet
		}
		if info, err := recording.Inspect(manifest.OnDisk(c.Dir, dry.Path)); err == nil {
			least = info.Duration()
		}
	}
	if loop := c.Performance.Loopback; loop != nil {
		follow(loop, 0)
	}
	var next *manifest.Take
	var measure *landing // of next
	for i := range c.Takes {
		t := &c.Takes[i]
		l, long := follow(&t.File, least)
		is := states[&t.File]
		if is == l.told || is == absent || is == coming {
			continue
		}
		if is == short {
			l.told = short
			err = w.say(Lines{Take: t.Name, File: t.File.Path, State: "short",
				Text: []string{fmt.Sprintf("? %s: still recording, or short: %s of at least %s", terminal.Clean(t.Name), long, least)}})
			if err != nil {
				return again, err
			}
			continue
		}
		if is == landed && !l.recorded {
			l.recorded = true
			if !w.JSON {
				if _, err := fmt.Fprintf(w.Out, "\n%s: %s recorded\n", terminal.Clean(t.Name), long); err != nil {
					return again, err
				}
			}
		}
		if j := l.job; j != nil && (j.plan != plan || j.ended() && is == landed && !j.valid()) {
			l.drop()
		}
		switch {
		case l.job == nil:
			if measure == nil || is == landed && states[&next.File] != landed {
				next, measure = t, l
			}
		case is == landed && l.job.ended():
			if err := w.tell(t, l); err != nil {
				return again, err
			}
		}
	}
	if measure != nil && (w.running == nil || w.running.ended()) {
		there := func(f *manifest.File) bool { // what still changes would be measured in vain
			is, ok := states[f]
			return ok && is == landed
		}
		measure.job = begin(ctx, c, next.Name, plan, states[&next.File] != landed, there, w.Measure)
		w.running = measure.job
	}
	return again, nil
}

// valid tells whether a result holds when a take has landed.
func (j *job) valid() bool {
	changed := (*recording.ChangedError)(nil)
	if j.err != nil {
		return !j.early && !errors.As(j.err, &changed)
	}
	return j.unchanged() == nil
}

// tell says what was found about a take that has landed.
func (w *watcher) tell(t *manifest.Take, l *landing) error {
	j := l.job
	l.job, l.told = nil, landed
	if j.err == nil {
		v := linesOf(t, j.checks, w.Width)
		v.Seconds = j.took.Seconds()
		return w.say(v)
	}
	if errors.Is(j.err, context.Canceled) {
		return nil
	}
	l.told = refused
	var text bytes.Buffer
	w.Mistake(&text, j.err)
	return w.say(Lines{Take: t.Name, File: t.File.Path, State: "refused", Outcome: result.Failed, Text: strings.Split(strings.TrimSpace(text.String()), "\n")})
}

// Take does once, for one take of a manifest, what Run does. It returns the worst outcome
// of its checks.
//
// Errors: those of manifest.LoadPlan and of analyze.Measure, and *mistake.Error where there
// is no such take.
func Take(ctx context.Context, path, name string, o Options) (result.Outcome, error) {
	c, err := manifest.LoadPlan(path, fairness.CheckLimit)
	if err != nil {
		return "", err
	}
	t := c.TakeByName(name)
	if t == nil {
		var names []string
		for _, t := range c.Takes {
			names = append(names, t.Name)
		}
		return "", mistake.Errorf("--take: there is no take %q in %s; allowed: %s", name, path, manifest.List(names))
	}
	checks, _, err := judge(ctx, c, name, exists(c), o.Measure)
	if err != nil {
		return "", err
	}
	v := linesOf(t, checks, o.Width)
	return v.Outcome, (&watcher{Options: o}).say(v)
}

// say prints what is said about a take.
func (w *watcher) say(v Lines) error {
	if w.JSON {
		line, err := json.Marshal(v)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(w.Out, "%s\n", line)
		return err
	}
	if w.Bell != nil && v.Outcome == result.Failed {
		if _, err := io.WriteString(w.Bell, "\a"); err != nil {
			return err
		}
	}
	_, err := fmt.Fprintln(w.Out, strings.Join(v.Text, "\n"))
	return err
}
