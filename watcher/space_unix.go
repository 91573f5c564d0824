//go:build unix

package watcher

import (
	"errors"
	"os"
	"path/filepath"
	"syscall"

	"golang.org/x/sys/unix"
)

// freeBytes returns how much an ordinary user may still write below path.
func freeBytes(path string) (int64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(path, &st); err != nil {
		return 0, &os.PathError{Op: "statfs", Path: path, Err: err}
	}
	return int64(st.Bavail) * int64(st.Bsize), nil
}

// sharesInode tells whether somebody besides us still holds the file: another
// owner, a second name, or rights that come with the file.
func sharesInode(info os.FileInfo) bool {
	st, ok := info.Sys().(*syscall.Stat_t)
	if !ok {
		return false
	}
	return int(st.Uid) != os.Geteuid() || st.Nlink > 1 || info.Mode()&(os.ModeSetuid|os.ModeSetgid) != 0
}

// isDiskFull tells whether an error means that there is no room left.
func isDiskFull(err error) bool {
	return errors.Is(err, unix.ENOSPC) || errors.Is(err, unix.EDQUOT)
}

// sameDisk tells whether two folders lie on one disk.
func sameDisk(a, b string) bool {
	x, errX := os.Stat(a)
	y, errY := os.Stat(b)
	return errX == nil && errY == nil && lookAt(x).Device == lookAt(y).Device
}

// mountPoint returns the top of the disk that a folder lies on, "" for that of the system
// and for a folder that is not there.
func mountPoint(folder string) string {
	real, err := filepath.EvalSymlinks(folder)
	for err == nil && real != filepath.Dir(real) {
		if isMountPoint(real) {
			return real
		}
		real = filepath.Dir(real)
	}
	return ""
}

// isMountPoint tells whether a folder is the top of a disk of its own.
func isMountPoint(path string) bool {
	real, err := filepath.EvalSymlinks(path)
	return err == nil && !sameDisk(real, filepath.Dir(real))
}
