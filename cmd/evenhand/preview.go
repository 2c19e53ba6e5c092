package main

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"evenhand/analyze/mistake"
	"evenhand/report/preview"
	"evenhand/report/terminal"
)

// servePreview serves the preview of a manifest until the command's context ends.
func servePreview(cmd *cobra.Command, path, addr string, opts buildOptions) error {
	opts.webOnly = true // a served page fetches its audio
	errs := cmd.ErrOrStderr()
	ctx, stop := context.WithCancel(cmd.Context())
	defer stop()
	cmd.SetContext(ctx)
	p, err := preview.Open(path, preview.Options{
		Build: func(_ context.Context, dir string) error {
			_, err := build(cmd, path, dir, "", opts)
			return err
		},
		Built: func(err error, took time.Duration) string {
			if err == nil {
				fmt.Fprintf(errs, "evenhand: built in %.1f s; waiting for changes\n", took.Seconds())
				return ""
			}
			var told bytes.Buffer
			say(&told, err)
			fmt.Fprintf(errs, "%sevenhand: the page shows the last report without a mistake; waiting for changes\n", told.String())
			return strings.TrimSpace(told.String())
		},
		Note: func(text string) { fmt.Fprintf(errs, "evenhand: note: %s\n", terminal.Clean(text)) },
	})
	if err != nil {
		return err
	}
	defer p.Close()
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		p.Follow(ctx)
	}()
	err = serveOn(cmd, addr, func(local bool) (http.Handler, error) {
		if !local {
			return nil, mistake.Errorf("--addr: %q; a preview is for this computer alone; allowed: 127.0.0.1 or [::1] with a port; to show a report to others, build it and type: evenhand serve DIR --addr %[1]s", addr)
		}
		return p, nil
	})
	stop()
	select {
	case <-ended:
	case <-time.After(patience / 5): // a long step of a build is not waited for
	}
	return err
}
