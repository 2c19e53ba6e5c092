package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log"
	"net"
	"net/http"
	"net/netip"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"evenhand/analyze/foreign"
	"evenhand/analyze/mistake"
	"evenhand/report"
	"evenhand/report/folder"
)

const (
	loopbackAddr = "127.0.0.1:0"
	indexName    = "index.html"
)

func serveCommand() *cobra.Command {
	var addr string
	var opts buildOptions
	cmd := &cobra.Command{
		Use:   "serve [DIR | MANIFEST]",
		Short: "Show a report, or the preview of one, in a browser on this computer",
		Long: `Serve shows the report in DIR, by default the current folder, at a web address
that only this computer can reach, and prints the address. It runs until you
press Ctrl-C. If you build the report again meanwhile, reload the page. Serve
gives out only the files of the report.

--addr sets a fixed port, or shows the report to other computers, such as a
phone in the same network: --addr 0.0.0.0:8080. Then everyone who reaches this
computer can read the report.

Given a manifest, serve shows a preview. It builds the report into a temporary
folder, builds it again when you save the manifest, its notes, a photo or a
recording, and reloads the page. It shows mistakes above the last good page.
A preview is for this computer alone, and Ctrl-C removes it.`,
		Args: func(cmd *cobra.Command, args []string) error {
			if len(args) > 1 {
				return mistake.Errorf("serve takes one folder or manifest, got %s; type: %s", given(args), usageOf(cmd))
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error {
			dir := "."
			if len(args) == 1 {
				dir = args[0]
			}
			if previewed(dir) {
				return preview(cmd, dir, addr, opts)
			}
			return serve(cmd, dir, addr)
		},
	}
	cmd.Flags().IntVar(&opts.workers, "workers", 0, "for a preview: takes to process at once; 0: one for each processor")
	opts.store.flags(cmd)
	cmd.Flags().StringVar(&addr, "addr", loopbackAddr, "address and port to serve on; port 0: any free one")
	return cmd
}

// serve serves a report until the command's context ends.
func serve(cmd *cobra.Command, dir, addr string) error {
	dir, err := filepath.Abs(dir)
	if err != nil {
		return err
	}
	if err := recoverOutput(cmd.ErrOrStderr(), dir); err != nil {
		return err
	}
	if _, err := folder.ReadSums(dir); err != nil {
		if errors.Is(err, fs.ErrNotExist) {
			err = mistake.Errorf("%s is not a report; name the folder that build wrote", dir)
		}
		return err
	}
	if _, err := os.Stat(filepath.Join(dir, indexName)); err != nil {
		return mistake.Errorf("%s has no index.html; name the folder that build wrote", dir)
	}
	return serveOn(cmd, addr, func(local bool) (http.Handler, error) {
		if !local {
			fmt.Fprintln(cmd.ErrOrStderr(), "evenhand: warning: other computers can read this report until serve ends")
		}
		return reportHandler{dir: dir, local: local}, nil
	})
}

// serveOn serves on an address until the command's context ends. handler makes what
// answers; it is told whether this computer alone can reach the address.
func serveOn(cmd *cobra.Command, addr string, handler func(local bool) (http.Handler, error)) error {
	host, _, err := net.SplitHostPort(addr)
	if err != nil {
		return mistake.Errorf("--addr: %q; allowed: an address and a port, such as 127.0.0.1:8080 or [::1]:0", addr)
	}
	if host == "" {
		return mistake.Errorf("--addr: %q has no address; type 127.0.0.1%[1]s for this computer alone, or 0.0.0.0%[1]s for every network that it is in", addr)
	}
	ctx := cmd.Context()
	var config net.ListenConfig
	listener, err := config.Listen(ctx, "tcp", addr)
	if err != nil {
		return mistake.Errorf("--addr: %w", err)
	}
	bound, err := netip.ParseAddrPort(listener.Addr().String())
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	answer, err := handler(bound.Addr().Unmap().IsLoopback())
	if err != nil {
		return errors.Join(err, listener.Close())
	}
	fmt.Fprintf(cmd.OutOrStdout(), "http://%s/\n", listener.Addr())
	fmt.Fprintln(cmd.ErrOrStderr(), "evenhand: serving; stop with Ctrl-C")

	server := &http.Server{
		Handler:           answer,
		ReadHeaderTimeout: 10 * time.Second,
		IdleTimeout:       2 * time.Minute,
		MaxHeaderBytes:    64 << 10,
		ErrorLog:          log.New(cmd.ErrOrStderr(), "evenhand: ", 0),
	}
	ended := make(chan error, 1)
	go func() { ended <- server.Serve(listener) }()
	select {
	case err := <-ended:
		return err
	case <-ctx.Done():
	}
	// A browser may hold its connections open: they are not waited for long.
	last, cancel := context.WithTimeout(context.Background(), patience/5)
	defer cancel()
	if server.Shutdown(last) != nil {
		server.Close()
	}
	<-ended
	return nil
}

// reportHandler serves the files of one report, and nothing outside its
// folder.
type reportHandler struct {
	dir   string
	local bool // reachable by this computer alone
}

// admit sets the headers that all answers have. It answers requests that must have no
// other answer, and returns false for them.
func (h reportHandler) admit(w http.ResponseWriter, r *http.Request) bool {
	head := w.Header()
	head.Set("Content-Security-Policy", report.ContentPolicy)
	head.Set("X-Content-Type-Options", "nosniff")
	head.Set("Referrer-Policy", "no-referrer")
	head.Set("Cache-Control", "no-cache") // the report may be built anew
	// A page elsewhere could make its own host name mean this computer, and so
	// read what only this computer may.
	if h.local && !localHost(r.Host) {
		refuse(w, http.StatusMisdirectedRequest)
		return false
	}
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		head.Set("Allow", "GET, HEAD")
		refuse(w, http.StatusMethodNotAllowed)
		return false
	}
	return true
}

func refuse(w http.ResponseWriter, status int) { http.Error(w, http.StatusText(status), status) }

// lists tells whether a file is one of the report. Its list is read for each request,
// since a new build puts another folder in place.
func (h reportHandler) lists(name string) bool {
	if foreign.Path(name) != nil || hidden(name) {
		return false
	}
	sums, err := folder.ReadSums(h.dir)
	return err == nil && (name == folder.Sums || slices.ContainsFunc(sums, func(s folder.Sum) bool { return s.Path == name }))
}

func (h reportHandler) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if !h.admit(w, r) {
		return
	}
	name, ok := strings.CutPrefix(r.URL.Path, "/")
	if name == "" {
		name = indexName
	}
	if !ok || !h.lists(name) {
		refuse(w, http.StatusNotFound)
		return
	}
	f, err := foreign.OpenIn(h.dir, name)
	if err != nil {
		refuse(w, http.StatusNotFound)
		return
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil || !info.Mode().IsRegular() {
		refuse(w, http.StatusNotFound)
		return
	}
	w.Header().Set("Content-Type", contentType(name))
	http.ServeContent(w, r, "", info.ModTime(), f)
}

// localHost tells whether a request was addressed to this computer by one of
// its own names.
func localHost(host string) bool {
	if h, _, err := net.SplitHostPort(host); err == nil {
		host = h
	}
	host = strings.Trim(host, "[]")
	if strings.EqualFold(host, "localhost") {
		return true
	}
	a, err := netip.ParseAddr(host)
	return err == nil && a.Unmap().IsLoopback()
}

// hidden tells whether a path has a part that begins with a dot.
func hidden(name string) bool {
	return strings.HasPrefix(name, ".") || strings.Contains(name, "/.")
}

// contentType returns the media type of a file of a report: the system's own
// table may be wrong or empty.
func contentType(name string) string {
	switch path.Ext(name) {
	case ".html":
		return "text/html; charset=utf-8"
	case ".css":
		return "text/css; charset=utf-8"
	case ".js":
		return "text/javascript; charset=utf-8" // RFC 9239
	case ".json":
		return "application/json"
	case ".csv":
		return "text/csv; charset=utf-8"
	case ".yaml":
		return "application/yaml" // RFC 9512
	case ".flac":
		return "audio/flac" // RFC 9639
	case ".wav":
		return "audio/wav"
	case ".svg":
		return "image/svg+xml"
	case ".png":
		return "image/png"
	case ".jpg", ".jpeg":
		return "image/jpeg"
	case ".txt", ".md", ".sha256":
		return "text/plain; charset=utf-8"
	}
	return "application/octet-stream"
}
