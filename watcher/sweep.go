package watcher

import (
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"go.uber.org/zap"

	"lectern/watcher/internal/durable"
)

// strayAge is when anybody's unfinished file is taken for left behind. Maildir's
// figure: a delivery gives up after 24 hours, so after 36 nobody writes to it.
const strayAge = 36 * time.Hour

// sweep deletes unfinished files that no one will finish: those of an earlier
// run on this computer, and any that are too old. Not in the inbox, where nothing of
// ours is ever unfinished: whatever lies there under such a name is somebody else's.
func (d *daemon) sweep(now time.Time) {
	d.sweepTrials()
	for _, root := range []string{d.ws.Working, d.ws.Finished, d.ws.Archive, d.ws.SetAside} {
		err := filepath.WalkDir(root, func(path string, e fs.DirEntry, err error) error {
			if err != nil || !durable.IsTemp(e.Name()) {
				return skipDeep(d.ws, path, e, err)
			}
			info, err := e.Info()
			if err != nil {
				return nil // gone already
			}
			mine := d.locked && d.store.IsOwnTemp(e.Name())
			if mine || now.Sub(info.ModTime()) > strayAge {
				d.remove(path, e.IsDir())
			}
			if e.IsDir() {
				return fs.SkipDir
			}
			return nil
		})
		if err != nil {
			d.log.Warn("could not look for files left behind", failure(err)...)
		}
	}
}

// sweepTrials deletes the empty files by which an earlier run on this computer tried
// whether the inbox and working lie on one disk, and died at that moment; and those of a
// probe.
func (d *daemon) sweepTrials() {
	names, err := namesIn(d.ws.Inbox)
	if err != nil {
		return // told by the scan
	}
	for _, name := range names {
		path := filepath.Join(d.ws.Inbox, name)
		info, err := os.Lstat(path)
		if err == nil && d.locked && d.store.IsOwnTemp(name) && info.Mode().IsRegular() && (info.Size() == 0 || isProbeFile(name, info)) {
			d.remove(path, false)
		}
	}
}

// skipDeep keeps the sweep out of jobs, whose owner tidies them, and out of
// folders that cannot be read.
func skipDeep(ws *Workspace, path string, e fs.DirEntry, err error) error {
	if err != nil {
		return fs.SkipDir
	}
	if e.IsDir() && filepath.Dir(path) == ws.Working {
		return fs.SkipDir
	}
	return nil
}

// remove deletes something left behind, unless a recording lies in it.
func (d *daemon) remove(path string, isDir bool) {
	name := zap.String("name", filepath.Base(path))
	if raws := filepath.Join(path, "new"); isDir && os.Remove(raws) != nil && exists(raws) {
		d.log.Warn("a folder left behind in working still holds a recording; it is kept", name)
		return
	}
	if err := os.RemoveAll(path); err != nil {
		d.log.Warn("an unfinished file left behind could not be removed", append(failure(err), name)...)
		return
	}
	d.log.Info("removed an unfinished file left behind", name)
}
