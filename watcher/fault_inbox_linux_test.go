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
	"time"
)

// allowInotify changes one of the system's limits on notifications for a test.
func allowInotify(t testing.TB, limit, value string) {
	t.Helper()
	needRoot(t)
	path := "/proc/sys/fs/inotify/" + limit
	was, err := os.ReadFile(path)
	check(t, err)
	if err := os.WriteFile(path, []byte(value), 0); err != nil {
		t.Skipf("this machine does not let its limits be changed: %v", err)
	}
	t.Cleanup(func() { check(t, os.WriteFile(path, was, 0)) })
}

// memoryWorkspace is a workspace on a disk in memory: these tests move thousands of
// small files and lose nothing in a power cut.
func memoryWorkspace(t testing.TB) *Workspace {
	t.Helper()
	root, err := os.MkdirTemp(memoryDisk(), "inbox")
	check(t, err)
	t.Cleanup(func() { os.RemoveAll(root) })
	return openWorkspace(t, root, "finished", "archive")
}

// patiently is a longer wait for many chapters.
func patiently(t testing.TB, what string, limit time.Duration, holds func() bool) {
	t.Helper()
	tick := time.NewTicker(50 * time.Millisecond)
	defer tick.Stop()
	end := time.After(limit)
	for !holds() {
		select {
		case <-tick.C:
		case <-end:
			t.Fatalf("after %v still not so: %s", limit, what)
		}
	}
}

// archived counts the raws in the archive.
func archived(ws *Workspace) int {
	n := 0
	for _, pattern := range []string{"*.wav", "*/*.wav"} {
		found, err := filepath.Glob(filepath.Join(ws.Archive, pattern))
		if err != nil {
			panic(err) // the pattern is wrong
		}
		n += len(found)
	}
	return n
}

// Row 22: more happens than the system's queue of notifications holds. There are no
// rescans to find what was lost: only the overflow itself leads to one.
func TestFaultNotificationsOverflow(t *testing.T) {
	allowInotify(t, "max_queued_events", "64")
	n := inShort(1000, 10000)
	ws := memoryWorkspace(t)
	const books = 50
	for i := range books {
		check(t, os.Mkdir(filepath.Join(ws.Inbox, fmt.Sprintf("Book %02d", i)), 0o770))
	}
	stop, lines := watch(t, ws, quickly(t, nil), testHands())
	dropped := map[string]int{}
	for i := range n {
		text := fmt.Sprint("recording ", i)
		check(t, os.WriteFile(filepath.Join(ws.Inbox, fmt.Sprintf("Book %02d", i%books), fmt.Sprintf("%05d.wav", i)), []byte(text), 0o640))
		dropped[sumOf([]byte(text))] = 1
	}
	patiently(t, "all chapters are made", 5*time.Minute, func() bool { return archived(ws) == n })
	waitIdle(t, ws)
	stop()
	wrong := amiss(t, invariant(ws, dropped, true))
	overflows := lines.FilterMessageSnippet("could not tell of all").Len()
	if overflows == 0 {
		t.Error("the queue never overflowed: this test proves nothing")
	}
	row(t, "22", "more notifications than the queue holds (64)", n, n-archived(ws), wrong, "%d of %d made, %d overflows logged", archived(ws), n, overflows)
}

// Row 23: very many files at once.
func TestFaultVeryManyFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("left out of the short form")
	}
	n := inShort(1000, 10000)
	ws := memoryWorkspace(t)
	dropped := map[string]int{}
	for i := range n {
		dropped[drop(t, ws, fmt.Sprintf("Book %02d/%05d.wav", i%50, i), fmt.Sprint("recording ", i))] = 1
	}
	l := startLife(t, ws)
	go func() {
		for l.lines.Scan() {
		}
	}()
	patiently(t, "all chapters are made", 10*time.Minute, func() bool { return archived(ws) == n })
	waitIdle(t, ws)
	rss := heldAtMost(t, l.cmd.Process.Pid)
	check(t, l.stdin.Close())
	check(t, l.cmd.Wait())
	wrong := amiss(t, invariant(ws, dropped, true))
	row(t, "23", "very many files at once", n, n-archived(ws), wrong, "%d of %d made, %.0f MB held at most", archived(ws), n, float64(rss)/1e6)
}

// heldAtMost returns the most memory a process has held, in bytes.
func heldAtMost(t testing.TB, pid int) int64 {
	t.Helper()
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	check(t, err)
	for line := range strings.SplitSeq(string(data), "\n") {
		var kib int64
		if n, _ := fmt.Sscanf(line, "VmHWM: %d kB", &kib); n == 1 {
			return kib << 10
		}
	}
	t.Fatal("the system does not tell how much memory is held")
	return 0
}

// Row 24: the system has no more watches to give.
func TestFaultWatchLimit(t *testing.T) {
	allowInotify(t, "max_user_watches", "5")
	ws := memoryWorkspace(t)
	s := quickly(t, nil)
	s.Rescan = 300 * time.Millisecond
	stop, lines := watch(t, ws, s, testHands())
	dropped := map[string]int{}
	const books = 50
	for i := range books {
		dropped[drop(t, ws, fmt.Sprintf("Book %02d/01.wav", i), fmt.Sprint("recording ", i))] = 1
	}
	patiently(t, "all chapters are made", time.Minute, func() bool { return archived(ws) == books })
	waitIdle(t, ws)
	stop()
	wrong := amiss(t, invariant(ws, dropped, true))
	if lines.FilterMessageSnippet("polling").Len() != 1 {
		wrong++
		t.Errorf("nothing is said of polling: %s", messages(lines))
	}
	row(t, "24", "50 book folders, 5 watches (rescan every 0.3 s instead of 15)", books, books-archived(ws), wrong, "says that it polls; %d of %d made", archived(ws), books)
}

// Row 25: the disk of the whole workspace is taken off and put back.
func TestFaultDiskTakenOff(t *testing.T) {
	d := newLoopDisk(t, 32)
	ws := openWorkspace(t, filepath.Join(d.dir, "books"), "finished", "archive")
	s := quickly(t, nil)
	s.Rescan = 200 * time.Millisecond
	stop, lines := watch(t, ws, s, testHands())
	tries, dropped, slowest := inShort(2, 20), map[string]int{}, time.Duration(0)
	within(t, "it watches", func() bool { return lines.FilterMessageSnippet("watching").Len() == 1 })
	for i := range tries {
		was := lines.FilterMessageSnippet("cannot be looked into").Len()
		within(t, "the disk is off", func() bool { return syscall.Unmount(d.dir, 0) == nil })
		within(t, "the missing inbox is told of", func() bool { return lines.FilterMessageSnippet("cannot be looked into").Len() > was })
		command(t, "mount", "-o", "loop", d.image, d.dir)
		start := time.Now()
		dropped[drop(t, ws, fmt.Sprintf("%02d.wav", i), fmt.Sprint("recording ", i))] = 1
		within(t, "what was dropped then is made", func() bool { return archived(ws) == i+1 })
		slowest = max(slowest, time.Since(start))
		waitIdle(t, ws)
	}
	stop()
	wrong := amiss(t, invariant(ws, dropped, true))
	row(t, "25", "the disk taken off and put back (rescan every 0.2 s instead of 15)", tries, tries-archived(ws), wrong, "found again within %.1f s", slowest.Seconds())
}

// Rows 21 and 26: names that change faster than one can look, and whole folders moved in.
func TestFaultRenamesAndFolders(t *testing.T) {
	rounds, n := inShort(1, 10), inShort(200, 1000)
	lost, wrong := 0, 0
	for range rounds {
		ws := memoryWorkspace(t)
		dropped := map[string]int{}
		name := func(i, round int) string { return filepath.Join(ws.Inbox, fmt.Sprintf("%04d name %d.wav", i, round)) }
		for i := range n {
			dropped[drop(t, ws, filepath.Base(name(i, 0)), fmt.Sprint("recording ", i))] = 1
		}
		s := quickly(t, nil)
		s.Quiet = 500 * time.Millisecond // longer than one round of names
		stop, _ := watch(t, ws, s, testHands())
		for r := range 10 {
			for i := range n {
				if err := os.Rename(name(i, r), name(i, r+1)); err != nil && !errors.Is(err, os.ErrNotExist) {
					t.Fatal(err) // not there: taken already
				}
			}
		}
		patiently(t, "all chapters are made", 2*time.Minute, func() bool { return archived(ws) == n })
		waitIdle(t, ws)
		stop()
		lost += n - archived(ws)
		wrong += amiss(t, invariant(ws, dropped, true))
	}
	row(t, "21", "every file renamed 10 times in a row", rounds*n, lost, wrong, "all made under the name they ended with")

	folders := inShort(20, 200)
	ws := memoryWorkspace(t)
	dropped := map[string]int{}
	stop, _ := watch(t, ws, quickly(t, nil), testHands())
	for i := range folders {
		outside := filepath.Join(ws.Root, fmt.Sprintf("Book %03d", i))
		check(t, os.Mkdir(outside, 0o770))
		for k := range 3 {
			text := fmt.Sprint("recording ", i, " ", k)
			check(t, os.WriteFile(filepath.Join(outside, fmt.Sprintf("%02d.wav", k)), []byte(text), 0o640))
			dropped[sumOf([]byte(text))] = 1
		}
		check(t, os.Rename(outside, filepath.Join(ws.Inbox, filepath.Base(outside))))
	}
	patiently(t, "all chapters are made", time.Minute, func() bool { return archived(ws) == 3*folders })
	waitIdle(t, ws)
	stop()
	wrong += amiss(t, invariant(ws, dropped, true))
	row(t, "26", "book folders moved in whole", folders, 3*folders-archived(ws), wrong, "%d chapters made", archived(ws))
}

// Row 37: a recording the daemon may not read.
func TestFaultUnreadable(t *testing.T) {
	needRoot(t)
	const nobody = 65534
	tries, wrong := inShort(1, 10), 0
	for range tries {
		l := newFaultLife(t, secondRevision, memoryDisk(), "")
		check(t, filepath.Walk(l.root, func(path string, _ os.FileInfo, err error) error {
			return errors.Join(err, os.Lchown(path, nobody, nobody))
		}))
		raw := filepath.Join(l.ws.Inbox, "Tides", "03 Loud.wav")
		check(t, os.Chmod(raw, 0))
		if code, out := faultRunAs(t, nobody, l.root); code != 0 {
			t.Errorf("it ended with %d: %s", code, out)
		}
		if !exists(raw) {
			t.Error("a recording that cannot be read was taken")
		}
		check(t, os.Chmod(raw, 0o640))
		if code, out := faultRunAs(t, nobody, l.root); code != 0 {
			t.Errorf("with the right to read it: %s", out)
		}
		wrong += amiss(t, errors.Join(invariant(l.ws, l.dropped, true), l.finished()))
		l.remove(t)
	}
	row(t, "37", "no right to read the recording", tries, 0, wrong, "waits, and is taken once it may be read")
}

// Row 25: the disk that is finished/ is taken off. Its mount point is then an empty
// folder on the disk below, into which nothing may be published.
func TestFaultFinishedDiskTakenOff(t *testing.T) {
	d := newLoopDisk(t, 16)
	ws := openWorkspace(t, t.TempDir(), d.dir, "archive")
	life := func() error { return drive(ws, &dyingDisk{}) }
	tries, wrong := inShort(2, 20), 0
	dropped := map[string]int{}
	for i := range tries {
		dropped[drop(t, ws, fmt.Sprintf("%02d.wav", i), fmt.Sprint("recording ", i))] = 1
		hands := testHands()
		inner := hands.Make
		hands.Make = func(ctx context.Context, job Job) (Made, error) {
			command(t, "umount", d.dir)
			return inner(ctx, job)
		}
		err := driveWith(ws, &dyingDisk{}, hands)
		var wait *waitError
		if !errors.As(err, &wait) || !strings.Contains(wait.says, "has been taken off") {
			wrong++
			t.Errorf("it ended with: %v", err)
		}
		if names, err := namesIn(d.dir); err != nil || len(names) > 0 {
			wrong++
			t.Errorf("under the mount point lie %q (%v)", names, err)
		}
		command(t, "mount", "-o", "loop", d.image, d.dir)
		check(t, os.RemoveAll(filepath.Join(d.dir, "lost+found")))
		wrong += amiss(t, life())
	}
	wrong += amiss(t, invariant(ws, dropped, true))
	row(t, "25", "the disk of finished taken off while a chapter is made", tries, 0, wrong, "nothing under the mount point, published once it is back")
}
