//go:build unix

package watcher

import (
	"errors"
	"io/fs"
	"os"
	"syscall"

	"golang.org/x/sys/unix"
)

// isReadOnly tells whether an error means that nothing can be written to a disk.
func isReadOnly(err error) bool { return errors.Is(err, unix.EROFS) }

// strangersStay tells whether only its owner may move other people's files out of a
// folder, and this user is another one.
func strangersStay(folder string) bool {
	uid := os.Geteuid()
	return uid != 0 && ownedByAnother(folder, uid)
}

// ownedByAnother tells whether a folder's sticky bit is set and holds up a user.
func ownedByAnother(folder string, uid int) bool {
	info, err := os.Stat(folder)
	if err != nil || info.Mode()&fs.ModeSticky == 0 {
		return false
	}
	st, ok := info.Sys().(*syscall.Stat_t)
	return ok && int(st.Uid) != uid
}
