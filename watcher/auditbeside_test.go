package watcher

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"lectern/watcher/internal/durable"
)

// lookedAtDisk calls look before every call that changes something.
type lookedAtDisk struct {
	*dyingDisk
	look func()
}

func (d *lookedAtDisk) Mkdir(path string, perm fs.FileMode) error {
	d.look()
	return d.dyingDisk.Mkdir(path, perm)
}

func (d *lookedAtDisk) Create(path string, perm fs.FileMode) (durable.File, error) {
	d.look()
	return d.dyingDisk.Create(path, perm)
}

func (d *lookedAtDisk) Rename(from, to string) error {
	d.look()
	return d.dyingDisk.Rename(from, to)
}

func (d *lookedAtDisk) Take(dir, name, to string) error {
	d.look()
	return d.dyingDisk.Take(dir, name, to)
}

func (d *lookedAtDisk) Give(from, dir, name string) error {
	d.look()
	return d.dyingDisk.Give(from, dir, name)
}

func (d *lookedAtDisk) Replace(from, dir, name string) error {
	d.look()
	return d.dyingDisk.Replace(from, dir, name)
}

func (d *lookedAtDisk) Remove(path string) error {
	d.look()
	return d.dyingDisk.Remove(path)
}

func (d *lookedAtDisk) SyncDir(path string) error {
	d.look()
	return d.dyingDisk.SyncDir(path)
}

// eachProtocol runs a test in a workspace of its own for every way through the publish
// protocol.
func eachProtocol(t *testing.T, test func(t *testing.T, newWorkspace func() *Workspace, drop func(*Workspace), apart bool)) {
	for _, p := range protocols {
		t.Run(p.name, func(t *testing.T) {
			prepare := func() *Workspace {
				ws := memoryRoot(t)
				if p.before != nil {
					p.before(t, ws)
					check(t, drive(ws, &dyingDisk{}))
				}
				return ws
			}
			test(t, prepare, func(ws *Workspace) { p.drop(t, ws) }, p.apart)
		})
	}
}

func apartOf(ws *Workspace, apart bool) []string {
	if apart {
		return []string{ws.Finished, ws.Archive}
	}
	return nil
}

// However slow a disk is, an audit beside a daemon at work finds nothing wrong.
func TestAuditBesideADaemonAtWork(t *testing.T) {
	eachProtocol(t, func(t *testing.T, newWorkspace func() *Workspace, drop func(*Workspace), apart bool) {
		ws := newWorkspace()
		drop(ws)
		disk := &lookedAtDisk{dyingDisk: &dyingDisk{apart: apartOf(ws, apart)}}
		looks, jobs := 0, 0
		disk.look = func() {
			a := audited(t, ws)
			looks++
			jobs += a.LookedAt.Jobs
			if !a.Clean {
				t.Errorf("before call %d, after %q: %+v", disk.calls+1, disk.log, a.Exceptions)
			}
			for _, r := range a.Notes {
				if r.Kind != "in_work" {
					t.Errorf("before call %d: note %+v", disk.calls+1, r)
				}
			}
		}
		check(t, drive(ws, disk))
		if jobs == 0 || looks < 10 {
			t.Errorf("%d looks, %d jobs seen", looks, jobs)
		}
		if a := audited(t, ws); !a.Clean || len(a.Notes) > 0 {
			t.Errorf("in the end: %+v", a)
		}
	})
}

// Wherever a daemon dies, an audit tells that the job is half done, and blames no file
// that the next start brings to its place.
func TestAuditAfterADeathAtEveryStep(t *testing.T) {
	eachProtocol(t, func(t *testing.T, newWorkspace func() *Workspace, drop func(*Workspace), apart bool) {
		halfDone := 0
		for dieAt, alive := 1, false; !alive; dieAt++ {
			ws := newWorkspace()
			drop(ws)
			disk := &dyingDisk{dieAt: dieAt, apart: apartOf(ws, apart)}
			err := drive(ws, disk)
			alive = err == nil
			if err != nil && !errors.Is(err, errDead) {
				t.Fatal(err)
			}
			jobs, err := filepath.Glob(filepath.Join(ws.Working, "[^.]*"))
			check(t, err)
			for _, dir := range jobs {
				check(t, writeLease(dir, owner{Released: true}))
			}
			a := audited(t, ws)
			var kinds []string
			for _, r := range a.Exceptions {
				kinds = append(kinds, r.Kind)
				if r.Kind == "half_done" {
					halfDone++
				}
			}
			kinds = slices.DeleteFunc(kinds, func(kind string) bool { return kind == "half_done" || kind == "unfinished" })
			if len(kinds) > 0 || len(a.Notes) > 0 {
				t.Errorf("died at call %d (%s): %+v, notes %+v", dieAt, disk.log[len(disk.log)-1], a.Exceptions, a.Notes)
			}
			if len(jobs) > 0 && a.Clean {
				t.Errorf("died at call %d: the half-done job is not told", dieAt)
			}
			os.RemoveAll(ws.Root)
		}
		if halfDone == 0 {
			t.Error("no half-done job was seen")
		}
	})
}
