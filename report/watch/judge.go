package watch

import (
	"context"
	"os"
	"slices"
	"time"

	"evenhand/analyze"
	"evenhand/analyze/fairness"
	"evenhand/analyze/manifest"
	"evenhand/analyze/recording"
	"evenhand/analyze/result"
	"evenhand/report/sentences"
)

// job measures one take.
type job struct {
	plan  string // what it was measured by, see watcher.plan
	early bool   // it began before the take had landed
	stop  context.CancelFunc
	done  chan struct{} // closed when what is below is there

	checks    []result.Check
	unchanged func() error // as of analyze.Session
	err       error
	took      time.Duration
}

// begin begins to measure a take. there tells which other recordings may be used.
func begin(ctx context.Context, c *manifest.Comparison, name, plan string, early bool, there func(*manifest.File) bool, opts analyze.Options) *job {
	ctx, stop := context.WithCancel(ctx)
	j := &job{plan: plan, early: early, stop: stop, done: make(chan struct{})}
	go func() {
		defer close(j.done)
		defer stop()
		begun := time.Now()
		j.checks, j.unchanged, j.err = judge(ctx, c, name, there, opts)
		j.took = time.Since(begun)
	}()
	return j
}

// ended tells whether there is a result.
func (j *job) ended() bool {
	select {
	case <-j.done:
		return true
	default:
		return false
	}
}

// exists tells whether a recording is there.
func exists(c *manifest.Comparison) func(*manifest.File) bool {
	return func(f *manifest.File) bool {
		info, err := os.Stat(manifest.OnDisk(c.Dir, f.Path))
		return err == nil && info.Mode().IsRegular()
	}
}

// judge checks one take alone: with the dry recording, and with the loopback, the
// reference, what it repeats and any take with the same samples, where these are there. It
// returns the answers that are about this take, and what tells whether a file that they
// rest on has changed since.
func judge(ctx context.Context, c *manifest.Comparison, name string, there func(*manifest.File) bool, opts analyze.Options) (about []result.Check, unchanged func() error, err error) {
	part := *c
	part.About, part.Takes = nil, nil
	if f := part.Performance.Loopback; f != nil && !there(f) {
		part.Performance.Loopback = nil
	}
	take := c.TakeByName(name)
	needed := []string{name, c.Reference}
	for t := take; t.RepeatOf != "" && len(needed) < len(c.Takes)+2; {
		needed = append(needed, t.RepeatOf)
		if t = c.TakeByName(t.RepeatOf); t == nil {
			break
		}
	}
	for i := range c.Takes {
		t := &c.Takes[i]
		if t.Name != name && (!there(&t.File) || !slices.Contains(needed, t.Name) && !sameSamples(ctx, c, take, t)) {
			continue
		}
		part.Takes = append(part.Takes, *t)
	}
	if part.TakeByName(part.Reference) == nil {
		part.Reference = ""
	}
	// What nothing is measured from may come later.
	opts.ChecksOnly, opts.Absent = true, func(string) *result.File { return &result.File{} }
	s, err := analyze.Measure(ctx, &part, opts)
	if err != nil {
		return nil, nil, err
	}
	defer s.Close()
	s.Check()
	if err := s.Unchanged(); err != nil {
		return nil, nil, err
	}
	// What is about two recordings names both.
	pair := map[string]bool{}
	for _, f := range s.Files {
		pair[f.Name+" and "+name], pair[name+" and "+f.Name] = true, true
	}
	var copies, own, session []result.Check
	for _, x := range s.Result.Checks {
		switch {
		case x.Subject == name:
			own = append(own, x)
		case (x.ID == fairness.IDSameFile || x.ID == fairness.IDNearCopy) && pair[x.Subject]:
			copies = append(copies, x)
		case x.ID == fairness.IDReampLevel:
			session = append(session, x)
		}
	}
	return sentences.Checks(slices.Concat(copies, own, session)), s.Unchanged, nil
}

// sameSamples tells whether two takes have the same samples. Of a recording that cannot be
// read, its own measurement says so.
func sameSamples(ctx context.Context, c *manifest.Comparison, a, b *manifest.Take) bool {
	same, err := recording.SameSamples(ctx, manifest.OnDisk(c.Dir, a.File.Path), manifest.OnDisk(c.Dir, b.File.Path))
	return err == nil && same
}
