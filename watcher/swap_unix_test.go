//go:build unix

package watcher

import (
	"os"
	"path/filepath"
	"testing"

	"lectern/watcher/internal/durable"
)

// swappingDisk puts a link in the place of a book folder at the worst moment: all
// looks are over, and the recording is about to be taken.
type swappingDisk struct {
	durable.Disk
	swap func()
}

func (s *swappingDisk) Take(dir, name, to string) error {
	s.swap()
	return s.Disk.Take(dir, name, to)
}

// Nothing outside the inbox is taken, even if a folder turns into a link to one
// outside while its recording is being claimed.
func TestFolderSwappedForALinkWhileClaiming(t *testing.T) {
	ws := newWorkspace(t)
	outside := t.TempDir()
	secret := filepath.Join(outside, "03 The Ferry.wav")
	check(t, os.WriteFile(secret, []byte("not hers"), 0o600))
	sum := drop(t, ws, "Tides/03 The Ferry.wav", "ferry")
	book, aside := filepath.Join(ws.Inbox, "Tides"), filepath.Join(ws.Inbox, "Tides moved")
	disk := &swappingDisk{swap: func() {
		check(t, os.Rename(book, aside))
		check(t, os.Symlink(outside, book))
	}}
	d := readyDaemon(t, ws, disk)
	if len(d.queue) != 1 {
		t.Fatalf("%d batches are ready, want 1", len(d.queue))
	}
	if j, err := d.claim(d.queue[0]); j != nil || err == nil {
		t.Errorf("claimed %v (%v)", j, err)
	}
	if data, err := os.ReadFile(secret); err != nil || string(data) != "not hers" {
		t.Errorf("the file outside: %q, %v", data, err)
	}
	check(t, os.Remove(book))
	check(t, os.Rename(aside, book))
	if err := invariant(ws, map[string]int{sum: 1}, true); err != nil {
		t.Error(err)
	}
}
