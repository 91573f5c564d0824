package watcher

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"lectern/watcher/internal/durable"
)

// Audit tells whether everything in a workspace is where it belongs and is what it is
// said to be.
type Audit struct {
	Schema     string   `json:"schema"`
	Clean      bool     `json:"clean"` // there are no exceptions
	LookedAt   LookedAt `json:"looked_at"`
	Exceptions []Remark `json:"exceptions"` // what somebody has to look at
	Notes      []Remark `json:"notes"`      // what is as it should be, but worth knowing
}

// LookedAt counts what was read.
type LookedAt struct {
	Raws     int   `json:"raws"`     // recordings in archive/ and setaside/, earlier ones included
	Shelved  int   `json:"shelved"`  // recordings on other disks, read or not
	Recipes  int   `json:"recipes"`  // in archive/
	Finished int   `json:"finished"` // reports in finished/, earlier revisions included
	Jobs     int   `json:"jobs"`     // in working/
	Bytes    int64 `json:"bytes"`    // summed
}

// Remark is one thing an audit says. Kind is one of a few fixed words, Name a path
// below the workspace, Says a sentence for the narrator.
type Remark struct {
	Kind string `json:"kind"`
	Book string `json:"book"`
	Name string `json:"name"`
	Says string `json:"says"`
}

// AuditSchema is the name and version of Audit's shape.
const AuditSchema = "lectern-audit/1"

// Audit reads the whole workspace and changes nothing. Every recording and finished
// file is read to its last byte. What looks wrong is looked at once more before it is
// believed, since a daemon may be moving files meanwhile; what a job in working/ is
// about to bring to its place is no exception beside that job. An error means that a
// folder could not be looked into.
func (ws *Workspace) Audit(ctx context.Context) (Audit, error) {
	if says := ws.diskAway(ws.mounts()); says != "" {
		return Audit{}, errors.New(says)
	}
	first, err := ws.auditOnce(ctx, nil)
	if err != nil {
		return Audit{}, err
	}
	if len(first.Exceptions) > 0 {
		doubtful := map[string]bool{}
		for _, r := range first.Exceptions {
			doubtful[r.Book] = true
		}
		again, err := ws.auditOnce(ctx, doubtful)
		if err != nil {
			return Audit{}, err
		}
		first.Exceptions = slices.DeleteFunc(first.Exceptions, func(r Remark) bool { return !slices.Contains(again.Exceptions, r) })
	}
	for _, remarks := range [][]Remark{first.Exceptions, first.Notes} {
		slices.SortStableFunc(remarks, func(x, y Remark) int { return strings.Compare(x.Name, y.Name) })
	}
	first.Clean = len(first.Exceptions) == 0
	return first, nil
}

// auditor is one reading of a workspace.
type auditor struct {
	ctx   context.Context
	ws    *Workspace
	store durable.Store
	out   Audit
	// What jobs in working/ have yet to move, by folded paths below the workspace, with
	// and without endings; and whether somebody works on one of them.
	moving map[string]bool
	inWork bool
}

// auditOnce reads everything, or the given books alone.
func (ws *Workspace) auditOnce(ctx context.Context, only map[string]bool) (Audit, error) {
	return (&auditor{ctx: ctx, ws: ws, store: durable.Store{FS: &durable.Disk{}}}).read(only)
}

func (a *auditor) read(only map[string]bool) (Audit, error) {
	a.out = Audit{Schema: AuditSchema, Exceptions: []Remark{}, Notes: []Remark{}}
	a.moving = map[string]bool{}
	if err := a.working(); err != nil {
		return Audit{}, err
	}
	books := map[string]bool{"": true}
	for _, root := range []string{a.ws.Archive, a.ws.Finished, a.ws.SetAside} {
		names, err := booksIn(root)
		if err != nil {
			return Audit{}, err
		}
		for _, name := range names {
			books[name] = !slices.Contains(topFolders, name)
		}
	}
	var order []string
	for book, isBook := range books {
		if isBook && (only == nil || only[book]) {
			order = append(order, book)
		}
	}
	slices.Sort(order)
	for _, book := range order {
		recipes, err := a.archive(book)
		if err == nil {
			err = a.finished(book, recipes)
		}
		if err == nil {
			err = a.setAside(book)
		}
		if err != nil {
			return Audit{}, err
		}
	}
	return a.out, nil
}

// wrong adds an exception, unless it is about a file that a job is about to move.
func (a *auditor) wrong(kind, book, name, format string, args ...any) {
	if !a.moving[Fold(name)] {
		a.out.Exceptions = append(a.out.Exceptions, Remark{kind, book, name, fmt.Sprintf(format, args...)})
	}
}

// note is wrong for what is as it should be.
func (a *auditor) note(kind, book, name, format string, args ...any) {
	if !a.moving[Fold(name)] {
		a.out.Notes = append(a.out.Notes, Remark{kind, book, name, fmt.Sprintf(format, args...)})
	}
}

// finding is what reading a file came to.
type finding int

const (
	sound      finding = iota // it is as it was said to be
	gone                      // there is no such file
	otherwise                 // it is not what it was said to be
	unreadable                // which has been told
)

// compare reads a file to its last byte. want are the sums it may have. An error means
// that the audit was called off.
func (a *auditor) compare(book, name, path string, want ...string) (finding, error) {
	if err := a.ctx.Err(); err != nil {
		return unreadable, err
	}
	sum, size, err := a.store.Sum(path)
	a.out.LookedAt.Bytes += size
	if err == nil && !slices.Contains(want, sum) {
		return otherwise, nil
	}
	return a.opened(book, name, err), nil
}

// paper reads one of the program's own papers.
func (a *auditor) paper(book, name, path string, into any) finding {
	return a.opened(book, name, readJSON(path, into))
}

// opened tells of a file that could not be read.
func (a *auditor) opened(book, name string, err error) finding {
	switch {
	case err == nil:
		return sound
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, ErrNotRegular): // list tells of the latter
		return gone
	case errors.Is(err, errNotJSON):
		return otherwise
	}
	why := err
	if e := (*fs.PathError)(nil); errors.As(err, &e) {
		why = e.Err
	}
	a.wrong("unreadable", book, name, "it cannot be read (%v); look whether its rights allow it, and whether its disk is sound", why)
	return unreadable
}

// list returns the names of regular files in a folder, and tells of what does not
// belong in any: temporaries, links, folders where there should be none. at is the
// folder's path below the workspace.
func (a *auditor) list(dir, at, book string, folders ...string) ([]string, error) {
	names, err := namesIn(dir)
	if err != nil {
		return nil, err
	}
	slices.Sort(names)
	isRoot := book == "" && !strings.Contains(at, "/")
	var out []string
	for _, name := range names {
		info, err := os.Lstat(filepath.Join(dir, name))
		if errors.Is(err, fs.ErrNotExist) {
			continue
		}
		if err != nil {
			return nil, fmt.Errorf("look at %q: %w", name, err)
		}
		at := path.Join(at, name)
		switch {
		case durable.IsTemp(name) && vanishes(filepath.Join(dir, name), info): // it was just being written
		case durable.IsTemp(name):
			a.unfinished(book, at, "an unfinished file was left behind")
		case kindOf(name) == junk, isRoot && isOfTheDisk(dir, name): // housekeeping of the system
		case info.Mode().IsRegular():
			out = append(out, name)
		case info.IsDir() && (slices.Contains(folders, name) || isRoot && !slices.Contains(topFolders, name)):
		case info.IsDir():
			a.wrong("stray", book, at, "no folder belongs here; move it elsewhere")
		default:
			a.wrong("stray", book, at, "it is a link or a device and not a file; move it elsewhere")
		}
	}
	return out, nil
}

// vanishes tells whether a half-written file is gone a moment later: the pages over the
// books are written while no job is in work. One that is older has been left behind.
func vanishes(path string, info fs.FileInfo) bool {
	const fresh, moment, looks = time.Minute, 20 * time.Millisecond, 10
	if time.Since(info.ModTime()) > fresh {
		return false
	}
	for range looks {
		if !exists(path) {
			return true
		}
		time.Sleep(moment)
	}
	return !exists(path)
}

// unfinished tells of something half written, unless somebody may just be writing it.
func (a *auditor) unfinished(book, name, what string) {
	if !a.inWork {
		a.wrong("unfinished", book, name, what+"; lectern watch removes it at a start, at the latest when it is %.0f hours old", strayAge.Hours())
	}
}

// toRemake is the command that makes a chapter again, or its given revision.
func toRemake(book, stem string, revision int) string {
	command := "lectern remake"
	if revision > 0 {
		command += fmt.Sprintf(" --revision %d", revision)
	}
	if book != "" {
		command += fmt.Sprintf(" %q", book)
	}
	return command + fmt.Sprintf(" %q", stem)
}
