//go:build unix

package durable

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"

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

func settle(path string) error {
	f, err := OpenRegular(path)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Sync(); err != nil {
		return err
	}
	forget(f)
	return nil
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

// openFolder opens a folder. A link to one counts as no folder at all.
func openFolder(path string) (*os.File, error) {
	f, err := os.OpenFile(path, unix.O_RDONLY|unix.O_DIRECTORY|unix.O_NOFOLLOW, 0)
	if errors.Is(err, unix.ELOOP) || errors.Is(err, unix.ENOTDIR) {
		err = &fs.PathError{Op: "open folder", Path: path, Err: fs.ErrNotExist}
	}
	return f, err
}

// throughFolder renames between dir/name and other, out of dir or into it. The folder
// is held open while that is done, and opened in a way that follows no link.
func throughFolder(dir, name, other string, out bool) error {
	folder, err := openFolder(dir)
	if err != nil {
		return err
	}
	defer folder.Close()
	fd, path := int(folder.Fd()), filepath.Join(dir, name)
	if out {
		if err := renameAt(fd, name, unix.AT_FDCWD, other); err != nil {
			return &os.LinkError{Op: "rename", Old: path, New: other, Err: err}
		}
		return nil
	}
	if err := renameAt(unix.AT_FDCWD, other, fd, name); err != nil {
		return &os.LinkError{Op: "rename", Old: other, New: path, Err: err}
	}
	return nil
}

// replaceIn renames over what lies at dir/name, in one step. dir is held open meanwhile,
// as in throughFolder.
func replaceIn(from, dir, name string) error {
	folder, err := openFolder(dir)
	if err != nil {
		return err
	}
	defer folder.Close()
	if err := unix.Renameat(unix.AT_FDCWD, from, int(folder.Fd()), name); err != nil {
		return &os.LinkError{Op: "rename", Old: from, New: filepath.Join(dir, name), Err: err}
	}
	return nil
}

// renameLookingFirst is for systems that cannot refuse to overwrite in one step.
func renameLookingFirst(fromFD int, from string, toFD int, to string) error {
	var st unix.Stat_t
	switch err := unix.Fstatat(toFD, to, &st, unix.AT_SYMLINK_NOFOLLOW); {
	case err == nil:
		return unix.EEXIST
	case !errors.Is(err, unix.ENOENT):
		return err
	}
	return unix.Renameat(fromFD, from, toFD, to)
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
