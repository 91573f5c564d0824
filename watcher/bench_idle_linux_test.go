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

// BenchmarkIdle measures the idle daemon, at the usual patience, beside 10,000 archived
// recordings and 1,000 book folders, for a minute:
//
//	go test -run '^$' -bench Idle -benchtime 1x ./watcher
func BenchmarkIdle(b *testing.B) {
	ws := memoryWorkspace(b)
	const archived, books = 10000, 1000
	for i := range books {
		check(b, os.MkdirAll(filepath.Join(ws.Inbox, fmt.Sprintf("Book %04d", i)), 0o770))
		check(b, os.WriteFile(filepath.Join(ws.Inbox, fmt.Sprintf("Book %04d", i), "about.toml"), nil, 0o640))
		dir := filepath.Join(ws.Archive, fmt.Sprintf("Book %04d", i))
		check(b, os.MkdirAll(dir, 0o750))
		for k := range archived / books {
			check(b, os.WriteFile(filepath.Join(dir, fmt.Sprintf("%02d.r1.wav", k)), nil, 0o640))
			check(b, os.WriteFile(filepath.Join(dir, fmt.Sprintf("%02d.r1.recipe.json", k)), []byte("{}"), 0o640))
		}
	}
	const rescan = 15 * time.Second
	for range b.N {
		d := startDaemon(b, daemonOrder{Root: ws.Root, Quiet: 5 * time.Second, Rescan: rescan})
		if !d.until("watching ") {
			b.Fatal("the daemon ended")
		}
		pause(rescan / 3) // the first look is over, the next not yet begun
		before := processorTime(b, d.cmd.Process.Pid)
		pause(4 * rescan)
		spent := processorTime(b, d.cmd.Process.Pid) - before
		b.ReportMetric(100*spent.Seconds()/(4*rescan).Seconds(), "%core")
		b.ReportMetric(memoryOf(b, d.cmd.Process.Pid, "VmRSS"), "MB")
		d.stop(b)
	}
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
