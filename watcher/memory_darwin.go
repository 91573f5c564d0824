package watcher

import "golang.org/x/sys/unix"

// memoryBytes returns how much memory the computer has, 0 if unknown.
func memoryBytes() int64 {
	n, err := unix.SysctlUint64("hw.memsize")
	if err != nil {
		return 0
	}
	return int64(n)
}
