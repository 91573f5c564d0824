//go:build unix

package main

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

// TestFaultSignals stops the daemon in the midst of a long chapter, by every signal it
// heeds, and lets it finish in the end: one chapter, one revision, the raw untouched.
// With LECTERN_LONG=1 it does so 140 times, else six.
func TestFaultSignals(t *testing.T) {
	if testing.Short() {
		t.Skip("masters for some seconds")
	}
	tries := map[string]int{"SIGTERM": 2, "SIGHUP": 2, "two signals": 2}
	if os.Getenv("LECTERN_LONG") != "" {
		tries = map[string]int{"SIGTERM": 100, "SIGHUP": 20, "two signals": 20}
	}
	lectern := buildLectern(t)
	random := rand.New(rand.NewPCG(5, 6))
	take := longTake(time.Minute)
	root := filepath.Join(t.TempDir(), "books")
	command(t, lectern, "init", root)
	setQuiet(t, root)
	write(t, filepath.Join(root, "inbox", "A Ledger of Small Tides", "03 The Ferry.wav"), take)
	for _, c := range []struct {
		what    string
		signals []syscall.Signal
		limit   time.Duration // our choice
	}{
		{"SIGTERM", []syscall.Signal{syscall.SIGTERM}, 10 * time.Second},
		{"SIGHUP", []syscall.Signal{syscall.SIGHUP}, 10 * time.Second},
		{"two signals", []syscall.Signal{syscall.SIGTERM, syscall.SIGINT}, time.Second},
	} {
		wrong, atOnce, slowest := 0, 0, time.Duration(0)
		for range tries[c.what] {
			d := start(t, lectern, root)
			waitForProgress(t, d, root)
			<-time.After(time.Duration(random.IntN(500)) * time.Millisecond)
			began := time.Now()
			for _, s := range c.signals {
				if err := d.cmd.Process.Signal(s); err != nil {
					t.Fatal(err)
				}
			}
			err := <-d.ended
			took := time.Since(began)
			slowest = max(slowest, took)
			var ended *exec.ExitError
			// Two of one kind, sent in a row, may reach a process as one.
			if len(c.signals) == 2 && errors.As(err, &ended) && ended.ExitCode() == 130 {
				atOnce++
				err = nil
				forget(t, root) // ten such ends would set the take aside
			}
			if err != nil || took > c.limit {
				wrong++
				t.Errorf("%s: ended with %v after %v\n%s", c.what, err, took, d.log)
			}
		}
		if len(c.signals) == 2 && atOnce == 0 {
			t.Error("no second signal ended it: this proves nothing")
		}
		t.Logf("row 12 | %s in the midst of a chapter | %d | 0 | %d | ended within %.2f s, %d of them by the second signal",
			c.what, tries[c.what], wrong, slowest.Seconds(), atOnce)
	}
	d := start(t, lectern, root)
	waitUntilIdle(t, d, root, 1)
	if err := d.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	<-d.ended
	raws, recipes := files(t, filepath.Join(root, "archive"), ".wav"), files(t, filepath.Join(root, "archive"), ".recipe.json")
	if len(raws) != 1 || len(recipes) != 1 || len(files(t, filepath.Join(root, "finished"), ".mp3")) != 1 {
		t.Fatalf("in the archive: %q %q", raws, recipes)
	}
	if data, err := os.ReadFile(raws[0]); err != nil || !bytes.Equal(data, take) {
		t.Errorf("the archived raw is another one (%v)", err)
	}
	t.Logf("row 12 | the chapter that was stopped so often | 1 | 0 | 0 | made in the end, in one revision")
}

// waitForProgress waits until the chapter is being made.
func waitForProgress(t *testing.T, d *daemonRun, root string) {
	t.Helper()
	pattern := filepath.Join(root, "working", "*", "progress")
	old, err := filepath.Glob(pattern)
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range old { // of the run before: the new one replaces it
		os.Remove(path)
	}
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	limit := time.After(time.Minute)
	for {
		if found, _ := filepath.Glob(pattern); len(found) > 0 { // the pattern is good
			return
		}
		select {
		case <-tick.C:
		case err := <-d.ended:
			t.Fatalf("the daemon ended by itself: %v\n%s", err, d.log)
		case <-limit:
			t.Fatalf("nothing is made:\n%s", d.log)
		}
	}
}

// forget removes the marks of tries that came to no end.
func forget(t *testing.T, root string) {
	t.Helper()
	marks, err := filepath.Glob(filepath.Join(root, "working", "*", "tries", "*.began"))
	if err != nil {
		t.Fatal(err)
	}
	for _, path := range marks {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
}

// longTake repeats the demo's recording.
func longTake(length time.Duration) []byte {
	const headerBytes, bytesPerSecond = 44, 2 * 24000
	size := int(length.Seconds()) * bytesPerSecond
	data := bytes.Repeat(demoRaw[headerBytes:], size/(len(demoRaw)-headerBytes)+1)[:size]
	head := bytes.Clone(demoRaw[:headerBytes])
	binary.LittleEndian.PutUint32(head[4:], uint32(headerBytes-8+size))
	binary.LittleEndian.PutUint32(head[40:], uint32(size))
	return append(head, data...)
}
