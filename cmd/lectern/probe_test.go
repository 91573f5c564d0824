package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"lectern/watcher"
)

func TestProbeWarning(t *testing.T) {
	root := filepath.Join(t.TempDir(), "books")
	if _, err := makeWorkspace(root); err != nil {
		t.Fatal(err)
	}
	ws, _, err := openWorkspace(root, nil)
	if err != nil {
		t.Fatal(err)
	}
	s := watcher.Settings{FreeMarginBytes: 1, LockDir: filepath.Join(t.TempDir(), "lock")}
	if says := probeWarning(ws, s); says != "" {
		t.Errorf("of an ordinary place it says %q", says)
	}
	if err := os.Mkdir(filepath.Join(root, ".stfolder"), 0o750); err != nil {
		t.Fatal(err)
	}
	s.FreeMarginBytes = 1 << 60 // two things are wrong now
	says := probeWarning(ws, s)
	if strings.Contains(says, "\n") || !strings.Contains(says, "make room") ||
		!strings.HasSuffix(says, " (and 1 more); lectern probe "+watcher.Plain(ws.Root)+" tells more") {
		t.Errorf("it says %q", says)
	}
}
