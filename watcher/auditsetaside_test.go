package watcher

import (
	"os"
	"path/filepath"
	"slices"
	"testing"
)

// historyAside is a workspace in which a chapter of two takes was set aside, then its
// first take again, then that once more.
func historyAside(t *testing.T) *Workspace {
	t.Helper()
	ws := memoryRoot(t)
	drop(t, ws, "Tides/04 Ebb take 1.wav", badRaw+" 1")
	drop(t, ws, "Tides/04 Ebb take 2.wav", badRaw+" 2")
	check(t, drive(ws, &dyingDisk{}))
	for _, content := range []string{badRaw + " 3", badRaw + " 4"} {
		drop(t, ws, "Tides/04 Ebb take 1.wav", content)
		check(t, drive(ws, &dyingDisk{}))
	}
	return ws
}

func TestAuditOfWhatWasSetAsideAgainAndAgain(t *testing.T) {
	a := audited(t, historyAside(t))
	if !a.Clean || len(a.Notes) > 0 || a.LookedAt.Raws != 4 {
		t.Errorf("%+v", a)
	}
}

func TestAuditFindsWhatIsPlantedInSetAside(t *testing.T) {
	const earlier = "setaside/Tides/superseded/04 Ebb take 1.1.wav"
	for _, c := range []struct {
		name        string
		plant       func(dir string) error
		want, notes []string
	}{
		{"a flipped bit", func(dir string) error {
			return os.WriteFile(filepath.Join(dir, "superseded", "04 Ebb take 1.1.wav"), []byte("BADRAW ?"), 0o640)
		}, []string{"changed_raw " + earlier}, []string{}},
		{"one taken away", func(dir string) error { return os.Remove(filepath.Join(dir, "superseded", "04 Ebb take 1.1.wav")) },
			[]string{}, []string{}},
		{"one under another name", func(dir string) error {
			path := filepath.Join(dir, "superseded", "04 Ebb take 1.1.wav")
			return os.Rename(path, path+"x.txt")
		}, []string{"stray " + earlier + "x.txt"}, []string{}},
		{"a recording of nobody", func(dir string) error { return os.WriteFile(filepath.Join(dir, "superseded", "07.1.wav"), nil, 0o640) },
			[]string{"unnamed_raw setaside/Tides/superseded/07.1.wav"}, []string{}},
		{"a recording without a number", func(dir string) error { return os.WriteFile(filepath.Join(dir, "superseded", "04.wav"), nil, 0o640) },
			[]string{"stray setaside/Tides/superseded/04.wav"}, []string{}},
		{"a report that is none", func(dir string) error {
			return os.WriteFile(filepath.Join(dir, "superseded", "04 Ebb.9.json"), []byte("{}"), 0o640)
		}, []string{"bad_report setaside/Tides/superseded/04 Ebb.9.json"}, []string{}},
		{"an unfinished file", func(dir string) error {
			return os.WriteFile(filepath.Join(dir, "superseded", ".tmp-abc-0123456789abcdef"), nil, 0o640)
		}, []string{"unfinished setaside/Tides/superseded/.tmp-abc-0123456789abcdef"}, []string{}},
		{"a folder", func(dir string) error { return os.Mkdir(filepath.Join(dir, "superseded", "superseded"), 0o750) },
			[]string{"stray setaside/Tides/superseded/superseded"}, []string{}},
		{"the newest taken away", func(dir string) error { return os.Remove(filepath.Join(dir, "04 Ebb take 1.wav")) },
			[]string{}, []string{"taken_away setaside/Tides/04 Ebb take 1.wav"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			ws := historyAside(t)
			check(t, c.plant(filepath.Join(ws.SetAside, "Tides")))
			a := audited(t, ws)
			if got := told(a.Exceptions); !slices.Equal(got, c.want) {
				t.Errorf("exceptions %q, want %q", got, c.want)
			}
			if got := told(a.Notes); !slices.Equal(got, c.notes) {
				t.Errorf("notes %q, want %q", got, c.notes)
			}
		})
	}
}
