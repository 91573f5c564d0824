package watcher

import "os"

// processLives tells whether a process of this host is running.
func processLives(pid int) bool {
	p, err := os.FindProcess(pid)
	if err != nil {
		return false
	}
	p.Release()
	return true
}
