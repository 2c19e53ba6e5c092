// Package serve answers requests for the files of a report.
package serve

import (
	"net"
	"net/http"
	"net/netip"
	"path"
	"slices"
	"strings"

	"evenhand/analyze/foreign"
	"evenhand/report"
	"evenhand/report/folder"
)

// Index is the file of a report that a browser shows first.
const Index = "index.html"

// Report serves the files of one report, and nothing outside its folder.
type Report struct {
	Dir   string
	Local bool // reachable by this computer alone: requests for other hosts are refused
}

// Admit sets the headers that all answers have. It answers requests that must have no
// other answer, and returns false for them.
func (h Report) Admit(w http.ResponseWriter, r *http.Request) bool {
	head := w.Header()
	head.Set("Content-Security-Policy", report.ContentPolicy)
	head.Set("X-Content-Type-Options", "nosniff")
	head.Set("Referrer-Policy", "no-referrer")
	head.Set("Cache-Control", "no-cache") // the report may be built anew
	// A page elsewhere could make its own host name mean this computer, and so
	// read what only this computer may.
	if h.Local && !localHost(r.Host) {
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

// Lists tells whether a file is one of the report. Its list is read for each request,
// since a new build puts another folder in place.
func (h Report) Lists(name string) bool {
	if foreign.Path(name) != nil || hidden(name) {
		return false
	}
	sums, err := folder.ReadSums(h.Dir)
	return err == nil && (name == folder.Sums || slices.ContainsFunc(sums, func(s folder.Sum) bool { return s.Path == name }))
}

// ServeHTTP answers with a file of the report, index.html for the folder itself.
func (h Report) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if !h.Admit(w, r) {
		return
	}
	name, ok := strings.CutPrefix(r.URL.Path, "/")
	if name == "" {
		name = Index
	}
	if !ok || !h.Lists(name) {
		refuse(w, http.StatusNotFound)
		return
	}
	f, err := foreign.OpenIn(h.Dir, name)
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
	w.Header().Set("Content-Type", ContentType(name))
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

// ContentType returns the media type of a file of a report: the system's own
// table may be wrong or empty.
func ContentType(name string) string {
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
