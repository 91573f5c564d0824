// Package durable holds the one safe write and the one safe move, the one safe
// replacement, and the one file that grows.
//
// After any of them returns nil the bytes are on the disk under their final name,
// and a crash at any moment before left the final name absent or whole, never half
// written. Write and Move overwrite nothing; Replace and Put leave, at every moment,
// the whole old file under the name or the whole new one. Append alone may leave a
// beginning of what it was to add.
package durable

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
)

// FS is what the safe write and the safe move need of a file system. Disk is
// the real one; tests wrap it to fail one call at a time.
type FS interface {
	Mkdir(path string, perm fs.FileMode) error
	// Create opens a new file for writing; an existing path is an error.
	Create(path string, perm fs.FileMode) (File, error)
	// Open opens a regular file for reading. A link, a FIFO or a device is an
	// error, never a wait.
	Open(path string) (File, error)
	// Append opens a file for writing behind its end, and makes it if there is none. What
	// is there and is no regular file is an ErrNotRegular.
	Append(path string, perm fs.FileMode) (File, error)
	// Rename gives a file or folder a new name in one step. An existing target
	// is an error that satisfies errors.Is(err, fs.ErrExist).
	Rename(from, to string) error
	// Take is Rename out of a folder into which others may write, and Give is Rename
	// into one. dir itself must not be a link, not even one that took its place a
	// moment ago; where the system can, that is made sure and not only looked at.
	Take(dir, name, to string) error
	Give(from, dir, name string) error
	// Replace is Give over the file of that name, if there is one, in one step.
	Replace(from, dir, name string) error
	Remove(path string) error
	SyncDir(path string) error
	// Settle flushes a file that is there already and, where the system can, drops what
	// memory holds of it, so that the next read is one of the disk.
	Settle(path string) error
}

// File is an open file of an FS.
type File interface {
	io.ReadWriteSeeker
	io.Closer
	Sync() error
}

// ErrNotSame reports that bytes read back differ from the bytes promised.
var ErrNotSame = errors.New("the bytes read back are not the bytes written")

// ErrNotRegular reports a link, FIFO, device or folder in place of a file.
var ErrNotRegular = errors.New("not a regular file")

// tempPrefix starts the name of everything that is not finished yet.
const tempPrefix = ".tmp-"

// Store writes and moves on one FS. Tag tells whose unfinished files are
// whose: it is part of every temporary name.
type Store struct {
	FS  FS
	Tag string
}

// TempName returns a fresh name for something unfinished.
func (s Store) TempName() string {
	var id [8]byte
	rand.Read(id[:]) // never fails: see crypto/rand.Read
	return tempPrefix + s.Tag + "-" + hex.EncodeToString(id[:])
}

// IsTemp tells whether a name was made by TempName, by any Store.
func IsTemp(name string) bool { return strings.HasPrefix(name, tempPrefix) }

// IsOwnTemp tells whether a name was made by TempName of a Store with this Tag.
func (s Store) IsOwnTemp(name string) bool {
	return strings.HasPrefix(name, tempPrefix+s.Tag+"-")
}

// Write puts data into a new file: temporary name beside it, write, flush,
// close, read back, rename, flush the folder. An existing path is fs.ErrExist. A failed
// flush is never tried again on the same file, because the system may then
// report success without having written (PostgreSQL's finding of 2018).
func (s Store) Write(path string, data []byte, perm fs.FileMode) error {
	temp, err := s.fillTemp(filepath.Dir(path), bytes.NewReader(data), sumOf(data), perm)
	if err != nil {
		return fmt.Errorf("write file: %w", err)
	}
	if err := s.Rename(temp, path); err != nil {
		return fmt.Errorf("name written file: %w", errors.Join(err, s.FS.Remove(temp)))
	}
	return s.syncDirs(path)
}

func sumOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// Move gives the file at from the name to, on the same disk or another. sum is
// the file's sha256 in lower-case hex; it is compared if the bytes have to be
// copied. An existing target is fs.ErrExist.
func (s Store) Move(from, to, sum string) error {
	err := s.Rename(from, to)
	if isCrossDevice(err) {
		return s.CopyAway(from, to, sum, 0o640)
	}
	if err != nil {
		return fmt.Errorf("move file: %w", err)
	}
	return s.syncDirs(to, from)
}

// Rename is FS.Rename on a share that may have lost its answer.
func (s Store) Rename(from, to string) error { return s.done(s.FS.Rename(from, to), from, to) }

// done finds out whether a rename that is reported as failed was done nevertheless: a
// share that is asked again, because its answer was lost, no longer finds the source.
// A target of ours that was free has then its new content. (Postfix's rule for NFS.)
func (s Store) done(err error, from, to string) error {
	if err == nil || errors.Is(err, fs.ErrExist) || isCrossDevice(err) {
		return err
	}
	if _, gone := os.Lstat(from); !errors.Is(gone, fs.ErrNotExist) {
		return err
	}
	if _, there := os.Lstat(to); there != nil {
		return err
	}
	return nil
}

// Take moves the file dir/name, which lies in a folder into which others may write.
func (s Store) Take(dir, name, to string) error {
	if err := s.done(s.FS.Take(dir, name, to), filepath.Join(dir, name), to); err != nil {
		return fmt.Errorf("take file: %w", err)
	}
	return s.syncDirs(to, filepath.Join(dir, name))
}

// Give moves the file at from to dir/name, in a folder into which others may write.
func (s Store) Give(from, dir, name string) error {
	if err := s.done(s.FS.Give(from, dir, name), from, filepath.Join(dir, name)); err != nil {
		return fmt.Errorf("give file: %w", err)
	}
	return s.syncDirs(filepath.Join(dir, name), from)
}

// CopyAway moves by copying: only once the copy has its name is the file at from removed.
func (s Store) CopyAway(from, to, sum string, perm fs.FileMode) error {
	if err := s.Copy(from, to, sum, perm); err != nil {
		return err
	}
	return s.Remove(from)
}

// Remove deletes a file for good; one that is already gone is no error.
func (s Store) Remove(path string) error {
	if err := s.FS.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("remove file: %w", err)
	}
	return s.syncDirs(path)
}

// MkdirAll makes the folders of rel, a path below base, where they are missing.
// base itself must exist: an unplugged disk is not papered over.
func (s Store) MkdirAll(base, rel string, perm fs.FileMode) error {
	path := base
	for part := range strings.SplitSeq(filepath.ToSlash(rel), "/") {
		if part == "" || part == "." {
			continue
		}
		path = filepath.Join(path, part)
		switch err := s.FS.Mkdir(path, perm); {
		case errors.Is(err, fs.ErrExist):
		case err != nil:
			return fmt.Errorf("make folder: %w", err)
		default:
			if err := s.syncDirs(path); err != nil {
				return err
			}
		}
	}
	return nil
}

// Sum returns the sha256 of a file in lower-case hex, and its size in bytes.
func (s Store) Sum(path string) (sum string, size int64, err error) {
	f, err := s.FS.Open(path)
	if err != nil {
		return "", 0, fmt.Errorf("open file to sum: %w", err)
	}
	defer f.Close()
	h := sha256.New()
	if size, err = io.Copy(h, f); err != nil {
		return "", 0, fmt.Errorf("sum file: %w", err)
	}
	return hex.EncodeToString(h.Sum(nil)), size, nil
}

// Append adds data to the end of a file, which is made if there is none, and flushes it.
// It is one write, so that what several processes add stays apart, on one computer at
// least. A crash may leave a part of data, or the whole of it.
func (s Store) Append(path string, data []byte, perm fs.FileMode) error {
	f, err := s.FS.Append(path, perm)
	if err != nil {
		return fmt.Errorf("open file to add to: %w", err)
	}
	_, err = f.Write(data)
	if err == nil {
		err = f.Sync()
	}
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		return fmt.Errorf("add to file: %w", err)
	}
	return s.syncDirs(path)
}

// ReadFrom returns what a file holds from a byte on, and nothing if it ends before.
func (s Store) ReadFrom(path string, from int64) ([]byte, error) {
	f, err := s.FS.Open(path)
	if err != nil {
		return nil, fmt.Errorf("open file to read: %w", err)
	}
	defer f.Close()
	if _, err := f.Seek(from, io.SeekStart); err != nil {
		return nil, fmt.Errorf("read file: %w", err)
	}
	data, err := io.ReadAll(f)
	if err != nil {
		return nil, fmt.Errorf("read file: %w", err)
	}
	return data, nil
}

// fillTemp writes a temporary file in dir, reads it back and compares it with sum. It
// leaves nothing if that fails.
func (s Store) fillTemp(dir string, from io.Reader, sum string, perm fs.FileMode) (temp string, err error) {
	temp = filepath.Join(dir, s.TempName())
	if err := s.fill(temp, from, perm); err != nil {
		return "", err
	}
	if err := s.check(temp, sum); err != nil {
		return "", fmt.Errorf("check written file: %w", errors.Join(err, s.FS.Remove(temp)))
	}
	return temp, nil
}

// fill writes a new file to its last byte and flushes it, or leaves nothing.
func (s Store) fill(path string, from io.Reader, perm fs.FileMode) (err error) {
	f, err := s.FS.Create(path, perm)
	if err != nil {
		return err
	}
	_, err = io.Copy(f, from)
	if err == nil {
		err = f.Sync()
	}
	if closeErr := f.Close(); err == nil {
		err = closeErr
	}
	if err != nil {
		return errors.Join(err, s.FS.Remove(path))
	}
	return nil
}

func (s Store) check(path, sum string) error {
	got, _, err := s.Sum(path)
	if err != nil {
		return err
	}
	if got != sum {
		return fmt.Errorf("%w: sha256 %s instead of %s", ErrNotSame, got, sum)
	}
	return nil
}

// syncDirs flushes the folders of the given files, each once.
func (s Store) syncDirs(paths ...string) error {
	last := ""
	for _, path := range paths {
		dir := filepath.Dir(path)
		if dir == last {
			continue
		}
		if err := s.FS.SyncDir(dir); err != nil {
			return fmt.Errorf("flush folder: %w", err)
		}
		last = dir
	}
	return nil
}
