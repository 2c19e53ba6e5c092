// Package preview shows the report of a manifest while its author writes it: built again
// when a file that it is made from changes, in a page that loads itself anew.
package preview

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"time"

	"evenhand/analyze/disk"
	"evenhand/analyze/foreign"
	"evenhand/analyze/manifest"
	"evenhand/analyze/notice"
	"evenhand/report/serve"
	"evenhand/templates"
)

const (
	// ownPath begins the addresses that are no file of the report. None of its
	// files can have such a name: hidden files are not served.
	ownPath = "/.preview/"
	// Editors write a file in several steps: it is read when nothing has changed for
	// settled, or when it has gone on for settledLatest.
	settled       = 100 * time.Millisecond
	settledLatest = 2 * time.Second
	// maxPage is more than a page may have.
	maxPage = 4 << 20
	// pollLasts is how long an answer about the state is held back without news.
	pollLasts = 25 * time.Second
)

// Options say how the report is built and where to say what.
type Options struct {
	// Build writes the report of the manifest to a folder that is not there yet.
	Build func(ctx context.Context, dir string) error
	// Built hears how each build ended and how long it took, and returns the text of the
	// error for the page; "" for none.
	Built func(err error, took time.Duration) string
	// Note hears what the user should know about the watching of the files.
	Note func(text string)
}

// Preview is the report of a manifest in a folder of its own, built again after each change
// of a file that it is made from.
type Preview struct {
	Options
	path  string
	temp  *disk.Held    // holds a folder for each report: none replaces another, which takes time
	ended chan struct{} // closed when nothing follows any more

	mu    sync.Mutex
	state state
	news  chan struct{} // closed when the state changes
}

// Of tells whether a path can be that of a manifest rather than of a report's folder.
func Of(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.Mode().IsRegular()
}

// Open prepares the preview of a manifest, which may have mistakes: they are shown in the
// page. The caller closes it. Errors are of reading the manifest and of making the folder.
func Open(path string, o Options) (*Preview, error) {
	list := (*manifest.Errors)(nil)
	if _, err := manifest.LoadPlan(path, nil); err != nil && !errors.As(err, &list) {
		return nil, err
	}
	temp, err := disk.Temp("preview")
	if err != nil {
		return nil, err
	}
	return &Preview{Options: o, path: path, temp: temp, ended: make(chan struct{}), news: make(chan struct{})}, nil
}

// Close removes the folder.
func (p *Preview) Close() { p.temp.Remove() }

// report is the folder of the n-th report.
func (p *Preview) report(n int) string { return filepath.Join(p.temp.Dir, fmt.Sprintf("report-%d", n)) }

// state is what the page asks for.
type state struct {
	Seq      int    `json:"seq"`   // goes up with each change of the state
	Built    int    `json:"built"` // goes up with each report
	Building bool   `json:"building"`
	Mistakes string `json:"mistakes"`
}

func (p *Preview) set(change func(*state)) {
	p.mu.Lock()
	defer p.mu.Unlock()
	change(&p.state)
	p.state.Seq++
	close(p.news)
	p.news = make(chan struct{})
}

func (p *Preview) now() (state, <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.state, p.news
}

// Follow builds the report now and after each change of a file that it is made from, until
// ctx is done. Pages that wait for news are then answered.
func (p *Preview) Follow(ctx context.Context) {
	context.AfterFunc(ctx, func() { close(p.ended) })
	w := notice.Open()
	defer w.Close()
	inputs := []string{p.path}
	for {
		if list := manifest.Inputs(p.path); list != nil {
			inputs = list
		}
		var dirs []string
		for _, f := range inputs {
			dirs = append(dirs, filepath.Dir(f))
		}
		if note := w.Watch(dirs); note != "" {
			p.Note(note)
		}
		before := standing(inputs)
		p.set(func(s *state) { s.Building = true })
		begun := time.Now()
		built := p.state.Built
		err := p.Build(ctx, p.report(built+1))
		if ctx.Err() != nil {
			return
		}
		told := p.Built(err, time.Since(begun))
		p.set(func(s *state) {
			s.Building, s.Mistakes = false, told
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
			case <-ctx.Done():
				return
			case <-w.C:
			}
		}
		quiet(ctx, w.C)
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

// ServeHTTP answers this computer with the last report without a mistake, whose pages ask
// for news, and with what these ask for.
func (p *Preview) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	state, news := p.now()
	files := serve.Report{Dir: p.report(state.Built), Local: true}
	if !files.Admit(w, r) {
		return
	}
	name := strings.TrimPrefix(r.URL.Path, "/")
	switch {
	case r.URL.Path == ownPath+"state":
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
	case r.URL.Path == ownPath+"preview.js" || r.URL.Path == ownPath+"preview.css":
		text, err := templates.Files().ReadFile("preview/" + strings.TrimPrefix(r.URL.Path, ownPath))
		if err != nil {
			http.Error(w, err.Error(), http.StatusInternalServerError)
			return
		}
		w.Header().Set("Content-Type", serve.ContentType(name))
		w.Write(text)
	case name == "" || strings.HasSuffix(name, ".html"):
		if name == "" {
			name = serve.Index
		}
		text, err := []byte(nil), error(nil)
		if state.Built == 0 {
			text, err = templates.Files().ReadFile("preview/preview.html")
		} else if !files.Lists(name) {
			http.NotFound(w, r)
			return
		} else {
			text, err = foreign.ReadFileIn(files.Dir, name, maxPage)
		}
		if err != nil {
			http.NotFound(w, r)
			return
		}
		// The report on the disk has no such line.
		line := fmt.Sprintf("<link rel=\"stylesheet\" href=\"%[1]spreview.css\">\n<script src=\"%[1]spreview.js\" data-built=\"%[2]d\" data-mistakes=\"%[3]s\" defer></script>\n</head>", ownPath, state.Built, html.EscapeString(state.Mistakes))
		w.Header().Set("Content-Type", serve.ContentType(name))
		w.Write(bytes.Replace(text, []byte("</head>"), []byte(line), 1))
	default:
		files.ServeHTTP(w, r)
	}
}
