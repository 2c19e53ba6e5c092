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
	"path/filepath"
	"time"

	"github.com/spf13/cobra"

	"evenhand/analyze/mistake"
	"evenhand/report/folder"
	"evenhand/report/preview"
	"evenhand/report/serve"
)

const loopbackAddr = "127.0.0.1:0"

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
			if preview.Of(dir) {
				return servePreview(cmd, dir, addr, opts)
			}
			return serveReport(cmd, dir, addr)
		},
	}
	cmd.Flags().IntVar(&opts.workers, "workers", 0, "for a preview: takes to process at once; 0: one for each processor")
	opts.store.flags(cmd)
	cmd.Flags().StringVar(&addr, "addr", loopbackAddr, "address and port to serve on; port 0: any free one")
	return cmd
}

// serveReport serves a report until the command's context ends.
func serveReport(cmd *cobra.Command, dir, addr string) error {
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
	if _, err := os.Stat(filepath.Join(dir, serve.Index)); err != nil {
		return mistake.Errorf("%s has no index.html; name the folder that build wrote", dir)
	}
	return serveOn(cmd, addr, func(local bool) (http.Handler, error) {
		if !local {
			fmt.Fprintln(cmd.ErrOrStderr(), "evenhand: warning: other computers can read this report until serve ends")
		}
		return serve.Report{Dir: dir, Local: local}, nil
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
