package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"evenhand/analyze"
	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/manifest/draft"
	"evenhand/analyze/mistake"
	"evenhand/analyze/notice"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/analyze/unit"
	"evenhand/report/sentences"
	"evenhand/report/terminal"
	"evenhand/report/verdict"
)

func watchCommand() *cobra.Command {
	var w watcher
	cmd := &cobra.Command{
		Use:   "watch MANIFEST | FOLDER",
		Short: "Check each take as soon as it has been recorded",
		Long: `Watch checks each take seconds after it has been recorded, while everything is
still connected. It looks for faults of the take itself and compares the take
with the dry recording and, if that was recorded already, with the reference.
It prints at most six lines a take and what to do.

Give it the manifest, whose recordings may not exist yet, or the folder that
you record into, with the dry recording in it. A recording has landed when its
file has not changed for 2 s, is as long as its header states, and is not
shorter than the dry recording. After 15 s watch reports a file that is not,
and looks again at each change. It writes to no recording and runs until you
press Ctrl-C.`,
		Args: exactly("a manifest or a folder"),
		RunE: func(cmd *cobra.Command, args []string) error {
			w.path, w.out, w.errs = args[0], cmd.OutOrStdout(), cmd.ErrOrStderr()
			info, err := os.Stat(w.path)
			if err != nil {
				return err
			}
			w.folder = info.IsDir()
			return w.run(cmd.Context())
		},
	}
	w.store.flags(cmd)
	cmd.Flags().IntVar(&w.workers, "workers", 0, "files to process at once; 0: one for each processor")
	cmd.Flags().BoolVar(&w.bell, "bell", false, "ring the terminal's bell if a check of a take failed")
	cmd.Flags().BoolVar(&w.json, "json", false, "print a line of JSON for each take")
	return cmd
}

// watcher follows the recordings of a comparison.
type watcher struct {
	path    string
	folder  bool // path is a folder of recordings rather than a manifest
	store   storeOptions
	workers int
	bell    bool
	json    bool

	out, errs io.Writer
	files     map[string]*landing // by path
	said      string              // the last mistake of the manifest
}

// run watches until ctx is done.
func (w *watcher) run(ctx context.Context) error {
	w.files = map[string]*landing{}
	news := notice.Open()
	defer news.Close()
	fmt.Fprintf(w.errs, "evenhand: watching %s; stop with Ctrl-C\n", w.path)
	polled := ""
	for {
		c, err := w.plan()
		if err != nil {
			var text bytes.Buffer
			if say(&text, err); text.String() != w.said {
				w.said = text.String()
				io.WriteString(w.errs, w.said)
			}
		} else {
			w.said = ""
		}
		var again time.Time
		if c != nil {
			if again, err = w.look(ctx, c); err != nil {
				return err
			}
		}
		if ctx.Err() != nil {
			return nil
		}
		if list := manifest.List(news.Folders(w.folders(c))); list != polled && list != "" {
			polled = list
			fmt.Fprintf(w.errs, "evenhand: note: the system does not report changes in %s; it is looked at four times a second\n", terminal.Clean(list))
		}
		var timer <-chan time.Time
		if !again.IsZero() {
			timer = time.After(time.Until(again))
		}
		select {
		case <-ctx.Done():
			return nil
		case <-timer:
		case <-news.C:
		}
	}
}

// plan returns the comparison as it is planned now; nil for a folder without a take.
func (w *watcher) plan() (*manifest.Comparison, error) {
	if !w.folder {
		return manifest.LoadPlan(w.path, fairness.CheckLimit)
	}
	text, _, err := draft.Manifest(w.path, w.path)
	if err != nil {
		return nil, nil // no take yet
	}
	return manifest.Parse(filepath.Join(w.path, "manifest.yaml"), text)
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

// look looks at every recording, judges those that have landed, and returns when to
// look again; zero for not before something changes.
func (w *watcher) look(ctx context.Context, c *manifest.Comparison) (again time.Time, err error) {
	sooner := func(t time.Time) {
		if !t.IsZero() && (again.IsZero() || t.Before(again)) {
			again = t
		}
	}
	follow := func(f *manifest.File, least unit.Seconds) (*landing, landingState, unit.Seconds) {
		path := manifest.OnDisk(c.Dir, f.Path)
		if w.files[path] == nil {
			w.files[path] = &landing{path: path}
		}
		l := w.files[path]
		state, long, next := l.look(time.Now(), least)
		sooner(next)
		return l, state, long
	}
	least := unit.Seconds(0)
	if dry := c.Performance.Dry; dry != nil {
		_, state, _ := follow(dry, 0)
		if state != landed {
			return again, nil // no take can be compared with it yet
		}
		if info, err := recording.Inspect(manifest.OnDisk(c.Dir, dry.Path)); err == nil {
			least = info.Duration()
		}
	}
	for i := range c.Takes {
		t := &c.Takes[i]
		l, state, long := follow(&t.File, least)
		if state == l.told || ctx.Err() != nil {
			continue
		}
		switch state {
		case short:
			l.told = short
			err = w.report(t, verdictLines{Take: t.Name, File: t.File.Path, State: "short",
				Text: []string{fmt.Sprintf("? %s: still recording, or short: %s of at least %s", terminal.Clean(t.Name), long, least)}})
		case landed:
			begun := time.Now()
			if !w.json {
				fmt.Fprintf(w.out, "\n%s: %s recorded\n", terminal.Clean(t.Name), long)
			}
			checks, problem := judgeTake(ctx, c, t.Name, analyze.Options{Version: version(), Workers: w.workers, Store: w.store.open()})
			changed := (*recording.ChangedError)(nil)
			switch {
			case ctx.Err() != nil:
				continue
			case errors.As(problem, &changed):
				l.since = time.Now()
				sooner(l.since.Add(landedAfter))
				continue
			case problem != nil:
				l.told = refused
				var text bytes.Buffer
				say(&text, problem)
				err = w.report(t, verdictLines{Take: t.Name, File: t.File.Path, State: "refused", Outcome: result.Failed, Text: strings.Split(strings.TrimSpace(text.String()), "\n")})
			default:
				l.told = landed
				v := takeLines(t, checks, width(w.out))
				v.State, v.Seconds = "landed", time.Since(begun).Seconds()
				err = w.report(t, v)
			}
		}
		if err != nil {
			return again, err
		}
	}
	return again, nil
}

// checkTake does once, for one take, what watch does.
func checkTake(cmd *cobra.Command, path, name string, w watcher) error {
	c, err := manifest.LoadPlan(path, fairness.CheckLimit)
	if err != nil {
		return err
	}
	t := c.TakeByName(name)
	if t == nil {
		var names []string
		for _, t := range c.Takes {
			names = append(names, t.Name)
		}
		return mistake.Errorf("--take: there is no take %q in %s; allowed: %s", name, path, manifest.List(names))
	}
	checks, err := judgeTake(cmd.Context(), c, name, analyze.Options{Version: version(), Workers: w.workers, Store: w.store.open()})
	if err != nil {
		return err
	}
	w.out = cmd.OutOrStdout()
	v := takeLines(t, checks, width(w.out))
	v.State = "landed"
	if err := w.report(t, v); err != nil {
		return err
	}
	if v.Outcome == result.Failed {
		return errCheckFailed
	}
	return nil
}

// verdictLines is what is said about a take.
type verdictLines struct {
	Take    string         `json:"take"`
	File    string         `json:"file"`
	State   string         `json:"state"` // landed, short or refused
	Outcome result.Outcome `json:"outcome,omitempty"`
	Text    []string       `json:"text"`
	Checks  []result.Check `json:"checks,omitempty"`
	Seconds float64        `json:"seconds,omitempty"` // that the measurement took
}

// report prints what is said about a take.
func (w *watcher) report(t *manifest.Take, v verdictLines) error {
	if w.json {
		line, err := json.Marshal(v)
		if err != nil {
			return err
		}
		_, err = fmt.Fprintf(w.out, "%s\n", line)
		return err
	}
	bell := ""
	if w.bell && v.Outcome == result.Failed {
		bell = "\a"
	}
	if _, err := io.WriteString(beneath(w.out), bell); err != nil {
		return err
	}
	_, err := fmt.Fprintln(w.out, strings.Join(v.Text, "\n"))
	return err
}

// judgeTake checks one take alone: with the dry recording, the loopback and the
// reference where these exist. It returns the answers that are about this take.
func judgeTake(ctx context.Context, c *manifest.Comparison, name string, opts analyze.Options) ([]result.Check, error) {
	there := func(f *manifest.File) bool {
		if f == nil {
			return false
		}
		info, err := os.Stat(manifest.OnDisk(c.Dir, f.Path))
		return err == nil && info.Mode().IsRegular()
	}
	part := *c
	part.About, part.Takes = nil, nil
	if !there(part.Performance.Loopback) {
		part.Performance.Loopback = nil
	}
	needed := []string{name, c.Reference}
	for t := c.TakeByName(name); t != nil && t.RepeatOf != "" && len(needed) < len(c.Takes)+2; t = c.TakeByName(t.RepeatOf) {
		needed = append(needed, t.RepeatOf)
	}
	for i := range c.Takes {
		if t := &c.Takes[i]; t.Name == name || slices.Contains(needed, t.Name) && there(&t.File) {
			part.Takes = append(part.Takes, *t)
		}
	}
	if part.TakeByName(part.Reference) == nil {
		part.Reference = ""
	}
	// What nothing is measured from may come later.
	opts.ChecksOnly, opts.Absent = true, func(string) *result.File { return &result.File{} }
	s, err := analyze.Measure(ctx, &part, opts)
	if err != nil {
		return nil, err
	}
	defer s.Close()
	s.Check()
	if err := s.Unchanged(); err != nil {
		return nil, err
	}
	var own, all []result.Check // what is about the session comes behind
	for _, c := range s.Result.Checks {
		if c.Subject == name {
			own = append(own, c)
		} else if c.ID == fairness.IDReampLevel {
			all = append(all, c)
		}
	}
	return sentences.Checks(append(own, all...)), nil
}

// A take gets mostLines lines; the first appears before it is measured. Each of at most
// mostFindings things that did not pass gets findingLines.
const (
	mostLines    = 6
	mostFindings = 2
	findingLines = 2
)

// takeLines says in a few lines how a take is: the verdict, what did not pass with
// what to do, and the figures of the rest.
func takeLines(t *manifest.Take, checks []result.Check, width int) verdictLines {
	v := verdictLines{Take: t.Name, File: t.File.Path, Outcome: result.Passed, Checks: checks}
	n := map[result.Outcome]int{}
	var findings []verdict.Finding
	for _, f := range verdict.Findings(checks) {
		if f.Outcome != result.NotMeasured || f.Reservation() {
			findings = append(findings, f)
			n[f.Outcome]++
		}
	}
	var counts []string
	for _, o := range result.Outcomes() {
		if n[o] > 0 {
			counts = append(counts, verdict.Count(n[o], o))
		}
	}
	said := string(result.Passed)
	if len(findings) > 0 {
		v.Outcome, said = findings[0].Outcome, strings.Join(counts, ", ")
	}
	if len(findings) > mostFindings {
		said += fmt.Sprintf("; the first %d (check lists all):", mostFindings)
	}
	add := func(most int, lead, text string) {
		var b bytes.Buffer
		terminal.Hang(&b, lead, strings.Repeat(" ", 4), terminal.Clean(text), width)
		lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
		if len(lines) > most {
			lines = lines[:most]
			lines[most-1] = terminal.Clip(lines[most-1]+" …", width)
		}
		v.Text = append(v.Text, lines...)
	}
	add(1, verdict.Sign(v.Outcome)+" ", t.Name+": "+said)
	for _, f := range findings[:min(len(findings), mostFindings)] {
		c := f.Checks[0]
		text := c.Name + ": " + c.Value
		if c.Value == "" {
			text += c.Reason
		}
		if c.Do != "" {
			text += " → " + c.Do
		}
		add(findingLines, "  "+verdict.Sign(f.Outcome)+" ", text)
	}
	var values []string
	for _, id := range takeTopics {
		for _, c := range checks {
			if c.ID == id && c.Outcome == result.Passed {
				values = append(values, c.Name+" "+c.Value)
			}
		}
	}
	if room := mostLines - 1 - len(v.Text); room > 0 && values != nil {
		add(room, "  "+verdict.Sign(result.Passed)+" ", strings.Join(values, "; "))
	}
	return v
}

// takeTopics are what is said of a take whose checks passed, in this order.
var takeTopics = []string{
	fairness.IDPerformance, fairness.IDHeadroom, fairness.IDLag, fairness.IDDrift, fairness.IDSlips,
	fairness.IDClipping, fairness.IDClicks, fairness.IDNoiseSteps, fairness.IDPolarity,
}
