package parts

import (
	"cmp"
	"runtime"
	"sync"
)

// mostShares is how many windows are worked on at once: each has room of its own, and takes
// are judged side by side too.
const mostShares = 2

// inShares calls f for shares of 0 … n−1, from and up to before to, at once where there are
// processors for it. What f makes of one number must not depend on the others.
func inShares(n int, f func(from, to int) error) error {
	shares := min(mostShares, runtime.GOMAXPROCS(0), n)
	errs := make([]error, max(1, shares))
	var wg sync.WaitGroup
	for k := range shares {
		wg.Go(func() { errs[k] = f(k*n/shares, (k+1)*n/shares) })
	}
	wg.Wait()
	return cmp.Or(errs...)
}
