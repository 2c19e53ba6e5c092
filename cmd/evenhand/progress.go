package main

import (
	"io"
	"os"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"evenhand/report/terminal"
)

// progress returns a function that shows how work advances on w when that is a
// terminal, and does nothing when it is not; and a function that clears it.
func progress(w io.Writer) (show func(stage string, done, total int64), clear func()) {
	f, ok := beneath(w).(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) {
		return nil, func() {}
	}
	var bar *progressbar.ProgressBar
	current := ""
	show = func(stage string, done, total int64) {
		if bar == nil || stage != current {
			if bar != nil {
				bar.Clear()
			}
			current = stage
			bar = progressbar.NewOptions64(total,
				progressbar.OptionSetWriter(f),
				progressbar.OptionSetDescription(stage),
				progressbar.OptionSetWidth(30),
				progressbar.OptionClearOnFinish(),
				progressbar.OptionThrottle(100*time.Millisecond),
				progressbar.OptionSetPredictTime(true),
			)
		}
		bar.Set64(done)
	}
	return show, func() {
		if bar != nil {
			bar.Clear()
		}
	}
}

// beneath returns what a writer of texts writes to.
func beneath(w io.Writer) io.Writer {
	if t, ok := w.(*terminal.Writer); ok {
		return t.W
	}
	return w
}

// width returns the terminal's width, at most 120, or 80 when w is not one.
func width(w io.Writer) int {
	if f, ok := beneath(w).(*os.File); ok {
		if n, _, err := term.GetSize(int(f.Fd())); err == nil && n > 0 {
			return min(n, 120)
		}
	}
	return 80
}
