package watcher

import (
	"errors"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"
	"time"
)

// What each system's own part must tell, in the same words for all of them. Where one
// cannot tell, the test says so.

func TestLookTellsFilesApart(t *testing.T) {
	dir := t.TempDir()
	path, moved := filepath.Join(dir, "a.wav"), filepath.Join(dir, "b.wav")
	at := time.Date(2020, 1, 2, 3, 4, 5, 0, time.UTC)
	put := func(path, content string) {
		t.Helper()
		check(t, os.WriteFile(path, []byte(content), 0o640))
		check(t, os.Chtimes(path, at, at))
	}
	see := func(path string) look {
		t.Helper()
		info, err := os.Lstat(path)
		check(t, err)
		return lookAt(info)
	}
	put(path, "four")
	first := see(path)
	if first != see(path) || first.Size != 4 || first.ModifiedNS != at.UnixNano() {
		t.Errorf("two looks: %+v and %+v", first, see(path))
	}
	check(t, os.Rename(path, moved))
	if !first.sameBytes(see(moved)) {
		t.Errorf("after a rename: %+v, before: %+v", see(moved), first)
	}
	check(t, os.Rename(moved, path))
	put(path, "longer")
	if first.sameBytes(see(path)) {
		t.Error("a longer file looks the same")
	}
	put(moved, "four") // beside the first, so that it cannot be given its number
	if runtime.GOOS != "windows" && first.sameBytes(see(moved)) {
		t.Error("another file of the same size and date looks the same")
	}
}

func TestWriterIsSeen(t *testing.T) {
	var open, closed answer
	switch runtime.GOOS {
	case "linux", "windows":
		open, closed = yes, no
	case "darwin":
		open, closed = unknown, unknown // the quiet time is three times as long then
	}
	path := filepath.Join(t.TempDir(), "a.wav")
	ask := func(want answer, when string) {
		t.Helper()
		if got, err := hasWriter(path); got != want || err != nil {
			t.Errorf("%s: %d, %v, want %d", when, got, err, want)
		}
	}
	f, err := os.Create(path)
	check(t, err)
	ask(open, "open for writing")
	if runtime.GOOS != "windows" { // which does not rename an open file
		moved := path + " moved"
		check(t, os.Rename(path, moved))
		path = moved
		ask(open, "open for writing under an earlier name")
	}
	check(t, f.Close())
	ask(closed, "closed")
	reader, err := os.Open(path)
	check(t, err)
	defer reader.Close()
	ask(closed, "open for reading")
	path += " not there"
	if got, err := hasWriter(path); got != unknown || !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("a file that is not there: %d, %v", got, err)
	}
}

func TestSpaceIsTold(t *testing.T) {
	dir := t.TempDir()
	if n, err := freeBytes(dir); n <= 0 || err != nil {
		t.Errorf("%d bytes free, %v", n, err)
	}
	if n, err := freeBytes(filepath.Join(dir, "not there")); err == nil {
		t.Errorf("in a folder that is not there: %d bytes free", n)
	}
	if !sameDisk(dir, filepath.Dir(dir)) {
		t.Error("a folder and the one it lies in are told to be on two disks")
	}
	if isMountPoint(dir) {
		t.Error("a usual folder is told to be the top of a disk")
	}
	if n := memoryBytes(); n < 64<<20 {
		t.Errorf("%d bytes of memory", n)
	}
	if isDiskFull(nil) || isDiskFull(fs.ErrNotExist) {
		t.Error("these errors are not of a full disk")
	}
}

func TestProcessIsSeen(t *testing.T) {
	if !processLives(os.Getpid()) {
		t.Error("this very process is told to be dead")
	}
	exe, err := os.Executable()
	check(t, err)
	ended := exec.Command(exe, "-test.run=^$")
	check(t, ended.Run())
	if processLives(ended.Process.Pid) {
		t.Error("a process that has ended is told to live")
	}
}

// The disks are written down only where there are others than the workspace's own, and
// what was written down is forgotten once the file is deleted.
func TestDisksAreKept(t *testing.T) {
	ws := newWorkspace(t)
	d := newDaemon(ws, Settings{}.withDefaults(), testHands(), testLog())
	file := filepath.Join(ws.Root, disksFile)
	if list := ws.mounts(); len(list) > 0 {
		t.Errorf("on one disk: %+v", list)
	}
	check(t, ws.keepMounts(d.store, nil))
	if exists(file) {
		t.Error("it was written without need")
	}
	if runtime.GOOS == "windows" {
		return // which has no mount points to keep
	}
	was := []mount{{ws.Archive, filepath.Join(ws.Root, "was a disk")}}
	check(t, ws.keepMounts(d.store, was))
	if list := ws.mounts(); len(list) != 1 || list[0] != was[0] || ws.diskAway(list) == "" {
		t.Errorf("after a start with it: %+v, %q", list, ws.diskAway(list))
	}
	check(t, os.Remove(file))
	if list := ws.mounts(); len(list) > 0 || ws.diskAway(list) != "" {
		t.Errorf("deleted: %+v, %q", list, ws.diskAway(list))
	}
	check(t, os.WriteFile(file, []byte("no JSON"), 0o640))
	if list := ws.mounts(); len(list) > 0 {
		t.Errorf("damaged: %+v", list)
	}
	check(t, ws.keepMounts(d.store, nil))
	if exists(file) {
		t.Error("what is not true any more was left")
	}
	check(t, os.Remove(ws.Archive))
	if says := ws.diskAway(nil); says == "" {
		t.Error("a folder that is not there is not told of")
	}
}
