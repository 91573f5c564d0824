package durable

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync/atomic"
)

// Disk is the file system of the computer.
type Disk struct {
	unconfirmed atomic.Bool
}

// Unconfirmed tells whether some flush was refused as unsupported, which some
// network shares do: the files are right, but a power cut may still lose them.
func (d *Disk) Unconfirmed() bool { return d.unconfirmed.Load() }

// Mkdir makes one folder.
func (d *Disk) Mkdir(path string, perm fs.FileMode) error { return os.Mkdir(path, perm) }

// Create opens a new file for writing.
func (d *Disk) Create(path string, perm fs.FileMode) (File, error) {
	f, err := os.OpenFile(path, os.O_CREATE|os.O_EXCL|os.O_WRONLY, perm)
	if err != nil {
		return nil, err
	}
	return &diskFile{f, d}, nil
}

// Open opens a regular file for reading.
func (d *Disk) Open(path string) (File, error) {
	f, err := OpenRegular(path)
	if err != nil {
		return nil, err
	}
	return &diskFile{f, d}, nil
}

// Append opens a file for writing behind its end, and makes it if there is none.
func (d *Disk) Append(path string, perm fs.FileMode) (File, error) {
	if info, err := os.Lstat(path); err == nil && !info.Mode().IsRegular() {
		return nil, &fs.PathError{Op: "open", Path: path, Err: ErrNotRegular}
	}
	f, err := os.OpenFile(path, os.O_CREATE|os.O_WRONLY|os.O_APPEND|openFlags, perm)
	if err != nil {
		return nil, err
	}
	there, err := os.Lstat(path)
	if err == nil {
		var open fs.FileInfo
		if open, err = f.Stat(); err == nil && !(open.Mode().IsRegular() && os.SameFile(open, there)) {
			err = fmt.Errorf("open %q: swapped meanwhile: %w", path, ErrNotRegular)
		}
	}
	if err != nil {
		f.Close()
		return nil, err
	}
	return &diskFile{f, d}, nil
}

// Rename gives a file or folder a new name that must be free.
func (d *Disk) Rename(from, to string) error { return renameNew(from, to) }

// Take renames dir/name to the free name to.
func (d *Disk) Take(dir, name, to string) error {
	return throughFolder(dir, name, to, true)
}

// Give renames from to the free name dir/name.
func (d *Disk) Give(from, dir, name string) error {
	return throughFolder(dir, name, from, false)
}

// Replace renames from to dir/name, over a file that is there.
func (d *Disk) Replace(from, dir, name string) error { return replaceIn(from, dir, name) }

// Remove deletes one file or empty folder.
func (d *Disk) Remove(path string) error { return os.Remove(path) }

// SyncDir flushes a folder's list of names.
func (d *Disk) SyncDir(path string) error { return d.tolerate(syncDir(path)) }

// Settle flushes a file and lets the next read be one of the disk.
func (d *Disk) Settle(path string) error { return d.tolerate(settle(path)) }

// tolerate lets a flush pass that this kind of disk cannot do at all.
func (d *Disk) tolerate(err error) error {
	if err != nil && isUnsupported(err) {
		d.unconfirmed.Store(true)
		return nil
	}
	return err
}

// Flush flushes an open file. A disk that cannot do it at all is no error.
func Flush(f *os.File) error {
	if err := f.Sync(); err != nil && !isUnsupported(err) {
		return err
	}
	return nil
}

type diskFile struct {
	*os.File
	disk *Disk
}

// Sync flushes the file's bytes.
func (f *diskFile) Sync() error { return f.disk.tolerate(f.File.Sync()) }

// ListFolder returns the names in a folder, in no order. A link to a folder is
// fs.ErrNotExist.
func ListFolder(path string) ([]string, error) {
	f, err := openFolder(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return f.Readdirnames(-1)
}

// OpenBelow is OpenRegular of dir/name below root, where others may write into dir, or
// put a link in its place: nothing outside root is opened, whatever becomes of dir.
func OpenBelow(root, dir, name string) (*os.File, error) {
	r, err := os.OpenRoot(root)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	if info, err := r.Lstat(dir); err != nil {
		return nil, err
	} else if !info.IsDir() {
		return nil, &fs.PathError{Op: "open folder", Path: dir, Err: ErrNotRegular}
	}
	path := filepath.Join(dir, name)
	return openSeen(path, r.Lstat, r.OpenFile)
}

// OpenRegular opens a file for reading without ever following a link or
// waiting on a FIFO. The file is looked at again once it is open, so a swap in
// between is seen.
func OpenRegular(path string) (*os.File, error) { return openSeen(path, os.Lstat, os.OpenFile) }

func openSeen(path string, lstat func(string) (fs.FileInfo, error),
	open func(string, int, fs.FileMode) (*os.File, error)) (*os.File, error) {
	before, err := lstat(path)
	if err != nil {
		return nil, err
	}
	if !before.Mode().IsRegular() {
		return nil, &fs.PathError{Op: "open", Path: path, Err: ErrNotRegular}
	}
	f, err := open(path, os.O_RDONLY|openFlags, 0)
	if err != nil {
		return nil, err
	}
	after, err := f.Stat()
	if err != nil {
		f.Close()
		return nil, err
	}
	if !after.Mode().IsRegular() || !os.SameFile(before, after) {
		f.Close()
		return nil, fmt.Errorf("open %q: swapped meanwhile: %w", path, ErrNotRegular)
	}
	return f, nil
}
