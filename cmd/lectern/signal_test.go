package main

import (
	"errors"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"
)

// longTake repeats the demo's reading for so many minutes.
func longTake(minutes int) []byte {
	const rateHz = 24000
	one := make([]int16, 0, rateHz*60*minutes)
	for len(one) < rateHz*60*minutes {
		for i := 44; i+1 < len(demoRaw) && len(one) < cap(one); i += 2 {
			one = append(one, int16(uint16(demoRaw[i])|uint16(demoRaw[i+1])<<8))
		}
	}
	return wav24(one)
}

// TestStoppedInMidWork asks the real program to stop while it masters a long take: by
// SIGTERM and by SIGINT it ends with 0 within ten seconds, by a second SIGTERM at once; a
// SIGHUP, where there is no terminal, does not end it; and in the end the take is made once.
func TestStoppedInMidWork(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("Windows has no such signals")
	}
	if testing.Short() {
		t.Skip("left out of the short form")
	}
	terms, ints, twice, minutes := 2, 1, 1, 3
	if os.Getenv("LECTERN_LONG") != "" {
		terms, ints, twice, minutes = 100, 20, 8, 20 // ten sudden ends would set the take aside
	}
	lectern := buildLectern(t)
	root := filepath.Join(t.TempDir(), "books")
	command(t, lectern, "init", root)
	setQuiet(t, root)
	take := longTake(minutes)
	write(t, filepath.Join(root, "inbox", "03 The Ferry.wav"), take)

	rng := rand.New(rand.NewPCG(5, 6))
	var slowest, slowestTwice time.Duration
	stop := func(signals ...os.Signal) (time.Duration, int) {
		d := startAtWork(t, lectern, root)
		<-time.After(time.Duration(rng.IntN(1500)) * time.Millisecond)
		began := time.Now()
		for _, s := range signals {
			if err := d.cmd.Process.Signal(s); err != nil {
				t.Fatal(err)
			}
			if len(signals) > 1 {
				<-time.After(5 * time.Millisecond) // two at once are one
			}
		}
		err := <-d.ended
		var ended *exec.ExitError
		if err != nil && !errors.As(err, &ended) {
			t.Fatal(err)
		}
		return time.Since(began), d.cmd.ProcessState.ExitCode()
	}
	for i := range terms + ints {
		signal := syscall.SIGTERM
		if i >= terms {
			signal = syscall.SIGINT
		}
		took, code := stop(signal)
		if code != 0 {
			t.Errorf("%v: it ended with %d", signal, code)
		}
		slowest = max(slowest, took)
	}
	for range twice {
		took, code := stop(syscall.SIGTERM, syscall.SIGTERM)
		if code != 0 && code != 130 {
			t.Errorf("twice SIGTERM: it ended with %d", code)
		}
		slowestTwice = max(slowestTwice, took)
	}
	if n := len(files(t, filepath.Join(root, "finished"), ".mp3")); n > 0 {
		t.Fatal("the take was finished between two stops: it is too short for this machine")
	}
	d := startAtWork(t, lectern, root)
	if err := d.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	waitUntilIdle(t, d, root, 1)
	if err := d.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	<-d.ended
	recipes := files(t, filepath.Join(root, "archive"), ".recipe.json")
	if len(recipes) != 1 || !strings.HasSuffix(recipes[0], "03 The Ferry.r1.recipe.json") {
		t.Errorf("recipes: %q", recipes)
	}
	kept, err := os.ReadFile(filepath.Join(root, "archive", "03 The Ferry.r1.wav"))
	if err != nil || sumOf(kept) != sumOf(take) {
		t.Errorf("the take in the archive is not the one dropped (%v)", err)
	}
	if out, err := exec.Command(lectern, "audit", root).CombinedOutput(); err != nil {
		t.Errorf("audit: %v\n%s", err, out)
	}
	t.Logf("row 12 | stopped in mid-work | %d | 0 | 0 | SIGTERM and SIGINT: 0, after %.1f s at most; two SIGTERM: after %.1f s at most; one revision",
		terms+ints+twice, slowest.Seconds(), slowestTwice.Seconds())
}

// startAtWork starts the daemon and waits until it has taken over what is in working: a
// signal that comes before the program hears any would end it as every other program.
func startAtWork(t *testing.T, lectern, root string) *daemonRun {
	t.Helper()
	before := jobNames(t, root)
	d := start(t, lectern, root)
	for jobNames(t, root) == before {
		select {
		case err := <-d.ended:
			t.Fatalf("the daemon ended by itself: %v\n%s", err, d.log)
		case <-time.After(20 * time.Millisecond):
		}
	}
	return d
}

// jobNames lists the folders in working. A job that is taken over gets another name.
func jobNames(t *testing.T, root string) string {
	t.Helper()
	entries, err := os.ReadDir(filepath.Join(root, "working"))
	if err != nil {
		t.Fatal(err)
	}
	names := ""
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") {
			names += e.Name() + "\n"
		}
	}
	return names
}
