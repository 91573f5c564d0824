package main

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"gopkg.in/natefinch/lumberjack.v2"

	"lectern/watcher"
)

// LogFile is a file that the log goes to, too. When it has grown to MaxMiB it goes on in a
// new one, and the moment comes into the name of the old one, of which the newest FilesKept
// are kept. 0 stands for logFileMaxMiB and logFilesKept. With the Path "" there is none.
type LogFile struct {
	Path              string
	MaxMiB, FilesKept int
}

// How large a log file grows, and how many earlier ones are kept: years of a busy studio.
// Our choice.
const (
	logFileMaxMiB = 20
	logFilesKept  = 10
)

// logFilePerm is for the service's user and its group to read. Our choice.
const logFilePerm fs.FileMode = 0o640

// newLogTo is newLog with a file beside w, into which every line goes as JSON. The returned
// function closes it. A file that cannot be written is an error to end the command with.
func newLogTo(w io.Writer, asJSON bool, file LogFile) (log *zap.Logger, end func() error, err error) {
	core := newLogCore(w, asJSON)
	if file.Path == "" {
		return zap.New(core), func() error { return nil }, nil
	}
	out, err := openLogFile(file)
	if err != nil {
		return nil, nil, err
	}
	core = zapcore.NewTee(core, zapcore.NewCore(jsonEncoder(false), zapcore.AddSync(out), zap.InfoLevel))
	return zap.New(core), out.Close, nil
}

// openLogFile makes sure that the file can be written to. lumberjack would say nothing of
// one that cannot be, would make missing folders, and gives a new file the rights of the
// one before.
func openLogFile(file LogFile) (io.WriteCloser, error) {
	if file.MaxMiB < 0 || file.FilesKept < 0 {
		return nil, wrongUsage("a log file of %d MiB, %d of them kept, cannot be; give numbers from 1", file.MaxMiB, file.FilesKept)
	}
	path, err := filepath.Abs(file.Path)
	if err != nil {
		return nil, fmt.Errorf("find the log file: %w", err)
	}
	if info, err := os.Stat(path); err == nil && !info.Mode().IsRegular() {
		return nil, wrongUsage("the log cannot be written to %s, which is no file; name a file that may be written to", watcher.Plain(path))
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND, logFilePerm)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, wrongUsage("the log cannot be written to %s, because its folder is not there; make the folder, or name another", watcher.Plain(path))
	case errors.Is(err, fs.ErrPermission):
		return nil, fmt.Errorf("the log cannot be written to %s, because this user may not write there; allow it, or name another place: %w", watcher.Plain(path), err)
	case err != nil:
		return nil, fmt.Errorf("the log cannot be written to %s; name another place: %w", watcher.Plain(path), err)
	}
	if err := f.Close(); err != nil {
		return nil, fmt.Errorf("open the log file: %w", err)
	}
	out := &lumberjack.Logger{Filename: path, MaxSize: file.MaxMiB, MaxBackups: file.FilesKept, LocalTime: true}
	if out.MaxSize == 0 {
		out.MaxSize = logFileMaxMiB
	}
	if out.MaxBackups == 0 {
		out.MaxBackups = logFilesKept // lumberjack's own 0 keeps all
	}
	return out, nil
}
