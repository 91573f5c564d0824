package watcher

import "golang.org/x/sys/unix"

// memoryBytes returns how much memory the computer has, 0 if unknown.
func memoryBytes() int64 {
	var info unix.Sysinfo_t
	if unix.Sysinfo(&info) != nil {
		return 0
	}
	return int64(info.Totalram) * int64(info.Unit)
}
