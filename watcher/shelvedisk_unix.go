//go:build unix

package watcher

import "path/filepath"

// diskLabel is the name of the disk a folder lies on, as far as the system shows it: disks
// that are plugged in are mounted under their label. "" for the system's own disk.
func diskLabel(folder string) string {
	if top := mountPoint(folder); top != "" {
		return filepath.Base(top)
	}
	return ""
}
