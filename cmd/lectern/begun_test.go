package main

import (
	"os"
	"path/filepath"
	"testing"
	"time"

	"lectern/config"
	"lectern/pipeline/report"
)

// A book begins with its first chapter, not with the room tests before it.
func TestRoomTestsBeginNoBook(t *testing.T) {
	dir := t.TempDir()
	at := time.Date(2026, 11, 25, 20, 0, 0, 0, time.UTC)
	recipe := func(name, role string, noiseMaxDBFS float64) {
		t.Helper()
		f := report.RecipeFile{Raws: []report.RecipeRaw{{Role: role}}}
		f.Settings = config.Default().Chapter
		f.Settings.Delivery.NoiseMaxDBFS = noiseMaxDBFS
		text, err := report.Marshal(f)
		if err != nil {
			t.Fatal(err)
		}
		path := filepath.Join(dir, name+".recipe.json")
		if err := os.WriteFile(path, text, 0o600); err != nil {
			t.Fatal(err)
		}
		at = at.Add(time.Minute)
		if err := os.Chtimes(path, at, at); err != nil {
			t.Fatal(err)
		}
	}
	recipe("room test.r1", "room test", -40)
	if got, ok, err := begunWith(dir); ok || err != nil {
		t.Errorf("a room test alone: %v %v %v", got.Delivery.NoiseMaxDBFS, ok, err)
	}
	recipe("01 The Harbor.r1", "chapter", -50)
	recipe("01 The Harbor.r2", "take", -55)
	recipe("room test.r2", "room test", -70)
	if got, ok, err := begunWith(dir); !ok || err != nil || got.Delivery.NoiseMaxDBFS != -55 {
		t.Errorf("after two chapters and a room test: %v %v %v", got.Delivery.NoiseMaxDBFS, ok, err)
	}
}
