package main

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"
)

// TestSoak lets the real program, built with the race detector, master for as long as
// LECTERN_SOAK says (such as 30m), while takes are dropped, dropped again, set aside,
// made again, renamed and withdrawn, and kills it every 20 s. In the end every take
// must lie in the archive or be set aside, and the audit must be clean.
func TestSoak(t *testing.T) {
	span, err := time.ParseDuration(os.Getenv("LECTERN_SOAK"))
	if err != nil {
		t.Skip("takes long: give it a time, as in LECTERN_SOAK=30m")
	}
	if runtime.GOOS == "windows" {
		t.Skip("Windows has no signal that ends a process as kill -9 does")
	}
	lectern := filepath.Join(t.TempDir(), "lectern")
	build := exec.Command("go", "build", "-race", "-o", lectern, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=1")
	if out, err := build.CombinedOutput(); err != nil {
		t.Skipf("the race detector needs the go command and a C compiler: %v\n%s", err, out)
	}
	root := filepath.Join(t.TempDir(), "books")
	command(t, lectern, "init", root)
	setQuiet(t, root)

	rng := rand.New(rand.NewPCG(3, 4))
	dropped := map[string]bool{}
	var logs bytes.Buffer
	end := time.Now().Add(span)
	kills, takes, asked := 0, 0, 0
	for time.Now().Before(end) {
		d := start(t, lectern, root)
		round := time.After(20 * time.Second)
		tick := time.NewTicker(2 * time.Second)
		for over := false; !over; {
			select {
			case <-round:
				over = true
			case err := <-d.ended:
				t.Fatalf("the daemon ended by itself: %v\n%s", err, d.log)
			case <-tick.C:
				if len(files(t, filepath.Join(root, "inbox"), ".wav")) > 8 {
					continue // the machine is behind; kills at work are what this is about
				}
				takes++
				// A take that replaces a chapter must say the same, or it is asked about.
				n := rng.IntN(30)
				data := shortTake(3*n + takes%3)
				if takes%11 == 0 {
					data = []byte(fmt.Sprintf("letter %d, no recording", takes))
				}
				path := filepath.Join(root, "inbox", bookOf(takes), fmt.Sprintf("%02d Ebb.wav", n))
				if isRoomTest(takes) {
					path = filepath.Join(root, "inbox", bookOf(takes), fmt.Sprintf("room test %02d.wav", rng.IntN(5)))
				}
				if _, err := os.Lstat(path); err == nil {
					continue // one waits there; to put another in its place would be to lose it
				}
				write(t, path+".part", data)
				if err := os.Rename(path+".part", path); err != nil {
					t.Fatal(err)
				}
				dropped[sumOf(data)] = true
				if takes%4 == 0 {
					asked += ask(t, lectern, root, rng)
				}
			}
		}
		tick.Stop()
		if err := d.cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		<-d.ended
		logs.Write(d.log.Bytes())
		kills++
	}
	d := start(t, lectern, root)
	waitUntilIdle(t, d, root, 0)
	if err := d.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := <-d.ended; err != nil {
		t.Errorf("the daemon did not stop cleanly: %v\n%s", err, d.log)
	}
	logs.Write(d.log.Bytes())
	if i := strings.Index(logs.String(), "DATA RACE"); i >= 0 {
		t.Errorf("the race detector reports:\n%.3000s", logs.String()[i:])
	}
	found := map[string]bool{}
	for _, folder := range []string{"archive", "setaside"} {
		for _, path := range files(t, filepath.Join(root, folder), ".wav") {
			data, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			found[sumOf(data)] = true
		}
	}
	lost := 0
	for sum := range dropped {
		if !found[sum] {
			lost++
		}
	}
	if lost > 0 {
		t.Errorf("%d of %d takes are nowhere", lost, len(dropped))
	}
	out, err := exec.Command(lectern, "audit", root).CombinedOutput()
	if err != nil {
		t.Errorf("the audit is not clean: %v\n%s", err, out)
	}
	t.Logf("row 40 | soak of %v with a kill every 20 s, race detector on | %d | %d | 0 | %d takes, %d commands beside; audit: %s",
		span, kills, lost, len(dropped), asked, out)
}

// ask has a command done beside the daemon. That it is refused is all right.
func ask(t *testing.T, lectern, root string, rng *rand.Rand) int {
	t.Helper()
	recipes := files(t, filepath.Join(root, "archive"), ".r1.recipe.json")
	if len(recipes) == 0 {
		return 0
	}
	rel, err := filepath.Rel(filepath.Join(root, "archive"), strings.TrimSuffix(recipes[rng.IntN(len(recipes))], ".r1.recipe.json"))
	if err != nil {
		t.Fatal(err)
	}
	args := [][]string{
		{"remake", rel}, {"remake", "--set", fmt.Sprintf("delivery.head_s=0.%d", 5+rng.IntN(4)), rel},
		{"remake", "--revision", "1", rel}, {"withdraw", rel}, {"rename", rel, fmt.Sprintf("%02d Flood", rng.IntN(30))},
	}[rng.IntN(5)]
	cmd := exec.Command(lectern, append(args, "--workspace", root)...)
	var ended *exec.ExitError
	if out, err := cmd.CombinedOutput(); err != nil && !errors.As(err, &ended) || bytes.Contains(out, []byte("DATA RACE")) {
		t.Errorf("%q: %v\n%s", args, err, out)
	}
	return 1
}
