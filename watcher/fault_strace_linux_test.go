package watcher

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// changing are the system calls that change a file or a folder. openat is among them
// because it makes files; most of its calls only read.
const changing = "openat,write,pwrite64,fsync,fdatasync,renameat,renameat2,unlinkat,mkdirat,linkat,ftruncate,fallocate"

// traced is what strace saw of one life.
type traced struct {
	code  int
	out   string
	calls []string // of the busiest thread, which does the work
}

// lineOfCall matches a line of strace: the thread, the call and what is in it.
var lineOfCall = regexp.MustCompile(`^([0-9]+) +([a-z0-9_]+)\((.*)`)

// straceRun lets one life run under strace, with something injected.
func straceRun(t testing.TB, l *faultLife, trace, inject string) traced {
	t.Helper()
	log := filepath.Join(t.TempDir(), "log")
	args := []string{"strace", "-f", "-qq", "-o", log, "-e", "trace=" + trace}
	if inject != "" {
		args = append(args, "-e", "inject="+inject)
	}
	var r traced
	r.code, r.out = faultRun(t, l.root, l.env, args...)
	data, err := os.ReadFile(log)
	check(t, err)
	threads := map[string][]string{}
	for line := range strings.SplitSeq(string(data), "\n") {
		if m := lineOfCall.FindStringSubmatch(line); m != nil {
			threads[m[1]] = append(threads[m[1]], m[2]+" "+whereOf(m[3], l.root))
		}
	}
	for _, calls := range threads {
		if len(calls) > len(r.calls) {
			r.calls = calls
		}
	}
	return r
}

var (
	drawn  = regexp.MustCompile(`\.tmp-[0-9a-f]+-[0-9a-f]+|[0-9a-f]{16}-[0-9a-f]{12}(\.t[0-9]+)?|[0-9a-f]{16}\.(began|failed)`)
	quoted = regexp.MustCompile(`"([^"]*)"`)
)

// whereOf reduces the arguments of a call to its paths, without what is drawn afresh
// each time.
func whereOf(args, root string) string {
	var paths []string
	for _, m := range quoted.FindAllStringSubmatch(args, -1) {
		if path, inside := strings.CutPrefix(m[1], root); inside {
			paths = append(paths, drawn.ReplaceAllString(path, "*"))
		}
	}
	return strings.Join(paths, " -> ")
}

// Row 2: kill -9 at every system call that changes a file, and once more in the
// recovery.
func TestFaultKillAtEverySystemCall(t *testing.T) {
	needRoot(t, "strace")
	clean := newFaultLife(t, secondRevision, memoryDisk(), "")
	whole := straceRun(t, &clean, changing, "")
	clean.remove(t)
	if whole.code != 0 {
		t.Skipf("strace cannot run here: %s", whole.out)
	}
	n := len(whole.calls)
	all, hit := map[string]bool{}, map[string]bool{}
	kills, seen := make([]string, n), map[string]int{}
	for i, call := range whole.calls {
		all[call] = true
		name, _, _ := strings.Cut(call, " ")
		seen[name]++ // strace counts each kind of call apart
		kills[i] = fmt.Sprintf("%s:signal=SIGKILL:when=%d", name, seen[name])
	}
	tries, doubles, wrong := 0, 0, 0
	for pass := range inShort(1, 2) {
		for first := 0; first < n; first += inShort(n/12, 1) {
			l := newFaultLife(t, secondRevision, memoryDisk(), "")
			killed := straceRun(t, &l, changing, kills[first])
			if killed.code == 0 {
				t.Errorf("not killed at call %d of %d: %s", first, n, whole.calls[first])
			} else if len(killed.calls) > 0 {
				hit[killed.calls[len(killed.calls)-1]] = true
			}
			second := (first*(5+2*pass) + (1+pass)*n/3) % n
			if again := straceRun(t, &l, changing, kills[second]); again.code != 0 {
				doubles++
			}
			tries++
			if err := l.end(t); err != nil {
				wrong++
				t.Errorf("killed at call %d, then %d: %v", first, second, err)
			}
			l.remove(t)
		}
	}
	missed := 0
	for call := range all {
		if !hit[call] {
			missed++
		}
	}
	row(t, "2", "kill -9 at every system call that changes a file", tries, 0, wrong,
		"%d calls, %d kills twice; %d of %d different calls were the last one", n, doubles, len(all)-missed, len(all))
}

// injectEach injects a fault into each of one kind of call in turn, lets the daemon
// run once more in peace, and looks whether anything is lost, wrong or set aside.
func injectEach(t *testing.T, call, fault string) (tries, failed, wrong int) {
	t.Helper()
	clean := newFaultLife(t, secondRevision, memoryDisk(), "")
	whole := straceRun(t, &clean, call, "")
	clean.remove(t)
	if whole.code != 0 {
		t.Skipf("strace cannot run here: %s", whole.out)
	}
	n := len(whole.calls)
	for when := 1; when <= n; when += inShort(max(1, n/6), 1) {
		l := newFaultLife(t, secondRevision, memoryDisk(), "")
		struck := straceRun(t, &l, call, fmt.Sprintf("%s:%s:when=%d", call, fault, when))
		if struck.code != 0 {
			failed++
		}
		tries++
		err := l.end(t)
		if err == nil && exists(filepath.Join(l.ws.SetAside, "Tides")) {
			err = fmt.Errorf("it was set aside")
		}
		if err != nil {
			wrong++
			t.Errorf("%s %s at call %d of %d (%s): %v", call, fault, when, n, struck.out, err)
		}
		l.remove(t)
	}
	return tries, failed, wrong
}

// Row 7: a flush or a close that fails.
func TestFaultFlushAndCloseFail(t *testing.T) {
	needRoot(t, "strace")
	for _, call := range []string{"fsync", "close"} {
		tries, failed, wrong := injectEach(t, call, "error=EIO")
		row(t, "7", call+" fails with EIO, at each place", tries, 0, wrong, "%d lives ended by it, none set aside", failed)
		if failed == 0 {
			t.Errorf("no life noticed that %s failed", call)
		}
	}
}

// Row 8: a disk that says it has written what it has not.
func TestFaultLyingWrite(t *testing.T) {
	needRoot(t, "strace")
	tries, failed, wrong := injectEach(t, "write", "retval=1")
	row(t, "8", "a write that lies, at each place", tries, 0, wrong, "%d lives ended by it, nothing wrong published", failed)
	if failed == 0 {
		t.Error("no lie was noticed")
	}
}

// A share that cannot flush at all, as some cannot: work goes on without.
func TestFaultFlushUnsupported(t *testing.T) {
	needRoot(t, "strace")
	tries, wrong := 0, 0
	for _, number := range []string{"EINVAL", "EOPNOTSUPP", "ENOTTY"} {
		l := newFaultLife(t, secondRevision, memoryDisk(), "")
		r := straceRun(t, &l, "fsync", "fsync:error="+number)
		tries++
		if err := errors.Join(invariant(l.ws, l.dropped, true), l.finished()); err != nil || r.code != 0 {
			wrong++
			t.Errorf("%s: it ended with %d: %s (%v)", number, r.code, r.out, err)
		}
		if len(r.calls) < 20 {
			t.Errorf("only %d flushes were tried", len(r.calls))
		}
		l.remove(t)
	}
	row(t, "-", "a share that can flush nothing", tries, 0, wrong, "all done; the log and lectern status say that it is not confirmed")
}
