package durable

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// Replace gives the file at from the name to, in place of the file that lies there, on
// the same disk or another. sum is the new file's sha256 in lower-case hex.
func (s Store) Replace(from, to, sum string) error {
	err := s.replaced(s.FS.Replace(from, filepath.Dir(to), filepath.Base(to)), from, to, sum)
	if !isCrossDevice(err) {
		if err != nil {
			return fmt.Errorf("replace file: %w", err)
		}
		return s.syncDirs(to, from)
	}
	source, err := s.FS.Open(from)
	if err != nil {
		return fmt.Errorf("open file to copy: %w", err)
	}
	temp, err := s.fillTemp(filepath.Dir(to), source, sum, 0o640)
	source.Close() // before it is removed, which Windows refuses of an open file
	if err != nil {
		return fmt.Errorf("copy file: %w", err)
	}
	// Whoever slept over the copy may have lost the file at from, and with it the right to
	// the name.
	if _, err := os.Lstat(from); err != nil {
		return fmt.Errorf("replace file: %w", errors.Join(err, s.FS.Remove(temp)))
	}
	if err := s.nameOver(temp, to, sum); err != nil {
		return err
	}
	return s.Remove(from)
}

// nameOver gives a temporary file its name.
func (s Store) nameOver(temp, to, sum string) error {
	err := s.replaced(s.FS.Replace(temp, filepath.Dir(to), filepath.Base(to)), temp, to, sum)
	if err != nil {
		return fmt.Errorf("replace file: %w", errors.Join(err, s.FS.Remove(temp)))
	}
	return s.syncDirs(to, temp)
}

// replaced is done for a name that is never free.
func (s Store) replaced(err error, from, to, sum string) error {
	if err == nil || isCrossDevice(err) {
		return err
	}
	if _, gone := os.Lstat(from); !errors.Is(gone, fs.ErrNotExist) || s.check(to, sum) != nil {
		return err
	}
	return nil
}

// Put writes data as dir/name, in place of the file that lies there, if any. It is
// written in the folder beside first, on the same disk. dir itself must not be a link.
func (s Store) Put(data []byte, beside, dir, name string, perm fs.FileMode) error {
	sum := sumOf(data)
	temp, err := s.fillTemp(beside, bytes.NewReader(data), sum, perm)
	if err != nil {
		return fmt.Errorf("write file: %w", err)
	}
	return s.nameOver(temp, filepath.Join(dir, name), sum)
}

// PutNew is Put of a name that must be free: else it is fs.ErrExist.
func (s Store) PutNew(data []byte, beside, dir, name string, perm fs.FileMode) error {
	temp, err := s.fillTemp(beside, bytes.NewReader(data), sumOf(data), perm)
	if err != nil {
		return fmt.Errorf("write file: %w", err)
	}
	if err := s.Give(temp, dir, name); err != nil {
		return errors.Join(err, s.Remove(temp))
	}
	return nil
}
