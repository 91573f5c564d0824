package durable

import (
	"errors"
	"io/fs"
	"math/rand/v2"
	"os"
	"path/filepath"
	"time"

	"golang.org/x/sys/windows"
)

// openFlags: Windows has neither FIFOs in folders nor such flags; links are
// found by the look before and after the open.
const openFlags = 0

// syncDir does nothing: Windows cannot flush a folder. MOVEFILE_WRITE_THROUGH
// makes the rename itself wait for the disk.
func syncDir(string) error { return nil }

// settle opens for writing, without which Windows flushes nothing.
func settle(path string) error {
	info, err := os.Lstat(path)
	if err == nil && !info.Mode().IsRegular() {
		err = &fs.PathError{Op: "open", Path: path, Err: ErrNotRegular}
	}
	if err != nil {
		return err
	}
	f, err := os.OpenFile(path, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

func isUnsupported(err error) bool {
	return errors.Is(err, windows.ERROR_NOT_SUPPORTED) || errors.Is(err, windows.ERROR_INVALID_FUNCTION)
}

func isCrossDevice(err error) bool { return errors.Is(err, windows.ERROR_NOT_SAME_DEVICE) }

// renamePatience is how long a rename is tried again while a virus scanner or
// a player holds the file. Our choice; a job that still fails tries later.
const renamePatience = 5 * time.Second

// throughFolder renames between dir/name and other, out of dir or into it. That dir
// is no link is looked at only.
func throughFolder(dir, name, other string, out bool) error {
	folder, err := openFolder(dir)
	if err != nil {
		return err
	}
	folder.Close()
	if out {
		return renameNew(filepath.Join(dir, name), other)
	}
	return renameNew(other, filepath.Join(dir, name))
}

// openFolder opens a folder. A link to one counts as no folder at all.
func openFolder(path string) (*os.File, error) {
	info, err := os.Lstat(path)
	if err == nil && !info.IsDir() {
		err = &fs.PathError{Op: "open folder", Path: path, Err: fs.ErrNotExist}
	}
	if err != nil {
		return nil, err
	}
	return os.Open(path)
}

func renameNew(from, to string) error { return rename(from, to, windows.MOVEFILE_WRITE_THROUGH) }

// replaceIn renames over what lies at dir/name. That dir is no link is looked at only.
func replaceIn(from, dir, name string) error {
	folder, err := openFolder(dir)
	if err != nil {
		return err
	}
	folder.Close()
	return rename(from, filepath.Join(dir, name), windows.MOVEFILE_WRITE_THROUGH|windows.MOVEFILE_REPLACE_EXISTING)
}

// rename waits for whoever holds one of the files.
func rename(from, to string, flags uint32) error {
	fromPtr, err := windows.UTF16PtrFromString(from)
	if err != nil {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
	}
	toPtr, err := windows.UTF16PtrFromString(to)
	if err != nil {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
	}
	for start := time.Now(); ; {
		err := windows.MoveFileEx(fromPtr, toPtr, flags)
		if err == nil {
			return nil
		}
		held := errors.Is(err, windows.ERROR_ACCESS_DENIED) || errors.Is(err, windows.ERROR_SHARING_VIOLATION)
		if !held || time.Since(start) > renamePatience {
			return &os.LinkError{Op: "rename", Old: from, New: to, Err: err}
		}
		time.Sleep(time.Duration(20+rand.IntN(80)) * time.Millisecond)
	}
}
