// Package chromium starts headless Chromium for tests. Only tests import it.
package chromium

import (
	"context"
	"os"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"

	"evenhand/examples/oracle"
)

// Look returns where Chromium is, "" for nowhere; see oracle.Look.
func Look(t testing.TB) string {
	t.Helper()
	return oracle.Look(t, "chromium", "chromium-browser", "google-chrome", "chrome")
}

// Start starts Chromium, with further flags, for at most two minutes or until the
// test ends. It reaches no host but 127.0.0.1. Without Chromium the test is
// skipped, but fails where the environment says CI.
func Start(t testing.TB, flags ...chromedp.ExecAllocatorOption) context.Context {
	t.Helper()
	path := Look(t)
	if path == "" {
		t.Skip("chromium is not installed")
	}
	// Chromium leaves its sockets when it is stopped; their paths must be short.
	temp, err := os.MkdirTemp("", "chromium-")
	if err != nil {
		t.Fatal(err)
	}
	opts := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Env("TMPDIR="+temp),
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("host-resolver-rules", "MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"))
	browser, stopBrowser := chromedp.NewExecAllocator(t.Context(), append(opts, flags...)...)
	tab, closeTab := chromedp.NewContext(browser)
	ctx, cancel := context.WithTimeout(tab, 2*time.Minute)
	t.Cleanup(func() { cancel(); closeTab(); stopBrowser(); os.RemoveAll(temp) })
	return ctx
}

// ColourScheme makes pages believe that a person prefers a scheme: "light" or "dark".
func ColourScheme(name string) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}})
		return err
	})
}

// Watch collects, from now on, every line on the console, every entry of the browser's
// log, every exception, and every request for something that does not begin with base.
func Watch(t testing.TB, ctx context.Context, base string) func() []string {
	t.Helper()
	var mu sync.Mutex
	bad := []string{}
	add := func(s string) { mu.Lock(); bad = append(bad, s); mu.Unlock() }
	err := chromedp.Listen(ctx, func(ev any) {
		switch e := ev.(type) {
		case *runtime.EventConsoleAPICalled:
			add("console: " + string(e.Type))
		case *runtime.EventExceptionThrown:
			add(e.ExceptionDetails.Text)
		case *log.EventEntryAdded:
			add(e.Entry.Text)
		case *network.EventRequestWillBeSent:
			if !strings.HasPrefix(e.Request.URL, base) && !strings.HasPrefix(e.Request.URL, "data:") {
				add("request to " + e.Request.URL)
			}
		}
	})
	if err != nil {
		t.Fatal(err)
	}
	return func() []string { mu.Lock(); defer mu.Unlock(); return append([]string{}, bad...) }
}
