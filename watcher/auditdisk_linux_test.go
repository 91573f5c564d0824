package watcher

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// A disk of its own for finished or archive brings folders that are no books.
func TestAuditOfDisksOfTheirOwn(t *testing.T) {
	finished, archive := newTmpfs(t, "4m"), newTmpfs(t, "4m")
	for _, disk := range []string{finished, archive} {
		for _, of := range []string{"lost+found", "System Volume Information", "$RECYCLE.BIN", ".Trash-1000"} {
			check(t, os.Mkdir(filepath.Join(disk, of), 0o700))
			check(t, os.WriteFile(filepath.Join(disk, of, "#12"), []byte("x"), 0o600))
		}
	}
	ws := openWorkspace(t, t.TempDir(), finished, archive)
	drop(t, ws, "Tides/03 Ferry.wav", "ferry")
	drop(t, ws, "Tides/04 Ebb.wav", badRaw)
	check(t, drive(ws, &dyingDisk{}))
	if a := audited(t, ws); !a.Clean || len(a.Notes) > 0 || a.LookedAt.Raws != 2 {
		t.Errorf("%+v", a)
	}
	all, err := ws.Filed()
	check(t, err)
	if len(all) != 1 || all[0].Chapter != "03 Ferry" {
		t.Errorf("filed: %+v", all)
	}
}

// Inside the workspace's own disk a book may have such a name.
func TestAuditOfABookCalledLikeAFolderOfTheDisk(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Lost+Found/03 Ferry.wav", "ferry")
	check(t, drive(ws, &dyingDisk{}))
	check(t, os.Remove(filepath.Join(ws.Archive, "Lost+Found", "03 Ferry.r1.wav")))
	if got, want := told(audited(t, ws).Exceptions), []string{"missing_raw archive/Lost+Found/03 Ferry.r1.wav"}; !slices.Equal(got, want) {
		t.Errorf("exceptions %q, want %q", got, want)
	}
}

// The folders may be called otherwise in the settings.
func TestAuditNamesTheFoldersByWhatTheyAre(t *testing.T) {
	root := t.TempDir()
	ws := openWorkspace(t, root, "for the client", "raws")
	drop(t, ws, "Tides/03 Ferry.wav", "ferry")
	check(t, drive(ws, &dyingDisk{}))
	check(t, os.WriteFile(filepath.Join(ws.Finished, "Tides", ".tmp-abc-0123456789abcdef"), nil, 0o640))
	check(t, os.Mkdir(filepath.Join(ws.Archive, "Tides", "x"), 0o750))
	want := []string{"stray archive/Tides/x", "unfinished finished/Tides/.tmp-abc-0123456789abcdef"}
	if got := told(audited(t, ws).Exceptions); !slices.Equal(got, want) {
		t.Errorf("exceptions %q, want %q", got, want)
	}
}
