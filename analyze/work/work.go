// Package work says how the steps of measuring and publishing are run: on how many
// processors, what is kept of what they make, and what is shown meanwhile. No result
// depends on it.
package work

import (
	"context"
	"runtime"
	"sync"

	"golang.org/x/sync/errgroup"

	"evenhand/analyze/recording"
	"evenhand/analyze/store"
)

// Run is how steps are run. The zero value is ready for use.
type Run struct {
	// Workers is how many things a step works on at once; 0 means one per processor. Where
	// the parts of a take are compared, each of these uses up to two processors.
	Workers int
	// Store keeps what is made from recordings; nil: all is made anew.
	Store *store.Store
	// Progress is called when work advances: what is being done, how much is done
	// and how much there is, in units of its own. It may be nil, and is never called
	// by two goroutines at once for one stage.
	Progress func(stage string, done, total int64)
}

// Limit returns Workers with its default in place.
func (r Run) Limit() int {
	if r.Workers > 0 {
		return r.Workers
	}
	return runtime.GOMAXPROCS(0)
}

// Stage begins a stage of total units and returns a function that adds to what is
// done of it, which several goroutines may call.
func (r Run) Stage(name string, total int64) func(int64) {
	if r.Progress == nil {
		return func(int64) {}
	}
	var mu sync.Mutex
	var done int64
	r.Progress(name, 0, total)
	return func(n int64) {
		mu.Lock()
		defer mu.Unlock()
		done += n
		r.Progress(name, done, total)
	}
}

// Group returns a group for as many goroutines at once as Limit says, and its
// context.
func (r Run) Group(ctx context.Context) (*errgroup.Group, context.Context) {
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(r.Limit())
	return g, ctx
}

// Each calls f with 0 to n−1, for as many of them at once as Limit says. The error is
// the first of f, or ctx's when it is done.
func (r Run) Each(ctx context.Context, n int, f func(int) error) error {
	g, ctx := r.Group(ctx)
	for i := range n {
		g.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			return f(i)
		})
	}
	return g.Wait()
}

// Once returns what make makes of in and the signals of, as it is in the store where
// it was made before. What was made of a recording that changed meanwhile is not
// kept: the error is a *recording.ChangedError then. For what in may be, see
// store.Key.
func Once[In, Out any](r Run, stage string, in In, of []*recording.Signal, make func() (Out, error)) (Out, error) {
	return store.Do(r.Store, stage, in, func() (Out, error) {
		out, err := make()
		for _, sig := range of {
			if err == nil {
				err = sig.Input.Unchanged()
			}
		}
		return out, err
	})
}
