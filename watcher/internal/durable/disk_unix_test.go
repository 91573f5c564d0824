//go:build unix

package durable

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

func TestOpenRefusesWhatIsNoFile(t *testing.T) {
	dir := t.TempDir()
	file, link, fifo := filepath.Join(dir, "f"), filepath.Join(dir, "l"), filepath.Join(dir, "p")
	for _, err := range []error{
		os.WriteFile(file, []byte("x"), 0o640), os.Symlink(file, link), syscall.Mkfifo(fifo, 0o640),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	for _, path := range []string{link, fifo, dir} {
		if f, err := OpenRegular(path); !errors.Is(err, ErrNotRegular) {
			t.Errorf("%s: opened %v, error %v", filepath.Base(path), f, err)
		}
	}
	f, err := OpenRegular(file)
	if err != nil {
		t.Fatal(err)
	}
	f.Close()
}

// The stand-ins for disks that cannot rename without overwriting.
func TestRenameStandIns(t *testing.T) {
	for name, rename := range map[string]func(from, to string) error{
		"linked": renameLinked, "reserved": renameReserved, "folder": renameDir, "exclusive": renameExclusive,
	} {
		t.Run(name, func(t *testing.T) {
			dir := t.TempDir()
			from, to := filepath.Join(dir, "from"), filepath.Join(dir, "to")
			if err := os.WriteFile(from, []byte("new"), 0o640); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(to, []byte("old"), 0o640); err != nil {
				t.Fatal(err)
			}
			if err := rename(from, to); !errors.Is(err, fs.ErrExist) {
				t.Errorf("onto a file: %v", err)
			}
			if data, err := os.ReadFile(to); err != nil || string(data) != "old" {
				t.Errorf("the target now holds %q, %v", data, err)
			}
			if err := os.Remove(to); err != nil {
				t.Fatal(err)
			}
			if err := rename(from, to); err != nil {
				t.Error(err)
			}
			if data, err := os.ReadFile(to); err != nil || string(data) != "new" {
				t.Errorf("after the move: %q, %v", data, err)
			}
		})
	}
}
