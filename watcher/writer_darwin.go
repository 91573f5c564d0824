package watcher

import (
	"os"
	"syscall"

	"lectern/watcher/internal/durable"
)

// dataless is SF_DATALESS of sys/stat.h, from memory: the file's bytes lie in a cloud.
const dataless = 0x40000000

// hasWriter cannot be told on macOS; it only finds out whether the file can be
// read at all.
func hasWriter(path string) (answer, error) {
	info, err := os.Lstat(path)
	if err != nil {
		return unknown, err
	}
	if st, ok := info.Sys().(*syscall.Stat_t); ok && st.Flags&dataless != 0 {
		return yes, nil // opening it would fetch it
	}
	f, err := durable.OpenRegular(path)
	if err != nil {
		return unknown, err
	}
	return unknown, f.Close()
}
