package main

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	"evenhand/examples/oracle/chromium"
)

const previewed3 = `title: First title
varies: fuzz
performance: {dry: audio/dry.wav}
chain: [{slot: fuzz}]
takes:
  - {name: One, file: audio/one.wav, fuzz: One}
  - {name: Two, file: audio/two.wav, fuzz: Two}
`

// edit puts a file in place as editors do, under another name first.
func edit(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path+".new", []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.Rename(path+".new", path); err != nil {
		t.Fatal(err)
	}
}

// waitInterrupted waits for a command that Ctrl-C ends. One at rest ends by itself. In the
// middle of a long step, or on a machine so busy that this test waits for its turn too, it
// may not in time: then it says so.
func waitInterrupted(t *testing.T, cmd *exec.Cmd, stderr fmt.Stringer, atRest bool) {
	t.Helper()
	const nap, busy = 10 * time.Millisecond, 50 * time.Millisecond
	ended := make(chan error, 1)
	go func() { ended <- cmd.Wait() }()
	late := time.Duration(0)
	for {
		begun := time.Now()
		select {
		case err := <-ended:
			interrupted := cmd.ProcessState.ExitCode() == exitOther && strings.Contains(stderr.String(), "interrupted")
			if cmd.ProcessState.ExitCode() != exitDone && !(interrupted && (!atRest || late > busy)) {
				t.Errorf("exit: %v, this test was late by %v, %s", err, late, stderr)
			}
			return
		case <-time.After(nap):
			late = max(late, time.Since(begun)-nap)
		}
	}
}

// TestPreview follows a manifest in a browser: a report, a change, a mistake above the
// last good page, its repair, a recording that comes later; two at once; and Ctrl-C,
// after which nothing is left.
func TestPreview(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("a process cannot be sent Ctrl-C alone there")
	}
	ctx := chromium.Start(t)
	if err := chromedp.Do(ctx, chromedp.Navigate("about:blank")); err != nil { // with the system's temporary folder
		t.Fatal(err)
	}
	audio := t.TempDir()
	if err := recordTo(audio); err != nil {
		t.Fatal(err)
	}
	dir, temp := t.TempDir(), t.TempDir()
	t.Setenv("TMPDIR", temp)
	if err := os.CopyFS(filepath.Join(dir, "audio"), os.DirFS(filepath.Join(audio, "short"))); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, "m.yaml")
	edit(t, path, previewed3)
	s := startServer(t, path)
	second := startServer(t, path)

	complaints := chromium.Watch(t, ctx, s.url)
	until := func(what, expression string) {
		t.Helper()
		for late := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
			ok, err := chromedp.Run(ctx, chromedp.Evaluate[bool](expression))
			if err == nil && ok {
				return
			}
			if time.Now().After(late) {
				t.Fatalf("%s: not so after 60 s: %v; %s", what, err, s.stderr.String())
			}
		}
	}
	shows := func(text string) string {
		return fmt.Sprintf(`document.querySelector(".preview")?.checkVisibility() === true && document.querySelector(".preview").innerText.includes(%q)`, text)
	}
	const silent = `document.querySelector(".preview")?.hidden === true`
	titled := func(title string) string { return fmt.Sprintf(`document.querySelector("h1")?.innerText === %q`, title) }

	if err := chromedp.Do(ctx, chromedp.Navigate(s.url)); err != nil {
		t.Fatal(err)
	}
	until("the first report", titled("First title")+"&&"+silent)
	edit(t, path, strings.Replace(previewed3, "First", "Second", 1))
	until("another title", titled("Second title")+"&&"+silent)

	edit(t, path, strings.Replace(previewed3, "varies:", "vares:", 1))
	until("a mistake above the last good page", titled("Second title")+"&&"+shows("m.yaml:2:1")+"&&"+shows(`did you mean "varies"?`))
	edit(t, path, strings.Replace(previewed3, "First", "Third", 1))
	until("its repair", titled("Third title")+"&&"+silent)

	edit(t, path, previewed3+"  - {name: Three, file: audio/later.wav, fuzz: Three}\n")
	until("a recording that is missing", shows("audio/later.wav"))
	if err := os.Rename(filepath.Join(dir, "audio", "three.wav"), filepath.Join(dir, "audio", "later.wav")); err != nil {
		t.Fatal(err)
	}
	until("the recording has come", silent+`&& document.body.innerText.includes("Three")`)
	if bad := complaints(); len(bad) > 0 {
		t.Errorf("the browser complains: %q", bad)
	}

	// The page of the other preview is the same, once it has built it, and only its own files
	// are served.
	for late := time.Now().Add(60 * time.Second); ; time.Sleep(50 * time.Millisecond) {
		_, body := get(t, second.url, nil)
		_, state := get(t, second.url+".preview/state", nil)
		if strings.Contains(body, "Three") && strings.Contains(state, `"building":false`) {
			break
		}
		if time.Now().After(late) {
			t.Fatalf("the second preview: not so after 60 s: %s; %s", state, second.stderr.String())
		}
	}
	for name, status := range map[string]int{".preview/other": 404, ".preview/../m.yaml": 404, "m.yaml": 404, "preview.js": 404, "results.json": 200} {
		if res, _ := get(t, s.url+name, nil); res.StatusCode != status {
			t.Errorf("%s: status %d, want %d", name, res.StatusCode, status)
		}
	}
	if status, _ := raw(t, s.url, "GET /.preview/state HTTP/1.1\r\nHost: evil.example\r\nConnection: close\r\n\r\n"); status != 421 {
		t.Errorf("another host's name: status %d", status)
	}

	for _, x := range []*server{s, second} {
		if err := x.cmd.Process.Signal(os.Interrupt); err != nil {
			t.Fatal(err)
		}
		waitInterrupted(t, x.cmd, &x.stderr, true)
	}
	until("the page says that the preview has ended", shows("The preview has ended"))
	if left, err := filepath.Glob(filepath.Join(temp, "evenhand-*")); err != nil || len(left) > 0 {
		t.Errorf("left behind: %v, %v", left, err)
	}
	here, err := os.ReadDir(dir)
	if err != nil || len(here) != 2 {
		t.Errorf("beside the manifest: %v, %v", here, err)
	}
}
