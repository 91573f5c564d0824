package watcher

import (
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"
)

// The idle daemon, with the usual patience, beside a large archive and many books.
func TestFaultIdle(t *testing.T) {
	ws := memoryWorkspace(t)
	archived, books := 10000, 1000
	for i := range books {
		check(t, os.MkdirAll(filepath.Join(ws.Inbox, fmt.Sprintf("Book %04d", i)), 0o770))
		check(t, os.WriteFile(filepath.Join(ws.Inbox, fmt.Sprintf("Book %04d", i), "about.toml"), nil, 0o640))
		dir := filepath.Join(ws.Archive, fmt.Sprintf("Book %04d", i))
		check(t, os.MkdirAll(dir, 0o750))
		for k := range archived / books {
			check(t, os.WriteFile(filepath.Join(dir, fmt.Sprintf("%02d.r1.wav", k)), nil, 0o640))
			check(t, os.WriteFile(filepath.Join(dir, fmt.Sprintf("%02d.r1.recipe.json", k)), []byte("{}"), 0o640))
		}
	}
	const usualRescan = 15 * time.Second
	rescan := time.Duration(inShort(int(time.Second/2), int(usualRescan)))
	d := startDaemon(t, daemonOrder{Root: ws.Root, Quiet: 5 * time.Second, Rescan: rescan})
	if !d.until("watching ") {
		t.Fatal("the daemon ended")
	}
	// Four rescans, the first of which is over.
	pid := d.cmd.Process.Pid
	pause(2 * rescan / 3)
	before := processorTime(t, pid)
	pause(4 * rescan)
	spent := processorTime(t, pid) - before
	share := 100 * spent.Seconds() / (4 * usualRescan).Seconds()
	memory := memoryOf(t, pid, "VmRSS")
	d.stop(t)
	wrong := 0
	if share >= 1 || memory >= 40 {
		wrong++
	}
	row(t, "23", "the idle daemon, 10,000 recordings archived, 1,000 books", 1, 0, wrong,
		"%.2f %% of one core, %.1f MB of memory; four rescans %v apart, counted as 15 s apart", share, memory, rescan)
}

func pause(d time.Duration) { <-time.After(d) }

// memoryOf reads a figure of /proc/PID/status, in MB.
func memoryOf(t testing.TB, pid int, key string) float64 {
	t.Helper()
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	check(t, err)
	_, rest, _ := strings.Cut(string(data), key+":")
	kB, err := strconv.Atoi(strings.Fields(rest)[0])
	check(t, err)
	return float64(kB) * 1024 / 1e6
}

// processorTime reads what a process has used, in steps of 10 ms: proc(5), fields 14
// and 15 of stat.
func processorTime(t testing.TB, pid int) time.Duration {
	t.Helper()
	data, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", pid))
	check(t, err)
	fields := strings.Fields(string(data)[strings.LastIndex(string(data), ")")+1:])
	user, err := strconv.Atoi(fields[11])
	check(t, err)
	system, err := strconv.Atoi(fields[12])
	check(t, err)
	return time.Duration(user+system) * 10 * time.Millisecond
}
