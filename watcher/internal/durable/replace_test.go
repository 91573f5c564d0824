package durable_test

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"

	"lectern/watcher/internal/durable"
)

func TestReplaceLeavesTheOldOrTheNew(t *testing.T) {
	for name, run := range map[string]func(s durable.Store, from, dir string) error{
		"Replace": func(s durable.Store, from, dir string) error {
			return s.Replace(from, filepath.Join(dir, "to"), sum("new"))
		},
		"Put": func(s durable.Store, _, dir string) error {
			return s.Put([]byte("new"), filepath.Dir(dir), dir, "to", 0o640)
		},
	} {
		setUp := func(t *testing.T) (root, from, dir string) {
			root = t.TempDir()
			from, dir = filepath.Join(root, "from"), filepath.Join(root, "book")
			if err := os.Mkdir(dir, 0o750); err != nil {
				t.Fatal(err)
			}
			put(t, filepath.Join(dir, "to"), "old")
			put(t, from, "new")
			return root, from, dir
		}
		for _, across := range []bool{false, true} {
			for _, call := range []string{"", "Create", "Write", "Sync", "Close", "Replace", "SyncDir"} {
				t.Run(fmt.Sprintf("%s, another disk %v, failing %s", name, across, call), func(t *testing.T) {
					_, from, dir := setUp(t)
					f := &faulty{fail: call, err: syscall.ENOSPC, across: across}
					err := run(durable.Store{FS: f, Tag: "t"}, from, dir)
					writes := name == "Put" || across
					fails := call == "Replace" || call == "SyncDir" || call != "" && writes
					if fails != errors.Is(err, syscall.ENOSPC) {
						t.Errorf("error is %v", err)
					}
					content := "new"
					if fails && call != "SyncDir" {
						content = "old"
					}
					want(t, filepath.Join(dir, "to"), content)
					if left := names(t, dir); len(left) != 1 {
						t.Errorf("left behind: %q", left)
					}
					if left := names(t, filepath.Dir(dir)); len(left) > 2 {
						t.Errorf("left behind above: %q", left)
					}
				})
			}
		}
		t.Run(name+" into a link", func(t *testing.T) {
			root, from, dir := setUp(t)
			if err := os.Symlink(dir, filepath.Join(root, "link")); err != nil {
				t.Skip("no links to be had here: ", err)
			}
			err := run(durable.Store{FS: &durable.Disk{}, Tag: "t"}, from, filepath.Join(root, "link"))
			if !errors.Is(err, fs.ErrNotExist) {
				t.Errorf("error is %v, want fs.ErrNotExist", err)
			}
			want(t, filepath.Join(dir, "to"), "old")
		})
	}
}

// What is named by way of a copy is the bytes promised, and only for whom the file
// still is.
func TestReplaceAcrossDisksChecksWhatItCopies(t *testing.T) {
	dir := t.TempDir()
	from, to := filepath.Join(dir, "from"), filepath.Join(dir, "to")
	put(t, from, "new")
	put(t, to, "old")
	err := durable.Store{FS: &faulty{across: true}, Tag: "t"}.Replace(from, to, sum("other"))
	if !errors.Is(err, durable.ErrNotSame) {
		t.Errorf("copy of the wrong bytes: %v", err)
	}
	err = durable.Store{FS: &faulty{across: true, lie: true}, Tag: "t"}.Replace(from, to, sum("new"))
	if !errors.Is(err, durable.ErrNotSame) {
		t.Errorf("a lying write went unseen: %v", err)
	}
	taken := &faulty{across: true, closed: func() { os.Rename(from, filepath.Join(dir, "elsewhere")) }}
	if err := (durable.Store{FS: taken, Tag: "t"}).Replace(from, to, sum("new")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file that another has taken: %v", err)
	}
	want(t, to, "old")
	if left := names(t, dir); len(left) != 2 {
		t.Errorf("left behind: %q", left)
	}
}

// A share that has lost its answer says that a replacement failed that is done.
func TestReplaceThatIsSaidToHaveFailed(t *testing.T) {
	dir := t.TempDir()
	from, to := filepath.Join(dir, "from"), filepath.Join(dir, "to")
	put(t, from, "new")
	put(t, to, "old")
	if err := (durable.Store{FS: &faulty{forgets: true}, Tag: "t"}).Replace(from, to, sum("new")); err != nil {
		t.Errorf("it was done, and is said to have failed: %v", err)
	}
	want(t, to, "new")
	if err := (durable.Store{FS: &faulty{forgets: true}, Tag: "t"}).Replace(from, to, sum("newer")); err == nil {
		t.Error("what is gone and not there is said to be done")
	}
}

func TestPutNewOverwritesNothing(t *testing.T) {
	dir := t.TempDir()
	s := durable.Store{FS: &durable.Disk{}, Tag: "t"}
	if err := s.PutNew([]byte("one"), dir, dir, "x", 0o640); err != nil {
		t.Fatal(err)
	}
	if err := s.PutNew([]byte("two"), dir, dir, "x", 0o640); !errors.Is(err, fs.ErrExist) {
		t.Errorf("onto a file: %v, want fs.ErrExist", err)
	}
	want(t, filepath.Join(dir, "x"), "one")
	if left := names(t, dir); len(left) != 1 {
		t.Errorf("left behind: %q", left)
	}
}
