package watcher

import (
	"path/filepath"

	"golang.org/x/sys/windows"
)

// isNetwork tells whether path lies on a disk of another computer.
func isNetwork(path string) bool {
	root, err := windows.UTF16PtrFromString(filepath.VolumeName(path) + `\`)
	if err != nil {
		return false
	}
	return windows.GetDriveType(root) == windows.DRIVE_REMOTE
}

// pollsByDefault is set where watching a folder costs too much.
const pollsByDefault = false
