// Command lectern masters raw spoken-word recordings into finished audiobook
// chapters.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"sync/atomic"
	"syscall"

	"lectern/config"
	"lectern/watcher"
)

// gcPercent is by how much the memory may grow before it is tidied, our choice: most of it
// is a few long rows of numbers, which are never searched, so that doing it often costs
// little. The Go runtime's own variable GOGC comes first.
const gcPercent = 10

func main() {
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(gcPercent)
	}
	ctx, cancel := context.WithCancel(context.Background())
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	hang := &hangups{c: make(chan struct{}, 1)}
	go heed(signals, hang, cancel, os.Exit)

	err := run(withHangups(ctx, hang), os.Args[1:])
	if err != nil && err.Error() != "" {
		for line := range strings.Lines("lectern: " + err.Error()) {
			fmt.Fprintln(os.Stderr, watcher.Plain(strings.TrimSuffix(line, "\n")))
		}
	}
	os.Exit(exitCode(err))
}

// heed asks for a clean stop at the first signal and stops at once at the
// second. The closing of the terminal is one, too, unless it is wanted otherwise.
func heed(signals <-chan os.Signal, hang *hangups, cancel context.CancelFunc, exit func(int)) {
	stopping := false
	for s := range signals {
		switch {
		case s == syscall.SIGHUP && hang.wanted.Load():
			select {
			case hang.c <- struct{}{}:
			default: // one is waiting already
			}
		case stopping:
			exit(130) // as a shell reports a program ended by Ctrl-C
		default:
			stopping = true
			cancel()
		}
	}
}

// hangups are SIGHUPs, for a daemon that wants them: where there is no terminal that could
// close, that signal asks to read the settings anew, by common practice.
type hangups struct {
	c      chan struct{}
	wanted atomic.Bool
}

type hangupsKey struct{}

func withHangups(ctx context.Context, h *hangups) context.Context {
	return context.WithValue(ctx, hangupsKey{}, h)
}

// wantHangups has SIGHUP arrive here from now on and not end the program. It is nil, which
// never brings one, where main has set up none.
func wantHangups(ctx context.Context) <-chan struct{} {
	h, ok := ctx.Value(hangupsKey{}).(*hangups)
	if !ok {
		return nil
	}
	h.wanted.Store(true)
	return h.c
}

// exitCode is the only place that turns an error into a number.
func exitCode(err error) int {
	var own *exitError
	var settings *config.Error
	switch {
	case err == nil:
		return 0
	case errors.As(err, &own):
		return own.code
	case errors.As(err, &settings):
		return exitUsage
	default:
		return exitFailed
	}
}
