package main

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"evenhand/report"
	"evenhand/report/folder"
)

// servedReport writes a folder that looks like a report, beside a file that
// must not be served.
func servedReport(t *testing.T) string {
	t.Helper()
	parent := t.TempDir()
	dir := filepath.Join(parent, "report")
	commitFiles(t, dir, map[string]string{
		"index.html": "<!doctype html><title>one</title>", "style.css": "a{}", "listen.js": "0", "results.json": "{}",
		"data/levels.csv": "a,b\n", "manifest.yaml": "title: x\n", "audio/leaning.flac": strings.Repeat("0123456789", 100),
		"audio/pieces/leaning.1.js": "0",
	})
	if err := os.WriteFile(filepath.Join(parent, "secret.txt"), []byte("secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	return dir
}

func commitFiles(t *testing.T, dir string, files map[string]string) {
	t.Helper()
	d, err := folder.Begin(dir, folder.Report)
	if err != nil {
		t.Fatal(err)
	}
	for name, text := range files {
		path := filepath.Join(d.Dir, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(path), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	if err := d.Commit(); err != nil {
		t.Fatal(err)
	}
}

// server is the program, serving.
type server struct {
	cmd    *exec.Cmd
	url    string
	stderr bytes.Buffer
}

// startServer runs the program as a process and waits for its address.
func startServer(t *testing.T, args ...string) *server {
	t.Helper()
	s := &server{cmd: exec.Command("evenhand", append([]string{"serve"}, args...)...)}
	s.cmd.Stderr = &s.stderr
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.cmd.Process.Kill()
		s.cmd.Wait()
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		s.cmd.Wait()
		t.Fatalf("no address on standard output: %v, %s", err, s.stderr.String())
	}
	s.url = strings.TrimSuffix(line, "\n")
	return s
}

func get(t *testing.T, address string, change func(*http.Request)) (*http.Response, string) {
	t.Helper()
	r, err := http.NewRequest(http.MethodGet, address, nil)
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(r)
	}
	res, err := http.DefaultClient.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	return res, string(body)
}

func TestServe(t *testing.T) {
	dir := servedReport(t)
	s := startServer(t, dir)
	if u, err := url.Parse(s.url); err != nil || u.Hostname() != "127.0.0.1" || u.Port() == "" || u.Path != "/" {
		t.Fatalf("address %q, %v", s.url, err)
	}
	for name, kind := range map[string]string{
		"": "text/html; charset=utf-8", "index.html": "text/html; charset=utf-8", "style.css": "text/css; charset=utf-8",
		"listen.js": "text/javascript; charset=utf-8", "results.json": "application/json", "data/levels.csv": "text/csv; charset=utf-8",
		"manifest.yaml": "application/yaml", "audio/leaning.flac": "audio/flac", "audio/pieces/leaning.1.js": "text/javascript; charset=utf-8", "checksums.sha256": "text/plain; charset=utf-8",
	} {
		file := name
		if file == "" {
			file = "index.html"
		}
		want, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(file)))
		if err != nil {
			t.Fatal(err)
		}
		res, body := get(t, s.url+name, nil)
		if res.StatusCode != 200 || body != string(want) || res.Header.Get("Content-Type") != kind {
			t.Errorf("%s: status %d, type %q, %d bytes", name, res.StatusCode, res.Header.Get("Content-Type"), len(body))
		}
		if res.Header.Get("Content-Security-Policy") != report.ContentPolicy || res.Header.Get("X-Content-Type-Options") != "nosniff" {
			t.Errorf("%s: header %v", name, res.Header)
		}
	}

	// Players ask for parts of a file. RFC 9110, 14.2.
	res, body := get(t, s.url+"audio/leaning.flac", func(r *http.Request) { r.Header.Set("Range", "bytes=10-14") })
	if res.StatusCode != http.StatusPartialContent || body != "01234" || res.Header.Get("Content-Range") != "bytes 10-14/1000" || res.Header.Get("Content-Type") != "audio/flac" {
		t.Errorf("range: status %d, %q, %v", res.StatusCode, body, res.Header)
	}
	if res, _ := get(t, s.url+"audio/leaning.flac", func(r *http.Request) { r.Header.Set("Range", "bytes=2000-") }); res.StatusCode != http.StatusRequestedRangeNotSatisfiable {
		t.Errorf("a range past the end: status %d", res.StatusCode)
	}

	for name, status := range map[string]int{"audio": 404, "audio/": 404, "data": 404, "nothing.html": 404, "index.html/": 404, ".": 404} {
		if res, body := get(t, s.url+name, nil); res.StatusCode != status || strings.Contains(body, "leaning") {
			t.Errorf("%s: status %d, %q", name, res.StatusCode, body)
		}
	}
	if res, _ := get(t, s.url, func(r *http.Request) { r.Method = http.MethodPost }); res.StatusCode != http.StatusMethodNotAllowed {
		t.Errorf("POST: status %d", res.StatusCode)
	}
	if res, body := get(t, s.url, func(r *http.Request) { r.Method = http.MethodHead }); res.StatusCode != 200 || body != "" {
		t.Errorf("HEAD: status %d, %q", res.StatusCode, body)
	}

	// A host name that somebody made to mean this computer.
	for host, status := range map[string]int{"evil.example": 421, "127.0.0.1.evil.example:80": 421, "": 421, "localhost": 200, "localhost:1": 200, "[::1]:80": 200, "127.9.9.9": 200, "10.0.0.1": 421} {
		if got, _ := raw(t, s.url, "GET / HTTP/1.1\r\nHost: "+host+"\r\nConnection: close\r\n\r\n"); got != status {
			t.Errorf("host %q: status %d, want %d", host, got, status)
		}
	}

	// A report that is built anew meanwhile is shown.
	commitFiles(t, dir, map[string]string{"index.html": "two"})
	if res, body := get(t, s.url, nil); res.StatusCode != 200 || body != "two" {
		t.Errorf("built anew: status %d, %q", res.StatusCode, body)
	}
	if res, _ := get(t, s.url+"style.css", nil); res.StatusCode != 404 {
		t.Errorf("a file of the earlier report: status %d", res.StatusCode)
	}
}

// raw sends a request as it stands and returns the status and all that came.
func raw(t *testing.T, address, request string) (int, string) {
	t.Helper()
	u, err := url.Parse(address)
	if err != nil {
		t.Fatal(err)
	}
	c, err := net.Dial("tcp", u.Host)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	c.SetDeadline(time.Now().Add(10 * time.Second))
	if _, err := io.WriteString(c, request); err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(c)
	if err != nil {
		t.Fatal(err)
	}
	status := 0
	fmt.Sscanf(string(b), "HTTP/1.1 %d", &status)
	return status, string(b)
}

// No spelling of a path leads out of the folder, nor to a link out of it or a
// hidden file in it.
func TestServeStaysInside(t *testing.T) {
	dir := servedReport(t)
	if err := os.WriteFile(filepath.Join(dir, ".hidden"), []byte("secret"), 0o600); err != nil {
		t.Fatal(err)
	}
	paths := []string{
		"/../secret.txt", "/audio/../../secret.txt", "/%2e%2e/secret.txt", "/%2e%2e%2fsecret.txt", "/..%2fsecret.txt", "/..%5csecret.txt", `/..\secret.txt`,
		"/....//secret.txt", "//secret.txt", "//../secret.txt", "/./../secret.txt", "/audio/%2e%2e/%2e%2e/secret.txt", "/%252e%252e/secret.txt", "/..;/secret.txt",
		"/%00/../../secret.txt", "/index.html%00", "/index.html/../../secret.txt", "/.hidden", "/audio/.%2fsecret.txt", "/C:/secret.txt",
		"/" + url.PathEscape(filepath.Join(filepath.Dir(dir), "secret.txt")), "http://127.0.0.1/../secret.txt", "file:///etc/passwd", "*", "..", "../secret.txt",
	}
	if runtime.GOOS != "windows" {
		for name, target := range map[string]string{"link.txt": filepath.Join(filepath.Dir(dir), "secret.txt"), "audio/up.txt": "../../secret.txt", "out": ".."} {
			if err := os.Symlink(target, filepath.Join(dir, filepath.FromSlash(name))); err != nil {
				t.Fatal(err)
			}
		}
		paths = append(paths, "/link.txt", "/audio/up.txt", "/out/secret.txt", "/out/")
	}
	s := startServer(t, dir)
	for _, p := range paths {
		status, all := raw(t, s.url, "GET "+p+" HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n")
		if strings.HasSuffix(all, "secret") || strings.Contains(all, "root:") || status < 400 || status >= 500 {
			t.Errorf("%s: status %d: %.200s", p, status, all)
		}
	}
}

func TestServeEndsWithInterrupt(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("a process cannot be sent Ctrl-C alone there")
	}
	s := startServer(t, servedReport(t))
	get(t, s.url, nil) // its connection stays open
	if err := s.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := s.cmd.Wait(); err != nil {
		t.Errorf("exit: %v, %s", err, s.stderr.String())
	}
	if strings.Contains(s.stderr.String(), "interrupted") || !strings.Contains(s.stderr.String(), "stop with Ctrl-C") {
		t.Errorf("stderr %q", s.stderr.String())
	}
}

// Only an address that was asked for reaches beyond this computer, with a
// warning; then a request may come under any name.
func TestServeBeyondThisComputer(t *testing.T) {
	s := startServer(t, servedReport(t), "--addr", "0.0.0.0:0")
	u, err := url.Parse(s.url)
	if err != nil {
		t.Fatal(err)
	}
	if status, _ := raw(t, "http://127.0.0.1:"+u.Port(), "GET / HTTP/1.1\r\nHost: studio.example\r\nConnection: close\r\n\r\n"); status != 200 {
		t.Errorf("status %d", status)
	}
	s.cmd.Process.Kill()
	s.cmd.Wait()
	if !strings.Contains(s.stderr.String(), "warning: other computers can read this report") {
		t.Errorf("stderr %q", s.stderr.String())
	}
}
