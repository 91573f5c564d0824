package main

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"testing"
)

func TestJournalIsKnownByItsStream(t *testing.T) {
	f, err := os.Create(filepath.Join(t.TempDir(), "stream"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var stat syscall.Stat_t
	if err := syscall.Fstat(int(f.Fd()), &stat); err != nil {
		t.Fatal(err)
	}
	t.Setenv("JOURNAL_STREAM", fmt.Sprintf("%d:%d", stat.Dev, stat.Ino))
	newLog(f, false).Warn("03 The Ferry: set aside")
	text, err := os.ReadFile(f.Name())
	if err != nil || !bytes.HasPrefix(text, []byte(`<4>{"level":"warn"`)) {
		t.Errorf("written: %q, %v", text, err)
	}
	var elsewhere bytes.Buffer
	newLog(&elsewhere, false).Warn("03 The Ferry: set aside")
	if !bytes.HasPrefix(elsewhere.Bytes(), []byte(`{"level":"warn"`)) {
		t.Errorf("written elsewhere: %q", elsewhere.Bytes())
	}
}
