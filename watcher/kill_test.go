package watcher

import (
	"bufio"
	"context"
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
)

// childEnv makes the test binary a daemon on the workspace it names.
const childEnv = "LECTERN_TEST_CHILD"

// child runs the watcher until its standard input ends, and prints a line for
// each event.
func child(root string) int {
	ws, err := Open(root, "finished", "archive")
	if err == nil {
		ctx, cancel := context.WithCancel(context.Background())
		go func() {
			io.Copy(io.Discard, os.Stdin) // ends when the parent closes it
			cancel()
		}()
		err = Run(ctx, ws, Settings{
			Quiet: 30 * time.Millisecond, NetworkQuiet: 30 * time.Millisecond, Rescan: 100 * time.Millisecond,
			FreeMarginBytes: 1, LockDir: filepath.Join(root, "lock"),
			Notice: func(e Event) { fmt.Println(e.Kind) },
		}, testHands(), zap.NewNop())
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

// life is one child process.
type life struct {
	cmd   *exec.Cmd
	stdin io.Closer
	lines *bufio.Scanner
}

func startLife(t *testing.T, ws *Workspace) life {
	t.Helper()
	exe, err := os.Executable()
	check(t, err)
	cmd := exec.Command(exe)
	cmd.Env = append(os.Environ(), childEnv+"="+ws.Root)
	cmd.Stderr = os.Stderr
	stdin, err := cmd.StdinPipe()
	check(t, err)
	stdout, err := cmd.StdoutPipe()
	check(t, err)
	check(t, cmd.Start())
	return life{cmd, stdin, bufio.NewScanner(stdout)}
}

// slowCopy is a recording that arrives a piece at a time.
type slowCopy struct {
	path, content string
	sent          int
	file          *os.File // nil: opened afresh for every piece
}

func (s *slowCopy) send(t *testing.T, bytes int) {
	t.Helper()
	f := s.file
	if f == nil {
		var err error
		f, err = os.OpenFile(s.path, os.O_APPEND|os.O_CREATE|os.O_WRONLY, 0o640)
		check(t, err)
		defer f.Close()
	}
	n, err := f.WriteString(s.content[s.sent:min(s.sent+bytes, len(s.content))])
	check(t, err)
	s.sent += n
}

// TestKilledAgainAndAgain drops 200 recordings into several books, two of them
// as slow copies, 20 of them room tests, and kills the daemon meanwhile: each is finished once and
// archived bit for bit.
func TestKilledAgainAndAgain(t *testing.T) {
	kills := 12
	if os.Getenv("LECTERN_LONG") != "" {
		kills = 200
	}
	ws := newWorkspace(t)
	dropped := map[string]int{}
	for i := range 198 {
		name := fmt.Sprintf("Book %d/%02d Chapter.wav", i%7, i)
		if i%10 == 0 {
			name = fmt.Sprintf("Book %d/room test %02d.wav", i%7, i)
		}
		dropped[drop(t, ws, name, fmt.Sprintf("recording %d", i))] = 1
	}
	slow := []*slowCopy{
		{path: filepath.Join(ws.Inbox, "Book 1", "Slow.wav"), content: promise(3000)},
		{path: filepath.Join(ws.Inbox, "Book 2", "Slower.wav"), content: promise(4000)},
	}
	held, err := os.Create(slow[1].path)
	check(t, err)
	slow[1].file = held
	for _, s := range slow {
		dropped[sumOf([]byte(s.content))] = 1
	}

	random := rand.New(rand.NewPCG(1, 2))
	for range kills {
		l := startLife(t, ws)
		for range 1 + random.IntN(600/kills) {
			if !l.lines.Scan() || finishedCount(ws) >= 198 {
				break
			}
		}
		check(t, l.cmd.Process.Kill())
		l.cmd.Wait() // an error: it was killed
		for _, s := range slow {
			s.send(t, 3000/(kills+1))
		}
		if err := invariant(ws, nil, false); err != nil {
			t.Fatal(err)
		}
		if exists(filepath.Join(ws.Finished, "Book 1", "Slow.mp3")) || exists(filepath.Join(ws.Finished, "Book 2", "Slower.mp3")) {
			t.Fatal("a slow copy was taken before it was all there")
		}
	}

	l := startLife(t, ws)
	for _, s := range slow {
		s.send(t, len(s.content))
	}
	check(t, held.Close())
	for finishedCount(ws) < 200 && l.lines.Scan() {
	}
	waitIdle(t, ws) // a report is there before its raw is in the archive
	check(t, l.stdin.Close())
	for l.lines.Scan() {
	}
	if err := l.cmd.Wait(); err != nil {
		t.Errorf("the clean stop: %v", err)
	}
	if err := invariant(ws, dropped, true); err != nil {
		t.Error(err)
	}
	recipes, err := filepath.Glob(filepath.Join(ws.Archive, "*", "*.r1.recipe.json"))
	check(t, err)
	all, err := filepath.Glob(filepath.Join(ws.Archive, "*", "*.recipe.json"))
	check(t, err)
	if len(recipes) != 200 || len(all) != 200 {
		t.Errorf("%d first revisions and %d in all, want 200 and no other", len(recipes), len(all))
	}
}

// waitIdle waits until nothing is in work.
func waitIdle(t *testing.T, ws *Workspace) {
	t.Helper()
	tick := time.NewTicker(10 * time.Millisecond)
	defer tick.Stop()
	limit := time.After(time.Minute)
	for {
		names, err := namesIn(ws.Working)
		check(t, err)
		if len(names) == 0 {
			return
		}
		select {
		case <-tick.C:
		case <-limit:
			t.Fatalf("still in work after a minute: %v", names)
		}
	}
}

// promise is a recording whose first line says how long it is.
func promise(bytes int) string {
	head := fmt.Sprintf("%s%d\n", promises, bytes)
	return head + strings.Repeat("x", bytes-len(head))
}

func finishedCount(ws *Workspace) int {
	reports, err := filepath.Glob(filepath.Join(ws.Finished, "*", "*.json"))
	if err != nil {
		panic(err) // the pattern is wrong
	}
	return len(reports)
}
