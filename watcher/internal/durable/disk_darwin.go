package durable

import (
	"os"

	"golang.org/x/sys/unix"
)

func renameExclusive(from, to string) error {
	if err := unix.RenamexNp(from, to, unix.RENAME_EXCL); err != nil {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
	}
	return nil
}

func renameAt(fromFD int, from string, toFD int, to string) error {
	return renameLookingFirst(fromFD, from, toFD, to)
}

// forget does nothing: this system has no call for it.
func forget(*os.File) {}
