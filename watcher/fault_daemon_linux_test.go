package watcher

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"golang.org/x/sys/unix"

	"lectern/watcher/internal/durable"
)

// daemonEnv makes the test binary a whole daemon, as its value, a daemonOrder, says.
const daemonEnv = "LECTERN_TEST_DAEMON"

// daemonOrder says what daemon a child is to be. Times that are zero are the usual ones.
type daemonOrder struct {
	Root, LockDir string
	Quiet, Rescan time.Duration
	UID           int // not 0: give up all rights and be this user
}

// The recordings that a daemon of its own, and no test, can make a chapter of.
const (
	hangs = "HANGS" // until the daemon is told to stop
	dies  = "DIES"  // the process ends without a word
)

// faultDaemon watches until its standard input ends. It prints its log, and each event
// as a line of its own.
func faultDaemon(text string) int {
	var o daemonOrder
	if err := json.Unmarshal([]byte(text), &o); err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	if o.UID != 0 {
		if err := giveUpRights(o.UID); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	go func() {
		io.Copy(io.Discard, os.Stdin) // ends when the parent closes it
		cancel()
	}()
	out := zapcore.Lock(os.Stdout)
	log := zap.New(zapcore.NewCore(zapcore.NewConsoleEncoder(zapcore.EncoderConfig{MessageKey: "m"}), out, zap.InfoLevel))
	ws, err := Open(o.Root, "finished", "archive")
	if err == nil {
		err = Run(ctx, ws, Settings{
			Quiet: o.Quiet, NetworkQuiet: o.Quiet, Rescan: o.Rescan, FreeMarginBytes: 1, LockDir: o.LockDir,
			Notice: func(e Event) { fmt.Fprintf(out, "event %s %s\n", e.Kind, e.Chapter) },
		}, daemonHands(), log)
	}
	if err != nil {
		fmt.Fprintln(out, "ended:", err)
		return 1
	}
	return 0
}

func giveUpRights(uid int) error {
	if err := unix.Setgroups(nil); err != nil {
		return err
	}
	if err := unix.Setgid(uid); err != nil {
		return err
	}
	return unix.Setuid(uid)
}

func daemonHands() Hands {
	hands := testHands()
	hands.Make = func(ctx context.Context, job Job) (Made, error) {
		for _, r := range job.Raws {
			data, err := os.ReadFile(r.Path)
			switch {
			case err != nil:
				return Made{}, err
			case strings.HasPrefix(string(data), dies):
				os.Exit(1)
			case strings.HasPrefix(string(data), hangs):
				<-ctx.Done()
				return Made{}, ctx.Err()
			}
		}
		return testMake(ctx, job)
	}
	return hands
}

// faultLines is a running child and what it prints.
type faultLines struct {
	cmd   *exec.Cmd
	stdin io.Closer
	lines *bufio.Scanner
}

// startDaemon starts a faultDaemon. Its lock lies below the workspace's root unless the
// order says otherwise.
func startDaemon(t testing.TB, o daemonOrder) *faultLines {
	t.Helper()
	if o.LockDir == "" {
		o.LockDir = filepath.Join(o.Root, "lock")
	}
	text, err := json.Marshal(o)
	check(t, err)
	exe, err := os.Executable()
	check(t, err)
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), daemonEnv+"="+string(text))
	cmd.Stderr = os.Stderr
	stdin, err := cmd.StdinPipe()
	check(t, err)
	stdout, err := cmd.StdoutPipe()
	check(t, err)
	check(t, cmd.Start())
	d := &faultLines{cmd, stdin, bufio.NewScanner(stdout)}
	t.Cleanup(func() { cmd.Process.Kill() }) // an error: it has ended
	return d
}

// until reads on to a line that holds text, and tells whether it came.
func (d *faultLines) until(text string) bool {
	for d.lines.Scan() {
		if strings.Contains(d.lines.Text(), text) {
			return true
		}
	}
	return false
}

// kill is kill -9.
func (d *faultLines) kill(t testing.TB) {
	t.Helper()
	check(t, d.cmd.Process.Kill())
	d.cmd.Wait() // an error: it was killed
}

// stop lets it end in peace.
func (d *faultLines) stop(t testing.TB) {
	t.Helper()
	check(t, d.stdin.Close())
	for d.lines.Scan() {
	}
	if err := d.cmd.Wait(); err != nil {
		t.Errorf("the clean stop: %v", err)
	}
}

// handedOver lists every file of finished/, archive/ and setaside/ with its sum;
// unfinished ones do not count.
func handedOver(t testing.TB, ws *Workspace) map[string]string {
	t.Helper()
	all := sumsIn(t, ws.Finished, ws.Archive, ws.SetAside)
	maps.DeleteFunc(all, func(path, _ string) bool { return durable.IsTemp(filepath.Base(path)) })
	return all
}

// sumsIn returns the sums of all files below some folders, by path.
func sumsIn(t testing.TB, roots ...string) map[string]string {
	t.Helper()
	all := map[string]string{}
	for _, root := range roots {
		check(t, filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			if err != nil || e.IsDir() {
				return err
			}
			data, err := os.ReadFile(path)
			all[path] = sumOf(data)
			return err
		}))
	}
	return all
}
