package durable

import (
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
)

// Copy gives a copy of the file at from the free name to: the copy is flushed, read back
// from the disk, compared with sum, the sha256 it must have, and only then named. A name
// that is not free is fs.ErrExist, other bytes are an ErrNotSame.
func (s Store) Copy(from, to, sum string, perm fs.FileMode) error {
	source, err := s.FS.Open(from)
	if err != nil {
		return fmt.Errorf("open file to copy: %w", err)
	}
	temp := filepath.Join(filepath.Dir(to), s.TempName())
	err = s.fill(temp, source, perm)
	source.Close() // before it is removed, which Windows refuses of an open file
	if err != nil {
		return fmt.Errorf("copy file: %w", err)
	}
	err = s.FS.Settle(temp)
	if err == nil {
		err = s.check(temp, sum)
	}
	if err != nil {
		return fmt.Errorf("check copied file: %w", errors.Join(err, s.FS.Remove(temp)))
	}
	if err := s.Rename(temp, to); err != nil {
		return fmt.Errorf("name copied file: %w", errors.Join(err, s.FS.Remove(temp)))
	}
	return s.syncDirs(to)
}

// Confirm makes sure that a file somebody else may have written lasts, its name included,
// and returns its sha256 and size as read back from the disk.
func (s Store) Confirm(path string) (sum string, size int64, err error) {
	if err := s.FS.Settle(path); err != nil {
		return "", 0, fmt.Errorf("flush file: %w", err)
	}
	if err := s.syncDirs(path); err != nil {
		return "", 0, err
	}
	return s.Sum(path)
}
