package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"evenhand/analyze/disk"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/analyze/notice"
	"evenhand/report/terminal"
	"evenhand/templates"
)

const (
	// previewPath begins the addresses that are no file of the report. None of its
	// files can have such a name: hidden files are not served.
	previewPath = "/.preview/"
	// Editors write a file in several steps: it is read when nothing has changed for
	// settled, or when it has gone on for settledLatest.
	settled       = 100 * time.Millisecond
	settledLatest = 2 * time.Second
	// maxPage is more than a page may have.
	maxPage = 4 << 20
	// pollLasts is how long an answer about the state is held back without news.
	pollLasts = 25 * time.Second
)

// previewer builds a report into a folder of its own, again after each change, and
// serves it.
type previewer struct {
	temp  string // holds a folder for each report: none replaces another, which takes time
	ended <-chan struct{}

	mu    sync.Mutex
	state previewState
	news  chan struct{} // closed when the state changes
}

// report is the folder of the n-th report.
func (p *previewer) report(n int) string { return filepath.Join(p.temp, fmt.Sprintf("report-%d", n)) }

// previewState is what the page asks for.
type previewState struct {
	Seq      int    `json:"seq"`   // goes up with each change of the state
	Built    int    `json:"built"` // goes up with each report
	Building bool   `json:"building"`
	Mistakes string `json:"mistakes"`
}

func (p *previewer) set(change func(*previewState)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	change(&p.state)
	p.state.Seq++
	close(p.news)
	p.news = make(chan struct{})
}

func (p *previewer) now() (previewState, <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state, p.news
}

// preview serves the report of a manifest until the command's context ends, and
// builds it again when a file of it changes.
func preview(cmd *cobra.Command, path, addr string, opts buildOptions) error {
	// Mistakes in a manifest are shown in the page; what is none is refused.
	list := (*manifest.Errors)(nil)
	if _, err := manifest.LoadPlan(path, nil); err != nil && !errors.As(err, &list) {
		return err
	}
	temp, err := disk.Temp("preview")
	if err != nil {
		return err
	}
	defer temp.Remove()
	opts.webOnly = true // a served page fetches its audio
	p := &previewer{temp: temp.Dir, ended: cmd.Context().Done(), news: make(chan struct{})}

	ctx, stop := context.WithCancel(cmd.Context())
	cmd.SetContext(ctx)
	follows := make(chan struct{})
	go func() {
		defer close(follows)
		p.follow(cmd, path, opts)
	}()
	err = serveOn(cmd, addr, func(local bool) (http.Handler, error) {
		if !local {
			return nil, mistake.Errorf("--addr: %q; a preview is for this computer alone; allowed: 127.0.0.1 or [::1] with a port; to show a report to others, build it and type: evenhand serve DIR --addr %[1]s", addr)
		}
		return p, nil
	})
	stop()
	select {
	case <-follows:
	case <-time.After(patience / 5): // a long step of a build is not waited for
	}
	return err
}

// follow builds the report now and after each change of a file that it is made
// from, until the command's context ends.
func (p *previewer) follow(cmd *cobra.Command, path string, opts buildOptions) {
	w := notice.Open()
	defer w.Close()
	errs := cmd.ErrOrStderr()
	inputs := []string{path}
	for {
		if list := manifest.Inputs(path); list != nil {
			inputs = list
		}
		var dirs []string
		for _, f := range inputs {
			dirs = append(dirs, filepath.Dir(f))
		}
		if note := w.Watch(dirs); note != "" {
			fmt.Fprintf(errs, "evenhand: note: %s\n", terminal.Clean(note))
		}
		before := standing(inputs)
		p.set(func(s *previewState) { s.Building = true })
		begun := time.Now()
		built := p.state.Built
		_, err := build(cmd, path, p.report(built+1), "", opts)
		if cmd.Context().Err() != nil {
			return
		}
		var told bytes.Buffer
		if err != nil {
			say(&told, err)
			io.Copy(errs, bytes.NewReader(told.Bytes()))
			fmt.Fprintln(errs, "evenhand: the page shows the last report without a mistake; waiting for changes")
		} else {
			fmt.Fprintf(errs, "evenhand: built in %.1f s; waiting for changes\n", time.Since(begun).Seconds())
		}
		p.set(func(s *previewState) {
			s.Building, s.Mistakes = false, strings.TrimSpace(told.String())
			if err == nil {
				s.Built++
			}
		})
		if err == nil {
			// Files of the last one may still be on their way. What stays goes at the end.
			disk.RemoveAll(p.report(built - 1))
		}
		for standing(inputs) == before {
			select {
			case <-cmd.Context().Done():
				return
			case <-w.C:
			}
		}
		quiet(cmd.Context(), w.C)
	}
}

// quiet waits until nothing has been reported for a moment.
func quiet(ctx context.Context, news <-chan struct{}) {
	latest := time.After(settledLatest)
	for {
		select {
		case <-ctx.Done():
			return
		case <-latest:
			return
		case <-time.After(settled):
			return
		case <-news:
		}
	}
}

// standing is equal for files that nobody changed meanwhile. It decides only when to
// build; what is built is known by its content.
func standing(paths []string) string {
	var b strings.Builder
	for _, p := range paths {
		if info, err := os.Stat(p); err == nil {
			fmt.Fprintf(&b, "%s %d %d\n", p, info.Size(), info.ModTime().UnixNano())
		}
	}
	return b.String()
}

func (p *previewer) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	state, news := p.now()
	files := reportHandler{dir: p.report(state.Built), local: true}
	if !files.admit(w, r) {
		return
	}
	name := strings.TrimPrefix(r.URL.Path, "/")
	switch {
	case r.URL.Path == previewPath+"state":
		if seen, err := strconv.Atoi(r.URL.Query().Get("seen")); err == nil && seen == state.Seq {
			select {
			case <-news:
			case <-p.ended:
			case <-r.Context().Done():
			case <-time.After(pollLasts):
			}
			state, _ = p.now()
		}
		w.Header().Set("Content-Type", "application/json")
		json.NewEncoder(w).Encode(state)
	case r.URL.Path == previewPath+"preview.js" || r.URL.Path == previewPath+"preview.css":
		text, err := templates.Files().ReadFile("preview/" + strings.TrimPrefix(r.URL.Path, previewPath))
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", contentType(name))
		w.Write(text)
	case name == "" || strings.HasSuffix(name, ".html"):
		if name == "" {
			name = indexName
		}
		text, err := []byte(nil), error(nil)
		if state.Built == 0 {
			text, err = templates.Files().ReadFile("preview/preview.html")
		} else if !files.lists(name) {
			http.NotFound(w, r)
			return
		} else {
			text, err = foreign.ReadFileIn(files.dir, name, maxPage)
		}
		if err != nil {
			http.NotFound(w, r)
			return
		}
		// The report on the disk has no such line.
		line := fmt.Sprintf("<link rel=\"stylesheet\" href=\"%[1]spreview.css\">\n<script src=\"%[1]spreview.js\" data-built=\"%[2]d\" data-mistakes=\"%[3]s\" defer></script>\n</head>", previewPath, state.Built, html.EscapeString(state.Mistakes))
		w.Header().Set("Content-Type", contentType(name))
		w.Write(bytes.Replace(text, []byte("</head>"), []byte(line), 1))
	default:
		files.ServeHTTP(w, r)
	}
}

// previewed tells whether serve was given a manifest rather than a report.
func previewed(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular()
}
