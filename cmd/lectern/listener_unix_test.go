//go:build unix

package main

import (
	"errors"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"

	"go.uber.org/zap"

	"lectern/config"
	"lectern/watcher"
)

func TestListenerShowsFinishedFilesAlone(t *testing.T) {
	root := t.TempDir()
	finished := filepath.Join(root, "finished")
	write(t, filepath.Join(root, "secret.txt"), []byte("secret"))
	write(t, filepath.Join(finished, "index.html"), []byte("all books"))
	write(t, filepath.Join(finished, "A Ledger of Small Tides", "03 The Ferry.mp3"), []byte("0123456789"))
	write(t, filepath.Join(finished, "A Ledger of Small Tides", ".hidden.json"), []byte("{}"))
	write(t, filepath.Join(finished, "A Ledger of Small Tides", "lectern.toml"), []byte("x"))
	if err := errors.Join(
		os.Symlink(filepath.Join(root, "secret.txt"), filepath.Join(finished, "link.txt")),
		os.Symlink(root, filepath.Join(finished, "out")),
		syscall.Mkfifo(filepath.Join(finished, "pipe.mp3"), 0o640), // an open would wait for ever
	); err != nil {
		t.Fatal(err)
	}
	s := newService(config.Service{}, "", nil, false, zap.NewNop())
	w := &served{dir: root, name: "marsh", opened: make(chan struct{})}
	ws := &watcher.Workspace{Root: root, Finished: finished}
	w.opens(&open{ws, newHands(ws, config.Default(), nil, zap.NewNop())})
	s.served = []*served{w}
	for path, want := range map[string]int{
		"/finished/marsh/":           200,
		"/finished/marsh/index.html": 200,
		"/finished/marsh/A%20Ledger%20of%20Small%20Tides/03%20The%20Ferry.mp3": 200,
		"/finished/marsh/A%20Ledger%20of%20Small%20Tides/":                     404,
		"/finished/marsh/A%20Ledger%20of%20Small%20Tides/.hidden.json":         404,
		"/finished/marsh/A%20Ledger%20of%20Small%20Tides/lectern.toml":         404,
		"/finished/marsh/link.txt":                                             404,
		"/finished/marsh/out/secret.txt":                                       404,
		"/finished/marsh/%2e%2e/secret.txt":                                    404,
		"/finished/marsh/..%2fsecret.txt":                                      404,
		"/finished/marsh/..%5csecret.txt":                                      404,
		"/finished/marsh/%2fetc%2fpasswd.txt":                                  404,
		"/finished/marsh/pipe.mp3":                                             404,
	} {
		got := answerTo(s, "localhost", "GET", path)
		if redirected := got.Code == http.StatusMovedPermanently || got.Code == http.StatusTemporaryRedirect; got.Code != want && !(want == 404 && redirected) {
			t.Errorf("%s: %d, want %d", path, got.Code, want)
		}
		if strings.Contains(got.Body.String(), "secret") {
			t.Errorf("%s: what lies outside was shown", path)
		}
	}
	r := httptest.NewRequest("GET", "/finished/marsh/A%20Ledger%20of%20Small%20Tides/03%20The%20Ferry.mp3", nil)
	r.Host = "localhost"
	r.Header.Set("Range", "bytes=2-4")
	got := httptest.NewRecorder()
	guarded(s.pages()).ServeHTTP(got, r)
	if got.Code != http.StatusPartialContent || got.Body.String() != "234" || got.Header().Get("Content-Type") != "audio/mpeg" {
		t.Errorf("a part of a file: %d %q %v", got.Code, got.Body, got.Header())
	}
}
