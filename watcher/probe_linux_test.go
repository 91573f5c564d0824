package watcher

import (
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// The real disks of the fault tests: all is well on each but for its size, and what it
// makes of names is told.
func TestProbeOddDisks(t *testing.T) {
	disks := append(slices.Clone(oddDisks), oddDisks[0], oddDisks[0])
	disks[len(oddDisks)].kind = "tmpfs"
	disks[len(oddDisks)].mount = func(t *testing.T) string { return newTmpfs(t, "64m") }
	disks[len(oddDisks)+1].kind = "ext4"
	disks[len(oddDisks)+1].mount = func(t *testing.T) string { return newLoopDisk(t, 64).dir }
	for _, odd := range disks {
		t.Run(odd.kind, func(t *testing.T) {
			dir := odd.mount(t)
			ws := openWorkspace(t, filepath.Join(dir, "books"), "finished", "archive")
			before := allIn(t, dir)
			p := probeOf(t, ws, probeSettings(t))
			for _, todo := range todoOf(p) {
				if !strings.HasPrefix(todo, "room: ") {
					t.Error(todo)
				}
			}
			says := lineOf(p, "spellings").Says
			if folds := strings.Contains(says, "upper and lower case"); folds != odd.folds {
				t.Errorf("it folds names: %v, and it says %q", odd.folds, says)
			}
			if strings.HasPrefix(odd.kind, "exFAT") != strings.Contains(lineOf(p, "names").Says, "no name here can hold a colon") &&
				!strings.HasPrefix(odd.kind, "NTFS") {
				t.Errorf("names: %q", lineOf(p, "names").Says)
			}
			if network := isNetwork(ws.Inbox); network != strings.Contains(lineOf(p, "new recordings").Says, "helper program") {
				t.Errorf("behind a helper program: %v, and it says %q", network, lineOf(p, "new recordings").Says)
			}
			if after := allIn(t, dir); !slices.Equal(before, after) {
				t.Errorf("before %q, after %q", before, after)
			}
		})
	}
}

func TestProbeReadOnlyDisk(t *testing.T) {
	d := newLoopDisk(t, 64)
	ws := openWorkspace(t, filepath.Join(d.dir, "books"), "finished", "archive")
	command(t, "mount", "-o", "remount,ro", d.dir)
	p := probeOf(t, ws, probeSettings(t))
	if says := lineOf(p, "rights"); says.OK || !strings.HasPrefix(says.Says,
		"a file in inbox, working, finished, archive and setaside cannot be made: its disk can only be read just now") {
		t.Errorf("it says %q", says.Says)
	}
	if says := lineOf(p, "tidying").Says; says != "" {
		t.Errorf("it made nothing, and says %q", says)
	}
	p, err := ProbeFolder(t.Context(), d.dir, probeSettings(t))
	check(t, err)
	if says := lineOf(p, "rights"); says.OK || !strings.Contains(says.Says, "can only be read just now") {
		t.Errorf("of a folder there it says %q", says.Says)
	}
}

// Which folders lie elsewhere is told, and an inbox that does is refused.
func TestProbeSeveralDisks(t *testing.T) {
	other := newTmpfs(t, "64m")
	archive := filepath.Join(other, "archive")
	check(t, os.Mkdir(archive, 0o750))
	ws := openWorkspace(t, t.TempDir(), "finished", archive)
	p := probeOf(t, ws, probeSettings(t))
	want := "inbox, working, finished and setaside lie on one disk, archive on the one at " + other
	if l := lineOf(p, "disks"); !l.OK || !strings.HasPrefix(l.Says, want) {
		t.Errorf("it says %+v, want %q", l, want)
	}
	tried := 0
	for _, l := range p.Lines {
		if strings.HasPrefix(l.Says, "on the disk of archive: ") {
			tried++
		}
	}
	if tried != 6 {
		t.Errorf("%d things were tried on the disk of archive, want 6", tried)
	}

	ws.Inbox = filepath.Join(other, "inbox")
	check(t, os.Mkdir(ws.Inbox, 0o770))
	p = probeOf(t, ws, probeSettings(t))
	if l := lineOf(p, "disks"); l.OK || !strings.HasPrefix(l.Says, "inbox and working must lie on one disk") {
		t.Errorf("inbox elsewhere: %+v", l)
	}
	if names := allIn(t, other); len(names) != 3 {
		t.Errorf("left there: %q", names)
	}
}

// asNobody does something with the rights of a user who owns nothing; as root is, or as
// whoever runs the tests. The thread is not used again.
func asNobody(do func()) {
	const nobody = 65534
	done := make(chan struct{})
	go func() {
		defer close(done)
		runtime.LockOSThread()
		if os.Geteuid() == 0 {
			_, _ = unix.SetfsgidRetGid(nobody)
			_, _ = unix.SetfsuidRetUid(nobody)
		}
		do()
	}()
	<-done
}

func TestProbeWithoutRights(t *testing.T) {
	root, err := os.MkdirTemp(memoryDisk(), "rights")
	check(t, err)
	t.Cleanup(func() { os.RemoveAll(root) })
	check(t, os.Chmod(root, 0o755))
	ws := openWorkspace(t, filepath.Join(root, "books"), "finished", "archive")
	for path, perm := range map[string]os.FileMode{
		ws.Root: 0o755, ws.Inbox: 0o777, ws.Working: 0o777, ws.SetAside: 0o777, ws.Finished: 0o555, ws.Archive: 0o333,
	} {
		check(t, os.Chmod(path, perm))
	}
	t.Cleanup(func() { os.Chmod(ws.Archive, 0o755) })
	var p Probe
	s := Settings{FreeMarginBytes: 1, LockDir: filepath.Join(root, "lock")}
	asNobody(func() { p = probeOf(t, ws, s) })
	todo := todoOf(p)
	if len(todo) != 2 || !strings.Contains(todo[0], "a file in finished cannot be made: whoever runs lectern has no right to") ||
		!strings.Contains(todo[1], "a file in archive cannot be seen in the folder's list: whoever runs lectern has no right to") {
		t.Errorf("to do: %q", todo)
	}
	if l := lineOf(p, "no overwriting"); !l.OK {
		t.Error("the rest was not tried")
	}
	check(t, os.Chmod(ws.Archive, 0o755))
	if all := allIn(t, ws.Root); len(all) != 7 {
		t.Errorf("left: %q", all)
	}

	asNobody(func() { p, err = ProbeFolder(t.Context(), filepath.Join(root, "more", "books"), s) })
	check(t, err)
	if os.Geteuid() == 0 {
		if l := lineOf(p, "rights"); l.OK || !strings.HasPrefix(l.Says, "no workspace can be made in "+root) {
			t.Errorf("it says %+v", l)
		}
	}
}

func TestProbeStickyInbox(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("needs root, to make a folder somebody else's")
	}
	dir := t.TempDir()
	check(t, os.Chmod(dir, 0o770|os.ModeSticky))
	if strangersStay(dir) {
		t.Error("root is held up by a sticky folder")
	}
	for uid, want := range map[int]bool{1: true, 65534: false} {
		check(t, os.Chown(dir, uid, uid))
		if got := ownedByAnother(dir, 65534); got != want {
			t.Errorf("owned by %d: %v", uid, got)
		}
	}
	check(t, os.Chmod(dir, 0o770))
	check(t, os.Chown(dir, 1, 1))
	if ownedByAnother(dir, 65534) {
		t.Error("a folder that is not sticky")
	}
}

func TestProbeWatchLimits(t *testing.T) {
	for _, tt := range []struct {
		watches, instances, says string
		ok                       bool
	}{
		{"65536", "128", "a user watch 65536 folders, and keeps 16384 notices waiting; inbox with its books has 3", true},
		{"6", "128", "inbox with its books has 3", true},
		{"5", "128", "sysctl fs.inotify.max_user_watches", false},
		{"65536", "2", "sysctl fs.inotify.max_user_instances", false},
		{"", "128", "cannot be read", true},
	} {
		ws := newWorkspace(t)
		drop(t, ws, "Tides/01.wav", "one")
		drop(t, ws, "Harbor/01.wav", "one")
		p := patientProber(ws, probeSettings(t))
		p.limitsDir = t.TempDir()
		for name, value := range map[string]string{"max_user_watches": tt.watches, "max_user_instances": tt.instances, "max_queued_events": "16384"} {
			check(t, os.WriteFile(filepath.Join(p.limitsDir, name), []byte(value+"\n"), 0o600))
		}
		got, err := p.run(t.Context(), p.steps())
		check(t, err)
		if l := lineOf(got, "watching folders"); l.OK != tt.ok || !strings.Contains(l.Says, tt.says) {
			t.Errorf("%+v: %+v", tt, l)
		}
	}
}
