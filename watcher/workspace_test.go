package watcher

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

func TestOpen(t *testing.T) {
	root := t.TempDir()
	if _, err := Open(root, "finished", "archive"); !errors.Is(err, ErrNotWorkspace) {
		t.Errorf("an empty folder: %v", err)
	}
	if names, err := namesIn(root); err != nil || len(names) > 0 {
		t.Errorf("Open made %q in a folder that is no workspace, %v", names, err)
	}
	check(t, Create(root))
	if _, err := Open(root, "finished", "archive"); !errors.Is(err, ErrNotWorkspace) {
		t.Errorf("without settings: %v", err)
	}
	check(t, os.WriteFile(filepath.Join(root, SettingsFile), nil, 0o640))
	check(t, Create(root)) // a second time harms nothing

	check(t, os.Remove(filepath.Join(root, "finished")))
	ws, err := Open(root, "finished", "archive")
	check(t, err)
	if !filepath.IsAbs(ws.Finished) || !exists(ws.Finished) {
		t.Errorf("finished was not made again: %q", ws.Finished)
	}

	elsewhere := filepath.Join(t.TempDir(), "disk")
	if _, err := Open(root, "finished", elsewhere); err == nil || !strings.Contains(err.Error(), "plugged in") {
		t.Errorf("an unplugged archive: %v", err)
	}
	if exists(elsewhere) {
		t.Error("the unplugged archive was made")
	}
	check(t, os.Mkdir(elsewhere, 0o750))
	ws, err = Open(root, "finished", elsewhere)
	check(t, err)
	if ws.Archive != elsewhere {
		t.Errorf("archive is %q", ws.Archive)
	}
	check(t, os.RemoveAll(filepath.Join(root, "setaside")))
	if _, err := Open(root, "finished", elsewhere); !errors.Is(err, ErrNotWorkspace) {
		t.Errorf("without setaside: %v", err)
	}
}
