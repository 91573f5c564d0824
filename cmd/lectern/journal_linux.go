package main

import (
	"fmt"
	"io"
	"os"
	"syscall"
)

// isJournal tells whether what is written to w goes straight to the journal of systemd,
// which says so in JOURNAL_STREAM: the device and the inode of that stream
// (systemd.exec(5)). A stream that was led elsewhere since is another.
func isJournal(w io.Writer, journalStream string) bool {
	f, ok := w.(*os.File)
	if !ok || journalStream == "" {
		return false
	}
	info, err := f.Stat()
	if err != nil {
		return false
	}
	stat, ok := info.Sys().(*syscall.Stat_t)
	return ok && journalStream == fmt.Sprintf("%d:%d", stat.Dev, stat.Ino)
}
