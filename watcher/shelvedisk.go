package watcher

import (
	"cmp"
	"context"
	"os"
	"path/filepath"
	"strings"

	"lectern/watcher/internal/durable"
)

// shelfAt finds the folder for a book's recordings below dir, a folder of another disk that
// must be there: a disk that is not connected is not papered over. It makes nothing.
func (ws *Workspace) shelfAt(dir, in string) (folder string, err error) {
	path, err := filepath.Abs(dir)
	if err == nil {
		path, err = filepath.EvalSymlinks(path)
	}
	if info, statErr := os.Stat(path); err != nil || statErr != nil || !info.IsDir() {
		return "", refuse("there is no folder %s; connect the disk, or make the folder first", Plain(dir))
	}
	folder = filepath.Join(path, in)
	if info, err := os.Lstat(folder); err == nil && !info.IsDir() {
		return "", refuse("%s is a file or a link and no folder; move it elsewhere, or choose another folder", Plain(folder))
	}
	if ws.holds(folder) {
		return "", refuse("%s lies inside this workspace, so nothing would be elsewhere; choose a folder on another disk", Plain(folder))
	}
	return folder, nil
}

// holds tells whether a path, which need not exist, lies in one of the folders of the
// workspace, whatever it is called on the way.
func (ws *Workspace) holds(path string) bool {
	for {
		if info, err := os.Stat(path); err == nil {
			for _, own := range []string{ws.Root, ws.Inbox, ws.Working, ws.Finished, ws.Archive, ws.SetAside} {
				if there, err := os.Stat(own); err == nil && os.SameFile(info, there) {
					return true
				}
			}
		}
		up := filepath.Dir(path)
		if up == path {
			return false
		}
		path = up
	}
}

// nameOfDisk is what a disk is called in the note: as the person says, or as she said the
// last time, or its label, or the name of the folder on it.
func (sh *shelving) nameOfDisk(said, folder string) string {
	before := ""
	for _, p := range sh.note.Places {
		if p.folder() == folder {
			before = p.Disk
		}
	}
	dir := filepath.Dir(folder)
	return strings.ToValidUTF8(cmp.Or(strings.TrimSpace(said), before, diskLabel(dir), filepath.Base(dir)), "?")
}

// waitsInInbox returns the name of a recording of a book that waits in the inbox, "" if
// none does.
func (ws *Workspace) waitsInInbox(in string) (string, error) {
	books, err := namesIn(ws.Inbox)
	if err != nil {
		return "", err
	}
	for _, book := range books {
		info, err := os.Lstat(filepath.Join(ws.Inbox, book))
		if err != nil || !info.IsDir() || !sameName(outStem(book), in) {
			continue
		}
		names, err := durable.ListFolder(filepath.Join(ws.Inbox, book))
		if ignoreMissing(err) != nil {
			return "", err
		}
		for _, name := range names {
			if kindOf(name) == wav {
				return name, nil
			}
		}
	}
	return "", nil
}

// countedFS is an FS whose reading ends soon after ctx is done, and that tells of every
// piece read.
type countedFS struct {
	durable.FS
	ctx  context.Context
	read func(bytes int)
}

func (c countedFS) Open(path string) (durable.File, error) {
	f, err := c.FS.Open(path)
	if err != nil {
		return nil, err
	}
	return countedFile{f, c}, nil
}

type countedFile struct {
	durable.File
	fs countedFS
}

func (f countedFile) Read(p []byte) (int, error) {
	if err := f.fs.ctx.Err(); err != nil {
		return 0, err
	}
	n, err := f.File.Read(p)
	f.fs.read(n)
	return n, err
}
