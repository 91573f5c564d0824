package main

import (
	"os"
	"path/filepath"
	"testing"
)

// A room test is compared with chapters, not with earlier room tests, and what
// cannot be read as a report does not stop it.
func TestFinishedChapters(t *testing.T) {
	dir := t.TempDir()
	if got, err := finishedChapters(filepath.Join(dir, "not there")); len(got) != 0 || err != nil {
		t.Errorf("of a book that has none yet: %v %v", got, err)
	}
	for name, text := range map[string]string{
		"01 The Harbor.json": `{"state": "finished", "chapter": "01 The Harbor"}`,
		"room test.json":     `{"state": "room_test", "chapter": "room test"}`,
		"notes.json":         `Odile rang`,
		"01 The Harbor.mp3":  `{"state": "finished", "chapter": "an MP3"}`,
	} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "superseded.json"), 0o700); err != nil {
		t.Fatal(err)
	}
	got, err := finishedChapters(dir)
	if err != nil || len(got) != 1 || got[0].Chapter != "01 The Harbor" {
		t.Errorf("%+v %v", got, err)
	}
}
