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

// openLog returns a file to log into where nobody else looks after the log, which goes on in
// a new one when it is full. Its folder is made when it is first written to.
func openLog(path string) io.WriteCloser {
	return &lumberjack.Logger{Filename: path, MaxSize: logFileMaxMiB, MaxBackups: logFilesKept, LocalTime: true}
}

// startLogPath is where start logs to without a terminal.
func startLogPath() (string, error) {
	dir, err := os.UserCacheDir()
	if err != nil {
		return "", fmt.Errorf("find a place for the log: %w", err)
	}
	return filepath.Join(dir, "lectern", "lectern.log"), nil
}
