// Command evenhand checks, measures, level-matches and publishes comparisons of
// guitar gear: one dry performance, reamped through each device under test.
//
// Run "evenhand help" for the commands. Messages go to standard error, results
// to standard output. The exit status is 0 when the job is done, 1 when it is
// done but a check failed, 2 when the input or the use was wrong, and 3 for
// anything else.
package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"log"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"github.com/spf13/cobra"

	"evenhand/analyze/disk"
	"evenhand/analyze/manifest"
	"evenhand/analyze/mistake"
	"evenhand/report/terminal"
)

// Exit statuses.
const (
	exitDone   = 0
	exitFailed = 1 // done, but a check failed
	exitUsage  = 2 // the input or the use was wrong
	exitOther  = 3
)

// memoryTarget is what the collector keeps the program's memory near: far above
// what a comparison holds at once, far below what garbage would grow to on
// takes of an hour.
const memoryTarget = 96 << 20

func main() {
	debug.SetMemoryLimit(memoryTarget)
	// The program writes its own messages. What libraries log is theirs: of FLAC files
	// at 24 and 176.4 kHz a request to their testers for every block.
	log.SetOutput(io.Discard)
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	ended := make(chan int, 1)
	go func() { ended <- run(ctx, os.Args[1:], os.Stdout, os.Stderr) }()
	select {
	case status := <-ended:
		exit(status)
	case <-ctx.Done():
	}
	select {
	case status := <-ended:
		exit(status)
	case <-time.After(patience):
		// It waits for something that does not end by itself, such as a pipe. What it
		// replaces is whole at any moment.
		fmt.Fprintln(os.Stderr, "evenhand: interrupted; the next run removes what this one left unfinished")
		exit(exitOther)
	}
}

// exit ends the program, though a part of it may still work.
func exit(status int) {
	disk.RemoveTemps()
	os.Exit(status)
}

// patience is how long an interrupted command may take to clear up: a person
// presses Ctrl-C again after a second.
const patience = 500 * time.Millisecond

// errCheckFailed ends a command that did its job and found a failed check.
var errCheckFailed = errors.New("a check failed")

// run executes one command line and returns the exit status. It is the only
// place that decides it.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	root := &cobra.Command{
		Use:   "evenhand",
		Short: "Check, measure, match and publish fair comparisons of guitar gear",
		Long: `Evenhand publishes fair comparisons of guitar gear. You record one dry
performance, send that recording through every device you compare, and list the
results with their settings in a manifest, a text file. A take is one pass of
the recording through one device. Evenhand checks that the comparison is fair,
measures it, matches the levels and writes a report: a static web page to
publish next to your video.`,
		Example: `  evenhand demo demo
  evenhand build demo/four-fuzzes.yaml -o demo-report
  evenhand serve demo-report`,
		SilenceErrors:     true,
		SilenceUsage:      true,
		Version:           version(),
		CompletionOptions: cobra.CompletionOptions{HiddenDefaultCmd: true},
	}
	root.SetArgs(args)
	// Whatever a text came from, a terminal shows it and does nothing else.
	out, errs := &terminal.Writer{W: stdout}, &terminal.Writer{W: stderr}
	root.SetOut(out)
	root.SetErr(errs)
	root.SetFlagErrorFunc(flagError)
	root.PersistentPreRunE = func(cmd *cobra.Command, _ []string) error {
		if n, err := cmd.Flags().GetInt("workers"); err == nil && n < 0 {
			return mistake.Errorf("--workers: %d; allowed: 0 (one for each processor) or more", n)
		}
		return nil
	}
	root.AddCommand(commands()...)
	root.SetHelpCommand(helpCommand(root))
	err := root.ExecuteContext(ctx)
	if name := ""; err != nil {
		if n, _ := fmt.Sscanf(err.Error(), "unknown command %q", &name); n == 1 {
			err = unknownCommand(root, name)
		}
	}
	if err == nil || errors.Is(err, errCheckFailed) {
		err = cmp.Or(out.Err, err) // help does not tell that nobody got it
	}
	switch {
	case err == nil:
		return exitDone
	case errors.Is(err, errCheckFailed):
		return exitFailed
	case ctx.Err() != nil && errors.Is(err, ctx.Err()):
		fmt.Fprintln(errs, "evenhand: interrupted; nothing was written")
		return exitOther
	}
	say(errs, err)
	if !isUsage(err) {
		return exitOther
	}
	return exitUsage
}

// say prints an error; each line of a list of problems stands for itself.
func say(w io.Writer, err error) {
	var list *manifest.Errors
	if errors.As(err, &list) {
		fmt.Fprintln(w, err)
		return
	}
	if disk.Full(err) {
		fmt.Fprintf(w, "evenhand: %s\n", terminal.Clean(noRoom(err)))
		return
	}
	told := map[string]bool{}
	for _, line := range strings.Split(plain(err), "\n") {
		// A full disk fails the writing, the closing and the clearing up.
		if !told[line] {
			fmt.Fprintf(w, "evenhand: %s\n", terminal.Clean(line))
		}
		told[line] = true
	}
}

// plain returns what an error says, without the names of system calls.
func plain(err error) string {
	text := err.Error()
	if p, ok := errors.AsType[*fs.PathError](err); ok {
		text = strings.ReplaceAll(text, p.Error(), p.Path+": "+p.Err.Error())
	}
	return disk.Shown(text)
}

// isUsage reports whether an error comes from the input or the use.
func isUsage(err error) bool {
	return errors.Is(err, mistake.Err) || errors.Is(err, fs.ErrNotExist) || errors.Is(err, fs.ErrPermission)
}

// version returns the module's version, or "devel" for a build from a checkout.
func version() string {
	if info, ok := debug.ReadBuildInfo(); ok && info.Main.Version != "" && info.Main.Version != "(devel)" {
		return info.Main.Version
	}
	return "devel"
}
