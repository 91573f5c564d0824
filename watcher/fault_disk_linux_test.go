package watcher

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

// newTmpfs mounts a small disk in memory.
func newTmpfs(t testing.TB, size string) string {
	t.Helper()
	needRoot(t, "mount", "umount")
	dir := t.TempDir()
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size="+size, "tmpfs", dir).CombinedOutput(); err != nil {
		t.Skipf("this machine mounts no tmpfs: %v %s", err, out)
	}
	t.Cleanup(func() { exec.Command("umount", "-l", dir).Run() })
	return dir
}

// within waits until something holds, half a minute at most.
func within(t testing.TB, what string, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	limit := time.After(30 * time.Second)
	for !holds() {
		select {
		case <-tick.C:
		case <-limit:
			t.Fatalf("after half a minute still not so: %s", what)
		}
	}
}

// Row 9: the disk is full while the finished file is written; it goes on by itself
// once there is room.
func TestFaultDiskFullAtWrite(t *testing.T) {
	disk := newTmpfs(t, "3m")
	ws := openWorkspace(t, filepath.Join(disk, "books"), "finished", "archive")
	s := quickly(t, nil)
	s.Rescan = 200 * time.Millisecond
	stop, lines := watch(t, ws, s, testHands())
	ballast := filepath.Join(disk, "ballast")
	dropped, slowest := map[string]int{}, time.Duration(0)
	cycles := inShort(2, 20)
	for i := range cycles {
		// The finished file is as large as the raw, and there is room for one of them.
		content := fmt.Sprint(i) + strings.Repeat("x", 600<<10)
		name := fmt.Sprintf("%02d Ebb", i)
		check(t, os.WriteFile(filepath.Join(ws.Root, "dropping"), []byte(content), 0o640))
		free, err := freeBytes(disk)
		check(t, err)
		check(t, os.WriteFile(ballast, make([]byte, free-(300<<10)), 0o600))
		was := lines.FilterMessageSnippet("could not be finished").Len()
		check(t, os.Rename(filepath.Join(ws.Root, "dropping"), filepath.Join(ws.Inbox, name+".wav")))
		within(t, "the full disk is told of", func() bool { return lines.FilterMessageSnippet("could not be finished").Len() > was })
		if exists(filepath.Join(ws.Finished, name+".mp3")) {
			t.Error("something was published on a full disk")
		}
		check(t, os.Remove(ballast))
		start := time.Now()
		within(t, "the chapter is made now that there is room", func() bool { return exists(filepath.Join(ws.Archive, name+".r1.wav")) })
		slowest = max(slowest, time.Since(start))
		waitIdle(t, ws)
		dropped[sumOf([]byte(content))] = 1
		err = invariant(ws, map[string]int{sumOf([]byte(content)): 1}, true)
		if err != nil {
			t.Error(err)
		}
		for _, folder := range []string{ws.Archive, ws.Finished} { // room for the next
			check(t, os.RemoveAll(folder))
			check(t, os.Mkdir(folder, 0o750))
		}
	}
	stop()
	row(t, "9", "disk full while the finished file is written", cycles, 0, 0, "goes on %.1f s after there is room, at most", slowest.Seconds())
}

// Row 10: a disk that takes the bytes and then cannot keep them: a sparse image on a
// disk in memory that is too small for it.
func TestFaultDiskFullAtFlush(t *testing.T) {
	tries, noticed, wrong := inShort(1, 10), 0, 0
	for range tries {
		under := newTmpfs(t, "3m")
		d := &loopDisk{t, filepath.Join(under, "image"), t.TempDir()}
		check(t, os.WriteFile(d.image, nil, 0o600))
		check(t, os.Truncate(d.image, 32<<20))
		command(t, "mkfs.ext4", "-q", "-F", "-O", "^has_journal", d.image)
		if out, err := exec.Command("mount", "-o", "loop", d.image, d.dir).CombinedOutput(); err != nil {
			t.Skipf("this machine gives no loop device: %v %s", err, out)
		}
		ws := openWorkspace(t, filepath.Join(d.dir, "books"), "finished", "archive")
		content := strings.Repeat("y", 1800<<10) // twice that does not fit
		sum := drop(t, ws, "Tides/03 The Ferry.wav", content)
		d.flushed()
		// What the kernel could not write it forgets, so the raw's own bytes are on the
		// disk already and the finished file's are not.
		code, out := faultRun(t, ws.Root, nil)
		if code != 0 && strings.Contains(out, syscall.ENOSPC.Error()) || strings.Contains(out, syscall.EIO.Error()) {
			noticed++
		} else {
			t.Logf("it ended with %d: %s", code, out)
		}
		command(t, "mount", "-o", "remount,size=64m", under)
		d.again()
		if code, out := faultRun(t, ws.Root, nil); code != 0 {
			t.Errorf("with room again: %s", out)
		}
		wrong += amiss(t, invariant(ws, map[string]int{sum: 1}, true))
		command(t, "umount", d.dir)
	}
	row(t, "10", "disk full at the flush", tries, 0, wrong, "noticed in %d of %d, nothing published, made once there was room", noticed, tries)
	if noticed == 0 {
		t.Error("no flush failed: this test proves nothing")
	}
}

// Row 10: the system allows only small files.
func TestFaultFileSizeLimit(t *testing.T) {
	needRoot(t, "bash")
	tries, wrong := inShort(1, 5), 0
	for range tries {
		l := newFaultLife(t, secondRevision, memoryDisk(), "")
		sum := drop(t, l.ws, "Tides/04 Long.wav", strings.Repeat("z", 900<<10))
		code, out := faultRun(t, l.root, nil, "bash", "-c", `trap '' XFSZ; ulimit -f 200; exec "$0"`)
		if code == 0 || !strings.Contains(out, syscall.EFBIG.Error()) {
			t.Errorf("it ended with %d: %s", code, out)
		}
		if code, out := faultRun(t, l.root, nil); code != 0 {
			t.Errorf("without the limit: %s", out)
		}
		l.dropped[sum] = 1
		wrong += amiss(t, invariant(l.ws, l.dropped, true))
		l.remove(t)
	}
	row(t, "10", "a limit on the size of files", tries, 0, wrong, "the job waits with the reason, and is made without the limit")
}

// Row 11: the disk turns read-only in mid-work, and back.
func TestFaultReadOnlyDisk(t *testing.T) {
	d := newLoopDisk(t, 32)
	ws := openWorkspace(t, filepath.Join(d.dir, "books"), "finished", "archive")
	begun, goOn := make(chan bool), make(chan bool)
	hands := testHands()
	inner := hands.Make
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		begun <- true
		<-goOn
		return inner(ctx, job)
	}
	s := quickly(t, nil)
	s.Jobs, s.Rescan = 1, 200*time.Millisecond
	stop, lines := watch(t, ws, s, hands)
	tries, dropped := inShort(2, 10), map[string]int{}
	for i := range tries {
		name := fmt.Sprintf("%02d Ebb", i)
		dropped[drop(t, ws, name+".wav", name)] = 1
		<-begun
		within(t, "the disk is read-only", func() bool { return exec.Command("mount", "-o", "remount,ro", d.dir).Run() == nil })
		was := lines.FilterMessageSnippet("could not be finished").Len()
		goOn <- true
		within(t, "the read-only disk is told of", func() bool { return lines.FilterMessageSnippet("could not be finished").Len() > was })
		command(t, "mount", "-o", "remount,rw", d.dir)
		for done := false; !done; {
			select {
			case <-begun: // tried again
				goOn <- true
			case <-time.After(20 * time.Millisecond):
				done = exists(filepath.Join(ws.Archive, name+".r1.wav"))
			}
		}
		waitIdle(t, ws)
	}
	stop()
	wrong := amiss(t, invariant(ws, dropped, true))
	row(t, "11", "the disk turns read-only in mid-work", tries, 0, wrong, "waits with the reason, goes on by itself")
}

// Row 11, as a user without rights: finished/ may not be written.
func TestFaultNoRightToFinished(t *testing.T) {
	needRoot(t)
	tries, wrong := inShort(1, 10), 0
	for range tries {
		l := newFaultLife(t, secondRevision, memoryDisk(), "")
		const nobody = 65534
		check(t, filepath.Walk(l.root, func(path string, _ os.FileInfo, err error) error {
			return errors.Join(err, os.Lchown(path, nobody, nobody))
		}))
		dir := filepath.Join(l.ws.Finished, "Tides")
		check(t, os.Chmod(dir, 0o500))
		if code, out := faultRunAs(t, nobody, l.root); code == 0 || !strings.Contains(out, syscall.EACCES.Error()) {
			t.Errorf("it ended with %d: %s", code, out)
		}
		check(t, os.Chmod(dir, 0o750))
		if code, out := faultRunAs(t, nobody, l.root); code != 0 {
			t.Errorf("with the right again: %s", out)
		}
		wrong += amiss(t, errors.Join(invariant(l.ws, l.dropped, true), l.finished()))
		l.remove(t)
	}
	row(t, "11", "no right to write into finished", tries, 0, wrong, "waits with the reason, goes on once it may")
}

// faultRunAs is faultRun as another user. The test binary is copied to where that user
// can read it.
func faultRunAs(t testing.TB, uid uint32, root string) (code int, out string) {
	t.Helper()
	exe, err := os.Executable()
	check(t, err)
	data, err := os.ReadFile(exe)
	check(t, err)
	copied := filepath.Join(root, "..", filepath.Base(root)+".test")
	check(t, os.WriteFile(copied, data, 0o755))
	defer os.Remove(copied)
	cmd := exec.Command(copied)
	cmd.Env = append(os.Environ(), driveEnv+"="+root, "HOME="+root)
	cmd.Dir = root
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: uid, Gid: uid}}
	text, err := cmd.CombinedOutput()
	var ended *exec.ExitError
	if err != nil && !errors.As(err, &ended) {
		t.Fatal(err)
	}
	return cmd.ProcessState.ExitCode(), string(text)
}
