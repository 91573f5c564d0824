package watcher

import (
	"context"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"

	"lectern/watcher/internal/durable"
)

// Whoever does what an audit says has a clean workspace after it.
func TestAuditsAdviceIsGood(t *testing.T) {
	finished := func(ws *Workspace, name string) string { return filepath.Join(ws.Finished, "Tides", name) }
	elsewhere := func(t *testing.T, ws *Workspace, names ...string) {
		for _, name := range names {
			check(t, os.Rename(finished(ws, name), filepath.Join(ws.Root, filepath.Base(name))))
		}
	}
	remake := func(t *testing.T, ws *Workspace) { askFor(t, ws, "03 Loud", Ask{Kind: Remake}) }
	for _, c := range []struct {
		name          string
		plant, follow func(t *testing.T, ws *Workspace)
		says          string
		notes         []string
	}{
		{
			name: "a changed file", says: `Move it elsewhere; then lectern remake "Tides" "03 Loud" brings it back`,
			plant: func(t *testing.T, ws *Workspace) {
				check(t, os.WriteFile(finished(ws, "03 Loud.mp3"), []byte("hers"), 0o640))
			},
			follow: func(t *testing.T, ws *Workspace) {
				elsewhere(t, ws, "03 Loud.mp3")
				remake(t, ws)
			},
		},
		{
			name: "a changed file, left where it is", says: "Move it elsewhere",
			plant: func(t *testing.T, ws *Workspace) {
				check(t, os.WriteFile(finished(ws, "03 Loud.mp3"), []byte("hers"), 0o640))
			},
			follow: func(t *testing.T, ws *Workspace) {
				remake(t, ws)
				remake(t, ws) // nothing is left to do, and no revision is made
				askFor(t, ws, "03 Loud", Ask{Kind: Remake, Set: []string{"!"}})
				askFor(t, ws, "03 Loud", Ask{Kind: BringBack, Revision: 2})
			},
			notes: []string{"kept_aside finished/Tides/superseded/03 Loud.found.mp3"},
		},
		{
			name: "a changed earlier file", says: `Move it elsewhere; then lectern remake --revision 1 "Tides" "03 Loud" makes it again`,
			plant: func(t *testing.T, ws *Workspace) {
				check(t, os.WriteFile(finished(ws, "superseded/03 Loud.r1.mp3"), []byte("hers"), 0o640))
			},
			follow: func(t *testing.T, ws *Workspace) {
				elsewhere(t, ws, "superseded/03 Loud.r1.mp3")
				askFor(t, ws, "03 Loud", Ask{Kind: BringBack, Revision: 1})
			},
			notes: []string{"taken_away finished/Tides/superseded/03 Loud.r1.mp3"},
		},
		{
			name: "a report that is none", says: `delete it; then lectern remake "Tides" "03 Loud" writes it again`,
			plant: func(t *testing.T, ws *Workspace) {
				check(t, os.WriteFile(finished(ws, "03 Loud.json"), []byte("{"), 0o640))
			},
			follow: func(t *testing.T, ws *Workspace) {
				check(t, os.Remove(finished(ws, "03 Loud.json")))
				remake(t, ws)
			},
		},
		{
			name: "a report that is gone", says: `its report is gone; lectern remake "Tides" "03 Loud" writes it again`,
			plant:  func(t *testing.T, ws *Workspace) { check(t, os.Remove(finished(ws, "03 Loud.json"))) },
			follow: remake,
		},
		{
			name: "an earlier pair in place of the newest", says: "move this one elsewhere with its report, and " + `lectern remake "Tides" "03 Loud" brings it back`,
			plant: func(t *testing.T, ws *Workspace) {
				for _, ending := range []string{".mp3", ".json"} {
					check(t, os.Rename(finished(ws, "superseded/03 Loud.r1"+ending), finished(ws, "03 Loud"+ending)))
				}
			},
			follow: func(t *testing.T, ws *Workspace) {
				elsewhere(t, ws, "03 Loud.mp3", "03 Loud.json")
				remake(t, ws)
			},
		},
		{
			name: "the newest pair put away", says: `lectern remake "Tides" "03 Loud" brings it back`,
			plant: func(t *testing.T, ws *Workspace) {
				for _, ending := range []string{".mp3", ".json"} {
					check(t, os.Rename(finished(ws, "03 Loud"+ending), finished(ws, "superseded/03 Loud.r2"+ending)))
				}
			},
			follow: remake,
		},
		{
			name: "a chapter without a recipe", says: "drop the recordings into the inbox again",
			plant: func(t *testing.T, ws *Workspace) {
				check(t, os.Remove(filepath.Join(ws.Archive, "Tides", "03 Loud.r2.recipe.json")))
				check(t, os.Remove(filepath.Join(ws.Archive, "Tides", "03 Loud.r2.wav")))
			},
			follow: func(t *testing.T, ws *Workspace) {
				check(t, os.Remove(finished(ws, "03 Loud.mp3")))
				check(t, os.Remove(finished(ws, "03 Loud.json")))
				drop(t, ws, "Tides/03 Loud.wav", "louder")
				check(t, drive(ws, &dyingDisk{}))
			},
		},
		{
			name: "a job without its papers", says: "give it its name and drop it into the inbox",
			plant: func(t *testing.T, ws *Workspace) {
				dir := filepath.Join(ws.Working, "abc-0123")
				check(t, os.MkdirAll(filepath.Join(dir, "new"), 0o750))
				check(t, os.WriteFile(filepath.Join(dir, "new", "1.wav"), []byte("one more"), 0o640))
			},
			follow: func(t *testing.T, ws *Workspace) {
				dir := filepath.Join(ws.Working, "abc-0123")
				check(t, os.Rename(filepath.Join(dir, "new", "1.wav"), filepath.Join(ws.Inbox, "Tides", "09 More.wav")))
				check(t, os.RemoveAll(dir))
				check(t, drive(ws, &dyingDisk{}))
			},
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			ws := auditWorkspace(t)
			c.plant(t, ws)
			a := audited(t, ws)
			if !slices.ContainsFunc(a.Exceptions, func(r Remark) bool { return strings.Contains(r.Says, c.says) }) {
				t.Errorf("exceptions %+v, want one with %q", a.Exceptions, c.says)
			}
			c.follow(t, ws)
			a = audited(t, ws)
			if !a.Clean {
				t.Errorf("after it: %+v", a.Exceptions)
			}
			notes := append(slices.Clone(c.notes), soundNotes...)
			slices.Sort(notes)
			if got := told(a.Notes); !slices.Equal(got, notes) {
				t.Errorf("after it: notes %q, want %q", got, notes)
			}
		})
	}
}

// unreadableDisk cannot read the files of one name.
type unreadableDisk struct {
	durable.Disk
	name string
}

func (d *unreadableDisk) Open(path string) (durable.File, error) {
	if filepath.Base(path) == d.name {
		return nil, &fs.PathError{Op: "open", Path: path, Err: syscall.EIO}
	}
	return d.Disk.Open(path)
}

// One file that cannot be read does not hide what is wrong with others.
func TestAuditOfWhatCannotBeRead(t *testing.T) {
	for name, at := range map[string]string{
		"01 Harbor take 1.r1.wav": "archive/Tides/01 Harbor take 1.r1.wav",
		"03 Loud.mp3":             "finished/Tides/03 Loud.mp3",
		"04 Ebb.wav":              "setaside/Tides/04 Ebb.wav",
	} {
		ws := auditWorkspace(t)
		check(t, os.Remove(filepath.Join(ws.Archive, "Tides", "05 Rope.r1.wav")))
		auditor := &auditor{ctx: context.Background(), ws: ws, store: durable.Store{FS: &unreadableDisk{name: name}}}
		a, err := auditor.read(nil)
		check(t, err)
		want := []string{"missing_raw archive/Tides/05 Rope.r1.wav", "unreadable " + at}
		if got := told(a.Exceptions); !slices.Equal(got, want) {
			t.Errorf("exceptions %q, want %q", got, want)
		}
		for _, r := range a.Exceptions {
			if r.Kind == "unreadable" && !strings.Contains(r.Says, syscall.EIO.Error()) {
				t.Errorf("it says %q", r.Says)
			}
		}
		if got := told(a.Notes); !slices.Equal(got, soundNotes) {
			t.Errorf("notes %q", got)
		}
	}
}

func TestAuditOfPapersWithoutRights(t *testing.T) {
	if os.Getuid() <= 0 {
		t.Skip("rights hold nobody off who is root, and mean something else on this system")
	}
	for _, path := range []string{"archive/Audition.r1.recipe.json", "finished/Audition.json", "setaside/Tides/04 Ebb.json"} {
		ws := auditWorkspace(t)
		check(t, os.Chmod(filepath.Join(ws.Root, path), 0))
		if got := told(audited(t, ws).Exceptions); !slices.Contains(got, "unreadable "+path) {
			t.Errorf("exceptions %q", got)
		}
	}
}

// A job that is half done hides nothing that has left it and is lost since.
func TestAuditOfAHalfDoneJobThatHasLostARecording(t *testing.T) {
	ws := memoryRoot(t)
	drop(t, ws, "Tides/01 Harbor take 1.wav", "har")
	drop(t, ws, "Tides/01 Harbor take 2.wav", "bor")
	clean := &dyingDisk{}
	d := readyDaemon(t, ws, clean)
	j, err := d.claim(d.queue[0])
	check(t, err)
	archived := filepath.Join(ws.Archive, "Tides", "01 Harbor take 1.r1.wav")
	disk := &lookedAtDisk{dyingDisk: clean}
	disk.look = func() {
		if exists(archived) {
			clean.dieAt = 1
		}
	}
	d.store.FS = disk
	if err := d.work(context.Background(), j); err == nil || !exists(archived) {
		t.Fatalf("the job did not end half-way: %v", err)
	}
	check(t, writeLease(j.Dir, owner{Released: true}))
	half := []string{"half_done working/" + filepath.Base(j.Dir)}
	if got := told(audited(t, ws).Exceptions); !slices.Equal(got, half) {
		t.Fatalf("exceptions %q, want %q", got, half)
	}
	check(t, os.Remove(archived))
	want := append(half, "missing_raw archive/Tides/01 Harbor take 1.r1.wav")
	if got := told(audited(t, ws).Exceptions); !slices.Equal(got, want) {
		t.Errorf("exceptions %q, want %q", got, want)
	}
}

// Audits beside everything that may be asked for a finished chapter are clean, and so
// is what it leaves.
func TestAuditBesideAndAfterEveryAsk(t *testing.T) {
	for _, a := range asks {
		if a.refused != "" || strings.Contains(a.name, "changed") {
			continue
		}
		t.Run(a.name, func(t *testing.T) {
			ws := memoryRoot(t)
			for _, content := range []string{"loud", "louder"} {
				drop(t, ws, "Tides/03 Loud.wav", content)
				check(t, drive(ws, &dyingDisk{}))
			}
			if a.before != nil {
				a.before(t, ws)
			}
			before := told(audited(t, ws).Exceptions)
			f, err := filedFor(ws, a)
			check(t, err)
			disk := &lookedAtDisk{dyingDisk: &dyingDisk{apart: apartOf(ws, a.apart)}}
			looks := 0
			disk.look = func() {
				looks++
				if got := told(audited(t, ws).Exceptions); len(got) > len(before) {
					t.Errorf("before call %d: exceptions %q", disk.calls+1, got)
				}
			}
			d := newDaemon(ws, Settings{FreeMarginBytes: 1, fs: disk, unlocked: true}.withDefaults(), testHands(), testLog())
			j, err := d.makeAsk(f, a.ask)
			check(t, err)
			_, err = d.answer(context.Background(), j)
			check(t, err)
			if got := audited(t, ws); !got.Clean || looks == 0 {
				t.Errorf("after %d looks: %+v", looks, got.Exceptions)
			}
		})
	}
}
