package main

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"lectern/pipeline/report"
)

// TestKilledOverAndOver drops many short takes into several book folders at
// once, two of them as slow copies and some as room tests, and kills the daemon
// without warning again and again while it works. In the end each take must be
// finished, reported, and in the archive, bit for bit and once. With LECTERN_LONG=1 it is 200 takes and
// 50 kills, else a short form.
func TestKilledOverAndOver(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("Windows has no signal that ends a process as kill -9 does")
	}
	count, kills := 12, 6
	if os.Getenv("LECTERN_LONG") != "" {
		count, kills = 200, 50
	} else if testing.Short() {
		count, kills = 6, 3
	}
	lectern := buildLectern(t)
	root := filepath.Join(t.TempDir(), "books")
	command(t, lectern, "init", root)
	setQuiet(t, root)

	dropped := map[string]string{} // sha256 -> where
	var slow []func()
	for i := range count {
		take := shortTake(i)
		path := filepath.Join(root, "inbox", bookOf(i), fmt.Sprintf("%03d Ebb.wav", i))
		if isRoomTest(i) {
			path = filepath.Join(root, "inbox", bookOf(i), fmt.Sprintf("room test %03d.wav", i))
		}
		dropped[sumOf(take)] = path
		if i == 1 || i == count-1 {
			slow = append(slow, func() { copySlowly(t, path, take) })
			continue
		}
		write(t, path, take)
	}
	for _, start := range slow {
		go start()
	}

	rng := rand.New(rand.NewPCG(1, 2))
	for k := range kills {
		d := start(t, lectern, root)
		// Long enough to begin, short enough to be caught at any step.
		pause := time.Duration(100+rng.IntN(2400)) * time.Millisecond
		select {
		case <-time.After(pause):
		case err := <-d.ended:
			t.Fatalf("run %d: the daemon ended by itself: %v\n%s", k, err, d.log)
		}
		if err := d.cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		<-d.ended
	}
	d := start(t, lectern, root)
	waitUntilIdle(t, d, root, count)
	if err := d.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := <-d.ended; err != nil {
		t.Errorf("the daemon did not stop cleanly: %v\n%s", err, d.log)
	}
	proveNothingLost(t, root, dropped)
}

// bookOf spreads the takes over folders; every fifth is a single piece.
func bookOf(i int) string {
	return [...]string{"", "A Ledger of Small Tides", "The Second Ledger", "Letters", "Credits"}[i%5]
}

// isRoomTest makes room tests of two takes in eight.
func isRoomTest(i int) bool { return i%8 == 2 || i%8 == 5 }

// shortTake cuts 2.5 s out of the demo's recording, a different piece for each i.
func shortTake(i int) []byte {
	const headerBytes, rateHz = 44, 24000
	samples := rateHz * 5 / 2
	at := headerBytes + 2*(2*rateHz+i*4999%(rateHz*38))
	data := bytes.Clone(demoRaw[at : at+2*samples])
	gain := math.Pow(10, float64(i%7-3)/20)
	for k := 0; k < len(data); k += 2 {
		v := float64(int16(binary.LittleEndian.Uint16(data[k:]))) * gain
		binary.LittleEndian.PutUint16(data[k:], uint16(int16(max(-32768, min(32767, v)))))
	}
	head := bytes.Clone(demoRaw[:headerBytes])
	binary.LittleEndian.PutUint32(head[4:], uint32(headerBytes-8+len(data)))
	binary.LittleEndian.PutUint32(head[40:], uint32(len(data)))
	return append(head, data...)
}

func sumOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

func write(t *testing.T, path string, data []byte) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, data, 0o640); err != nil {
		t.Fatal(err)
	}
}

// copySlowly writes a file over about 8 s, as a share on a bad line does.
func copySlowly(t *testing.T, path string, data []byte) {
	if err := os.MkdirAll(filepath.Dir(path), 0o750); err != nil {
		t.Error(err)
		return
	}
	f, err := os.Create(path)
	if err != nil {
		t.Error(err)
		return
	}
	defer f.Close()
	const pieces = 20
	tick := time.NewTicker(400 * time.Millisecond)
	defer tick.Stop()
	for i := range pieces {
		if _, err := f.Write(data[i*len(data)/pieces : (i+1)*len(data)/pieces]); err != nil {
			t.Error(err)
			return
		}
		<-tick.C
	}
}

func buildLectern(t *testing.T) string {
	t.Helper()
	bin := filepath.Join(t.TempDir(), "lectern")
	if out, err := exec.Command("go", "build", "-o", bin, ".").CombinedOutput(); err != nil {
		t.Skipf("the go command is needed to build the daemon: %v\n%s", err, out)
	}
	return bin
}

func command(t *testing.T, name string, args ...string) {
	t.Helper()
	if out, err := exec.Command(name, args...).CombinedOutput(); err != nil {
		t.Fatalf("%v: %v\n%s", args, err, out)
	}
}

// setQuiet lets takes be claimed after a second instead of five.
func setQuiet(t *testing.T, root string) {
	t.Helper()
	path := filepath.Join(root, "lectern.toml")
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	changed := strings.Replace(string(text), "quiet_s = 5", "quiet_s = 1", 1)
	if changed == string(text) {
		t.Fatal("quiet_s = 5 is not in lectern.toml")
	}
	if err := os.WriteFile(path, []byte(changed), 0o640); err != nil {
		t.Fatal(err)
	}
}

type daemonRun struct {
	cmd   *exec.Cmd
	log   *bytes.Buffer
	ended chan error
}

func start(t *testing.T, lectern, root string) *daemonRun {
	t.Helper()
	d := &daemonRun{cmd: exec.Command(lectern, "watch", root), log: &bytes.Buffer{}, ended: make(chan error, 1)}
	d.cmd.Stderr = d.log
	if err := d.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() { d.ended <- d.cmd.Wait() }()
	return d
}

// waitUntilIdle waits until every chapter has its report and nothing is left to do.
func waitUntilIdle(t *testing.T, d *daemonRun, root string, count int) {
	t.Helper()
	limit := time.After(10 * time.Minute)
	tick := time.NewTicker(200 * time.Millisecond)
	defer tick.Stop()
	for {
		ended := len(files(t, filepath.Join(root, "finished"), ".json")) + len(files(t, filepath.Join(root, "setaside"), ".json"))
		if ended >= count && len(files(t, filepath.Join(root, "inbox"), ".wav")) == 0 && empty(t, filepath.Join(root, "working")) {
			return
		}
		select {
		case <-tick.C:
		case err := <-d.ended:
			t.Fatalf("the daemon ended by itself: %v\n%s", err, d.log)
		case <-limit:
			t.Fatalf("not done: finished %d of %d, inbox %v, working %v\n%s", len(files(t, filepath.Join(root, "finished"), ".json")),
				count, files(t, filepath.Join(root, "inbox"), ".wav"), files(t, filepath.Join(root, "working"), ""), d.log)
		}
	}
}

func empty(t *testing.T, dir string) bool {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	return len(entries) == 0
}

// files lists the files below dir with an ending, without those about a whole book. What
// vanishes while it looks was moved by the daemon.
func files(t *testing.T, dir, ending string) []string {
	t.Helper()
	var out []string
	err := filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		switch {
		case err == nil && e.IsDir() && (e.Name() == "listen" || e.Name() == "handover"):
			return filepath.SkipDir
		case err != nil || e.IsDir():
			return nil
		}
		if strings.HasSuffix(path, ending) && !slices.Contains([]string{"book.json", "listen.txt", "diary.txt"}, e.Name()) {
			out = append(out, path)
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// proveNothingLost is the oracle: each dropped sum is in the archive exactly
// once, each report names an MP3 or the text of a room test with its own sum, and
// nothing else lies about.
func proveNothingLost(t *testing.T, root string, dropped map[string]string) {
	t.Helper()
	found := map[string]int{}
	for _, path := range files(t, filepath.Join(root, "archive"), ".wav") {
		data, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		found[sumOf(data)]++
	}
	for sum, path := range dropped {
		if found[sum] != 1 {
			t.Errorf("%s is %d times in the archive", path, found[sum])
		}
	}
	if len(found) != len(dropped) {
		t.Errorf("%d different recordings in the archive, %d were dropped", len(found), len(dropped))
	}
	reports := files(t, filepath.Join(root, "finished"), ".json")
	if len(reports) != len(dropped) {
		t.Errorf("%d reports for %d takes", len(reports), len(dropped))
	}
	tests := 0
	for _, path := range reports {
		var r report.Report
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := validReport(text, ""); err != nil {
			t.Errorf("%s: %v", path, err)
		}
		var test report.RoomTestReport
		if err := errors.Join(json.Unmarshal(text, &r), json.Unmarshal(text, &test)); err != nil {
			t.Errorf("%s: %v", path, err)
			continue
		}
		name, sum := r.Finished.Name, r.Finished.SHA256
		if r.State == report.StateRoomTest {
			name, sum = test.RoomTest.Text.Name, test.RoomTest.Text.SHA256
			tests++
		}
		made, err := os.ReadFile(filepath.Join(filepath.Dir(path), name))
		if err != nil {
			t.Error(err)
			continue
		}
		if sumOf(made) != sum {
			t.Errorf("%s: the file beside it is not the one reported", path)
		}
		if _, mine := dropped[r.Raws[0].SHA256]; !mine {
			t.Errorf("%s reports a recording nobody dropped", path)
		}
	}
	mp3s := files(t, filepath.Join(root, "finished"), ".mp3")
	texts := slices.DeleteFunc(files(t, filepath.Join(root, "finished"), ".txt"), func(path string) bool {
		return strings.HasSuffix(path, " - please read.txt")
	})
	if len(mp3s)+tests != len(reports) || len(texts) != tests || tests == 0 {
		t.Errorf("%d MP3s and %d texts for %d reports, %d of them of room tests", len(mp3s), len(texts), len(reports), tests)
	}
	if left := files(t, filepath.Join(root, "working"), ""); len(left) > 0 {
		t.Errorf("left in working: %v", left)
	}
	for _, note := range files(t, filepath.Join(root, "setaside"), ".txt") {
		text, err := os.ReadFile(note)
		t.Errorf("%s was set aside: %s (%v)", note, text, err)
	}
}
