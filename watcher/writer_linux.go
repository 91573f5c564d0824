package watcher

import (
	"errors"

	"golang.org/x/sys/unix"

	"lectern/watcher/internal/durable"
)

// hasWriter tells whether a program still has the file open for writing. The
// kernel refuses a read lease (fcntl(2), F_SETLEASE) while one has, even after
// a rename; on a file of another user, or on a share, it cannot say.
func hasWriter(path string) (answer, error) {
	f, err := durable.OpenRegular(path)
	if err != nil {
		return unknown, err
	}
	defer f.Close()
	_, err = unix.FcntlInt(f.Fd(), unix.F_SETLEASE, unix.F_RDLCK)
	switch {
	case errors.Is(err, unix.EAGAIN):
		return yes, nil
	case err != nil:
		return unknown, nil
	}
	if _, err := unix.FcntlInt(f.Fd(), unix.F_SETLEASE, unix.F_UNLCK); err != nil {
		return unknown, nil
	}
	return no, nil
}
