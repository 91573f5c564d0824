package watcher

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"github.com/gofrs/flock"
)

// ErrHeld reports that another lectern already watches the workspace.
var ErrHeld = errors.New("another lectern already watches this workspace")

// HeldError is an ErrHeld that names the holder.
type HeldError struct {
	PID  int // 0 if it could not be found out
	Host string
}

func (e *HeldError) Error() string {
	if e.PID == 0 {
		return ErrHeld.Error() + " on " + e.Host
	}
	return fmt.Sprintf("%v: process %d on %s", ErrHeld, e.PID, e.Host)
}

// Unwrap makes errors.Is(err, ErrHeld) true.
func (e *HeldError) Unwrap() error { return ErrHeld }

// lock takes the workspace for this process. The lock file lies on a local
// disk, since locks on a share cannot be relied on, and is never deleted: a
// deleted lock file can be locked twice. The system frees it if the process
// dies.
func lock(ws *Workspace, dir string) (release func(), err error) {
	base, err := lockBase(ws, dir)
	if err != nil {
		return nil, err
	}
	if err := os.MkdirAll(filepath.Dir(base), 0o700); err != nil {
		return nil, fmt.Errorf("make folder for lock: %w", err)
	}
	held := flock.New(base + ".lock")
	got, err := held.TryLock()
	if err != nil {
		return nil, fmt.Errorf("lock workspace: %w", err)
	}
	// The holder's number lies beside the lock: on Windows a locked file cannot
	// be read.
	if !got {
		pid, err := readHolder(base)
		if err != nil {
			return nil, err
		}
		host, _ := os.Hostname() // "": unknown
		return nil, &HeldError{PID: pid, Host: host}
	}
	if err := os.WriteFile(base+holderEnding, []byte(strconv.Itoa(os.Getpid())), 0o600); err != nil {
		return nil, errors.Join(fmt.Errorf("write holder of lock: %w", err), held.Close())
	}
	return func() {
		os.Remove(base + troublesEnding)
		os.Remove(base + holderEnding)
		held.Close()
	}, nil
}

// What lies beside the lock: the holder's process number, and its troubles.
const (
	holderEnding   = ".pid"
	troublesEnding = ".troubles"
)

// lockBase is the path of a workspace's lock, without its ending.
func lockBase(ws *Workspace, dir string) (string, error) {
	root, err := filepath.EvalSymlinks(ws.Root)
	if err != nil {
		return "", fmt.Errorf("find workspace: %w", err)
	}
	if dir == "" {
		dir = lockDir()
	}
	return filepath.Join(dir, shortHash(root, 12)), nil
}

// readHolder returns the number of the process that holds the lock, or held it before
// it was killed; 0 if none is written.
func readHolder(base string) (int, error) {
	text, err := os.ReadFile(base + holderEnding)
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return 0, fmt.Errorf("read holder of lock: %w", err)
	}
	pid, _ := strconv.Atoi(strings.TrimSpace(string(text))) // 0: not written yet
	return pid, nil
}

// lockDir is the user's own place for things that need not last.
func lockDir() string {
	if dir := os.Getenv("XDG_RUNTIME_DIR"); dir != "" {
		return filepath.Join(dir, "lectern")
	}
	if dir, err := os.UserCacheDir(); err == nil {
		return filepath.Join(dir, "lectern")
	}
	return filepath.Join(os.TempDir(), "lectern-lock")
}
