package watcher

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"golang.org/x/sys/unix"
)

// Row 13: a second daemon on one computer is refused and names the first one; kill -9
// of the first one frees the workspace.
func TestFaultSecondInstance(t *testing.T) {
	ws := memoryWorkspace(t)
	order := daemonOrder{Root: ws.Root, Quiet: 30 * time.Millisecond, Rescan: time.Hour}
	tries, wrong := inShort(5, 50), 0
	for range tries {
		first := startDaemon(t, order)
		if !first.until("watching ") {
			t.Fatal("the first daemon did not start")
		}
		s := quickly(t, nil)
		s.LockDir = filepath.Join(ws.Root, "lock")
		ctx, cancel := context.WithTimeout(context.Background(), 5*time.Second)
		err := Run(ctx, ws, s, testHands(), zap.NewNop())
		cancel()
		var held *HeldError
		if !errors.As(err, &held) || held.PID != first.cmd.Process.Pid {
			wrong++
			t.Errorf("beside process %d the second one ended with: %v", first.cmd.Process.Pid, err)
		}
		first.kill(t)
	}
	last := startDaemon(t, order)
	if !last.until("watching ") {
		t.Error("after all kills the workspace is still held")
	}
	last.stop(t)
	row(t, "13", "a second daemon on one computer", tries, 0, wrong, "refused, names the first; free again after each kill -9")
}

// Row 14: two daemons that see nothing of each other but the folders.
func TestFaultTwoDaemonsOneShare(t *testing.T) {
	rounds, takes := inShort(1, 10), inShort(60, 500)
	lost, wrong := 0, 0
	for range rounds {
		ws := memoryWorkspace(t)
		ev := newEvents(t)
		dropped := map[string]int{}
		for i := range takes {
			dropped[drop(t, ws, fmt.Sprintf("Book %d/%03d Ebb.wav", i%9, i), fmt.Sprint("take ", i))] = 1
		}
		var stops []func()
		for range 2 {
			s := quickly(t, ev.notice)
			s.unlocked, s.Rescan = true, 100*time.Millisecond
			stop, _ := watch(t, ws, s, testHands())
			stops = append(stops, stop)
		}
		for range takes {
			ev.wait(1, Finished)
		}
		for _, stop := range stops {
			stop()
		}
		if err := invariant(ws, dropped, true); err != nil {
			lost++
			t.Error(err)
		}
		all, err := filepath.Glob(filepath.Join(ws.Archive, "*", "*.recipe.json"))
		check(t, err)
		if len(all) != takes {
			wrong++
			t.Errorf("%d revisions of %d takes", len(all), takes)
		}
	}
	row(t, "14", "two daemons on one share", rounds*takes, lost, wrong, "%d rounds of %d takes, each made once", rounds, takes)
}

// Row 15: a daemon sleeps, before any of its calls of the disk, for longer than its
// lease lives; another one finishes its work; then it wakes.
func TestFaultFrozenOwner(t *testing.T) {
	clean := newFaultLife(t, secondRevision, memoryDisk(), "")
	code, out := faultRun(t, clean.root, nil)
	clean.remove(t)
	calls, err := strconv.Atoi(out)
	if code != 0 || err != nil {
		t.Fatalf("the run without a freeze: %s", out)
	}
	tries, wrong := 0, 0
	for at := 1; at <= calls; at += inShort(max(1, calls/10), 1) {
		l := newFaultLife(t, secondRevision, memoryDisk(), "")
		if err := frozenLife(t, &l, at); err != nil {
			wrong++
			t.Errorf("frozen before call %d of %d: %v", at, calls, err)
		}
		tries++
		l.remove(t)
	}
	row(t, "15", "an owner frozen for longer than its lease", tries, 0, wrong,
		"before each of %d calls of the disk; awake again it published nothing (the clock of the lease is the test's)", calls)
}

// frozenLife freezes a faultChild before a call of the disk, has its work taken over
// and finished, and wakes it.
func frozenLife(t testing.TB, l *faultLife, at int) error {
	t.Helper()
	exe, err := os.Executable()
	check(t, err)
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), driveEnv+"="+l.root, freezeAtEnv+"="+strconv.Itoa(at))
	check(t, cmd.Start())
	var status unix.WaitStatus
	if _, err := unix.Wait4(cmd.Process.Pid, &status, unix.WUNTRACED, nil); err != nil || !status.Stopped() {
		return fmt.Errorf("it did not freeze: %w", errors.Join(err, cmd.Process.Kill()))
	}
	takeoverErr := takeOver(l.ws)
	if takeoverErr == nil {
		takeoverErr = l.finished()
	}
	diary := filepath.Join(l.ws.Finished, "Tides", diaryFile)
	before, told := handedOver(t, l.ws), saidOnceIn(t, diary)
	check(t, cmd.Process.Signal(unix.SIGCONT))
	cmd.Wait() // an error if its job was taken from under it
	if takeoverErr != nil {
		return fmt.Errorf("the other daemon: %w", takeoverErr)
	}
	after := handedOver(t, l.ws)
	// What it was about to add when it froze it may add a second time: see diaryLine.
	delete(before, diary)
	delete(after, diary)
	if again := saidOnceIn(t, diary); !maps.Equal(before, after) || !slices.Equal(told, again) {
		return fmt.Errorf("awake again it changed\n%s%q\ninto\n%s%q", listed(before), told, listed(after), again)
	}
	return l.end(t)
}

// saidOnceIn returns what a diary says, without what is said again at once.
func saidOnceIn(t testing.TB, path string) (says []string) {
	t.Helper()
	text, err := os.ReadFile(path)
	check(t, ignoreMissing(err))
	for line := range strings.Lines(string(text)) {
		says = append(says, saysIn(line))
	}
	return slices.Compact(says)
}

func listed(files map[string]string) string {
	var b strings.Builder
	for path, sum := range files {
		fmt.Fprintf(&b, "%.8s %s\n", sum, path)
	}
	return b.String()
}

// takeOver is one life of a daemon on another computer, whose clock has seen every
// lease run out.
func takeOver(ws *Workspace) error {
	d := newDaemon(ws, Settings{unlocked: true, Quiet: time.Second, FreeMarginBytes: 1}.withDefaults(), testHands(), zap.NewNop())
	now := time.Now()
	d.adoptAll(now)
	now = now.Add(leaseLife)
	d.adoptAll(now)
	for _, j := range d.owned {
		if err := d.work(context.Background(), j); err != nil && !errors.Is(err, errLost) {
			return err
		}
	}
	for range looksMin {
		d.scanAll(now)
		now = now.Add(time.Second)
	}
	d.gather(now)
	for _, b := range d.queue {
		j, err := d.claim(b)
		if err == nil {
			err = d.work(context.Background(), j)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
