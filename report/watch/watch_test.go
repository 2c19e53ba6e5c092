package watch

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"evenhand/analyze/notice"
)

// TestPolls watches a folder on which the system reports nothing: this is said, and a take
// is told about all the same.
func TestPolls(t *testing.T) {
	dir := t.TempDir()
	put := func(name string) {
		t.Helper()
		if err := os.WriteFile(filepath.Join(dir, name), tone(t), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	put("dry.wav")
	news := notice.Poll()
	defer news.Close()
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	r, out := io.Pipe()
	defer r.Close()
	var errs bytes.Buffer
	ended := make(chan error, 1)
	go func() {
		ended <- run(ctx, dir, Options{JSON: true, Width: 80, Out: out, Errs: &errs, Mistake: func(w io.Writer, err error) { fmt.Fprintln(w, err) }}, news)
	}()
	put("one.wav")
	var v Lines
	if err := json.NewDecoder(r).Decode(&v); err != nil || !strings.EqualFold(v.Take, "one") || v.State != "landed" {
		t.Errorf("%v: %+v", err, v)
	}
	stop()
	if err := <-ended; err != nil || !strings.Contains(errs.String(), "does not report changes in "+dir) {
		t.Errorf("%v: %s", err, &errs)
	}
}
