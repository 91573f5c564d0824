//go:build unix

package pipeline

import (
	"syscall"
	"time"
)

// processorTime is what this process has used: getrusage(2).
func processorTime() time.Duration {
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		panic(err) // it cannot fail
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}
