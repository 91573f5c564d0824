package durable

import (
	"os"

	"golang.org/x/sys/unix"
)

func renameExclusive(from, to string) error {
	err := unix.Renameat2(unix.AT_FDCWD, from, unix.AT_FDCWD, to, unix.RENAME_NOREPLACE)
	if err != nil {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
	}
	return nil
}

func renameAt(fromFD int, from string, toFD int, to string) error {
	err := unix.Renameat2(fromFD, from, toFD, to, unix.RENAME_NOREPLACE)
	if isUnsupported(err) || err == unix.ENOSYS {
		return renameLookingFirst(fromFD, from, toFD, to)
	}
	return err
}

// forget asks the system to drop what memory holds of a flushed file. It may decline.
func forget(f *os.File) { _ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED) }
