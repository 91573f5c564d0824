package durable_test

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"

	"lectern/watcher/internal/durable"
)

// faulty is a Disk whose named call fails. Everything else is real.
type faulty struct {
	durable.Disk
	fail  string
	err   error
	short bool // Write takes half of the bytes and says so
	lie   bool // Write takes half of the bytes and claims all

	across  bool   // Replace only renames what is temporary, as between two disks
	forgets bool   // Replace is done, and reported as failed
	closed  func() // after a file was closed
}

func (f *faulty) Rename(from, to string) error {
	if f.fail == "Rename" {
		return f.err
	}
	return f.Disk.Rename(from, to)
}

func (f *faulty) Replace(from, dir, name string) error {
	switch {
	case f.across && !durable.IsTemp(filepath.Base(from)):
		return &os.LinkError{Op: "rename", Old: from, New: name, Err: crossDevice}
	case f.fail == "Replace":
		return f.err
	}
	err := f.Disk.Replace(from, dir, name)
	if f.forgets {
		return fs.ErrNotExist
	}
	return err
}

func (f *faulty) SyncDir(path string) error {
	if f.fail == "SyncDir" {
		return f.err
	}
	return f.Disk.SyncDir(path)
}

func (f *faulty) Create(path string, perm fs.FileMode) (durable.File, error) {
	if f.fail == "Create" {
		return nil, f.err
	}
	file, err := f.Disk.Create(path, perm)
	return &faultyFile{file, f}, err
}

type faultyFile struct {
	durable.File
	fs *faulty
}

func (f *faultyFile) Write(data []byte) (int, error) {
	switch {
	case f.fs.fail == "Write":
		return 0, f.fs.err
	case f.fs.short:
		n, _ := f.File.Write(data[:len(data)/2])
		return n, nil
	case f.fs.lie:
		_, err := f.File.Write(data[:len(data)/2])
		return len(data), err
	}
	return f.File.Write(data)
}

func (f *faultyFile) Sync() error {
	if f.fs.fail == "Sync" {
		return f.fs.err
	}
	return f.File.Sync()
}

func (f *faultyFile) Close() error {
	err := f.File.Close()
	if f.fs.closed != nil {
		f.fs.closed()
	}
	if f.fs.fail == "Close" {
		return f.fs.err
	}
	return err
}

func sum(text string) string {
	s := sha256.Sum256([]byte(text))
	return hex.EncodeToString(s[:])
}

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.WriteFile(path, []byte(text), 0o640); err != nil {
		t.Fatal(err)
	}
}

func want(t *testing.T, path, text string) {
	t.Helper()
	got, err := os.ReadFile(path)
	if err != nil || string(got) != text {
		t.Errorf("%s holds %q (%v), want %q", filepath.Base(path), got, err, text)
	}
}

func names(t *testing.T, dir string) (list []string) {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range entries {
		list = append(list, e.Name())
	}
	return list
}

func TestEveryFaultLeavesNoFinalNameAndNoTemporary(t *testing.T) {
	for _, call := range []string{"Create", "Write", "Sync", "Close", "Rename"} {
		t.Run(call, func(t *testing.T) {
			dir := t.TempDir()
			f := &faulty{fail: call, err: syscall.ENOSPC}
			err := durable.Store{FS: f, Tag: "t"}.Write(filepath.Join(dir, "x.json"), []byte("text"), 0o640)
			if !errors.Is(err, syscall.ENOSPC) {
				t.Errorf("error is %v, want ENOSPC", err)
			}
			if left := names(t, dir); len(left) > 0 {
				t.Errorf("left behind: %q", left)
			}
		})
	}
	t.Run("short write", func(t *testing.T) {
		dir := t.TempDir()
		if err := (durable.Store{FS: &faulty{short: true}, Tag: "t"}).Write(filepath.Join(dir, "x"), []byte("text"), 0o640); err == nil {
			t.Error("a short write was taken for a whole one")
		}
		if left := names(t, dir); len(left) > 0 {
			t.Errorf("left behind: %q", left)
		}
	})
	t.Run("SyncDir", func(t *testing.T) {
		f := &faulty{fail: "SyncDir", err: syscall.EIO}
		err := durable.Store{FS: f, Tag: "t"}.Write(filepath.Join(t.TempDir(), "x"), []byte("text"), 0o640)
		if !errors.Is(err, syscall.EIO) {
			t.Errorf("a failed folder flush was swallowed: %v", err)
		}
	})
}

func TestFlushThatTheDiskCannotDoIsRemembered(t *testing.T) {
	var d durable.Disk
	if d.Unconfirmed() {
		t.Error("unconfirmed before any flush")
	}
	if runtime.GOOS != "linux" {
		t.Skip("/dev/full with its EINVAL on flush is a Linux file")
	}
	f, err := d.Open("/dev/full")
	if !errors.Is(err, durable.ErrNotRegular) {
		t.Fatalf("a device was opened: %v %v", f, err)
	}
	if err := d.SyncDir("/proc"); err != nil {
		t.Errorf("flush of a disk that has none: %v", err)
	}
	if !d.Unconfirmed() {
		t.Error("the flush that could not be done was not remembered")
	}
}

func TestNothingIsOverwritten(t *testing.T) {
	dir := t.TempDir()
	s := durable.Store{FS: &durable.Disk{}, Tag: "t"}
	from, to := filepath.Join(dir, "from"), filepath.Join(dir, "to")
	put(t, from, "new")
	put(t, to, "old")
	for name, err := range map[string]error{
		"Write": s.Write(to, []byte("new"), 0o640), "Move": s.Move(from, to, ""),
		"CopyAway": s.CopyAway(from, to, sum("new"), 0o640), "Rename": s.FS.Rename(from, to),
	} {
		if !errors.Is(err, fs.ErrExist) {
			t.Errorf("%s onto a file: %v, want fs.ErrExist", name, err)
		}
	}
	want(t, from, "new")
	want(t, to, "old")
	if left := names(t, dir); len(left) != 2 {
		t.Errorf("left behind: %q", left)
	}
}

func TestMoveAcrossDisks(t *testing.T) {
	dir := t.TempDir()
	from, to := filepath.Join(dir, "from"), filepath.Join(dir, "to")
	across := &crossDisk{}
	s := durable.Store{FS: across, Tag: "t"}

	put(t, from, "raw")
	if err := s.Move(from, to, sum("other")); !errors.Is(err, durable.ErrNotSame) {
		t.Errorf("copy of the wrong bytes: %v", err)
	}
	if left := names(t, dir); len(left) != 1 || left[0] != "from" {
		t.Errorf("after a failed copy: %q", left)
	}
	if err := s.Move(from, to, sum("raw")); err != nil {
		t.Fatal(err)
	}
	want(t, to, "raw")
	if left := names(t, dir); len(left) != 1 {
		t.Errorf("after the copy: %q", left)
	}

	t.Run("a lying write", func(t *testing.T) {
		dir := t.TempDir()
		from, to := filepath.Join(dir, "from"), filepath.Join(dir, "to")
		put(t, from, "raw")
		err := durable.Store{FS: &faulty{lie: true}, Tag: "t"}.CopyAway(from, to, sum("raw"), 0o640)
		if !errors.Is(err, durable.ErrNotSame) {
			t.Errorf("a lying write went unseen: %v", err)
		}
		want(t, from, "raw")
	})
	t.Run("no unlink before the flush", func(t *testing.T) {
		dir := t.TempDir()
		from, to := filepath.Join(dir, "from"), filepath.Join(dir, "to")
		put(t, from, "raw")
		f := &faulty{fail: "SyncDir", err: syscall.EIO}
		if err := (durable.Store{FS: f, Tag: "t"}).CopyAway(from, to, sum("raw"), 0o640); err == nil {
			t.Error("the failed flush was swallowed")
		}
		want(t, from, "raw")
	})
}

// crossDisk renames only within a temporary name, as between two disks.
type crossDisk struct{ durable.Disk }

func (c *crossDisk) Rename(from, to string) error {
	if !durable.IsTemp(filepath.Base(from)) {
		return &os.LinkError{Op: "rename", Old: from, New: to, Err: crossDevice}
	}
	return c.Disk.Rename(from, to)
}

func TestMkdirAllNeedsItsBase(t *testing.T) {
	dir := t.TempDir()
	s := durable.Store{FS: &durable.Disk{}, Tag: "t"}
	if err := s.MkdirAll(dir, "a/b", 0o750); err != nil {
		t.Error(err)
	}
	if err := s.MkdirAll(dir, "a/b", 0o750); err != nil {
		t.Errorf("a second time: %v", err)
	}
	if err := s.MkdirAll(filepath.Join(dir, "unplugged"), "a", 0o750); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a missing base was made: %v", err)
	}
}

func TestTemporaryNamesSayWhoseTheyAre(t *testing.T) {
	mine, other := durable.Store{Tag: "aa"}, durable.Store{Tag: "bb"}
	name := mine.TempName()
	if !durable.IsTemp(name) || !mine.IsOwnTemp(name) || other.IsOwnTemp(name) {
		t.Errorf("%q is not seen for what it is", name)
	}
	if durable.IsTemp("03 The Ferry.wav") {
		t.Error("a take was taken for a temporary file")
	}
	if name == mine.TempName() {
		t.Error("the same name twice")
	}
}
