//go:build unix

package watcher

import (
	"errors"
	"syscall"
)

// processLives tells whether a process of this host is running.
func processLives(pid int) bool {
	err := syscall.Kill(pid, 0)
	return err == nil || errors.Is(err, syscall.EPERM)
}
