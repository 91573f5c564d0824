package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
	"github.com/prometheus/client_golang/prometheus/testutil/promlint"
	"go.uber.org/zap"

	"lectern/config"
	"lectern/pipeline/report"
	"lectern/watcher"
)

// logLines is a log that may be read while it is written.
type logLines struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *logLines) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}

func (l *logLines) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.String()
}

// until waits for something that a running service is to come to.
func until(t *testing.T, what string, log *logLines, is func() bool) {
	t.Helper()
	limit := time.After(4 * time.Minute)
	for !is() {
		select {
		case <-limit:
			t.Fatalf("waited in vain for %s\n%s", what, log)
		case <-time.After(50 * time.Millisecond):
		}
	}
}

func answerTo(s *service, host, method, path string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, nil)
	r.Host = host
	w := httptest.NewRecorder()
	guarded(s.pages()).ServeHTTP(w, r)
	return w
}

// TestServiceOfSeveralWorkspaces runs one daemon for three workspaces, of which one is not
// there at first: the others master what is dropped. Then its settings are read anew.
func TestServiceOfSeveralWorkspaces(t *testing.T) {
	if testing.Short() {
		t.Skip("left out of the short form")
	}
	dir := t.TempDir()
	path := func(parts ...string) string { return filepath.Join(append([]string{dir}, parts...)...) }
	for _, name := range []string{"marsh", "verrall"} {
		if _, err := makeWorkspace(path(name)); err != nil {
			t.Fatal(err)
		}
		setQuiet(t, path(name))
	}
	file := path("service.toml")
	write(t, file, []byte("workspaces = ['marsh', 'verrall', 'late']\n"))
	set, err := config.LoadService(file)
	if err != nil {
		t.Fatal(err)
	}
	log := &logLines{}
	s := newService(set, file, nil, false, newLog(log, true))
	ctx, stop := context.WithCancel(context.Background())
	reload, ended := make(chan struct{}), make(chan error, 1)
	go func() { ended <- s.run(ctx, reload) }()
	defer func() {
		stop()
		if err := <-ended; err != nil {
			t.Errorf("it ended with %v", err)
		}
	}()

	write(t, path("marsh", "inbox", "03 The Ferry.wav"), demoRaw)
	write(t, path("verrall", "inbox", "03 The Ferry.wav"), demoRaw)
	write(t, path("verrall", "inbox", "04 Damaged.wav"), []byte("RIFF\x04\x00\x00\x00no WAV"))
	mastered := func(name string) float64 { return testutil.ToFloat64(s.metrics.mastered.WithLabelValues(name, "pass")) }
	until(t, "both chapters", log, func() bool { return mastered("marsh") == 1 && mastered("verrall") == 1 })
	until(t, "the damaged one to be set aside", log, func() bool { return testutil.ToFloat64(s.metrics.setAside.WithLabelValues("verrall")) == 1 })
	if got := testutil.ToFloat64(s.metrics.audioS.WithLabelValues("marsh")); got < 45.9 || got > 46.1 {
		t.Errorf("%.1f s of recording are counted, the demo's is 46 s", got)
	}
	health := answerTo(s, "127.0.0.1:9310", "GET", "/healthz")
	if health.Code != 503 || !strings.HasPrefix(health.Body.String(), "late: cannot be watched: this folder is no workspace") {
		t.Errorf("healthz says %d, %q", health.Code, health.Body)
	}
	until(t, "the page over all books", log, func() bool {
		page := answerTo(s, "localhost", "GET", "/finished/marsh/")
		return page.Code == 200 && strings.Contains(page.Body.String(), "03 The Ferry")
	})

	if _, err := makeWorkspace(path("late")); err != nil {
		t.Fatal(err)
	}
	write(t, file, []byte("workspaces = ['verrall', 'late']\n"))
	write(t, path("verrall", "lectern.toml"), []byte("[watch]\nquiet_s = 1\n[delivery]\nhead_s = 0.8\n"))
	write(t, path("late", "lectern.toml"), []byte("[watch]\nquiet_s = 1\n"))
	reload <- struct{}{}
	until(t, "the late workspace", log, func() bool { return answerTo(s, "[::1]:9310", "GET", "/healthz").Code == 200 })
	if s.find("marsh") != nil || s.find("late") == nil {
		t.Error("the workspaces are not those of the settings")
	}
	write(t, path("verrall", "inbox", "05 Rope.wav"), demoRaw)
	until(t, "a chapter by the new settings", log, func() bool { return mastered("verrall") == 2 })
	if head := headOf(t, path("verrall", "finished", "05 Rope.json")); head < 0.75 {
		t.Errorf("the new settings were not used: %.2f s before the first word", head)
	}
	write(t, path("verrall", "lectern.toml"), []byte("[delivery]\nhead_s = 80\n"))
	reload <- struct{}{}
	until(t, "the refusal", log, func() bool { return strings.Contains(log.String(), "the old ones stay in force: lectern.toml, line 2") })
	if got := s.find("verrall"); got == nil || got.open.hands.set().Delivery.HeadS != 0.8 {
		t.Error("settings that cannot be used took the place of the old ones")
	}
	lookThroughMetrics(t, s)
}

// headOf reads from a report how much room tone its chapter begins with, in seconds.
func headOf(t *testing.T, path string) float64 {
	t.Helper()
	text, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	var r report.Report
	if err := json.Unmarshal(text, &r); err != nil || r.Finished.Measured.HeadS == nil {
		t.Fatalf("%s: %v, or it tells of no head", path, err)
	}
	return float64(*r.Finished.Measured.HeadS)
}

// lookThroughMetrics has the text of the metrics read and judged by the library of those
// who define the format.
func lookThroughMetrics(t *testing.T, s *service) {
	t.Helper()
	got := answerTo(s, "127.0.0.1", "GET", "/metrics")
	problems, err := promlint.New(got.Body).Lint()
	if got.Code != 200 || err != nil || len(problems) > 0 {
		t.Errorf("/metrics: %d, %v, %v", got.Code, err, problems)
	}
	n, err := testutil.GatherAndCount(s.metrics.registry, "lectern_workspace_up", "lectern_takes_waiting", "lectern_disk_free_bytes", "lectern_last_look_timestamp_seconds")
	if err != nil || n < 2*3 {
		t.Errorf("%d figures of workspaces, %v", n, err)
	}
}

func TestListenerAnswersOnlyThisComputer(t *testing.T) {
	s := newService(config.Service{}, "", nil, false, zap.NewNop())
	for _, tt := range []struct {
		host, method, path string
		want               int
	}{
		{"localhost:9310", "GET", "/", 200},
		{"127.0.0.1:9310", "HEAD", "/healthz", 200},
		{"[::1]:9310", "GET", "/metrics", 200},
		{"books.example", "GET", "/", http.StatusMisdirectedRequest},
		{"books.example:9310", "GET", "/metrics", http.StatusMisdirectedRequest},
		{"127.0.0.1.books.example", "GET", "/", http.StatusMisdirectedRequest},
		{"192.168.1.7", "GET", "/", http.StatusMisdirectedRequest},
		{"", "GET", "/", http.StatusMisdirectedRequest},
		{"localhost", "POST", "/", http.StatusMethodNotAllowed},
		{"localhost", "DELETE", "/finished/a/index.html", http.StatusMethodNotAllowed},
		{"localhost", "OPTIONS", "/metrics", http.StatusMethodNotAllowed},
		{"localhost", "GET", "/debug/pprof/", 404},
		{"localhost", "GET", "/finished/nowhere/", 404},
	} {
		if got := answerTo(s, tt.host, tt.method, tt.path); got.Code != tt.want || got.Header().Get("X-Content-Type-Options") != "nosniff" || got.Header().Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s %s of %q: %d, want %d; %v", tt.method, tt.path, tt.host, got.Code, tt.want, got.Header())
		}
	}
	if err := s.answer("0.0.0.0:0"); err == nil {
		t.Error("it answers at an address that others reach")
		s.listen.close()
	}
}

// TestNotices runs a service under a service manager of the test's own.
func TestNotices(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("Windows has no such sockets")
	}
	dir, err := os.MkdirTemp("", "lectern-") // short: the name of a socket has 108 bytes at most
	if err != nil {
		t.Fatal(err)
	}
	defer os.RemoveAll(dir)
	at := &net.UnixAddr{Name: filepath.Join(dir, "notify"), Net: "unixgram"}
	manager, err := net.ListenUnixgram("unixgram", at)
	if err != nil {
		t.Fatal(err)
	}
	defer manager.Close()
	t.Setenv("NOTIFY_SOCKET", at.Name)
	t.Setenv("WATCHDOG_USEC", "900000")
	t.Setenv("WATCHDOG_PID", fmt.Sprint(os.Getpid()))
	root := filepath.Join(dir, "books")
	if _, err := makeWorkspace(root); err != nil {
		t.Fatal(err)
	}
	heard := make(chan string, 1000)
	go func() {
		buffer := make([]byte, 4096)
		for {
			n, err := manager.Read(buffer)
			if err != nil {
				return
			}
			heard <- string(buffer[:n])
		}
	}()
	next := func(want string) {
		t.Helper()
		for limit := time.After(time.Minute); ; {
			select {
			case got := <-heard:
				if strings.HasPrefix(got, want) {
					return
				}
			case <-limit:
				t.Fatalf("%s was never told", want)
			}
		}
	}
	s := newService(config.Service{Workspaces: []string{root}}, "", nil, false, zap.NewNop())
	ctx, stop := context.WithCancel(context.Background())
	reload, ended := make(chan struct{}), make(chan error, 1)
	go func() { ended <- s.run(ctx, reload) }()
	next("READY=1")
	next("WATCHDOG=1")
	reload <- struct{}{}
	next("RELOADING=1\nMONOTONIC_USEC=")
	next("READY=1")
	stop()
	next("STOPPING=1")
	if err := <-ended; err != nil {
		t.Error(err)
	}
}

func TestStatusLine(t *testing.T) {
	s := newService(config.Service{Workspaces: []string{"a", "b"}}, "", nil, false, zap.NewNop())
	if got := s.status(); got != "watching" {
		t.Errorf("%q", got)
	}
	down := &served{opened: make(chan struct{})}
	down.closed(syscall.ENOENT)
	s.served = []*served{down}
	if got := s.status(); got != "watching, a workspace cannot be watched" {
		t.Errorf("%q", got)
	}
	if !s.moves(time.Now()) {
		t.Error("the watchdog would end a daemon that waits for its workspace")
	}
}

func TestStuck(t *testing.T) {
	now := time.Now()
	const rescan = 15 * time.Second
	for _, tt := range []struct {
		looked, moved time.Duration // ago; 0: never
		stuck         bool
	}{
		{0, 0, false},
		{10 * time.Second, 0, false},
		{160 * time.Second, 0, false},
		{170 * time.Second, 0, true},
		{time.Second, 9 * time.Minute, false},
		{time.Second, 11 * time.Minute, true},
	} {
		var signs watcher.Signs
		if tt.looked > 0 {
			signs.LookedAt = now.Add(-tt.looked)
		}
		if tt.moved > 0 {
			signs.MovedAt = now.Add(-tt.moved)
		}
		if got := stuckSays(signs, rescan, now); (got != "") != tt.stuck {
			t.Errorf("looked %v ago, moved %v ago: %q", tt.looked, tt.moved, got)
		}
	}
}

func TestUnusedName(t *testing.T) {
	var all []*served
	for _, dir := range []string{"/srv/a/books", "/srv/b/books", "/srv/c/books", "/srv/other"} {
		all = append(all, &served{name: unusedName(dir, all)})
	}
	if got := fmt.Sprint(all[0].name, all[1].name, all[2].name, all[3].name); got != "booksbooks (2)books (3)other" {
		t.Error(got)
	}
}
