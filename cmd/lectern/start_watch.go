package main

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"

	"gopkg.in/natefinch/lumberjack.v2"
)

// runWatch carries out "lectern watch" with args, and has its log written to log.
func runWatch(ctx context.Context, log io.Writer, args ...string) error {
	root := newRootCmd()
	root.SetArgs(append([]string{"watch"}, args...))
	root.SetErr(log)
	return root.ExecuteContext(ctx)
}

// How much log is kept where nobody else looks after it. Our choice: the same as the
// service settings have.
const (
	logMaxMiB   = 20
	logKeptOlds = 10
)

// openLog returns a file to log into, which is renamed and begun anew when it is full.
func openLog(path string) io.WriteCloser {
	return &lumberjack.Logger{Filename: path, MaxSize: logMaxMiB, MaxBackups: logKeptOlds}
}

// startLogPath is where start logs to without a terminal.
func startLogPath() (string, error) {
	dir, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("find a place for the log: %w", err)
	}
	return filepath.Join(dir, "lectern", "lectern.log"), nil
}
