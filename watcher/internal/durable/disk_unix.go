//go:build unix

package durable

import (
	"errors"
	"io/fs"
	"os"

	"golang.org/x/sys/unix"
)

// openFlags keep an open from following a link and from waiting on a FIFO.
const openFlags = unix.O_NOFOLLOW | unix.O_NONBLOCK

func syncDir(path string) error {
	dir, err := os.Open(path)
	if err != nil {
		return err
	}
	err = dir.Sync()
	if closeErr := dir.Close(); err == nil {
		err = closeErr
	}
	return err
}

func isUnsupported(err error) bool {
	return errors.Is(err, unix.ENOTSUP) || errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOTTY)
}

func isCrossDevice(err error) bool { return errors.Is(err, unix.EXDEV) }

// renameNew renames without overwriting. Where the disk cannot do that in one
// step a hard link stands in, and where it has no hard links either an empty
// file of our own holds the name first.
func renameNew(from, to string) error {
	err := renameExclusive(from, to)
	if err == nil || !isUnsupported(err) && !errors.Is(err, unix.ENOSYS) {
		return err
	}
	info, err := os.Lstat(from)
	if err != nil {
		return err
	}
	if info.IsDir() {
		return renameDir(from, to)
	}
	err = renameLinked(from, to)
	if err == nil || errors.Is(err, fs.ErrExist) || errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return renameReserved(from, to)
}

// renameLinked leaves, after a crash in between, the file under both names.
func renameLinked(from, to string) error {
	if err := os.Link(from, to); err != nil {
		return err
	}
	return os.Remove(from)
}

// renameDir relies on rename(2), which refuses a folder that holds something.
func renameDir(from, to string) error {
	if _, err := os.Lstat(to); err == nil {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: fs.ErrExist}
	}
	return os.Rename(from, to)
}

// renameReserved leaves, after a crash in between, an empty file under the
// final name; whoever repeats the move may take an empty file away.
func renameReserved(from, to string) error {
	hold, err := os.OpenFile(to, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o640)
	if err != nil {
		return err
	}
	if err := hold.Close(); err != nil {
		return err
	}
	return os.Rename(from, to)
}
