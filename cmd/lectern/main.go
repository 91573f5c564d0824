// Command lectern masters raw spoken-word recordings into finished audiobook
// chapters.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strings"
	"syscall"

	"lectern/config"
	"lectern/watcher"
)

func main() {
	ctx, cancel := context.WithCancel(context.Background())
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, os.Interrupt, syscall.SIGTERM, syscall.SIGHUP)
	go heed(signals, cancel, os.Exit)

	err := run(ctx, os.Args[1:])
	if err != nil && err.Error() != "" {
		for line := range strings.Lines("lectern: " + err.Error()) {
			fmt.Fprintln(os.Stderr, watcher.Plain(strings.TrimSuffix(line, "\n")))
		}
	}
	os.Exit(exitCode(err))
}

// heed asks for a clean stop at the first signal and stops at once at the
// second. The closing of the terminal is one, too.
func heed(signals <-chan os.Signal, cancel context.CancelFunc, exit func(int)) {
	<-signals
	cancel()
	<-signals
	exit(130) // as a shell reports a program ended by Ctrl-C
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
