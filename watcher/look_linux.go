package watcher

import (
	"io/fs"
	"syscall"
)

// lookAt reads a look from what Lstat returned.
func lookAt(info fs.FileInfo) look {
	l := look{Size: info.Size(), ModifiedNS: info.ModTime().UnixNano()}
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		l.Device, l.Inode, l.ChangedNS = uint64(st.Dev), st.Ino, st.Ctim.Nano()
	}
	return l
}
