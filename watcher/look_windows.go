package watcher

import "io/fs"

// lookAt reads a look from what Lstat returned.
func lookAt(info fs.FileInfo) look {
	return look{Size: info.Size(), ModifiedNS: info.ModTime().UnixNano()}
}
