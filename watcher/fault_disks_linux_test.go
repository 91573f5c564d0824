package watcher

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

// Row 25: archive/ is a folder of a disk that is taken off. Nothing then tells what was
// filed before, so nothing may be decided: the next revision would be the first again,
// and the book would be given new settings.
func TestFaultArchiveDiskTakenOff(t *testing.T) {
	tries, wrong := 0, 0
	for _, left := range []string{"no folder", "a folder of that name"} { // on the disk below
		d := newLoopDisk(t, 16)
		under := filepath.Join(d.dir, "kept")
		command(t, "umount", d.dir)
		if left != "no folder" {
			check(t, os.Mkdir(under, 0o750))
		}
		command(t, "mount", "-o", "loop", d.image, d.dir)
		check(t, os.Mkdir(under, 0o750))
		ws := openWorkspace(t, t.TempDir(), "finished", under)
		dropped := map[string]int{drop(t, ws, "Tides/03 Ebb.wav", "the first"): 1}
		ev := newEvents(t)
		stop, _ := watch(t, ws, quickly(t, ev.notice), testHands())
		ev.wait(1, Finished)
		stop()
		for i := range inShort(2, 10) {
			// What was handed over was moved away, so that only the archive knows of it.
			check(t, os.RemoveAll(filepath.Join(ws.Finished, "Tides")))
			dropped[drop(t, ws, "Tides/03 Ebb.wav", fmt.Sprint("again ", i))] = 1
			err := driveWith(ws, &dyingDisk{}, takenOffWhileMaking(t, d))
			var wait *waitError
			if !errors.As(err, &wait) || !strings.Contains(wait.says, "taken off") {
				wrong++
				t.Errorf("%s: while a chapter is made: it ended with: %v", left, err)
			}
			waiting := filepath.Join(ws.Inbox, "Tides/04 Rope.wav")
			dropped[drop(t, ws, "Tides/04 Rope.wav", fmt.Sprint("rope ", i))] = 1
			stop, lines := watch(t, ws, quickly(t, nil), testHands())
			within(t, "a start without the disk says so of it and of the chapter", func() bool {
				return lines.FilterMessageSnippet("taken off").Len() > 1 && lines.FilterMessageSnippet("04 Rope: waiting, the disk").Len() == 1
			})
			stop()
			if _, err := ws.Audit(context.Background()); err == nil || !strings.Contains(err.Error(), "taken off") {
				wrong++
				t.Errorf("%s: the audit ended with: %v", left, err)
			}
			if !exists(waiting) {
				wrong++
				t.Errorf("%s: a recording was taken at a start without it", left)
			}
			again, err := Open(ws.Root, "", under)
			if left == "no folder" {
				if err == nil || !strings.Contains(err.Error(), "is its disk plugged in?") {
					wrong++
					t.Errorf("a command beside it ended with: %v", err)
				}
			} else if st, err := again.Status(quickly(t, nil), testHands()); err != nil || len(st.Troubles) != 1 || !strings.Contains(st.Troubles[0], "taken off") {
				wrong++
				t.Errorf("status tells %q (%v)", st.Troubles, err)
			}
			if names, err := namesIn(ws.Finished); err != nil || len(names) > 0 {
				wrong++
				t.Errorf("%s: finished holds %q (%v)", left, names, err)
			}
			if names, err := namesIn(under); err != nil || len(names) > 0 {
				wrong++
				t.Errorf("%s: under the mount point lie %q (%v)", left, names, err)
			}
			command(t, "mount", "-o", "loop", d.image, d.dir)
			wrong += amiss(t, drive(ws, &dyingDisk{}))
			if raw := filepath.Join(under, "Tides", fmt.Sprintf("03 Ebb.r%d.wav", i+2)); !exists(raw) {
				wrong++
				t.Errorf("%s: %s is not there", left, filepath.Base(raw))
			}
			tries++
		}
		wrong += amiss(t, invariant(ws, dropped, true))
	}
	row(t, "25", "the disk on which archive is a folder taken off while a chapter is made, and a start without it", tries, 0, wrong,
		"nothing decided meanwhile, the right revision once it is back")
}

// takenOffWhileMaking are hands in whose midst a disk is taken off.
func takenOffWhileMaking(t *testing.T, d *loopDisk) Hands {
	hands := testHands()
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		command(t, "umount", d.dir)
		return testMake(ctx, job)
	}
	return hands
}

// What the system tells of disks that are not its own.
func TestDisksAreToldApart(t *testing.T) {
	disk := newTmpfs(t, "1m")
	inside, link := filepath.Join(disk, "a", "b"), filepath.Join(t.TempDir(), "link")
	check(t, os.MkdirAll(inside, 0o750))
	check(t, os.Symlink(inside, link))
	for folder, want := range map[string]string{
		disk: disk, inside: disk, link: disk, "/": "", filepath.Join(disk, "not there"): "",
	} {
		if got := mountPoint(folder); got != want {
			t.Errorf("the disk of %s: %q, want %q", folder, got, want)
		}
	}
	if !isMountPoint(disk) || isMountPoint(inside) || sameDisk(disk, filepath.Dir(disk)) || !sameDisk(disk, inside) {
		t.Error("the top of a disk is not told from a folder of it")
	}
	if isNetwork(disk) {
		t.Error("a disk in memory is taken for a share")
	}
	free, err := freeBytes(disk)
	check(t, err)
	if free < 900<<10 || free > 1<<20 {
		t.Errorf("%d bytes free on a disk of 1 MiB", free)
	}
	if err := os.WriteFile(filepath.Join(disk, "large"), make([]byte, 2<<20), 0o640); !isDiskFull(err) {
		t.Errorf("not taken for a full disk: %v", err)
	}
	needRoot(t, "bindfs")
	if share := mounted(t, "bindfs", t.TempDir()); !isNetwork(share) {
		t.Error("what comes through FUSE may be changed by other computers, and is not taken for a share")
	}
}

// The recording is another user's: whether somebody still writes to it may then not be
// asked (fcntl(2): F_SETLEASE is for the owner), and the longer quiet time has to do.
func TestRecordingOfAnotherUserIsTaken(t *testing.T) {
	needRoot(t)
	const nobody = 65534
	l := newFaultLife(t, secondRevision, memoryDisk(), "")
	defer l.remove(t)
	raw := filepath.Join(l.ws.Inbox, "Tides", "03 Loud.wav")
	check(t, filepath.Walk(l.root, func(path string, _ os.FileInfo, err error) error {
		return errors.Join(err, os.Lchown(path, nobody, nobody))
	}))
	check(t, os.Lchown(raw, 0, 0))
	check(t, os.Chmod(raw, 0o644))
	if code, out := faultRunAs(t, nobody, l.root); code != 0 {
		t.Errorf("it ended with %d: %s", code, out)
	}
	amiss(t, errors.Join(invariant(l.ws, l.dropped, true), l.finished()))
	filed, err := os.Stat(filepath.Join(l.ws.Archive, "Tides", "03 Loud.r2.wav"))
	check(t, err)
	if owner := filed.Sys().(*syscall.Stat_t).Uid; owner != nobody {
		t.Errorf("the archived recording still belongs to user %d", owner)
	}
}
