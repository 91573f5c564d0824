package watcher

import (
	"errors"
	"os"
	"path/filepath"
	"strings"

	"golang.org/x/sys/windows"
)

// freeBytes returns how much this user may still write below path.
func freeBytes(path string) (int64, error) {
	name, err := windows.UTF16PtrFromString(path)
	if err != nil {
		return 0, &os.PathError{Op: "free space", Path: path, Err: err}
	}
	var free uint64
	if err := windows.GetDiskFreeSpaceEx(name, &free, nil, nil); err != nil {
		return 0, &os.PathError{Op: "free space", Path: path, Err: err}
	}
	return int64(free), nil
}

// sharesInode is not asked on Windows, where a moved file keeps its owner's
// rights only as far as the folder grants them.
func sharesInode(os.FileInfo) bool { return false }

// isDiskFull tells whether an error means that there is no room left.
func isDiskFull(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL)
}

// sameDisk tells whether two folders lie on one disk.
func sameDisk(a, b string) bool {
	return strings.EqualFold(filepath.VolumeName(a), filepath.VolumeName(b))
}

// mountPoint need not be known: a drive that is taken off leaves no folder behind.
func mountPoint(string) string { return "" }

// isMountPoint need not be known either.
func isMountPoint(string) bool { return false }
